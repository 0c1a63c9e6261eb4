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

/// A sheet is the work of hours, and a drawing is made again in a moment.
#[test]
fn the_drawing_never_takes_the_place_of_the_sheet_or_of_another_file() {
    let folder = tempfile::tempdir().unwrap();
    let path = sheet(&folder, WINDER);
    let at = |name: &str| folder.path().join(name);
    std::fs::create_dir(at("sub")).unwrap();
    std::fs::hard_link(&path, at("same.svg")).unwrap();
    std::fs::write(at("notes.svg"), "notes of the first day").unwrap();
    // The second page's place is taken: the first is not drawn either.
    std::fs::write(at("wires-2.svg"), "somebody's own").unwrap();
    let before = |name: &str| std::fs::read_to_string(at(name)).unwrap();
    for (target, says) in [
        ("axis.toml", "axis.toml itself"),
        ("sub/../axis.toml", "axis.toml itself"),
        ("same.svg", "axis.toml itself"),
        ("notes.svg", "is not an SVG drawing"),
        ("wires.svg", "wires-2.svg: is there and is not an SVG drawing"),
        ("sub", "is no file"),
    ] {
        proofstand()
            .arg("wiring")
            .arg(&path)
            .arg("--svg")
            .arg(at(target))
            .assert()
            .code(2)
            .stdout("")
            .stderr(predicate::str::contains(says))
            .stderr(predicate::str::contains("nothing was written"));
    }
    assert_eq!(before("axis.toml"), WINDER);
    assert_eq!(before("notes.svg"), "notes of the first day");
    assert_eq!(before("wires-2.svg"), "somebody's own");
    assert!(!at("wires.svg").exists());
    // An earlier drawing is replaced.
    std::fs::write(at("old.svg"), "<?xml version=\"1.0\"?>\n<svg xmlns=\"http://www.w3.org/2000/svg\"/>")
        .unwrap();
    proofstand().arg("wiring").arg(&path).arg("--svg").arg(at("old.svg")).assert().code(0);
    assert!(before("old.svg").contains("page 1/2"));
}

#[cfg(unix)]
#[test]
fn the_drawing_follows_no_link() {
    let folder = tempfile::tempdir().unwrap();
    let victim = folder.path().join("victim.svg");
    std::fs::write(&victim, "<svg>untouched</svg>").unwrap();
    let link = folder.path().join("link.svg");
    std::os::unix::fs::symlink(&victim, &link).unwrap();
    proofstand()
        .args(["wiring", "sheets/film-winder.toml", "--svg"])
        .arg(&link)
        .assert()
        .code(2)
        .stderr(predicate::str::contains("is a link, and links are not followed"));
    assert_eq!(std::fs::read_to_string(&victim).unwrap(), "<svg>untouched</svg>");
}

/// `>> axis.toml` would put a table below the sheet; `> axis.toml` has emptied it, and then that is said.
#[test]
fn what_is_printed_goes_into_no_file_that_is_read() {
    let folder = tempfile::tempdir().unwrap();
    let path = sheet(&folder, WINDER);
    for verb in [&["wiring", "--markers"][..], &["wiring", "--csv"], &["targets"], &["settings", "worksheet"]]
    {
        for truncate in [false, true] {
            std::fs::write(&path, WINDER).unwrap();
            let out =
                std::fs::OpenOptions::new().append(!truncate).write(true).truncate(truncate).open(&path);
            let done = std::process::Command::new(env!("CARGO_BIN_EXE_proofstand"))
                .args(verb)
                .arg(&path)
                .stdout(out.unwrap())
                .output()
                .unwrap();
            assert_eq!(done.status.code(), Some(2), "{verb:?}");
            let said = String::from_utf8_lossy(&done.stderr).into_owned();
            assert!(said.contains("would go into this very file"), "{verb:?}: {said}");
            let left = std::fs::read_to_string(&path).unwrap();
            assert_eq!(left, if truncate { "" } else { WINDER }, "{verb:?}");
        }
    }
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

#[test]
fn labels_of_one_terminal_written_in_two_ways_are_warned_of_wherever_the_cautions_are_not_printed() {
    let folder = tempfile::tempdir().unwrap();
    let path = sheet(&folder, &WINDER.replace("\"P2\"", "\"p1\""));
    let asks = "ONE TERMINAL OR TWO? \"P1\" and \"p1\"";
    for form in ["--csv", "--markers"] {
        let run = proofstand().arg("wiring").arg(&path).arg(form).assert().code(0);
        run.stderr(predicate::str::contains(asks)).stdout(predicate::str::contains(asks).not());
    }
    proofstand().arg("wiring").arg(&path).assert().code(0).stdout(predicate::str::contains(asks));
}
