//! The fuzzer's corpora of tables, journals, samples and calibration records, whole and spoiled, replayed on the stable
//! compiler.

#![allow(clippy::unwrap_used, clippy::panic, clippy::expect_used)] // Only tests are built with this file.

#[path = "../fuzz/files.rs"]
mod files;

/// Every file of a corpus, whole, cut at both ends and with bytes exchanged; `stride` between the places.
fn replay(target: &str, least: usize, stride: usize, check: fn(&[u8])) {
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("fuzz/corpus").join(target);
    let mut found = 0;
    for entry in std::fs::read_dir(folder).unwrap() {
        let bytes = std::fs::read(entry.unwrap().path()).unwrap();
        check(&bytes);
        for at in (0..bytes.len()).step_by(stride) {
            check(&bytes[..at]);
            check(&bytes[at..]);
            for byte in [0, b'\n', b'"', b'-', 0x1b, 0xff] {
                let mut spoilt = bytes.clone();
                spoilt[at] = byte;
                check(&spoilt);
            }
        }
        found += 1;
    }
    assert!(found >= least, "the corpus has {found} files");
}

#[test]
fn tables_of_settings_are_read_or_refused_with_a_message() {
    replay("settings", 16, 1, files::settings);
}

#[test]
fn journals_tell_a_run_that_is_not_accepted_or_say_why_not() {
    replay("journal", 13, 97, files::journal);
}

#[test]
fn samples_are_read_as_far_as_they_are_sound() {
    replay("samples", 12, 1, files::samples);
}

#[test]
fn calibration_records_are_the_same_to_host_and_fixture() {
    replay("calibration", 17, 3, files::calibration);
}
