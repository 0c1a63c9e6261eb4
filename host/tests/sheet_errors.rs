//! Bad sheets on the command line: exit code 2, a message on standard error, nothing on standard output, no file.

#![expect(clippy::unwrap_used, reason = "a test stops at what it did not expect")]

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use assert_cmd::Command;
use predicates::prelude::PredicateBooleanExt as _;
use predicates::str::{contains, is_empty};

const WINDER: &str = include_str!("../sheets/film-winder.toml");

fn sheets() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("sheets")
}

fn targets(folder: &Path, sheet: impl AsRef<std::ffi::OsStr>) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_proofstand"));
    command.current_dir(folder).env("NO_COLOR", "1").arg("targets").arg(sheet);
    command
}

/// Runs `targets` on a file of these bytes; it must be refused as bad input and leave nothing behind.
#[track_caller]
fn refused(bytes: &[u8]) -> String {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("axis.toml"), bytes).unwrap();
    let output = targets(folder.path(), "axis.toml").assert().code(2).stdout(is_empty());
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1, "something was written");
    String::from_utf8(output.get_output().stderr.clone()).unwrap()
}

#[test]
fn both_demonstration_sheets_print_their_targets_and_say_that_they_are_invented() {
    for sheet in ["film-winder.toml", "bare-rotor.toml", "batch-auger.toml"] {
        targets(&sheets(), sheet)
            .assert()
            .code(0)
            .stderr(is_empty())
            .stdout(contains("INVENTED DATA").and(contains("Trip speed")).and(contains("pulses")))
            .stdout(contains("\u{1b}").not());
    }
}

#[test]
fn json_has_a_schema_and_the_same_numbers_as_the_library() {
    let output = targets(&sheets(), "film-winder.toml").arg("--json").assert().code(0);
    let json: serde_json::Value = serde_json::from_slice(&output.get_output().stdout).unwrap();
    assert_eq!(json["targets"]["schema"], "proofstand-targets/1");
    assert_eq!(json["targets"]["command"]["gain_percent_per_volt"], 12.5);
    assert_eq!(json["targets"]["encoder"]["counts_per_revolution"], 10_000);
    assert_eq!(json["targets"]["trip_rpm"], 2400.0);
    assert_eq!(json["axis"]["invented"], true);
}

#[test]
fn the_schema_is_printed_as_json() {
    let output = Command::new(env!("CARGO_BIN_EXE_proofstand")).arg("schema").assert().code(0);
    let schema: serde_json::Value = serde_json::from_slice(&output.get_output().stdout).unwrap();
    assert_eq!(schema["properties"]["encoder"]["properties"]["pulses_per_revolution"]["minimum"], 1);
}

#[test]
fn several_faults_are_listed_at_once_with_file_line_column_key_and_nearest_key() {
    let text = WINDER
        .replace("rated_torque_newton_metres = 3.2", "rated_torqe_newton_metres = 3.2")
        .replace("pulses_per_revolution = 2500", "pulses_per_revolution = 0")
        .replace("\"G3\"", "\"G1\"");
    let shown = refused(text.as_bytes());
    let line = 1 + text.lines().position(|line| line.starts_with("rated_torqe")).unwrap();
    assert!(
        shown.contains(&format!("axis.toml:{line}:1: motor.rated_torqe_newton_metres: no such key")),
        "{shown}"
    );
    assert!(shown.contains("nearest valid key: rated_torque_newton_metres"), "{shown}");
    assert!(shown.contains("encoder.pulses_per_revolution: must be a whole number from 1"), "{shown}");
    assert!(shown.contains("flag.terminal: terminal \"G1\" is already taken by flag.terminal"), "{shown}");
    assert!(shown.contains("3 faults in the axis sheet; nothing was done"), "{shown}");
}

#[test]
fn counts_written_for_pulses_are_asked_about() {
    let text =
        WINDER.replace("native_positions_per_revolution = 131072", "native_positions_per_revolution = 8192");
    let shown = refused(text.as_bytes());
    assert!(shown.contains("10000 counts in a revolution, more than the 8192 native positions"), "{shown}");
    assert!(shown.contains("a pulse is four counts"), "{shown}");
}

#[test]
fn a_missing_file_a_folder_an_empty_file_and_other_bytes_are_told_apart() {
    let folder = tempfile::tempdir().unwrap();
    for path in ["none.toml", "."] {
        targets(folder.path(), path).assert().code(2).stderr(contains("can't read the axis sheet"));
    }
    assert!(refused(b"").contains("axis.toml: empty"));
    assert!(refused(b"[axis]\ntitle = \"\xFF\"\n").contains("axis.toml:2:10: not UTF-8 text (byte 0xFF)"));
}

#[test]
fn ten_megabytes_of_noise_are_refused_for_their_size_without_delay() {
    let noise: Vec<u8> = (0..10_000_000_u32).map(|i| (i.wrapping_mul(2_654_435_761) >> 24) as u8).collect();
    let begin = Instant::now();
    assert!(refused(&noise).contains("larger than 1048576 bytes"));
    // Generous, for a loaded machine: reading ten megabytes through a parser took far longer than this.
    assert!(begin.elapsed() < Duration::from_secs(2), "{:?}", begin.elapsed());
}

#[test]
fn a_megabyte_of_brackets_or_of_faults_ends_in_a_short_message() {
    let brackets = vec![b'['; 1 << 20];
    let faults = "x = = 1\n".repeat(1 << 16);
    for bytes in [&brackets[..], faults.as_bytes()] {
        let begin = Instant::now();
        let shown = refused(bytes);
        assert!(shown.len() < 20_000, "{} bytes of message", shown.len());
        assert!(begin.elapsed() < Duration::from_secs(5), "{:?}", begin.elapsed());
    }
}

#[test]
fn text_that_could_drive_a_terminal_is_shown_without_its_control_characters() {
    let shown = refused(b"\"\\u001b[31mred\" = 1\n[axis]\ntitle = \"\x1b[2J\"\n");
    assert!(!shown.contains('\u{1b}'), "{shown:?}");
}

#[test]
fn a_wrong_verb_or_a_missing_sheet_is_a_usage_error_of_the_same_code() {
    for arguments in [&["targets"][..], &["targts", "x"][..]] {
        Command::new(env!("CARGO_BIN_EXE_proofstand")).args(arguments).assert().code(2).stdout(is_empty());
    }
}
