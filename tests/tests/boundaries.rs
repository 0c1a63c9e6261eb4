//! What must never be: who may know whom, held by reading the sources.

#![allow(clippy::unwrap_used, reason = "a helper of a test fails as the test does")]

use std::fs;
use std::path::{Path, PathBuf};

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..").canonicalize().unwrap()
}

/// Every Rust source below a folder with its text up to its tests.
fn sources(folder: &Path) -> Vec<(PathBuf, String)> {
    let mut all = Vec::new();
    let mut waiting = vec![folder.to_owned()];
    while let Some(folder) = waiting.pop() {
        for entry in fs::read_dir(&folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                waiting.push(path);
            } else if path.extension().is_some_and(|e| e == "rs") && !is_test(&path) {
                let text = fs::read_to_string(&path).unwrap();
                let code = text.split("#[cfg(test)]").next().unwrap_or_default().to_owned();
                all.push((path, code));
            }
        }
    }
    assert!(!all.is_empty(), "no sources in {}", folder.display());
    all
}

/// A file that is compiled for tests only.
fn is_test(path: &Path) -> bool {
    path.components().any(|c| c.as_os_str() == "tests")
        || path
            .file_stem()
            .is_some_and(|s| s == "tests" || s == "synthetic" || s == "reference" || s == "any_record")
}

/// Files and one-file modules of the host.
fn module(name: &str) -> Vec<(PathBuf, String)> {
    let folder = root().join("host/src").join(name);
    if folder.is_dir() {
        return sources(&folder);
    }
    let file = folder.with_extension("rs");
    let text = fs::read_to_string(&file).unwrap();
    vec![(file, text)]
}

fn assert_unknown(modules: &[&str], names: &[&str]) {
    for name in modules {
        for (path, code) in module(name) {
            for line in code.lines().filter(|l| !l.trim_start().starts_with("//")) {
                for unknown in names {
                    assert!(!line.contains(unknown), "{} knows {unknown}: {line}", path.display());
                }
            }
        }
    }
}

#[test]
fn what_judges_does_not_know_how_the_plant_was_made() {
    assert_unknown(
        &[
            "targets",
            "planner",
            "estimate",
            "metrology",
            "checks",
            "diagnosis",
            "sequence",
            "loopback",
            "fixture",
            "sheet",
            "acceptance",
        ],
        &["crate::rehearsal", "proofstand_plant", "proofstand_firmware", "super::rehearsal"],
    );
}

#[test]
fn a_report_knows_the_model_of_a_run_and_nothing_that_judges() {
    assert_unknown(
        &["report"],
        &[
            "crate::metrology",
            "crate::estimate",
            "crate::checks",
            "crate::diagnosis",
            "crate::rehearsal",
            "crate::sheet",
        ],
    );
}

#[test]
fn judges_read_no_clock_and_open_nothing() {
    assert_unknown(
        &["targets", "planner", "estimate", "metrology", "checks", "diagnosis"],
        &[
            "std::time",
            "std::fs",
            "std::net",
            "Instant::now",
            "SystemTime",
            "thread::sleep",
            "jiff::",
            "println!",
        ],
    );
}

#[test]
fn nothing_of_the_host_listens_on_a_network_or_calls_one() {
    let sockets =
        ["std::net", "core::net", "TcpListener", "TcpStream", "UdpSocket", "UnixListener", "UnixStream"];
    for folder in ["host/src", "host/plant/src", "host/units/src", "protocol/src"] {
        for (path, code) in sources(&root().join(folder)) {
            for line in code.lines().filter(|l| !l.trim_start().starts_with("//")) {
                for socket in sockets {
                    assert!(!line.contains(socket), "{}: {line}", path.display());
                }
            }
        }
    }
}

#[test]
fn the_firmware_core_and_the_wire_know_no_floats_and_no_unsafe() {
    for folder in ["firmware/src", "protocol/src"] {
        for (path, code) in sources(&root().join(folder)) {
            for line in code.lines().filter(|l| !l.trim_start().starts_with("//")) {
                for word in ["f32", "f64", "unsafe "] {
                    assert!(!line.contains(word), "{}: {line}", path.display());
                }
            }
        }
    }
}

#[test]
fn nothing_sleeps_to_wait_for_a_state() {
    for folder in ["host/src", "host/plant/src", "firmware/src", "protocol/src"] {
        for (path, code) in sources(&root().join(folder)) {
            assert!(!code.contains("thread::sleep"), "{}", path.display());
        }
    }
}
