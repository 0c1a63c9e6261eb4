//! The host is killed at any moment: what its record holds then.
//!
//! A killed process leaves what it has written. So one run is made, and at two hundred moments of it the files are looked
//! at as they stand; each such state is then read and reported, and every eighth gone on with, as after a kill. That a killed
//! process really leaves such files is `killed.rs`: there the program is killed, and does the rest itself.

#![allow(clippy::unwrap_used)] // Only tests are built with this file.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::time::Duration;

use proofstand::acceptance::{Job, Setting, cut_off};
use proofstand::checks;
use proofstand::fixture::Client;
use proofstand::link::{Link, LinkError};
use proofstand::record::follow::left;
use proofstand::record::model::{FollowWhy, Run, RunKind, Verdict};
use proofstand::record::{JOURNAL, RunFolder, SAMPLES, open, read_samples};
use proofstand::rehearsal::{Rehearsal, VirtualLink};
use proofstand::sequence::Quiet;
use proofstand_plant::Random;
use proofstand_tests::bench::{TODAY, demo};

const MOMENTS: usize = 200;
/// One of so many is gone on with.
const RESUMED: usize = 8;
/// What may be missing, in samples, one a millisecond: the last tenth of a second.
const MISSING: f64 = 100.0;
const CRC: crc::Crc<u32> = crc::Crc::<u32>::new(&crc::CRC_32_ISO_HDLC);

/// The files of a run as they stood at a moment.
struct Moment {
    at: Duration,
    /// Length and checksum of journal and samples.
    files: [(usize, u32); 2],
}

/// A cable that looks at the run's files at given moments.
struct Watched {
    link: VirtualLink,
    folder: PathBuf,
    due: Vec<Duration>,
    seen: Vec<Moment>,
}

impl Link for Watched {
    fn send(&mut self, bytes: &[u8]) -> Result<(), LinkError> {
        self.link.send(bytes)
    }

    fn receive(&mut self, buffer: &mut [u8], wait: Duration) -> Result<usize, LinkError> {
        while self.due.last().is_some_and(|due| *due <= self.link.now()) {
            self.due.pop();
            let files = [JOURNAL, SAMPLES].map(|name| {
                let bytes = std::fs::read(self.folder.join(name)).unwrap();
                (bytes.len(), CRC.checksum(&bytes))
            });
            self.seen.push(Moment { at: self.link.now(), files });
        }
        self.link.receive(buffer, wait)
    }

    fn now(&self) -> Duration {
        self.link.now()
    }

    fn name(&self) -> String {
        self.link.name()
    }
}

/// A run watched at these moments (latest first), its end, and its folder.
fn watched(parent: &Path, due: Vec<Duration>) -> (Run, Vec<Moment>, Duration, PathBuf) {
    let read = proofstand::sheet::read(&demo("film-winder.toml")).unwrap();
    let job = Job::new(read.file, read.text, read.sheet);
    let rehearsal = Rehearsal::new(&job.sheet, &[], 1, TODAY).unwrap();
    let mut folder = RunFolder::create(parent, "run", true).unwrap();
    let path = folder.path().to_owned();
    let mut link = Watched { link: rehearsal.link(), folder: path.clone(), due, seen: Vec::new() };
    let mut client = Client::connect(&mut link, &mut folder).unwrap();
    let mut operator = rehearsal.operator(true);
    let setting = Setting { today: TODAY, ..Setting::default() };
    let run = job.run(
        RunKind::Rehearsal,
        checks::ALL,
        &setting,
        &mut client,
        &mut folder,
        &mut operator,
        &mut Quiet,
    );
    folder.sync().unwrap();
    drop(client);
    (run, link.seen, link.link.now(), path)
}

/// What `accept --resume` does: what is left, and what that needs, in a new folder.
fn gone_on_with(cut_off: &Run) -> Run {
    let read = proofstand::sheet::read(&demo("film-winder.toml")).unwrap();
    let job = Job::new(read.file, read.text, read.sheet);
    let rehearsal = Rehearsal::new(&job.sheet, &[], 2, TODAY).unwrap();
    let parent = tempfile::tempdir().unwrap();
    let mut folder = RunFolder::create(parent.path(), "resumed", true).unwrap();
    let mut client = Client::connect(rehearsal.link(), &mut folder).unwrap();
    let to_do: Vec<_> = left(cut_off).filter_map(checks::by_id).collect();
    let setting =
        Setting { today: TODAY, earlier: Some((FollowWhy::Resume, cut_off.clone())), ..Setting::default() };
    job.run(
        RunKind::Rehearsal,
        &checks::with_needs(&to_do),
        &setting,
        &mut client,
        &mut folder,
        &mut rehearsal.operator(true),
        &mut Quiet,
    )
}

