//! What was measured, in the formats of other programs. Nothing is judged or smoothed here: one row a sample.
//!
//! Values are those of the record in the unit that the column's name says. A file of a rehearsal says so in every line
//! (CSV) or in its head (Parquet, VCD).

mod bursts;
mod columns;
mod csv;
mod parquet;
mod step;
mod vcd;

pub use self::bursts::{bursts_csv, bursts_parquet, lines_vcd};
pub use self::csv::csv;
pub use self::parquet::parquet;
pub use self::step::TakenFor;
pub use self::vcd::vcd;

use crate::record::model::Run;
use crate::record::{RecordedEvent, Samples};

/// What is exported, and what is known about it.
#[derive(Debug)]
pub struct Recorded<'a> {
    /// Name of the run.
    pub id: &'a str,
    /// Its model; none if it was cut off before it began.
    pub run: Option<&'a Run>,
    /// Its samples.
    pub samples: &'a Samples,
    /// Its events, in order.
    pub events: &'a [RecordedEvent],
    /// Name of each flag input; the input's number where the sheet gives it no role.
    pub flags: [String; FLAGS],
    /// Which samples were taken for which step of which check.
    pub steps: Vec<TakenFor>,
}

/// Flag inputs of a fixture.
pub const FLAGS: usize = 8;

impl<'a> Recorded<'a> {
    /// Puts together what is known of a run.
    #[must_use]
    pub fn new(id: &'a str, run: Option<&'a Run>, samples: &'a Samples, events: &'a [RecordedEvent]) -> Self {
        let mut flags: [String; FLAGS] = core::array::from_fn(|n| format!("flag_{n}"));
        let sheet =
            run.and_then(|r| crate::sheet::parse(&r.axis.sheet_file, r.axis.sheet_text.as_bytes()).ok());
        for flag in sheet.iter().flat_map(|s| &s.flags) {
            if let Some(name) = flags.get_mut(usize::from(flag.fixture_input)) {
                let role: String = flag
                    .role
                    .words()
                    .chars()
                    .map(|c| if c.is_ascii_alphanumeric() { c.to_ascii_lowercase() } else { '_' })
                    .collect();
                *name = format!("flag_{}_{role}", flag.fixture_input);
            }
        }
        Self { id, run, samples, events, flags, steps: step::steps(run) }
    }

    fn kind(&self) -> &'static str {
        if self.samples.rehearsal { "REHEARSAL" } else { "acceptance" }
    }
}

/// A file can't be made.
#[derive(Debug, thiserror::Error)]
pub enum ExportError {
    /// It can't be written.
    #[error("can't write the export: {0}")]
    Write(#[from] std::io::Error),
    /// The table does not fit its format.
    #[error("can't make the table: {0}")]
    Table(String),
}

/// Damage to the samples, in words for whoever reads the export; none if there is none.
#[must_use]
pub fn damage(samples: &Samples) -> Option<String> {
    (samples.damaged_segments > 0).then(|| {
        format!(
            "{} segments of at most 100 ms were damaged or cut off: their samples are missing",
            samples.damaged_segments
        )
    })
}
