//! What a run leaves behind: the journal while it happens, the model when it is over.

mod events;
mod folder;
pub mod follow;
pub mod model;
mod publish;
mod recover;
mod samples;
mod waiting;

pub use events::{RecordedEvent, read_events};
pub use folder::{JOURNAL, RunFolder, SAMPLES, note_after, put, put_by};
pub use publish::{MODEL, RecordError, publish, read_run};
pub use recover::{Journal, open, read_journal};
pub use samples::{SampleWriter, Samples, read_samples};
pub use waiting::Waiting;
