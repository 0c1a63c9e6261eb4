//! Faults that can't be had.

use crate::check::SetupError;

/// A fault that can't be had.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum FaultError {
    /// No fault of that name.
    #[error("no fault is called `{name}`{}", suggestion(nearest))]
    Unknown {
        /// As given.
        name: String,
        /// Names that are near, nearest first.
        nearest: Vec<&'static str>,
    },
    /// A size was given to a fault that has none.
    #[error("`{name}` has no size: leave `={size}` away")]
    NoSize {
        /// Its name.
        name: &'static str,
        /// What was given.
        size: String,
    },
    /// The size is no number above zero (or, for an offset, no number other than zero).
    #[error("`{size}` is no size for `{name}`: give a number of {unit}, as in `{name}={example}`")]
    BadSize {
        /// Its name.
        name: &'static str,
        /// What was given.
        size: String,
        /// Unit of the size.
        unit: &'static str,
        /// The size it has unless told.
        example: f64,
    },
    /// This axis can't have that fault.
    #[error("`{name}` can't be had on this axis: {why}")]
    DoesNotFit {
        /// Its name.
        name: &'static str,
        /// Why.
        why: SetupError,
    },
    /// The setup has no flag that the fault could spoil.
    #[error("`{name}` can't be had on this axis: no flag input is wired to the cap flag")]
    NoCapFlag {
        /// Its name.
        name: &'static str,
    },
    /// The axis has nothing that this fault could spoil.
    #[error("`{name}` can't be had on this axis: {lacks}")]
    Lacks {
        /// Its name.
        name: &'static str,
        /// What it has not, or has already.
        lacks: &'static str,
    },
    /// The fault is of a torque command, and this axis takes a speed command.
    #[error(
        "`{name}` can't be had on this axis: it is a fault of a torque command, and the command is a speed"
    )]
    OfTorqueOnly {
        /// Its name.
        name: &'static str,
    },
}

fn suggestion(nearest: &[&'static str]) -> String {
    if nearest.is_empty() { String::new() } else { format!("; near it: {}", nearest.join(", ")) }
}
