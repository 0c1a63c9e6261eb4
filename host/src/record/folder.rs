//! A run's folder: the only place a run writes to.

use std::fs::{self, File, OpenOptions};
use std::io::{self, BufWriter, Write};
use std::path::{Component, Path, PathBuf};

use proofstand_protocol::message::{Event, Sample};
use serde::Serialize;

use super::samples::SampleWriter;
use crate::fixture::{BurstChunk, Numbered, Tap};

/// Name of the journal in a run's folder.
pub const JOURNAL: &str = "journal.jsonl";
/// Name of the samples' file in a run's folder.
pub const SAMPLES: &str = "samples.bin";

/// A whole acceptance with its bursts takes some 10 MiB; people who take their time more.
const ROOM_MEBIBYTES: usize = 32;

/// An error that says where.
fn named(path: &Path, error: &io::Error) -> io::Error {
    io::Error::new(error.kind(), format!("{}: {error}", path.display()))
}

/// An open run folder. Every line is in the file system's hands before the call returns; [`RunFolder::sync`] brings
/// it to the medium.
pub struct RunFolder {
    path: PathBuf,
    journal: Box<dyn Medium>,
    samples: SampleWriter<Box<dyn Medium>>,
    rehearsal: bool,
}

/// What a record is written on.
pub trait Medium: Write {
    /// Brings what was written to where it outlives a loss of power.
    ///
    /// # Errors
    /// If it can't.
    fn sync(&mut self) -> io::Result<()>;
}

impl Medium for File {
    fn sync(&mut self) -> io::Result<()> {
        self.sync_data()
    }
}

/// A line of the journal.
#[derive(Debug, Serialize)]
struct Line<'a, T> {
    /// Time on the fixture's clock in microseconds, where there is one.
    at_us: Option<u64>,
    kind: &'a str,
    /// A rehearsal's line can't be taken for evidence even when it is torn out.
    #[serde(skip_serializing_if = "Option::is_none")]
    rehearsal: Option<&'static str>,
    data: T,
}

impl RunFolder {
    /// Makes a new folder `parent/name`; if it is there already, `name-2` and so on, so that nothing is written over.
    ///
    /// # Errors
    /// If the folder or its files can't be made; a name that is a path is refused.
    pub fn create(parent: &Path, name: &str, rehearsal: bool) -> io::Result<Self> {
        let mut parts = Path::new(name).components();
        if !matches!((parts.next(), parts.next()), (Some(Component::Normal(_)), None)) {
            return Err(io::Error::new(
                io::ErrorKind::InvalidInput,
                format!("`{name}` is no name of a folder"),
            ));
        }
        fs::create_dir_all(parent)?;
        let mut path = parent.join(name);
        let mut n = 2;
        loop {
            match fs::create_dir(&path) {
                Ok(()) => break,
                Err(e) if e.kind() == io::ErrorKind::AlreadyExists && n < 10_000 => {
                    path = parent.join(format!("{name}-{n}"));
                    n += 1;
                }
                Err(e) => return Err(e),
            }
        }
        let new = |file: &str| -> io::Result<Box<dyn Medium>> {
            let file = path.join(file);
            let made = OpenOptions::new().append(true).create_new(true).open(&file);
            Ok(Box::new(made.map_err(|e| named(&file, &e))?))
        };
        let (journal, samples) = (new(JOURNAL)?, new(SAMPLES)?);
        Self::on(path, journal, samples, rehearsal)
    }

    /// A folder that is there, with its journal and samples on media of the caller's.
    ///
    /// # Errors
    /// If the samples' header can't be written.
    pub fn on(
        path: PathBuf,
        journal: Box<dyn Medium>,
        samples: Box<dyn Medium>,
        rehearsal: bool,
    ) -> io::Result<Self> {
        let samples = SampleWriter::new(samples, rehearsal).map_err(|e| named(&path.join(SAMPLES), &e))?;
        Ok(Self { path, journal, samples, rehearsal })
    }

    /// Finds out whether a whole run's record finds room, before anything moves for it.
    ///
    /// # Errors
    /// If it does not, with the system's words.
    pub fn has_room(&self) -> io::Result<()> {
        let path = self.path.join(".room");
        let made = (|| {
            let mut file = OpenOptions::new().write(true).create_new(true).open(&path)?;
            let zeros = vec![0; 1 << 20];
            for _ in 0..ROOM_MEBIBYTES {
                file.write_all(&zeros)?;
            }
            file.sync_data()
        })();
        let gone = fs::remove_file(&path);
        made.and(gone).map_err(|e| {
            let why = format!("there is no room for a record of {ROOM_MEBIBYTES} MiB: {e}");
            named(&self.path, &io::Error::new(e.kind(), why))
        })
    }

