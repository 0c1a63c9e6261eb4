//! Exports of a recorded run, read again by other people's software.

#![allow(clippy::unwrap_used, clippy::panic)] // Only tests are built with this file.

use std::collections::BTreeSet;
use std::fs::File;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use proofstand::record::{JOURNAL, SAMPLES, Samples, put, read_samples};
use proofstand_tests::bench::Plan;
use proofstand_tests::pty::{Ended, Host};

const HOST: &str = env!("CARGO_BIN_EXE_proofstand-host");

struct Recorded {
    _scratch: tempfile::TempDir,
    folder: PathBuf,
}

impl Recorded {
    /// First motion and the slow line count: index, flags, both directions.
    fn new() -> Self {
        let scratch = tempfile::tempdir().unwrap();
        let (run, folder) = Plan::film_winder().only("line-count-slow").run_in(scratch.path()).unwrap();
        proofstand::record::publish(&folder, &run).unwrap();
        Self { _scratch: scratch, folder }
    }

    fn export(&self, formats: &[&str]) -> Ended {
        let mut all = vec!["export", self.folder.to_str().unwrap()];
        all.extend(formats);
        let ended = Host::start(HOST, &self.folder, Stdio::null(), all).unwrap().end().unwrap();
        assert_eq!(ended.code(), 0, "{ended:?}");
        ended
    }

    fn samples(&self) -> Samples {
        read_samples(File::open(self.folder.join(SAMPLES)).unwrap()).unwrap()
    }

    fn text(&self, file: &str) -> String {
        std::fs::read_to_string(self.folder.join(file)).unwrap()
    }

    /// Times of all events of a kind, in microseconds.
    fn event_times(&self, kind: &str) -> Vec<u64> {
        let lines = self.text(JOURNAL);
        let lines = lines.lines().map(|l| serde_json::from_str::<serde_json::Value>(l).unwrap());
        lines
            .filter(|l| l["kind"] == "event" && l["data"].get(kind).is_some())
            .map(|l| l["at_us"].as_u64().unwrap())
            .collect()
    }
}

/// Millionths of a decimal fraction with six digits after the point.
fn millionths(text: &str) -> i64 {
    let (whole, fraction) = text.split_once('.').unwrap();
    assert_eq!(fraction.len(), 6, "{text}");
    format!("{whole}{fraction}").parse().unwrap()
}

#[test]
fn every_sample_is_a_line_of_csv_with_every_digit_of_the_record() {
    let run = Recorded::new();
    run.export(&["--csv"]);
    let samples = run.samples().samples;
    let mut reader = csv::Reader::from_path(run.folder.join("samples.csv")).unwrap();
    let head: Vec<String> = reader.headers().unwrap().iter().map(str::to_owned).collect();
    for name in head.iter().filter(|h| h.contains("volts") || h.contains("speed")) {
        assert!(
            name.ends_with("_volts") || name.ends_with("_rpm") || name.ends_with("_conducting"),
            "{name}"
        );
    }
    let at = |name: &str| head.iter().position(|h| h == name).unwrap_or_else(|| panic!("no column {name}"));
    let (time, command, position) = (at("time_seconds"), at("command_volts"), at("position_counts"));
    let (torque_on, segment) = (at("flag_2_torque_on_conducting"), at("segment"));
    let rows: Vec<csv::StringRecord> = reader.records().map(Result::unwrap).collect();
    assert_eq!(rows.len(), samples.len());
    for (row, sample) in rows.iter().zip(&samples) {
        assert_eq!(&row[0], "REHEARSAL");
        assert_eq!(millionths(&row[time]), i64::try_from(sample.at.0).unwrap());
        assert_eq!(millionths(&row[command]), i64::from(sample.command.0));
        assert_eq!(row[position].parse::<i64>().unwrap(), sample.position.0);
        assert_eq!(&row[torque_on] == "1", sample.flags & 4 != 0);
        assert_eq!(row[segment].parse::<u8>().unwrap_or(255), sample.segment);
    }
}

