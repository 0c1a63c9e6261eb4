//! Calibrating the fixture's command and inputs against a reference meter.
//!
//! [`conduct`] puts levels out and reads them, [`reading`] refuses what can't be, [`fit`](mod@fit) makes gain, offset,
//! non-linearity and a correction of it, [`found`] looks at what the fixture had before, [`image`] is the record in the
//! fixture and [`record`] the one in a file. [`assumed`] lists what is taken on trust.

pub mod assumed;
pub mod conduct;
pub mod fit;
pub mod found;
pub mod image;
pub mod linearity;
pub mod reading;
pub mod record;
mod scpi_meter;
mod whole;

pub use conduct::{Asked, Bench, CalibrateError, ReferenceMeter, Watcher, store};
pub use fit::Accuracy;
pub use image::Known;
pub use record::CalibrationRecord;
pub use scpi_meter::ScpiMeter;
pub(crate) use whole::day_in_words;
pub use whole::{Given, Job, Made};
