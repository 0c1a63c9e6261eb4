//! Measured values with their uncertainty, and what may be said about them.
//!
//! A [`budget::Budget`] lists what makes a value uncertain and combines it by the GUM (JCGM 100:2008); a
//! [`decision::Limits`] and a guard band turn the combined result into accepted, undecided or rejected (JCGM 106:2012,
//! ILAC-G8:09/2019), by the [`rule::DecisionRule`] that the sheet chooses. [`propagation`] holds the GUM's interval against
//! the distributions themselves (JCGM 101:2008). [`compare`] holds two ways to one quantity against each other with what
//! they share. [`mod@line`], [`linear`] and [`polynomial`] are the least-squares fits beneath the estimates. All of it is pure:
//! no clock, no port, no knowledge of how a sample came to be.

pub mod budget;
pub mod capability;
pub mod compare;
pub mod contribution;
pub mod correlated;
pub mod counting;
pub mod decision;
mod decomposition;
pub mod error;
pub mod group;
mod largest;
pub mod line;
pub mod linear;
pub mod polynomial;
pub mod propagation;
pub mod quantity;
pub mod read_back;
pub mod rule;
pub mod student;
pub mod voltage;

pub use budget::{Budget, Combined, Interval};
pub use capability::{Capability, capability};

pub use contribution::{Contribution, DegreesOfFreedom, Distribution, Kind, Sensitivity, whole};
pub use decision::{Calibration, Conformity, Decision, Limits};
pub use error::MetrologyError;
pub use group::Group;
pub use quantity::Quantity;
pub use rule::{DecisionRule, Judging, Risk};
pub use student::{CoverageFactor, Level};
pub use voltage::{KnownVoltage, VoltageUncertainty};

#[cfg(test)]
pub(crate) mod monte_carlo;
#[cfg(test)]
pub(crate) mod reference;