/// A part of a run is found by check and step, as the report and `run.json` number them.
#[test]
fn every_sample_names_the_check_and_the_step_that_it_was_taken_for() {
    let run = Recorded::new();
    run.export(&["--csv"]);
    let model = proofstand::record::read_run(&run.folder).unwrap();
    let mut reader = csv::Reader::from_path(run.folder.join("samples.csv")).unwrap();
    let head: Vec<String> = reader.headers().unwrap().iter().map(str::to_owned).collect();
    assert_eq!(head[head.len() - 2..], ["check", "step"]);
    let rows: Vec<csv::StringRecord> = reader.records().map(Result::unwrap).collect();
    let mut named = 0;
    for check in &model.checks {
        for (number, step) in (1..).zip(&check.steps).filter(|(_, step)| step.last_sample > 0) {
            let of: Vec<u32> = rows
                .iter()
                .filter(|row| row[head.len() - 2] == check.id && row[head.len() - 1] == format!("{number}"))
                .map(|row| row[1].parse().unwrap())
                .collect();
            assert_eq!(of.first(), Some(&step.first_sample), "{} {number}", check.id);
            assert_eq!(of.last(), Some(&step.last_sample), "{} {number}", check.id);
            named += of.len();
        }
    }
    assert!(named > rows.len() / 2, "{named} of {}", rows.len());
    // All others are of no step: nothing was put to a wrong one.
    assert_eq!(rows.iter().filter(|row| row[head.len() - 2].is_empty()).count(), rows.len() - named);
}

#[test]
fn samples_of_a_check_that_was_taken_over_are_not_looked_for_in_the_later_run() {
    let run = Recorded::new();
    let mut model = proofstand::record::read_run(&run.folder).unwrap();
    let check = model.checks.iter().find(|c| c.steps.iter().any(|s| s.last_sample > 0)).unwrap().id.clone();
    let earlier = model.clone();
    let (_, mut follows) = proofstand::record::follow::merge(
        &earlier,
        proofstand::record::model::FollowWhy::Again,
        Vec::new(),
        |_| false,
        &[],
    );
    follows.taken_over.retain(|taken| taken.check == check);
    model.follows = Some(follows);
    proofstand::record::publish(&run.folder, &model).unwrap();
    run.export(&["--csv"]);
    let text = run.text("samples.csv");
    assert!(text.lines().skip(1).all(|line| !line.contains(&format!(",{check},"))));
}

#[test]
fn a_record_cut_anywhere_is_exported_as_far_as_it_is_sound() {
    let run = Recorded::new();
    let whole = std::fs::read(run.folder.join(SAMPLES)).unwrap();
    let all = run.samples().samples;
    for part in [9, 10, whole.len() / 3, whole.len() / 2, whole.len() - 1] {
        put(&run.folder, SAMPLES, &whole[..part]).unwrap();
        let ended = run.export(&["--csv", "--parquet", "--vcd"]);
        if part > 9 {
            assert!(ended.err.contains("damaged or cut off"), "cut at {part}: {}", ended.err);
        }
        let mut reader = csv::Reader::from_path(run.folder.join("samples.csv")).unwrap();
        let numbers: Vec<u32> = reader.records().map(|r| r.unwrap()[1].parse().unwrap()).collect();
        assert!(numbers.iter().zip(&all).all(|(n, s)| *n == s.sequence), "cut at {part}");
        assert!(numbers.len() + 200 > all.len() * part / whole.len(), "cut at {part}: {}", numbers.len());
    }
    // Without its header it is no samples' file at all.
    put(&run.folder, SAMPLES, &whole[..5]).unwrap();
    let all = ["export", run.folder.to_str().unwrap(), "--csv"];
    let ended = Host::start(HOST, &run.folder, Stdio::null(), all).unwrap().end().unwrap();
    assert_eq!(ended.code(), 2);
    assert!(ended.err.contains(SAMPLES), "{}", ended.err);
}