#[test]
fn a_host_killed_at_any_moment_leaves_all_but_the_last_tenth_of_a_second_reported_and_to_be_gone_on_with() {
    let parent = tempfile::tempdir().unwrap();
    let (_, none, whole, _) = watched(parent.path(), Vec::new());
    assert!(none.is_empty());
    let mut random = Random::new(20);
    let mut due: Vec<Duration> = (0..MOMENTS).map(|_| whole.mul_f64(random.uniform())).collect();
    due.sort_by(|a, b| b.cmp(a));

    let parent = tempfile::tempdir().unwrap();
    let (run, moments, end, folder) = watched(parent.path(), due);
    assert_eq!(run.outcome.verdict, Verdict::Accepted, "{:#?}", run.outcome);
    assert!(moments.len() >= MOMENTS * 9 / 10, "only {} moments were met", moments.len());
    let files = [JOURNAL, SAMPLES].map(|name| std::fs::read(folder.join(name)).unwrap());
    let all = read_samples(files[1].as_slice()).unwrap().samples.len();
    let cut = tempfile::tempdir().unwrap();
    let mut reported = 0;
    for moment in &moments {
        for ((name, whole), (length, checksum)) in [JOURNAL, SAMPLES].iter().zip(&files).zip(moment.files) {
            let left = &whole[..length];
            assert_eq!(CRC.checksum(left), checksum, "{name} was changed after it was written");
            std::fs::write(cut.path().join(name), left).unwrap();
        }
        // A sample a millisecond, and the last one came at the end.
        let due = all as f64 - (end - moment.at).as_secs_f64() * 1e3;
        let kept = read_samples(files[1].get(..moment.files[1].0).unwrap()).unwrap().samples.len();
        assert!(kept as f64 >= due - MISSING, "at {:?} of {due:.0} samples {kept} were kept", moment.at);

        let Ok(opened) = open(cut.path()) else {
            assert!(moment.at < Duration::from_millis(100), "at {:?} nothing can be opened", moment.at);
            continue;
        };
        let cut_off = cut_off(opened.expect_err("a run without an end"), run.finished.clone());
        assert_eq!(cut_off.kind, RunKind::Rehearsal);
        assert_ne!(cut_off.outcome.verdict, Verdict::Accepted);
        assert!(cut_off.outcome.stopped.is_some());
        // What was made stands as it was made; the rest is what resuming does.
        let made: BTreeSet<&str> =
            cut_off.checks.iter().filter(|c| c.verdict != Verdict::NotDone).map(|c| c.id.as_str()).collect();
        for record in cut_off.checks.iter().filter(|c| made.contains(c.id.as_str())) {
            assert_eq!(Some(record), run.checks.iter().find(|c| c.id == record.id), "at {:?}", moment.at);
        }
        let to_do: BTreeSet<&str> = left(&cut_off).collect();
        assert!(made.is_disjoint(&to_do));
        assert_eq!(made.len() + to_do.len(), run.checks.len(), "at {:?}", moment.at);
        if reported % RESUMED == 0 {
            let resumed = gone_on_with(&cut_off);
            assert_eq!(
                resumed.outcome.verdict,
                Verdict::Accepted,
                "at {:?}: {:#?}",
                moment.at,
                resumed.outcome
            );
            let all: BTreeSet<&str> = resumed.checks.iter().map(|c| c.id.as_str()).collect();
            assert_eq!(all, run.checks.iter().map(|c| c.id.as_str()).collect(), "at {:?}", moment.at);
            // What stood and is needed by nothing that was left is taken over, and said to be.
            let taken: BTreeSet<&str> =
                resumed.follows.iter().flat_map(|f| &f.taken_over).map(|t| t.check.as_str()).collect();
            assert!(taken.is_subset(&made) && taken.is_disjoint(&to_do), "at {:?}: {taken:?}", moment.at);
            let made_again = all.difference(&taken).copied().collect::<BTreeSet<_>>();
            assert!(made_again.is_superset(&to_do));
        }
        let page = proofstand::report::html(&cut_off);
        assert!(page.contains("REHEARSAL") && page.contains("did not get to its end"), "at {:?}", moment.at);
        reported += 1;
    }
    assert!(reported > MOMENTS * 8 / 10, "only {reported} moments could be reported");
}
