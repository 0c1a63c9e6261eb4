//! What a calibration means for an acceptance, and whole calibrations over pseudo-terminals.

#![allow(clippy::unwrap_used, reason = "a helper of a test fails as the test does")]

use std::io::{Read, Write};
use std::path::Path;
use std::process::Stdio;
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use proofstand::acceptance::{Job, Setting};
use proofstand::checks;
use proofstand::fixture::Client;
use proofstand::record::RunFolder;
use proofstand::record::model::{ResultRow, Run, RunKind, Verdict};
use proofstand::rehearsal::{Before, Rehearsal};
use proofstand::sequence::Quiet;
use proofstand_tests::bench::{TODAY, demo, row};
use proofstand_tests::pty::{Fixture, Host};
use serialport::SerialPort as _;

/// The film winder's command scale, with what comes before it.
fn run(before: Before, today: u32) -> Run {
    let read = proofstand::sheet::read(&demo("film-winder.toml")).unwrap();
    let job = Job::new(read.file, read.text, read.sheet);
    let rehearsal = Rehearsal::found(&job.sheet, &[], 1, TODAY, before).unwrap();
    let parent = tempfile::tempdir().unwrap();
    let mut folder = RunFolder::create(parent.path(), "run", true).unwrap();
    let mut client = Client::connect(rehearsal.link(), &mut folder).unwrap();
    let mut operator = rehearsal.operator(true);
    let setting = Setting { today, ..Setting::default() };
    let asked = checks::with_needs(&[checks::by_id("command-scale").unwrap()]);
    job.run(RunKind::Rehearsal, &asked, &setting, &mut client, &mut folder, &mut operator, &mut Quiet)
}

/// Results whose budget holds the command's calibration.
fn on_volts(run: &Run) -> Vec<&ResultRow> {
    let scale = run.checks.iter().filter(|c| c.id == "command-scale").flat_map(|c| &c.results);
    scale.filter(|r| r.expanded_uncertainty.is_some()).collect()
}

#[test]
fn without_a_calibration_in_date_and_of_this_board_nothing_on_volts_is_better_than_undecided() {
    let healthy = run(Before::Own, TODAY);
    assert!(healthy.provenance.calibration_valid);
    let accepted = on_volts(&healthy).iter().filter(|r| r.verdict == Verdict::Accepted).count();
    assert!(accepted >= 3, "the healthy axis has {accepted} accepted results on volts");

    for (name, run) in [
        ("none", run(Before::Nothing, TODAY)),
        ("another board's", run(Before::Others, TODAY)),
        // The invented calibration is due 365 days after it was made, forty days ago.
        ("out of date", run(Before::Own, TODAY + 400)),
    ] {
        assert!(!run.provenance.calibration_valid, "{name}");
        assert!(!run.provenance.warnings.is_empty(), "{name}");
        let rows = on_volts(&run);
        assert!(rows.len() >= 3, "{name}: measured all the same");
        for row in rows {
            assert!(
                matches!(row.verdict, Verdict::Undecided | Verdict::Rejected),
                "{name}: {} is {:?}",
                row.id,
                row.verdict
            );
        }
        // Counts and direction need no volts.
        let counts = row(&run, "line-count-slow.forward").or_else(|| {
            run.checks.iter().filter(|c| c.id.contains("line-count")).flat_map(|c| &c.results).next()
        });
        assert_eq!(counts.map(|r| r.verdict), Some(Verdict::Accepted), "{name}");
    }
}