/// Keywords and syntax after `tests/reference/vcd-format.toml` (IEEE 1364-2005, clause 18).
#[test]
fn the_value_change_dump_keeps_to_the_standards_syntax() {
    let run = Recorded::new();
    run.export(&["--vcd"]);
    let reference = concat!(env!("CARGO_MANIFEST_DIR"), "/reference/vcd-format.toml");
    let rules: toml::Table = std::fs::read_to_string(reference).unwrap().parse().unwrap();
    let words = |key: &str| -> BTreeSet<String> {
        rules[key].as_array().unwrap().iter().map(|w| w.as_str().unwrap().to_owned()).collect()
    };
    let (declarations, commands) = (words("declaration_keywords"), words("simulation_keywords"));
    let text = run.text("signals.vcd");
    assert!(text.contains("REHEARSAL"));
    let (head, body) = text.split_once("$enddefinitions $end").unwrap();
    let mut codes = BTreeSet::new();
    for word in head.split_whitespace().filter(|w| w.len() > 1 && w.starts_with('$') && *w != "$end") {
        assert!(declarations.contains(word), "{word}");
    }
    for line in head.lines().filter(|l| l.starts_with("$var")) {
        let parts: Vec<&str> = line.split_whitespace().collect();
        let ["$var", kind, "1", code, name, "$end"] = parts[..] else { panic!("{line}") };
        assert!(words("var_types").contains(kind));
        assert!(code.bytes().all(|b| (33..=126).contains(&b)));
        assert!(codes.insert(code.to_owned()), "{name} has a code twice");
    }
    let mut time = 0_u64;
    for word in body.split_whitespace() {
        if let Some(at) = word.strip_prefix('#') {
            let at: u64 = at.parse().unwrap();
            assert!(at >= time, "time goes back to {at}");
            time = at;
        } else if word.starts_with('$') {
            assert!(word == "$end" || commands.contains(word), "{word}");
        } else {
            assert!(word.starts_with(['0', '1', 'x']) && codes.contains(&word[1..]), "{word}");
        }
    }
    let samples = run.samples().samples;
    let events = ["StateChanged", "Flag"].iter().flat_map(|kind| run.event_times(kind));
    let first = events.chain(samples.first().map(|s| s.at.0)).min();
    // The last event may come after the last whole block of samples, of four milliseconds.
    let after = time - (samples.last().unwrap().at.0 - first.unwrap());
    assert!(after <= 4_000, "{after}");
}

#[test]
fn the_schema_is_json_schema_and_names_units_of_evidence() {
    let run = Recorded::new();
    run.export(&["--schema"]);
    let schema: serde_json::Value = serde_json::from_str(&run.text("run.schema.json")).unwrap();
    assert_eq!(schema["$schema"], "https://json-schema.org/draft/2020-12/schema");
    let model: serde_json::Value = serde_json::from_str(&run.text("run.json")).unwrap();
    for key in model.as_object().unwrap().keys() {
        assert!(schema["properties"].get(key).is_some(), "{key}");
    }
}

/// Pulses that an independent decoder sees on a channel; its exit status says nothing (`tests/reference/sigrok-graycode.toml`).
fn pulses(file: &Path, channel: &str, edge: &str) -> usize {
    let out = Command::new("sigrok-cli")
        .args(["-I", "vcd:downsample=10", "-P", &format!("counter:data={channel}:data_edge={edge}")])
        .args(["-A", "counter=edge_count", "-i"])
        .arg(file)
        .output()
        .unwrap();
    String::from_utf8_lossy(&out.stdout).lines().filter(|l| l.starts_with("counter-1:")).count()
}

