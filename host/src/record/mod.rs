//! What a run leaves behind: the journal while it happens, the model when it is over.

mod folder;
pub mod model;
mod publish;
mod samples;

pub use folder::{JOURNAL, RunFolder, SAMPLES, put};
pub use publish::{MODEL, RecordError, publish, read_run};
pub use samples::{SampleWriter, Samples, read_samples};
