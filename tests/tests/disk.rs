//! The disk is full, or the folder can't be written: before motion nothing moves, in motion the axis is made safe, and what was
//! written until then can be read.

#![allow(clippy::unwrap_used)] // Only tests are built with this file.

use std::cell::Cell;
use std::fs::File;
use std::io::{self, Write};
use std::path::Path;
use std::rc::Rc;
use std::time::Duration;

use proofstand::acceptance::{Job, Setting, cut_off};
use proofstand::checks;
use proofstand::fixture::Client;
use proofstand::link::Link;
use proofstand::record::model::{Run, RunKind, Verdict};
use proofstand::record::{JOURNAL, Medium, RunFolder, SAMPLES, read_journal, read_samples};
use proofstand::rehearsal::Rehearsal;
use proofstand::sequence::Quiet;
use proofstand_protocol::message::State;
use proofstand_tests::bench::{TODAY, demo};

/// A shaft turns for certain: half of the slowest motion of the sequence, 20 rpm.
const TURNS: f64 = 10.0;

/// How the bench stood when a write was refused for the first time.
#[derive(Debug, Clone, Copy)]
struct Refused {
    /// Enable was closed.
    closed: bool,
    /// Amount of the shaft's true speed, rpm.
    rpm: f64,
}

/// A disk with so many bytes left, shared by all files on it.
struct Disk {
    file: File,
    left: Rc<Cell<usize>>,
    bench: Rc<Rehearsal>,
    refused: Rc<Cell<Option<Refused>>>,
}

impl Write for Disk {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let fits = bytes.len().min(self.left.get());
        if fits == 0 && !bytes.is_empty() {
            let (_, closed) = self.bench.at_the_terminals();
            let now = Refused { closed, rpm: self.bench.speed().get().abs() };
            self.refused.set(self.refused.get().or(Some(now)));
            return Err(io::Error::new(io::ErrorKind::StorageFull, "no room left on the disk of this test"));
        }
        let written = self.file.write(bytes.get(..fits).unwrap_or_default())?;
        self.left.set(self.left.get() - written);
        Ok(written)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.file.flush()
    }
}

