//! The host program in a process of its own, on a real serial port, with the board image at the other end.
//!
//! Times are the board's; they hold on a machine of any speed, since a board that falls behind lets its clock slip.

#![cfg(unix)]
#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

use core::time::Duration;
use std::path::{Path, PathBuf};
use std::process::Stdio;
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::Instant;

use proofstand::record::model::{RunKind, Verdict};
use proofstand::record::read_run;
use proofstand_tests::emulator::measure::sheet;
use proofstand_tests::emulator::{Axis, EmulatedFixture, Paced, Remote};
use proofstand_tests::pty::{Ended, Host};
use serde_json::{Value, json};

const HOST: &str = env!("CARGO_BIN_EXE_proofstand-host");
/// Far longer than anything here takes.
const PATIENCE: Duration = Duration::from_secs(240);

/// Real time passes here: one test at a time.
fn alone() -> MutexGuard<'static, ()> {
    static ONE: Mutex<()> = Mutex::new(());
    ONE.lock().unwrap_or_else(PoisonError::into_inner)
}

struct Bench {
    paced: Paced,
    remote: Remote,
    folder: tempfile::TempDir,
    _alone: MutexGuard<'static, ()>,
}

impl Bench {
    fn new() -> Self {
        let alone = alone();
        let fixture = EmulatedFixture::start(Axis::read(&sheet(), &[], 1).unwrap()).unwrap();
        let paced = Paced::start(fixture.into_board().unwrap()).unwrap();
        let remote = paced.remote();
        Self { paced, remote, folder: tempfile::tempdir().unwrap(), _alone: alone }
    }

    fn accept_on(&self, port: &str, more: &[&str]) -> Host {
        let sheet = sheet().canonicalize().unwrap();
        let mut all =
            vec!["accept", sheet.to_str().unwrap(), "--port", port, "--unattended", "--cautions-kept"];
        all.extend(more);
        Host::start(HOST, self.folder.path(), Stdio::null(), all).unwrap()
    }

    fn accept(&self, more: &[&str]) -> Host {
        self.accept_on(self.paced.path(), more)
    }

    fn order(&self, order: Value) -> Value {
        self.remote.tell(order).unwrap()
    }

    fn state(&self) -> Value {
        self.order(json!({"order": "state"}))
    }

    fn wait_until(&self, what: &str, holds: impl Fn(&Value) -> bool) -> Value {
        let from = Instant::now();
        loop {
            let state = self.state();
            if holds(&state) {
                return state;
            }
            assert!(from.elapsed() < PATIENCE, "it never came: {what}; {state}");
            std::thread::sleep(Duration::from_millis(5));
        }
    }

    fn wait_for_motion(&self) {
        self.wait_until("motion", |state| state["rpm"].as_f64().unwrap_or(0.0).abs() > 5.0);
        self.order(json!({"order": "trace"}));
    }

    /// Board time from a moment until enable is open and the command is at 0 V for good.
    fn safe_after(&self, nanos: f64) -> Duration {
        let safe = |state: &Value| {
            state["enable"] == false && state["terminal"].as_f64().unwrap_or(1.0).abs() < 0.01
        };
        self.wait_until("0 V and open", safe);
        let trace = self.order(json!({"order": "trace"}))["trace"].clone();
        let last = |what: &str| {
            let entries = trace.as_array().unwrap();
            entries.iter().rfind(|entry| entry[1] == what).map_or(0.0, |entry| entry[0].as_f64().unwrap())
        };
        assert!(last("enable") > nanos && last("command") > nanos, "{trace}");
        Duration::from_nanos((last("enable").max(last("command")) - nanos) as u64)
    }

    fn run(&self) -> PathBuf {
        let mut all: Vec<PathBuf> =
            std::fs::read_dir(self.folder.path().join("runs")).unwrap().map(|e| e.unwrap().path()).collect();
        all.sort_by_key(|p| p.metadata().unwrap().created().unwrap());
        all.pop().unwrap()
    }
}

fn journal_names(folder: &Path) -> String {
    std::fs::read_to_string(folder.join("journal.jsonl")).unwrap()
}

fn ended(host: Host) -> Ended {
    host.end().unwrap()
}

/// Of the whole acceptance, in real time, only the slow count and what it needs: all of it runs in lockstep.
#[test]
fn an_acceptance_of_the_slow_count_through_a_serial_port_comes_to_its_end_without_losing_a_sample() {
    let bench = Bench::new();
    let ended = ended(bench.accept(&["--only", "line-count-slow"]));
    let run = read_run(&bench.run()).unwrap();
    // Nobody said which way the shaft turned: that is undecided, and nothing is rejected.
    assert_eq!(ended.code(), 3, "{ended:?}");
    assert!(run.checks.len() >= 2, "{:#?}", run.checks);
    assert!(run.checks.iter().all(|check| check.verdict != Verdict::Rejected), "{:#?}", run.checks);
    let steps: Vec<_> = run.checks.iter().flat_map(|check| &check.steps).collect();
    assert!(!steps.is_empty() && steps.iter().all(|step| step.samples_lost == 0), "{steps:#?}");
    // The image does not know that its axis is simulated; the record of a board is an acceptance's.
    assert_eq!(run.kind, RunKind::Acceptance);
    let state = bench.state();
    assert_eq!((&state["resets"], &state["faults"]), (&json!(0), &json!([])), "{state}");
}

#[test]
fn a_host_killed_in_motion_leaves_the_board_at_0_v_and_open_within_150_ms() {
    let bench = Bench::new();
    let host = bench.accept(&["--only", "nudge"]);
    bench.wait_for_motion();
    let before = bench.state()["nanos"].as_f64().unwrap();
    host.signal("KILL").unwrap();
    let after = bench.safe_after(before);
    assert!(after <= Duration::from_millis(150), "{after:?}");
    assert_eq!(ended(host).code(), -1);
    // The next host is told, and nobody is there to acknowledge it.
    let next = ended(bench.accept(&["--only", "nudge"]));
    assert!(next.err.contains("the host fell silent"), "{next:?}");
}

#[test]
fn a_cable_pulled_in_motion_makes_the_board_safe_and_plugged_in_again_it_answers() {
    let bench = Bench::new();
    let unit = ["--only", "nudge", "--identity", "amplifier-serial=MADE-UP-7"];
    let host = bench.accept(&unit);
    bench.wait_for_motion();
    let before = bench.state()["nanos"].as_f64().unwrap();
    bench.order(json!({"order": "cable", "in": false}));
    let after = bench.safe_after(before);
    assert!(after <= Duration::from_millis(150), "{after:?}");
    let cut = ended(host);
    assert_eq!(cut.code(), 4, "{cut:?}");
    assert!(cut.out.contains("--resume") || cut.err.contains("--resume"), "{cut:?}");
    let folder = bench.run();
    let port = bench.order(json!({"order": "cable", "in": true}))["path"].as_str().unwrap().to_owned();
    bench.wait_until("enumerated", |state| state["connected"] == true);
    let resumed =
        ended(bench.accept_on(&port, &[&["--resume", folder.to_str().unwrap()], &unit[..]].concat()));
    assert_eq!(resumed.code(), 3, "{resumed:?}");
    assert!(journal_names(&bench.run()).contains("trip_acknowledged"), "{resumed:?}");
    assert_eq!(bench.state()["resets"], 0, "the board itself went on");
}
