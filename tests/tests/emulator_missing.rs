//! What is missing on a machine is named, and no test passes for want of it.
#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

use std::process::Command;

use proofstand_tests::emulator::{BenchSetup, Emulator};

#[test]
fn a_board_starts() {
    Emulator::start(&BenchSetup::default()).unwrap();
}

#[test]
fn without_node_the_tests_fail_and_say_what_to_install() {
    let nothing = tempfile::tempdir().unwrap();
    let ended = Command::new(std::env::current_exe().unwrap())
        .args(["--exact", "a_board_starts", "--nocapture"])
        .env("PATH", nothing.path())
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&[ended.stdout, ended.stderr].concat()).into_owned();
    assert!(!ended.status.success(), "{said}");
    assert!(said.contains("Node.js") && said.contains("install Node.js 18 or newer"), "{said}");
    assert!(said.contains("1 failed"), "{said}");
}

#[test]
fn a_person_without_node_is_told_so_too() {
    let nothing = tempfile::tempdir().unwrap();
    let ended =
        Command::new(env!("CARGO_BIN_EXE_emulated-fixture")).env("PATH", nothing.path()).output().unwrap();
    let said = String::from_utf8_lossy(&ended.stderr).into_owned();
    assert!(!ended.status.success() && said.contains("install Node.js"), "{said}");
}