impl Medium for Disk {
    fn sync(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// A run on a disk with so many bytes left: its model, the bytes that went in, the bench, and how it stood when the disk
/// was full.
fn on_a_disk_of(bytes: usize, folder: &Path) -> Option<(Run, usize, Rc<Rehearsal>, Option<Refused>)> {
    let read = proofstand::sheet::read(&demo("film-winder.toml")).unwrap();
    let job = Job::new(read.file, read.text, read.sheet);
    let rehearsal = Rc::new(Rehearsal::new(&job.sheet, &[], 1, TODAY).unwrap());
    let left = Rc::new(Cell::new(bytes));
    let refused = Rc::new(Cell::new(None));
    let disk = |name: &str| -> Box<dyn Medium> {
        Box::new(Disk {
            file: File::create(folder.join(name)).unwrap(),
            left: Rc::clone(&left),
            bench: Rc::clone(&rehearsal),
            refused: Rc::clone(&refused),
        })
    };
    let made = RunFolder::on(folder.to_owned(), disk(JOURNAL), disk(SAMPLES), true);
    let mut record = match made {
        Ok(record) => record,
        Err(e) => {
            assert!(e.to_string().contains(SAMPLES) && e.to_string().contains("no room left"), "{e}");
            return None;
        }
    };
    let mut client = match Client::connect(rehearsal.link(), &mut record) {
        Ok(client) => client,
        Err(e) => {
            assert!(e.to_string().contains("can't write the record"), "{e}");
            return None;
        }
    };
    let mut operator = rehearsal.operator(true);
    let setting = Setting { today: TODAY, ..Setting::default() };
    let run = job.run(
        RunKind::Rehearsal,
        &checks::with_needs(&[checks::by_id("speed-cap").unwrap()]),
        &setting,
        &mut client,
        &mut record,
        &mut operator,
        &mut Quiet,
    );
    drop(client);
    Some((run, bytes - left.get(), rehearsal, refused.get()))
}

#[test]
fn a_disk_that_fills_up_at_any_byte_makes_the_axis_safe_and_leaves_a_record_that_can_be_read() {
    let folder = tempfile::tempdir().unwrap();
    let (whole, used, ..) = on_a_disk_of(usize::MAX, folder.path()).unwrap();
    assert_eq!(whole.outcome.stopped, None, "{whole:#?}");
    assert!(whole.checks.iter().all(|c| c.verdict == Verdict::Accepted), "{whole:#?}");
    let (mut enabled, mut turning, mut reported) = (0, 0, 0);
    for n in 0..24 {
        // Not at round places: segments and lines are cut in their middles too.
        let bytes = used * n / 24 + 37 * n + 3 * usize::from(n > 0);
        let folder = tempfile::tempdir().unwrap();
        let Some((run, kept, rehearsal, refused)) = on_a_disk_of(bytes, folder.path()) else { continue };
        let why = run
            .outcome
            .stopped
            .clone()
            .unwrap_or_else(|| panic!("{bytes} bytes were enough: {:#?}", run.outcome));
        assert!(why.contains("can't write the record") && why.contains("no room left"), "{why}");
        assert_ne!(run.outcome.verdict, Verdict::Accepted);
        assert!(kept <= bytes);
        let refused = refused.expect("a disk that was full refused a write");
        enabled += u32::from(refused.closed);
        turning += u32::from(refused.closed && refused.rpm > TURNS);
        // However it was at that moment: a tenth of a second later nothing is commanded, and enable is open.
        let mut link = rehearsal.link();
        link.receive(&mut [0; 4096], Duration::from_millis(150)).unwrap();
        let from = link.now();
        while link.now() - from < Duration::from_millis(150) {
            link.receive(&mut [0; 4096], Duration::from_millis(10)).unwrap();
        }
        let (volts, closed) = rehearsal.at_the_terminals();
        assert!(volts.get().abs() < 0.01 && !closed, "{bytes} bytes: {volts:?}, enable closed: {closed}");
        assert!(matches!(rehearsal.state(), State::Safe | State::Tripped), "{:?}", rehearsal.state());

        let samples = read_samples(File::open(folder.path().join(SAMPLES)).unwrap()).unwrap();
        assert!(samples.rehearsal && samples.damaged_segments <= 1, "{} damaged", samples.damaged_segments);
        // A sample takes 43 bytes, and at most a tenth of a second of them was still waiting.
        let bytes_kept = std::fs::metadata(folder.path().join(SAMPLES)).unwrap().len() as usize;
        assert!(
            samples.samples.len() * 50 + 150 * 50 >= bytes_kept,
            "{} of {bytes_kept}",
            samples.samples.len()
        );
        if let Ok(journal) = read_journal(folder.path()) {
            assert!(journal.damaged_lines <= 1);
            let cut = cut_off(journal, run.finished.clone());
            assert_ne!(cut.outcome.verdict, Verdict::Accepted);
            // What the journal holds is what was judged.
            for record in cut.checks.iter().filter(|c| !c.results.is_empty()) {
                assert_eq!(Some(record), whole.checks.iter().find(|c| c.id == record.id));
            }
            reported += 1;
        }
    }
    assert!(reported >= 15, "only {reported} could be reported");
    // The run spends most of its bytes in motion: so did most of the disks fill up while the shaft turned under torque.
    assert!(enabled >= 12, "enable was closed only {enabled} times");
    assert!(turning >= 10, "the shaft turned under torque only {turning} times");
}

#[test]
fn a_folder_that_can_t_be_written_is_named_before_anything_moves() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("a-file");
    std::fs::write(&file, "").unwrap();
    // A folder below a file can be made by nobody, whoever runs this.
    let why = RunFolder::create(&file.join("runs"), "run", true).err().unwrap();
    assert_eq!(why.kind(), io::ErrorKind::NotADirectory, "{why}");
}