#[test]
#[ignore = "needs sigrok-cli"]
fn sigrok_sees_every_index_and_every_change_of_the_torque_on_flag() {
    let run = Recorded::new();
    run.export(&["--vcd"]);
    let file = run.folder.join("signals.vcd");
    let turns = run.event_times("Index").len();
    assert!(turns > 5, "{turns}");
    assert_eq!(pulses(&file, "index", "rising"), turns);
    let journal = run.text(JOURNAL);
    let on = journal.matches(r#""Flag":{"conducting":true,"input":2}"#).count()
        + journal.matches(r#""Flag":{"input":2,"conducting":true}"#).count();
    assert!(on >= 2, "{on}");
    assert_eq!(pulses(&file, "flag_2_torque_on", "rising"), on);
    assert_eq!(pulses(&file, "state_tripped", "any"), 0);
}

const PYTHON: &str = r#"
import json, sys
import pyarrow.parquet as pq
t = pq.read_table(sys.argv[1])
m = {k.decode(): v.decode() for k, v in t.schema.metadata.items()}
c = lambda n: t.column(n).to_pylist()
print(json.dumps({
    "rows": t.num_rows, "names": t.column_names, "types": [str(f.type) for f in t.schema], "metadata": m,
    "position": sum(c("position_counts")), "first": c("time_seconds")[0], "last": c("time_seconds")[-1],
    "command": sum(round(v * 1e6) for v in c("command_volts")), "no_segment": t.column("segment").null_count,
    "live": c("state").count("live"), "steps": sorted({(k, n) for k, n in zip(c("check"), c("step")) if k}),
    "of_no_check": t.column("check").null_count, "of_no_step": t.column("step").null_count,
    "torque_on": sum(c("flag_2_torque_on_conducting")),
}))
"#;

#[test]
#[ignore = "needs python3 with pyarrow"]
fn pyarrow_reads_the_same_numbers_and_their_units() {
    let run = Recorded::new();
    run.export(&["--parquet"]);
    let python = std::env::var("PROOFSTAND_PYTHON").unwrap_or_else(|_| "python3".to_owned());
    let out =
        Command::new(python).args(["-c", PYTHON]).arg(run.folder.join("samples.parquet")).output().unwrap();
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    let read: serde_json::Value = serde_json::from_slice(&out.stdout).unwrap();
    let samples = run.samples().samples;
    assert_eq!(read["rows"], samples.len());
    assert_eq!(read["position"], samples.iter().map(|s| s.position.0).sum::<i64>());
    assert_eq!(read["command"], samples.iter().map(|s| i64::from(s.command.0)).sum::<i64>());
    assert_eq!(read["first"], samples.first().unwrap().at.0 as f64 / 1e6);
    assert_eq!(read["last"], samples.last().unwrap().at.0 as f64 / 1e6);
    assert_eq!(read["no_segment"], samples.iter().filter(|s| s.segment == 255).count());
    let live = samples.iter().filter(|s| s.state == proofstand_protocol::message::State::Live).count();
    assert_eq!(read["live"], live);
    assert_eq!(read["torque_on"], samples.iter().filter(|s| s.flags & 4 != 0).count());
    let types = read["types"].as_array().unwrap();
    assert_eq!(types[types.len() - 2..], ["string", "int32"]);
    let model = proofstand::record::read_run(&run.folder).unwrap();
    let mut steps = Vec::new();
    for check in &model.checks {
        let taken = (1..).zip(&check.steps).filter(|(_, step)| step.last_sample > 0);
        steps.extend(taken.map(|(number, _)| (check.id.clone(), number)));
    }
    steps.sort();
    assert_eq!(read["steps"], serde_json::json!(steps));
    assert_eq!(read["of_no_check"], read["of_no_step"]);
    assert!(read["of_no_check"].as_u64().unwrap() < samples.len() as u64 / 2);
    let units = &read["metadata"];
    assert_eq!(units["kind"], "REHEARSAL");
    for name in read["names"].as_array().unwrap().iter().map(|n| n.as_str().unwrap()) {
        let unit = units[format!("unit.{name}")].as_str();
        let expected = match name.rsplit('_').next().unwrap() {
            "seconds" => Some("s"),
            "rpm" => Some("r/min"),
            "volts" => Some("V"),
            "counts" => Some("count"),
            _ => None,
        };
        assert_eq!(unit, expected, "{name}");
        assert!(units[format!("about.{name}")].is_string(), "{name}");
    }
}

/// Bursts of the raw lines that the slow count takes.
fn line_bursts(run: &Recorded) -> Vec<proofstand::fixture::Burst> {
    let bursts: Vec<_> = run.samples().bursts.into_iter().filter(|b| !b.lines().is_empty()).collect();
    assert!(bursts.len() >= 4, "{}", bursts.len());
    assert!(bursts.iter().all(proofstand::fixture::Burst::is_whole));
    bursts
}

#[test]
fn every_point_of_a_burst_is_a_line_of_csv() {
    let run = Recorded::new();
    run.export(&["--csv"]);
    let mut reader = csv::Reader::from_path(run.folder.join("bursts.csv")).unwrap();
    let head: Vec<String> = reader.headers().unwrap().iter().map(str::to_owned).collect();
    let at = |name: &str| head.iter().position(|h| h == name).unwrap_or_else(|| panic!("no column {name}"));
    let (time, a, b, z) = (at("time_seconds"), at("phase_a_high"), at("phase_b_high"), at("index_high"));
    let rows: Vec<csv::StringRecord> = reader.records().map(Result::unwrap).collect();
    let expected: Vec<_> = line_bursts(&run)
        .into_iter()
        .flat_map(|burst| {
            let points = burst.lines().to_vec();
            points.into_iter().enumerate().map(move |(n, lines)| (burst.number, burst.at_us(n), lines))
        })
        .collect();
    assert_eq!(rows.len(), expected.len());
    for (row, (number, at_us, lines)) in rows.iter().zip(expected) {
        assert_eq!((&row[0], row[1].parse()), ("REHEARSAL", Ok(number)));
        assert_eq!(millionths(&row[time]), i64::try_from(at_us).unwrap());
        let bit = |column: usize| row[column].parse::<u8>().unwrap();
        assert_eq!(bit(a) | bit(b) << 1 | bit(z) << 2, lines);
    }
}

#[test]
#[ignore = "needs sigrok-cli"]
fn sigrok_counts_the_lines_of_a_burst_as_the_host_does() {
    let run = Recorded::new();
    run.export(&["--vcd"]);
    for burst in line_bursts(&run) {
        let file = run.folder.join(format!("lines-{}.vcd", burst.number));
        let out = Command::new("sigrok-cli")
            .args(["-I", "vcd", "-P", "graycode:d0=a:d1=b", "-A", "graycode=count", "-i"])
            .arg(&file)
            .output()
            .unwrap();
        let theirs: Vec<i64> = String::from_utf8_lossy(&out.stdout)
            .lines()
            .filter_map(|l| l.strip_prefix("graycode-1: ")?.parse().ok())
            .collect();
        let record = proofstand::estimate::line_burst::read_lines(burst.lines());
        assert_eq!(record.illegal, 0);
        let mut count = 0;
        let mut ours = vec![0];
        for edge in &record.edges {
            count += if edge.up { 1 } else { -1 };
            ours.push(count);
        }
        // It never prints its last value (`tests/reference/sigrok-graycode.toml`).
        ours.pop();
        assert!(ours.len() > 80, "{}", ours.len());
        assert_eq!(theirs, ours, "burst {}", burst.number);
        let z = burst.lines().windows(2).filter(|p| p[0] & 4 == 0 && p[1] & 4 != 0).count();
        assert_eq!(edges(&file, "z", "rising"), z, "burst {}", burst.number);
    }
}

/// Edges of a channel in a file that needs no thinning out.
fn edges(file: &Path, channel: &str, edge: &str) -> usize {
    let out = Command::new("sigrok-cli")
        .args(["-I", "vcd", "-P", &format!("counter:data={channel}:data_edge={edge}")])
        .args(["-A", "counter=edge_count", "-i"])
        .arg(file)
        .output()
        .unwrap();
    String::from_utf8_lossy(&out.stdout).lines().filter(|l| l.starts_with("counter-1:")).count()
}

const PYTHON_BURSTS: &str = r#"
import json, sys
import pyarrow.parquet as pq
t = pq.read_table(sys.argv[1])
m = {k.decode(): v.decode() for k, v in t.schema.metadata.items()}
c = lambda n: t.column(n).to_pylist()
print(json.dumps({
    "rows": t.num_rows, "names": t.column_names, "metadata": m, "kinds": sorted(set(c("points_of"))),
    "a": sum(v is True for v in c("phase_a_high")), "z": sum(v is True for v in c("index_high")),
    "no_position": t.column("position_counts").null_count, "last": c("time_seconds")[-1],
}))
"#;

#[test]
#[ignore = "needs python3 with pyarrow"]
fn pyarrow_reads_the_points_of_bursts_and_their_units() {
    let run = Recorded::new();
    run.export(&["--parquet"]);
    let python = std::env::var("PROOFSTAND_PYTHON").unwrap_or_else(|_| "python3".to_owned());
    let file = run.folder.join("bursts.parquet");
    let out = Command::new(python).args(["-c", PYTHON_BURSTS]).arg(file).output().unwrap();
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    let read: serde_json::Value = serde_json::from_slice(&out.stdout).unwrap();
    let bursts = line_bursts(&run);
    let high = |bit: u8| bursts.iter().flat_map(|b| b.lines()).filter(|l| **l & bit != 0).count();
    let points: usize = bursts.iter().map(|b| b.lines().len()).sum();
    assert_eq!((&read["rows"], &read["no_position"]), (&points.into(), &points.into()));
    assert_eq!(read["kinds"], serde_json::json!(["lines"]));
    assert_eq!((&read["a"], &read["z"]), (&high(1).into(), &high(4).into()));
    let last = bursts.last().unwrap();
    assert_eq!(read["last"], last.at_us(last.lines().len() - 1) as f64 / 1e6);
    let metadata = &read["metadata"];
    assert_eq!(metadata["kind"], "REHEARSAL");
    for (column, unit) in
        [("time_seconds", "s"), ("position_counts", "count"), ("torque_read_out_volts", "V")]
    {
        assert_eq!(metadata[format!("unit.{column}")], unit);
    }
    for name in read["names"].as_array().unwrap().iter().map(|n| n.as_str().unwrap()) {
        assert!(metadata[format!("about.{name}")].is_string(), "{name}");
    }
}