#[test]
fn a_board_without_a_table_for_its_read_outs_decides_nothing_by_them_and_says_so() {
    let (whole, without) = (run(Before::Own, TODAY), run(Before::WithoutReadOuts, TODAY));
    let by_read_out = ["command-scale.gain-read-out", "command-scale.reversal-less-read-out"];
    for id in by_read_out {
        assert_eq!(row(&whole, id).unwrap().verdict, Verdict::Accepted, "{id}");
        let row = row(&without, id).unwrap();
        assert_eq!(row.verdict, Verdict::Undecided, "{id}: {}", row.sentence);
        assert!(
            row.sentence.contains("no table") || row.sentence.contains("without a table"),
            "{}",
            row.sentence
        );
        assert!(row.measured.is_some() && row.expanded_uncertainty.is_some(), "measured all the same");
    }
    // What its own calibration states is in its budget, and no longer the command's.
    let input = |run: &Run| {
        let budget = &row(run, by_read_out[0]).unwrap().budget;
        budget
            .iter()
            .filter(|c| c.name.starts_with("read-out at the fixture's input"))
            .cloned()
            .collect::<Vec<_>>()
    };
    assert_eq!(input(&whole).len(), 3, "gain, its temperature, and curve with step: {:?}", input(&whole));
    let bare = input(&without);
    assert!(bare.len() == 1 && bare[0].name.contains("one number"), "{bare:?}");
    // 25 mV (k = 2) at the bare input.
    assert!((bare[0].input_uncertainty.unwrap() - 12.5e-3).abs() < 1e-9, "{bare:?}");
    // The command itself is calibrated: what rests on it alone is judged.
    assert!(without.provenance.calibration_valid);
    for id in ["command-scale.gain", "command-scale.offset"] {
        assert_eq!(row(&without, id).unwrap().verdict, Verdict::Accepted, "{id}");
    }
    assert!(
        without
            .provenance
            .warnings
            .iter()
            .any(|w| w.contains("torque") && w.contains("never better than undecided")),
        "{:?}",
        without.provenance.warnings
    );
    assert!(whole.provenance.warnings.is_empty(), "{:?}", whole.provenance.warnings);
}

#[test]
fn what_a_reference_may_have_drifted_by_since_its_calibration_is_in_the_budgets_and_grows_with_time() {
    // 25 ppm in 1000 h, growing with the square root of time: by hand, half-width 25 ppm·√(days·0.024) of the scale.
    let drift = |today: u32, id: &str, what: &str| {
        let run = run(Before::Drifting, today);
        assert!(run.provenance.calibration_valid, "{:?}", run.provenance.warnings);
        let row = row(&run, id).unwrap();
        let name = format!("{what}: gain by drift since the calibration");
        let part = row.budget.iter().find(|c| c.name == name);
        let part = part.unwrap_or_else(|| panic!("{id}: {:#?}", row.budget));
        assert_eq!((part.kind.as_str(), part.distribution.as_str()), ("B", "rectangular"));
        part.standard_uncertainty * 3.0_f64.sqrt() / row.measured.unwrap()
    };
    for (today, days) in [(TODAY, 40.0), (TODAY + 320, 360.0)] {
        let want = 25e-6 * (days * 0.024_f64).sqrt();
        for (id, what) in [
            ("command-scale.gain", "command, read back at the terminals"),
            ("command-scale.gain-read-out", "read-out at the fixture's input"),
        ] {
            let share = drift(today, id, what);
            assert!((share / want - 1.0).abs() < 1e-6, "{id} after {days} days: {share} {want}");
        }
    }
    // A record that states no drift puts none into a budget.
    let without = run(Before::Own, TODAY);
    let gain = row(&without, "command-scale.gain").unwrap();
    assert!(gain.budget.iter().all(|c| !c.name.contains("by drift")), "{:#?}", gain.budget);
}

const BENCH: &str = env!("CARGO_BIN_EXE_calibration-bench");
const HOST: &str = env!("CARGO_BIN_EXE_proofstand-host");

/// Real time passes here: one test at a time, so that none makes another late.
fn alone() -> MutexGuard<'static, ()> {
    static ONE: Mutex<()> = Mutex::new(());
    ONE.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Fixture and meter; the path of the meter's port.
fn bench(flash: &Path) -> (Fixture, String) {
    let fixture = Fixture::start(BENCH, flash).unwrap();
    let log = fixture.log();
    let meter = log.lines().find_map(|l| l.strip_prefix("meter ")).unwrap().to_owned();
    (fixture, meter)
}

