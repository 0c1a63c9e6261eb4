//! The program itself is killed with signal 9, at random moments of a whole rehearsal, and what it leaves is then reported and
//! gone on with by the program itself: another process, another start, nothing shared but the files.

#![cfg(unix)]
#![allow(clippy::unwrap_used)] // Only tests are built with this file.

use std::path::{Path, PathBuf};
use std::process::Stdio;
use std::time::{Duration, Instant};

use proofstand::record::model::{FollowWhy, Verdict};
use proofstand::record::{JOURNAL, MODEL, SAMPLES, read_journal, read_run, read_samples};
use proofstand_plant::Random;
use proofstand_tests::bench::demo;
use proofstand_tests::pty::{Ended, Host};

const PROGRAM: &str = env!("CARGO_BIN_EXE_proofstand-host");
/// Moments at which it is killed.
const KILLS: usize = 10;
/// So many of them are gone on with.
const RESUMED: usize = 2;

fn rehearse(folder: &Path, more: &[&str]) -> Host {
    let sheet = demo("film-winder.toml").canonicalize().unwrap();
    let all = [&["rehearse", sheet.to_str().unwrap()], more].concat();
    Host::start(PROGRAM, folder, Stdio::null(), all).unwrap()
}

/// The newest run's folder, once there is one.
fn run_of(folder: &Path) -> Option<PathBuf> {
    let runs = std::fs::read_dir(folder.join("runs")).ok()?;
    runs.map(|entry| entry.unwrap().path()).max_by_key(|path| path.metadata().unwrap().created().unwrap())
}

/// Lets a rehearsal go on until its record of samples is so long, and kills it.
fn killed_at(bytes: u64, folder: &Path) -> (PathBuf, Ended) {
    let host = rehearse(folder, &[]);
    let until = Instant::now() + Duration::from_secs(60);
    loop {
        let run = run_of(folder);
        let length = run.as_ref().and_then(|run| run.join(SAMPLES).metadata().ok()).map_or(0, |m| m.len());
        if let Some(run) = run.filter(|_| length >= bytes) {
            host.signal("KILL").unwrap();
            return (run, host.end().unwrap());
        }
        assert!(Instant::now() < until, "{bytes} bytes of samples did not come");
        std::thread::sleep(Duration::from_micros(200));
    }
}

#[test]
fn a_program_killed_at_any_moment_leaves_a_record_that_the_program_reports_and_goes_on_with() {
    let whole = tempfile::tempdir().unwrap();
    let ended = rehearse(whole.path(), &[]).end().unwrap();
    assert_eq!(ended.code(), 0, "{ended:?}");
    let whole = run_of(whole.path()).unwrap();
    let (samples, checks) = (std::fs::read(whole.join(SAMPLES)).unwrap(), read_run(&whole).unwrap().checks);

    let (mut random, mut compared) = (Random::new(9), 0);
    for kill in 0..KILLS {
        // Its processor time is as unlike from one start to the next as the machine; its record is always the same.
        let due = (samples.len() as f64 * 0.9 * random.uniform()) as u64;
        let folder = tempfile::tempdir().unwrap();
        let (cut, ended) = killed_at(due, folder.path());
        assert_eq!(ended.code(), -1, "{ended:?}");
        assert!(!cut.join(MODEL).exists(), "it had come to its end at {due} of {} bytes", samples.len());

        // What it had written is there, byte for byte, and nothing of it is damaged.
        let left = std::fs::read(cut.join(SAMPLES)).unwrap();
        assert!(left.len() as u64 >= due && samples.starts_with(&left), "{} bytes, {due} asked", left.len());
        assert_eq!(read_samples(left.as_slice()).unwrap().damaged_segments, 0);
        assert_eq!(read_journal(&cut).unwrap().damaged_lines, 0, "{}", cut.join(JOURNAL).display());

        let report = ["report", cut.to_str().unwrap()];
        let ended = Host::start(PROGRAM, folder.path(), Stdio::null(), report).unwrap().end().unwrap();
        assert_eq!(ended.code(), 4, "{ended:?}");
        let page = std::fs::read_to_string(cut.join("report.html")).unwrap();
        assert!(page.contains("REHEARSAL") && page.contains("did not get to its end"), "killed at {due}");
        let run = read_run(&cut).unwrap();
        assert!(run.outcome.stopped.as_ref().is_some_and(|why| why.contains("journal ends without an end")));
        assert_ne!(run.outcome.verdict, Verdict::Accepted);
        let made = run.checks.iter().filter(|c| c.verdict != Verdict::NotDone);
        for check in made {
            assert_eq!(Some(check), checks.iter().find(|c| c.id == check.id), "killed at {due}");
            compared += 1;
        }

        if kill % (KILLS / RESUMED) == 0 {
            let ended = rehearse(folder.path(), &["--resume", cut.to_str().unwrap()]).end().unwrap();
            assert_eq!(ended.code(), 0, "{ended:?}");
            let resumed = read_run(&run_of(folder.path()).unwrap()).unwrap();
            assert_eq!(resumed.outcome.verdict, Verdict::Accepted);
            let follows = resumed.follows.unwrap();
            assert_eq!((follows.run, follows.why), (run.id, FollowWhy::Resume));
            let ids = |of: &[proofstand::record::model::CheckRecord]| {
                of.iter().map(|c| c.id.clone()).collect::<std::collections::BTreeSet<_>>()
            };
            assert_eq!(ids(&resumed.checks), ids(&checks));
        }
    }
    // Of a rehearsal's checks, made one after the other, some were done at most of the moments.
    assert!(compared >= 2 * KILLS, "only {compared} checks had been made");
}
