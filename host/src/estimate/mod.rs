//! From samples to quantities.
//!
//! Every function takes samples or events as the fixture sent them and gives typed quantities with what is uncertain
//! about them from the record itself: scatter and quantisation. What comes from elsewhere (calibration, clock,
//! inertia) is added by the caller to a [`crate::metrology::Budget`]. All of it is pure.
//!
//! Speeds and accelerations carry the sign of the counts: positive while phase A leads phase B.

pub mod acceleration;
pub mod cycle;
pub mod error;
pub mod flags;
pub(crate) mod keeping_step;
pub mod known_disc;
pub mod line_burst;
pub mod lines;
mod quantisation;
pub mod readout;
pub mod release;
pub mod releases;
pub mod reversal;
pub mod ripple;
pub mod scale;
pub mod speed;
pub mod speed_line;
pub mod speed_step;
pub mod step_response;
pub mod torque_line;
pub mod track;

pub use acceleration::{AccelerationEstimate, Shape};
pub use cycle::{Cycle, CycleMean};
pub use error::EstimateError;
pub use reversal::{ReversalEstimate, ReversalWindow};
pub use speed::SpeedEstimate;
pub use torque_line::TorqueLine;

#[cfg(test)]
mod any_record;
#[cfg(test)]
mod budgets;
#[cfg(test)]
pub(crate) mod synthetic;