fn calibrate(folder: &Path, fixture: &Fixture, meter: &str, more: &[&str]) -> Host {
    let common = [
        "calibrate",
        "--port",
        &fixture.port,
        "--meter-port",
        meter,
        "--meter-accuracy",
        "35+5",
        "--temperature",
        "23.1",
        "--readings",
        "1",
        "--cautions-kept",
    ];
    Host::start(HOST, folder, Stdio::null(), common.iter().chain(more)).unwrap()
}

#[test]
fn a_calibration_over_two_ports_is_stored_and_certified_and_the_old_one_is_kept() {
    let _alone = alone();
    let folder = tempfile::tempdir().unwrap();
    let flash = folder.path().join("flash.bin");
    let (mut fixture, meter) = bench(&flash);
    let old = std::fs::read(&flash).unwrap();
    let ended = calibrate(folder.path(), &fixture, &meter, &["--operator", "Kim"]).end().unwrap();
    assert_eq!(ended.code(), 0, "{}", ended.err);
    fixture.wait_for("record changed").unwrap();
    assert_ne!(std::fs::read(&flash).unwrap(), old);
    let path = ended.out.lines().find_map(|l| l.strip_prefix("Certificate: ")).unwrap();
    let certificate = std::fs::read_to_string(folder.path().join(path)).unwrap();
    for text in
        ["REHEARSAL", "Kim", "As found, as left", "No traceability is claimed", "INVENTED INSTRUMENTS"]
    {
        assert!(certificate.contains(text), "{text}");
    }
    assert!(!certificate.contains("<script") && !certificate.contains("http://"), "one file, nothing loaded");
    let record = folder.path().join(path).with_file_name("calibration.json");
    let record = std::fs::read_to_string(record).unwrap();
    assert!(record.contains("\"stored\": \"in_fixture\"") && record.contains("\"kind\": \"rehearsal\""));
    let previous = folder.path().join(path).with_file_name("previous.json");
    let previous = std::fs::read_to_string(previous).unwrap();
    let hexadecimal: String = old.iter().map(|b| format!("{b:02x}")).collect();
    assert!(previous.contains(&hexadecimal), "the old record is kept as it was");
    assert!(previous.contains("REHEARSAL"), "{previous}");
    assert!(certificate.contains("at every level, with no guard band"), "{certificate}");
    for line in ended.err.lines().filter(|l| l.contains(" of 34") || l.contains(" of 16")) {
        assert!(line.starts_with("REHEARSAL"), "{line}");
    }
}

/// What the meter on the bench shows now, asked by a person's hands.
fn read_meter(meter: &mut Box<dyn serialport::SerialPort>) -> f64 {
    writeln!(meter, "READ?").unwrap();
    let mut line = Vec::new();
    while line.last() != Some(&b'\n') {
        let mut byte = [0];
        meter.read_exact(&mut byte).unwrap();
        line.push(byte[0]);
    }
    String::from_utf8(line).unwrap().trim().parse().unwrap()
}

