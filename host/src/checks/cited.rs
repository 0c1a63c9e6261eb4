//! What a person saw in an earlier, attended run.

use super::Turned;

/// Which way a positive command turned the shaft, as a person answered in an earlier run of the same unit, wired the
/// same way. Whoever makes one of these has seen to it that the record bears it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CitedDirection {
    /// The earlier run's name.
    pub run: String,
    /// When it was begun, RFC 3339.
    pub on: String,
    /// Who answered, as far as the record knows.
    pub by: String,
    /// What was answered.
    pub turned: Turned,
}
