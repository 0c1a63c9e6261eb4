//! What comes from outside (a record, a sheet, a fixture, a meter, a command line) drives no terminal, leaves no folder, and
//! is refused where it is too large.

#![allow(clippy::unwrap_used, clippy::panic, clippy::expect_used)] // Only tests are built with this file.

#[allow(dead_code, reason = "every test file takes what it needs")]
mod report_example;

use std::fs::File;
use std::path::Path;

use assert_cmd::Command;
use predicates::prelude::*;
use proofstand::record::model::Run;
use proofstand::record::{
    JOURNAL, JOURNAL_BYTES_MAX, MODEL, RunFolder, SAMPLES, SAMPLES_BYTES_MAX, note_after, put, read_events,
    read_journal, read_samples,
};
use serde_json::Value;

const HOSTILE: &str =
    "\"'><script>alert(1)</script>]]>\u{1b}]0;owned\u{7}\u{1b}[2J\u{9b}8m\u{202e}gnp\u{2066}\r\u{8}\u{feff}";

fn proofstand() -> Command {
    Command::cargo_bin("proofstand").unwrap()
}

/// Every string of a model that is not a choice from a list, with something hostile behind it.
fn poison(value: &mut Value, key: &str) {
    match value {
        Value::String(text)
            if !["schema", "verdict", "kind", "style", "started", "interval", "why"].contains(&key) =>
        {
            text.push_str(HOSTILE);
        }
        Value::Array(items) => items.iter_mut().for_each(|v| poison(v, key)),
        // The rule that was agreed is a choice too.
        Value::Object(fields) => {
            fields.iter_mut().filter(|(k, _)| *k != "rule").for_each(|(k, v)| poison(v, k));
        }
        _ => {}
    }
}

/// No control characters but line ends, and nothing that turns the reading order round or hides.
fn drives_nothing(text: &str) {
    for (at, c) in text.char_indices() {
        let fine = c == '\n' || c == '\t' || !c.is_control();
        let turns = matches!(c, '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{200e}' | '\u{200f}' | '\u{feff}');
        let before: String =
            text[..at].chars().rev().take(60).collect::<Vec<_>>().into_iter().rev().collect();
        assert!(fine && !turns, "U+{:04X} behind `{before}`", u32::from(c));
    }
}

#[test]
fn a_record_with_hostile_text_drives_neither_terminal_nor_page_nor_test_report() {
    let folder = tempfile::tempdir().unwrap();
    let mut value = serde_json::to_value(report_example::acceptance()).unwrap();
    poison(&mut value, "");
    let run: Run = serde_json::from_value(value.clone()).unwrap();
    assert!(run.axis.title.contains('\u{1b}') && run.provenance.firmware.contains('\u{202e}'));
    std::fs::write(folder.path().join(MODEL), serde_json::to_vec(&value).unwrap()).unwrap();
    let out = proofstand().arg("report").arg(folder.path()).output().unwrap();
    let (shown, said) = (String::from_utf8(out.stdout).unwrap(), String::from_utf8(out.stderr).unwrap());
    assert!(shown.contains("alert(1)"), "{shown}{said}");
    drives_nothing(&shown);
    drives_nothing(&said);
    for file in ["report.html", "junit.xml"] {
        let text = std::fs::read_to_string(folder.path().join(file)).unwrap();
        drives_nothing(&text);
        assert!(!text.contains("<script>alert"), "{file}");
    }
}

#[test]
fn what_is_said_on_the_command_line_about_the_unit_turns_nothing_round() {
    let folder = tempfile::tempdir().unwrap();
    let out = proofstand()
        .args(["rehearse", "sheets/film-winder.toml", "--only", "lines", "--runs"])
        .arg(folder.path())
        .args(["--identity", "Room=\u{202e}htron<b>", "--identity", "note==HYPERLINK(1)"])
        .output()
        .unwrap();
    for text in [out.stdout, out.stderr] {
        drives_nothing(&String::from_utf8(text).unwrap());
    }
    let run = std::fs::read_dir(folder.path()).unwrap().next().unwrap().unwrap().path();
    for file in ["report.html", "junit.xml"] {
        drives_nothing(&std::fs::read_to_string(run.join(file)).unwrap());
    }
    // No cell of an export begins as a formula does: numbers, and words of this program's own.
    proofstand().args(["export", "--csv"]).arg(&run).assert().success();
    let mut reader = csv::Reader::from_path(run.join("samples.csv")).unwrap();
    let formula = |cell: &str| {
        cell.starts_with(['=', '+', '@', '\t', '\r'])
            || (cell.starts_with('-') && cell.parse::<f64>().is_err())
    };
    assert!(reader.headers().unwrap().iter().all(|cell| !formula(cell)));
    assert!(reader.records().take(500).all(|row| row.unwrap().iter().all(|cell| !formula(cell))));
}