#[test]
fn a_meter_that_a_person_reads_and_types_calibrates_and_a_mistyped_level_is_refused_and_mended() {
    let _alone = alone();
    let folder = tempfile::tempdir().unwrap();
    let flash = folder.path().join("flash.bin");
    let (mut fixture, meter_port) = bench(&flash);
    let mut meter = serialport::new(&meter_port, 9600).timeout(Duration::from_secs(10)).open().unwrap();
    let (mut person, terminal) = serialport::TTYPort::pair().unwrap();
    let keyboard = std::fs::File::open(terminal.name().unwrap()).unwrap();
    let arguments = [
        "calibrate",
        "--port",
        &fixture.port,
        "--meter",
        "Invented DMM, no. 0042",
        "--meter-accuracy",
        "35+5",
        "--temperature",
        "23.1",
        "--cautions-kept",
    ];
    let mut host = Host::start(HOST, folder.path(), Stdio::from(keyboard), arguments).unwrap();
    let mut asked = 0;
    while host.wait_for("The meter shows, in volts:").is_ok() {
        asked += 1;
        let shows = read_meter(&mut meter);
        let typed = match asked {
            // The decimal sign in the wrong place: no reading of this level.
            3 => format!("{:.6}", shows / 10.0),
            // Not a number at all.
            5 => "about eight".to_owned(),
            // A digit mistyped: it could be one of this level, and up and down tell.
            8 => format!("{:.6}", shows + 0.002),
            _ => format!("{shows:.6}"),
        };
        writeln!(person, "{typed}").unwrap();
    }
    let ended = host.end().unwrap();
    assert_eq!(ended.code(), 0, "{}", ended.err);
    // 17 up, 17 down and 16 between; one more for each that was no reading, two for the level that was mistyped.
    assert_eq!(asked, 34 + 16 + 2 + 2, "{}", ended.err);
    let said = ended.err.split_whitespace().collect::<Vec<_>>().join(" ");
    for text in [
        "farther off than any working board",
        "Look again, and type it again.",
        "A number of volts, as the meter shows it",
        "more going up than coming down",
        "If a digit was mistyped, this mends it",
    ] {
        assert!(said.contains(text), "{text}: {said}");
    }
    fixture.wait_for("record changed").unwrap();
    let path = ended.out.lines().find_map(|l| l.strip_prefix("Certificate: ")).unwrap();
    let certificate = std::fs::read_to_string(folder.path().join(path)).unwrap();
    for text in [
        "read and typed by a person",
        "Invented DMM, no. 0042",
        "was read once, so that only up and down show",
        "16 of 16 levels are within it",
    ] {
        assert!(certificate.contains(text), "{text}");
    }
    let record =
        std::fs::read_to_string(folder.path().join(path).with_file_name("calibration.json")).unwrap();
    let record: serde_json::Value = serde_json::from_str(&record).unwrap();
    for level in record["levels"].as_array().unwrap() {
        let apart = level["up"]["meter"].as_f64().unwrap() - level["down"]["meter"].as_f64().unwrap();
        assert!(apart.abs() < 1e-4, "the mistyped one is mended: {level}");
    }
}

#[test]
fn a_calibration_that_is_stopped_or_killed_leaves_the_fixture_as_it_was() {
    let _alone = alone();
    let folder = tempfile::tempdir().unwrap();
    let flash = folder.path().join("flash.bin");
    for (signal, code) in [("INT", 4), ("KILL", -1)] {
        let (mut fixture, meter) = bench(&flash);
        let old = std::fs::read(&flash).unwrap();
        let mut host = calibrate(folder.path(), &fixture, &meter, &[]);
        host.wait_for("level  3 of 34").unwrap();
        host.signal(signal).unwrap();
        let ended = host.end().unwrap();
        assert_eq!(ended.code(), code, "{signal}: {}", ended.err);
        // Disarmed by the host, or tripped because its beat stopped.
        fixture.wait_for(if signal == "INT" { "state Safe" } else { "state Tripped" }).unwrap();
        std::thread::sleep(Duration::from_millis(50));
        assert_eq!(std::fs::read(&flash).unwrap(), old, "{signal}");
    }
}

#[test]
fn an_amplifier_that_is_plugged_in_is_refused_before_a_level_is_put_out() {
    let _alone = alone();
    let folder = tempfile::tempdir().unwrap();
    let (mut fixture, meter) = bench(&folder.path().join("flash.bin"));
    fixture.command("amplifier").unwrap();
    let ended = calibrate(folder.path(), &fixture, &meter, &[]).end().unwrap();
    assert_eq!(ended.code(), 4);
    assert!(ended.err.contains("amplifier"), "{}", ended.err);
    assert!(!fixture.log().contains("Calibrating"), "{}", fixture.log());
}
