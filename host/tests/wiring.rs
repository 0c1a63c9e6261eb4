//! `proofstand wiring` as a technician and a script meet it.

#![expect(clippy::unwrap_used, reason = "a test may stop")]

use std::path::Path;

use assert_cmd::Command;
use predicates::prelude::*;

const WINDER: &str = include_str!("../sheets/film-winder.toml");

fn proofstand() -> Command {
    let mut command = Command::cargo_bin("proofstand").unwrap();
    command.current_dir(Path::new(env!("CARGO_MANIFEST_DIR")));
    command
}

fn sheet(folder: &tempfile::TempDir, text: &str) -> std::path::PathBuf {
    let path = folder.path().join("axis.toml");
    std::fs::write(&path, text).unwrap();
    path
}

#[test]
fn the_table_has_cautions_first_and_says_that_the_data_are_invented() {
    let out = proofstand().args(["wiring", "sheets/film-winder.toml"]).assert().code(0);
    let text = String::from_utf8(out.get_output().stdout.clone()).unwrap();
    let at = |wanted: &str| text.find(wanted).unwrap_or_else(|| panic!("{wanted}: {text}"));
    assert!(at("INVENTED DATA") < at("Cautions"));
    assert!(at("Cautions") < at("holding speed down, collector"));
    at("common practice, no source");
}

/// Read with the crate `csv`, which follows RFC 4180.
#[test]
fn the_csv_is_read_by_a_csv_reader_with_every_wire_in_it() {
    let out = proofstand().args(["wiring", "sheets/film-winder.toml", "--csv"]).assert().code(0);
    let mut reader = csv::Reader::from_reader(out.get_output().stdout.as_slice());
    let rows: Vec<_> = reader.records().map(Result::unwrap).collect();
    let wires: Vec<_> = rows.iter().filter(|row| !row[0].is_empty()).collect();
    assert_eq!(wires.len(), 31);
    let fault = wires.iter().find(|row| &row[3] == "fault, collector").unwrap();
    assert_eq!((&fault[1], &fault[2], &fault[4], &fault[8]), ("F7", "G7", "positive", "normally closed"));
}

#[test]
fn the_markers_are_one_label_a_line_for_both_ends_of_each_wire() {
    let out = proofstand().args(["wiring", "sheets/film-winder.toml", "--markers"]).assert().code(0);
    let text = String::from_utf8(out.get_output().stdout.clone()).unwrap();
    let lines: Vec<_> = text.lines().collect();
    assert_eq!(
        lines[..6],
        ["1  C1 / A1", "1  A1 / C1", "2  C2 / A2", "2  A2 / C2", "C3 / screen", "screen command / insulated"]
    );
    assert_eq!(lines.len(), 2 * 31 + 2 * 4);
}

#[test]
fn the_drawing_goes_where_it_is_asked_for_and_further_pages_beside_it() {
    let folder = tempfile::tempdir().unwrap();
    let svg = folder.path().join("wires.svg");
    proofstand().args(["wiring", "sheets/film-winder.toml", "--svg"]).arg(&svg).assert().code(0);
    let first = std::fs::read_to_string(&svg).unwrap();
    let second = std::fs::read_to_string(folder.path().join("wires-2.svg")).unwrap();
    assert!(first.contains("page 1/2") && second.contains("page 2/2"));
    // CRC-32/ISO-HDLC of the sheet's bytes, as in a run's record.
    let crc = crc::Crc::<u32>::new(&crc::CRC_32_ISO_HDLC).checksum(WINDER.as_bytes());
    assert!(first.contains(&format!("CRC-32 {crc:08x}")));
    proofstand()
        .args(["wiring", "sheets/film-winder.toml", "--svg"])
        .arg(folder.path().join("no/such/folder.svg"))
        .assert()
        .code(2)
        .stderr(predicate::str::contains("can't write the drawing"));
}

#[test]
fn a_missing_role_is_refused_by_line_and_nothing_is_written_but_partial_draws() {
    let folder = tempfile::tempdir().unwrap();
    let start = WINDER.find("[[flag]]\nrole = \"holding_speed_down\"").unwrap();
    let end = WINDER.find("[[flag]]\nrole = \"can_enable\"").unwrap();
    let path = sheet(&folder, &format!("{}{}", &WINDER[..start], &WINDER[end..]));
    let svg = folder.path().join("w.svg");
    proofstand()
        .arg("wiring")
        .arg(&path)
        .arg("--svg")
        .arg(&svg)
        .assert()
        .code(2)
        .stdout("")
        .stderr(predicate::str::is_match(r"axis\.toml:\d+: flag: no .holding speed down.").unwrap())
        .stderr(predicate::str::contains("add a [[flag]] with role = \"holding_speed_down\""));
    assert!(!svg.exists());
    proofstand().arg("wiring").arg(&path).args(["--partial", "--svg"]).arg(&svg).assert().code(0);
    let pages = std::fs::read_to_string(&svg).unwrap()
        + &std::fs::read_to_string(folder.path().join("w-2.svg")).unwrap_or_default();
    assert!(pages.contains("Not in the sheet") && pages.contains("holding speed down:"));
}

#[test]
fn a_terminal_used_twice_is_refused_by_line() {
    let folder = tempfile::tempdir().unwrap();
    let text = WINDER.replace("\"G3\"", "\"G1\"");
    let line = text.lines().enumerate().filter(|(_, line)| line.contains("\"G1\"")).nth(1).unwrap().0 + 1;
    proofstand()
        .arg("wiring")
        .arg(sheet(&folder, &text))
        .assert()
        .code(2)
        .stdout("")
        .stderr(predicate::str::contains(format!("axis.toml:{line}:")))
        .stderr(predicate::str::contains("already taken"));
}

#[test]
fn hostile_labels_are_text_everywhere() {
    let folder = tempfile::tempdir().unwrap();
    let text = WINDER
        .replace("\"A1\"", "'=cmd|\"/C x\"!A0'")
        .replace("\"A2\"", "\"</text><script>\"")
        .replace("\"P1\"", "\"x\u{202e}y\"");
    let path = sheet(&folder, &text);
    let svg = folder.path().join("w.svg");
    let out = proofstand().arg("wiring").arg(&path).arg("--csv").arg("--svg").arg(&svg).assert().code(0);
    let mut reader = csv::Reader::from_reader(out.get_output().stdout.as_slice());
    let labels: Vec<_> = reader.records().map(|row| row.unwrap()[2].to_owned()).collect();
    assert_eq!(labels[0], "'=cmd|\"/C x\"!A0");
    assert!(labels.iter().all(|label| !label.starts_with(['=', '+', '-', '@'])));
    let drawn = std::fs::read_to_string(&svg).unwrap();
    assert!(!drawn.contains("<script") && drawn.contains("&lt;"));
    let shown = proofstand().arg("wiring").arg(&path).assert().code(0);
    assert!(!String::from_utf8_lossy(&shown.get_output().stdout).contains('\u{202e}'));
}
