//! Integers with their unit in the type, as they stand on the wire and in the firmware.
//!
//! There is no conversion from a bare number but the tuple constructor, and none between units but the named ones.
//! A *pulse* is a full cycle of phase A; a *count* is one quadrature edge: four counts make a pulse.

use postcard_schema::Schema;
use serde::{Deserialize, Serialize};

macro_rules! unit {
    ($(#[$doc:meta])* $name:ident($int:ty)) => {
        $(#[$doc])*
        #[derive(Debug, Default, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, Schema)]
        #[cfg_attr(feature = "defmt", derive(defmt::Format))]
        pub struct $name(pub $int);
    };
}

unit! {
    /// Voltage in microvolts. ±10 V is ±10 000 000.
    Microvolts(i32)
}
unit! {
    /// Change of voltage per 1 ms tick, in microvolts.
    MicrovoltsPerTick(u32)
}
unit! {
    /// Time since the fixture started, in microseconds of the fixture's own clock.
    Micros(u64)
}
unit! {
    /// A length of time in 1 ms ticks of the fixture's clock.
    Ticks(u32)
}
unit! {
    /// Encoder position or travel in counts (quadrature edges, four to a pulse). Positive: A leads B.
    Counts(i64)
}
unit! {
    /// Counts in one motor revolution: four times the pulses per revolution.
    CountsPerRev(u32)
}
unit! {
    /// Speed in thousandths of a revolution per minute. Positive: A leads B.
    MilliRpm(i32)
}
unit! {
    /// Speed-hold proportional gain: microvolts of command per revolution per minute of error.
    MicrovoltsPerRpm(u32)
}
unit! {
    /// Speed-hold integral gain: microvolts of command per second, per revolution per minute of error.
    MicrovoltsPerRpmSecond(u32)
}

impl Microvolts {
    /// The largest magnitude the command output can take: 10 V.
    pub const FULL_SCALE: Self = Self(10_000_000);

    /// Magnitude, saturating at `i32::MAX`.
    pub const fn magnitude(self) -> Self {
        Self(self.0.saturating_abs())
    }
}

impl MilliRpm {
    /// Magnitude, saturating at `i32::MAX`.
    pub const fn magnitude(self) -> Self {
        Self(self.0.saturating_abs())
    }
}
