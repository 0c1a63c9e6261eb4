//! The real board image on an emulated RP2040, with a simulated axis on its pins.
//!
//! [`Emulator`] is one board: a Node.js process that runs the image (see `tests/emulator/`) and does nothing but what it
//! is told. [`Lockstep`] is a link over it whose clock is the board's: waiting on the link is what makes the board run.
//! [`Paced`] runs it against the wall clock behind a pseudo-terminal, for programs that only know serial ports.
//!
//! What is missing on the machine is an error that names it, never a reason to skip.

mod analog;
mod build;
mod fixture;
mod lockstep;
mod log;
pub mod measure;
mod paced;
mod person;
mod process;
pub mod provoke;
pub mod replay;
pub mod replies;
pub mod rig;

pub use analog::Analog;
pub use build::{image, plant_module, program};
pub use fixture::{Axis, EmulatedFixture, Nobody, store_calibration, store_record};
pub use lockstep::Lockstep;
pub use log::LogDecoder;
pub use paced::{Paced, Remote};
pub use person::{AtTheBoard, EmulatedOperator};
pub use process::{BenchSetup, Emulator, State, TraceEntry};

/// The emulated board can't be had, or went wrong.
#[derive(Debug, thiserror::Error)]
pub enum EmulatorError {
    /// A program that it needs is not there.
    #[error("{program} is needed for the emulated board and can't be run ({why}): {remedy}")]
    Missing {
        /// The program.
        program: &'static str,
        /// The system's words.
        why: String,
        /// What to do.
        remedy: &'static str,
    },
    /// Something could not be built or installed.
    #[error("{what} failed:\n{output}")]
    Build {
        /// The command.
        what: String,
        /// What it said.
        output: String,
    },
    /// The process went away or spoke nonsense.
    #[error("the emulator stopped answering: {0}")]
    Gone(#[from] std::io::Error),
    /// The harness reports a failure of its own, or of the image.
    #[error("the emulated board failed: {0}")]
    Failed(String),
    /// The simulated axis can't be set up.
    #[error(transparent)]
    Axis(#[from] proofstand::rehearsal::RehearsalError),
    /// Host and emulated fixture don't come together.
    #[error(transparent)]
    Fixture(#[from] proofstand::fixture::FixtureError),
    /// An answer of the harness can't be read.
    #[error("the harness answered nonsense: {0}")]
    Answer(#[from] serde_json::Error),
    /// A pseudo-terminal can't be had.
    #[error("can't open a pseudo-terminal: {0}")]
    Terminal(#[from] serialport::Error),
    /// A calibration record can't be put together or stored.
    #[error("the invented calibration can't be stored: {0}")]
    Calibration(String),
}
