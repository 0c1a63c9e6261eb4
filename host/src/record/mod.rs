//! What a run leaves behind: the journal while it happens, the model when it is over.

use std::fs::File;
use std::io::{self, BufReader};
use std::path::Path;

mod agreed;
mod events;
mod folder;
pub mod follow;
mod measured_with;
pub mod model;
mod publish;
mod recover;
mod samples;
mod took;
mod waiting;

pub use events::{RecordedEvent, events_of, read_events};
pub use folder::{JOURNAL, Medium, RunFolder, SAMPLES, note_after, put, put_by};
pub use publish::{MODEL, RecordError, publish, read_run};
pub use recover::{Journal, journal_of, open, read_journal};
pub use samples::{SAMPLES_BYTES_MAX, SampleWriter, Samples, read_samples};
pub use waiting::Waiting;

/// A journal that is longer is not one of ours.
pub const JOURNAL_BYTES_MAX: u64 = 256 << 20;
/// A line longer than this is not one of ours.
const LINE_BYTES_MAX: u64 = 64 << 20;

/// Opens a folder's journal to be read.
fn journal(folder: &Path) -> io::Result<BufReader<File>> {
    let file = File::open(folder.join(JOURNAL))?;
    if file.metadata()?.len() > JOURNAL_BYTES_MAX {
        let why = format!("larger than {JOURNAL_BYTES_MAX} bytes: no journal of a run");
        return Err(io::Error::new(io::ErrorKind::InvalidData, why));
    }
    Ok(BufReader::new(file))
}

/// The next line with its end, into `bytes`; none: there is no more.
fn next_line(from: &mut impl io::BufRead, bytes: &mut Vec<u8>) -> io::Result<bool> {
    bytes.clear();
    let mut line = io::Read::take(from, LINE_BYTES_MAX);
    Ok(io::BufRead::read_until(&mut line, b'\n', bytes)? > 0)
}
