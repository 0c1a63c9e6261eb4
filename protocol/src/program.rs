//! Motion programs: what the fixture does on its own 1 kHz tick, because the host is too far away to do it.
//!
//! A program is a list of segments. Each drives the command in one way until its end condition holds, then passes
//! control to its successor. Every segment has a time-out; a program that times out ends at 0 V.

use postcard_schema::Schema;
use serde::{Deserialize, Serialize};

use crate::units::{
    Counts, Microvolts, MicrovoltsPerRpm, MicrovoltsPerRpmSecond, MicrovoltsPerTick, MilliRpm, Ticks,
};

/// Segments a fixture can hold.
pub const SEGMENTS_MAX: usize = 32;

/// One step of a motion program.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, Schema)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Segment {
    /// What the command does meanwhile.
    pub drive: Drive,
    /// What ends the segment in the ordinary way.
    pub end: End,
    /// Where the program goes then.
    pub next: Next,
    /// The longest the segment may last; when it is over the program ends at 0 V as timed out.
    pub timeout: Ticks,
}

/// What the command output does during a segment. Append-only.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, Schema)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Drive {
    /// Moves the command from where it stands to `target` at `slew`, then holds it.
    Command {
        /// The command to end at.
        target: Microvolts,
        /// How fast to get there. Also bounded by the armed limits.
        slew: MicrovoltsPerTick,
    },
    /// Holds a speed by a slow integer proportional-integral loop over a torque command.
    HoldSpeed {
        /// The speed to hold.
        speed: MilliRpm,
        /// The largest command the loop may use, either sign.
        bound: Microvolts,
        /// Proportional gain.
        proportional: MicrovoltsPerRpm,
        /// Integral gain.
        integral: MicrovoltsPerRpmSecond,
    },
}

/// What ends a segment. Append-only.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, Schema)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum End {
    /// So long after the segment began.
    Time(Ticks),
    /// The signed speed is at or above this.
    SpeedAtLeast(MilliRpm),
    /// The signed speed is at or below this.
    SpeedAtMost(MilliRpm),
    /// The shaft has moved this far, either way, since the segment began.
    Travel(Counts),
    /// So many index pulses have been latched since the segment began.
    IndexCount(u16),
    /// A flag input, 0 to 7, conducts (true) or is open (false).
    Flag {
        /// Input number, 0 to 7.
        input: u8,
        /// True: conducting.
        conducting: bool,
    },
    /// No count has arrived for so long.
    Standstill(Ticks),
}

/// Where a program goes when a segment has ended. Append-only.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, Schema)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Next {
    /// To the segment in this slot.
    Segment(u8),
    /// The program is over; the command goes to 0 V.
    Finish,
}