#[test]
fn a_run_stays_in_its_folder_whatever_the_sheet_is_called() {
    let folder = tempfile::tempdir().unwrap();
    let runs = folder.path().join("inner/runs");
    let text = std::fs::read_to_string("sheets/film-winder.toml").unwrap();
    let title = "title = \"../../../escaped\\u0000/x\"";
    let titled = regex_free_title(&text, title);
    for name in ["..\\..\\up.toml", "=1+1.toml", "-rf.toml", &format!("{}.toml", "x".repeat(240))] {
        let sheet = folder.path().join(name);
        std::fs::write(&sheet, &text).unwrap();
        let made = proofstand()
            .arg("rehearse")
            .args(["--only", "lines", "--runs"])
            .arg(&runs)
            .arg("--")
            .arg(&sheet)
            .output()
            .unwrap();
        assert_eq!(made.status.code(), Some(3), "{name}: {}", String::from_utf8_lossy(&made.stderr));
    }
    // A title with a control character is refused; without it, it names nothing on the disk.
    let sheet = folder.path().join("titled.toml");
    std::fs::write(&sheet, &titled).unwrap();
    proofstand().arg("rehearse").arg(&sheet).args(["--only", "lines", "--runs"]).arg(&runs).assert().code(2);
    std::fs::write(&sheet, titled.replace("\\u0000", "")).unwrap();
    proofstand().arg("rehearse").arg(&sheet).args(["--only", "lines", "--runs"]).arg(&runs).assert().code(3);
    let made: Vec<String> =
        std::fs::read_dir(&runs).unwrap().map(|e| e.unwrap().file_name().into_string().unwrap()).collect();
    assert_eq!(made.len(), 5, "{made:?}");
    for name in &made {
        assert!(name.contains("-rehearsal-") && !name.starts_with(['.', '-', '=']), "{name}");
    }
    let outside: Vec<_> = std::fs::read_dir(folder.path()).unwrap().map(|e| e.unwrap().file_name()).collect();
    assert_eq!(outside.len(), 6, "five sheets and the folder of runs: {outside:?}");
}

/// The sheet with another title.
fn regex_free_title(text: &str, title: &str) -> String {
    let line = text.lines().find(|l| l.starts_with("title = ")).unwrap();
    text.replacen(line, title, 1)
}

#[test]
fn a_folder_s_name_that_is_a_path_is_refused() {
    let parent = tempfile::tempdir().unwrap();
    for name in ["../up", "/tmp/elsewhere", "a/b", "..", ".", "", "nul\0l"] {
        let refused = RunFolder::create(parent.path(), name, true);
        assert!(refused.is_err(), "{name:?}");
    }
    assert_eq!(std::fs::read_dir(parent.path()).unwrap().count(), 0);
    RunFolder::create(parent.path(), "a name", true).unwrap();
}

#[cfg(unix)]
#[test]
fn links_in_a_run_s_folder_lead_nothing_out_of_it() {
    use std::os::unix::fs::symlink;
    let (folder, elsewhere) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let victim = elsewhere.path().join("victim");
    std::fs::write(&victim, "untouched").unwrap();
    let untouched = || assert_eq!(std::fs::read_to_string(&victim).unwrap(), "untouched");
    for name in [".run.json.part", "run.json", JOURNAL] {
        symlink(&victim, folder.path().join(name)).unwrap();
    }
    put(folder.path(), "run.json", b"new").unwrap();
    untouched();
    assert_eq!(std::fs::read(folder.path().join("run.json")).unwrap(), b"new");
    assert!(folder.path().join("run.json").symlink_metadata().unwrap().is_file());
    let why = note_after(folder.path(), true, "undone", 1).unwrap_err().to_string();
    assert!(why.contains(JOURNAL) && why.contains("nothing is added"), "{why}");
    untouched();
    // A run's folder is always a new one.
    symlink(elsewhere.path(), folder.path().join("run")).unwrap();
    let made = RunFolder::create(folder.path(), "run", true).unwrap();
    assert_eq!(made.name(), "run-2");
    assert_eq!(std::fs::read_dir(elsewhere.path()).unwrap().count(), 1);
}

/// A file that says it is so long, and takes no room.
fn sparse(path: &Path, head: &[u8], length: u64) {
    std::fs::write(path, head).unwrap();
    File::options().write(true).open(path).unwrap().set_len(length).unwrap();
}

#[test]
fn what_is_too_large_is_refused_with_its_size_and_not_read() {
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name);
    sparse(&at("big.toml"), b"", 1 << 40);
    proofstand()
        .arg("targets")
        .arg(at("big.toml"))
        .assert()
        .code(2)
        .stderr(predicate::str::contains("larger than"));
    sparse(&at("table.csv"), b"", 1 << 40);
    proofstand()
        .args(["settings", "compare", "sheets/settings/film-winder.toml"])
        .args([at("table.csv"), at("table.csv")])
        .assert()
        .code(2)
        .stderr(predicate::str::contains("larger than"));
    sparse(&at(JOURNAL), b"", JOURNAL_BYTES_MAX + 1);
    assert!(read_journal(folder.path()).unwrap_err().to_string().contains("larger than"));
    assert!(read_events(folder.path()).unwrap_err().to_string().contains("larger than"));
    sparse(&at(MODEL), b"", 1 << 40);
    proofstand()
        .arg("report")
        .arg(folder.path())
        .assert()
        .code(2)
        .stderr(predicate::str::contains("too many"));
    // What is no record is not read at all, however long it is.
    sparse(&at(SAMPLES), b"not ours", 1 << 40);
    assert!(read_samples(File::open(at(SAMPLES)).unwrap()).unwrap_err().to_string().contains("first bytes"));
    const { assert!(SAMPLES_BYTES_MAX < 1 << 31) };
}
