//! The whole program where there is no room for its record, as anybody meets it. A limit on the size of a file stands for a
//! full disk: a write fails with the system's own words.

#![cfg(unix)]
#![allow(clippy::unwrap_used, clippy::panic, clippy::expect_used)] // Only tests are built with this file.

use std::path::Path;
use std::process::{Command, Output};

/// `rehearse` whose files may have so many kibibytes.
fn rehearse(runs: &Path, only: &str, kibibytes: u32) -> Output {
    // The signal of that limit is ignored, so that the write itself fails.
    let script = format!("trap '' XFSZ; ulimit -f {kibibytes}; exec \"$@\"");
    Command::new("bash")
        .args([
            "-c",
            &script,
            "bash",
            env!("CARGO_BIN_EXE_proofstand"),
            "rehearse",
            "sheets/film-winder.toml",
        ])
        .args(["--only", only, "--runs"])
        .arg(runs)
        .output()
        .unwrap()
}

#[test]
fn a_record_that_finds_no_room_in_motion_ends_the_run_and_says_what_was_kept_and_how_to_go_on() {
    let folder = tempfile::tempdir().unwrap();
    let out = rehearse(folder.path(), "line-count-slow", 120);
    let said = String::from_utf8(out.stderr).unwrap();
    assert_eq!(out.status.code(), Some(4), "{said}");
    let shown = String::from_utf8(out.stdout).unwrap();
    assert!(shown.contains("can't write the record") && shown.contains("File too large"), "{shown}{said}");
    let run = std::fs::read_dir(folder.path()).unwrap().next().unwrap().unwrap().path();
    // With room again the run is reported from what was kept, and does not pass.
    let report = Command::new(env!("CARGO_BIN_EXE_proofstand")).arg("report").arg(&run).output().unwrap();
    assert_eq!(report.status.code(), Some(4), "{report:?}");
    assert!(run.join("report.html").exists());
}

#[test]
fn reports_that_find_no_room_leave_results_on_the_screen_and_a_record_to_report_later() {
    let folder = tempfile::tempdir().unwrap();
    // How much a short run's samples and journal take is found out; its page is larger than either.
    let found = (1..40).map(|n| n * 16).find_map(|kibibytes| {
        let runs = folder.path().join(kibibytes.to_string());
        let out = rehearse(&runs, "lines", kibibytes);
        let said = String::from_utf8_lossy(&out.stderr).into_owned();
        said.contains("Kept in").then_some((runs, out, said))
    });
    let (runs, out, said) = found.expect("no size at which the reports found no room");
    assert_eq!(out.status.code(), Some(4), "{said}");
    let kept = said.split_once("Kept in").unwrap().1;
    assert!(kept.contains(" samples, ") && kept.contains("proofstand report"), "{said}");
    assert!(!kept.contains(": 0 samples"), "{said}");
    assert!(String::from_utf8_lossy(&out.stdout).contains("REHEARSAL"));
    let run = std::fs::read_dir(&runs).unwrap().next().unwrap().unwrap().path();
    let report = Command::new(env!("CARGO_BIN_EXE_proofstand")).arg("report").arg(&run).status().unwrap();
    assert!(report.code().is_some_and(|code| code != 2));
}

#[test]
fn a_folder_that_can_t_be_made_is_named_and_nothing_is_rehearsed() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("a-file");
    std::fs::write(&file, "").unwrap();
    // Below a file nobody can make a folder, whoever runs this.
    let out = rehearse(&file.join("runs"), "lines", 1 << 20);
    let said = String::from_utf8(out.stderr).unwrap();
    assert_eq!(out.status.code(), Some(2), "{said}");
    assert!(said.contains("can't make a run's folder in") && said.contains("a-file"), "{said}");
    assert!(said.contains("Not a directory"), "{said}");
}