    /// The folder.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// The folder's own name.
    #[must_use]
    pub fn name(&self) -> String {
        self.path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default()
    }

    /// Writes a line into the journal: one write.
    ///
    /// # Errors
    /// If it can't be written.
    pub fn note(&mut self, kind: &str, data: impl Serialize) -> io::Result<()> {
        self.line(None, kind, data)
    }

    fn line(&mut self, at_us: Option<u64>, kind: &str, data: impl Serialize) -> io::Result<()> {
        self.journal.write_all(&bytes(at_us, kind, self.rehearsal, data)?)
    }

    /// Takes back a folder in which nothing has happened yet, with what was written into it.
    ///
    /// # Errors
    /// If something can't be removed.
    pub fn withdraw(self) -> io::Result<()> {
        let path = self.path.clone();
        drop(self);
        for file in [JOURNAL, SAMPLES] {
            fs::remove_file(path.join(file))?;
        }
        fs::remove_dir(path)
    }

    /// Brings everything to the medium. Takes up to some 100 ms: never while armed.
    ///
    /// # Errors
    /// If the medium refuses.
    pub fn sync(&mut self) -> io::Result<()> {
        self.samples.flush()?;
        self.samples.get_mut().sync()?;
        self.journal.sync()
    }

    /// Writes a whole file of the folder, replacing an earlier one only when the new one is complete.
    ///
    /// # Errors
    /// If it can't be written.
    pub fn put(&self, file: &str, bytes: &[u8]) -> io::Result<()> {
        put(&self.path, file, bytes)
    }
}

/// Writes a whole file of a run's folder, replacing an earlier one only when the new one is complete.
///
/// # Errors
/// If it can't be written.
pub fn put(folder: &Path, file: &str, bytes: &[u8]) -> io::Result<()> {
    put_by(folder, file, |out| out.write_all(bytes))
}

/// The same for a file that is written piece by piece.
///
/// # Errors
/// If it can't be written.
pub fn put_by<E: From<io::Error>>(
    folder: &Path,
    file: &str,
    write: impl FnOnce(&mut BufWriter<File>) -> Result<(), E>,
) -> Result<(), E> {
    let waiting = folder.join(format!(".{file}.part"));
    // What lies there from an earlier attempt goes; a link that somebody put there is not followed.
    match fs::remove_file(&waiting) {
        Err(e) if e.kind() != io::ErrorKind::NotFound => return Err(e.into()),
        _ => {}
    }
    let mut out = BufWriter::new(OpenOptions::new().write(true).create_new(true).open(&waiting)?);
    write(&mut out)?;
    out.flush()?;
    out.get_ref().sync_data()?;
    Ok(fs::rename(&waiting, folder.join(file))?)
}

/// Adds a line to the journal of a run that is over.
///
/// # Errors
/// If there is no journal, or it can't be written.
pub fn note_after(folder: &Path, rehearsal: bool, kind: &str, data: impl Serialize) -> io::Result<()> {
    let path = folder.join(JOURNAL);
    if !fs::symlink_metadata(&path)?.is_file() {
        let why = "it is no file of the run's own, and nothing is added to it";
        return Err(io::Error::new(io::ErrorKind::InvalidInput, format!("{}: {why}", path.display())));
    }
    let mut journal = OpenOptions::new().append(true).open(path)?;
    journal.write_all(&bytes(None, kind, rehearsal, data)?)?;
    journal.sync_data()
}

/// A line of the journal, with its end.
fn bytes(at_us: Option<u64>, kind: &str, rehearsal: bool, data: impl Serialize) -> io::Result<Vec<u8>> {
    let rehearsal = rehearsal.then_some("REHEARSAL");
    let mut text = serde_json::to_vec(&Line { at_us, kind, rehearsal, data })?;
    text.push(b'\n');
    Ok(text)
}

impl Tap for RunFolder {
    fn samples(&mut self, dropped: u32, samples: &[Sample]) -> io::Result<()> {
        self.samples.push(dropped, samples)
    }

    fn event(&mut self, event: &Numbered) -> io::Result<()> {
        let data = JournalEvent { number: event.number, event: event.event };
        self.line(Some(event.at.0), "event", data)
    }

    fn burst(&mut self, chunk: &BurstChunk<'_>) -> io::Result<()> {
        self.samples.burst(chunk)
    }
}

#[derive(Serialize)]
struct JournalEvent {
    number: u32,
    #[serde(flatten)]
    event: Event,
}
