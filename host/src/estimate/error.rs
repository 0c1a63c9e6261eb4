//! Why a quantity could not be had from samples.

use crate::metrology::MetrologyError;

/// Why a quantity could not be had from samples.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum EstimateError {
    /// Too little was recorded, or a window is too short.
    #[error("{what}: {have} samples are too few, at least {need} are needed; lengthen the window")]
    TooFewSamples {
        /// What was to be estimated.
        what: &'static str,
        /// Samples there are.
        have: usize,
        /// Samples needed.
        need: usize,
    },
    /// The samples are not in the order of time.
    #[error("sample {sequence} is not later than the one before it; the record is damaged")]
    TimeNotRising {
        /// Number of the sample.
        sequence: u32,
    },
    /// No counts per revolution.
    #[error("counts per revolution are zero; the sheet must state the pulses per revolution")]
    NoCountsPerRev,
    /// A constant-command segment does not pass through the speeds asked for.
    #[error(
        "from {start_us} µs on the speed does not pass from {low_rpm} to {high_rpm} rpm {settle_ms} ms after the \
         command changed; turn round at a higher speed, lower the level or add a disc"
    )]
    SpeedNotPassed {
        /// Start of the segment on the fixture's clock.
        start_us: u64,
        /// Lower end of the window.
        low_rpm: f64,
        /// Upper end.
        high_rpm: f64,
        /// Time left out after the command changed.
        settle_ms: f64,
    },
    /// Not one pair of neighbouring segments of opposite command.
    #[error(
        "no full reversal in the record: {segments} usable segments, but none beside one of opposite command"
    )]
    NoReversal {
        /// Usable segments.
        segments: usize,
    },
    /// A fit failed.
    #[error(transparent)]
    Fit(#[from] MetrologyError),
}
