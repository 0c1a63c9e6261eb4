//! What goes over the wires: direction, flags, inputs, read-outs, terminals.

use proofstand_units::{Percent, Volts};
use serde::Serialize;

use super::model::Stated;

/// Which way is positive.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Direction {
    /// Positive command turns the shaft this way.
    pub positive_command: Rotation,
    /// From where.
    pub seen_from: Viewpoint,
    /// Positive command makes the count go this way.
    pub positive_counts: CountDirection,
}

/// Sense of rotation; means nothing without a [`Viewpoint`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Rotation {
    /// As the hands of a clock.
    Clockwise,
    /// Against the hands of a clock.
    Counterclockwise,
}

impl Rotation {
    /// The other way.
    #[must_use]
    pub const fn reversed(self) -> Self {
        match self {
            Self::Clockwise => Self::Counterclockwise,
            Self::Counterclockwise => Self::Clockwise,
        }
    }

    /// In words.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Clockwise => "clockwise",
            Self::Counterclockwise => "counterclockwise",
        }
    }
}

/// From where a rotation is seen.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Viewpoint {
    /// Facing the drive end, where the shaft comes out (IEC 60034-8).
    ShaftEnd,
    /// Facing the end opposite to the shaft.
    OtherEnd,
}

impl Viewpoint {
    /// In words, to follow a rotation.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::ShaftEnd => "seen facing the shaft end",
            Self::OtherEnd => "seen facing the end opposite to the shaft",
        }
    }
}

/// Sense of counting.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum CountDirection {
    /// A leads B.
    Up,
    /// B leads A.
    Down,
}

/// A flag: an open-collector pair of the amplifier.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Flag {
    /// What it tells.
    pub role: FlagRole,
    /// Terminal of its collector.
    pub terminal: String,
    /// Terminal of its emitter or common; flags may share one.
    pub common_terminal: String,
    /// Fixture flag input it is wired to, 0 to 7.
    pub fixture_input: u8,
    /// State of the pair while the flag is active.
    pub active: Polarity,
}

impl Flag {
    /// Whether it is active, by the inputs of a sample: a bit each, set while the pair conducts.
    #[must_use]
    pub fn is_active(&self, inputs: u8) -> bool {
        (inputs & (1 << (self.fixture_input & 7)) != 0) == (self.active == Polarity::Conducting)
    }
}

/// What a flag tells.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum FlagRole {
    /// The amplifier holds the speed down at the cap.
    HoldingSpeedDown,
    /// The amplifier can be enabled.
    CanEnable,
    /// Torque is on.
    TorqueOn,
    /// A fault is latched.
    Fault,
    /// The brake is to be released.
    BrakeRelease,
}

impl FlagRole {
    /// Every role.
    pub const ALL: [Self; 5] =
        [Self::HoldingSpeedDown, Self::CanEnable, Self::TorqueOn, Self::Fault, Self::BrakeRelease];

    /// In words.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::HoldingSpeedDown => "holding speed down",
            Self::CanEnable => "can be enabled",
            Self::TorqueOn => "torque on",
            Self::Fault => "fault",
            Self::BrakeRelease => "brake release",
        }
    }
}

/// State of a contact or of an open collector.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Polarity {
    /// Current can flow.
    Conducting,
    /// No current flows: also the state of a broken wire.
    Open,
}

/// An input of the amplifier, driven by an isolated contact of the fixture.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Input {
    /// What it asks for.
    pub role: InputRole,
    /// Terminal of the input.
    pub terminal: String,
    /// Terminal of its common; inputs may share one.
    pub common_terminal: String,
    /// State of the contact while the role is asserted: enabled, clearing, *end switch tripped*.
    pub active: Polarity,
    /// Whether the amplifier acts on it. Only end switches may be ignored.
    pub handling: Handling,
    /// The axis is delivered with nothing wired to this input.
    pub delivered_unwired: bool,
}

/// What an input asks for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum InputRole {
    /// Turn torque on.
    Enable,
    /// Clear a latched fault.
    ClearFault,
    /// End of travel in the positive direction.
    EndSwitchPositive,
    /// End of travel in the negative direction.
    EndSwitchNegative,
}

impl InputRole {
    /// Every role.
    pub const ALL: [Self; 4] =
        [Self::Enable, Self::ClearFault, Self::EndSwitchPositive, Self::EndSwitchNegative];

    /// In words.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Enable => "enable",
            Self::ClearFault => "clear fault",
            Self::EndSwitchPositive => "end switch +",
            Self::EndSwitchNegative => "end switch -",
        }
    }
}

/// Whether the amplifier acts on an input.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Handling {
    /// The amplifier acts on it.
    Obeyed,
    /// The amplifier is set to ignore it; the controller has the switch.
    Ignored,
}

/// Analog torque output of the amplifier.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TorqueReadOut {
    /// What it shows.
    pub shows: TorqueShown,
    /// Volts at 100 % of rated torque, sign as the command's sign convention of the amplifier.
    pub volts_at_rated: Volts,
    /// Expanded uncertainty (k = 2) of that scale, as the amplifier's maker states it.
    pub scale_uncertainty: Stated<Percent>,
    /// Terminal.
    pub terminal: String,
    /// Terminal of its common.
    pub common_terminal: String,
}

/// What a torque read-out shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum TorqueShown {
    /// The torque asked for inside the amplifier: proves the scale only.
    Reference,
    /// The torque made, from measured current.
    Actual,
}

/// The amplifier's own display of torque, read by a person.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Display {
    /// What it shows as torque.
    pub shows: DisplayShown,
    /// The smallest step it shows, percent of rated torque.
    pub step: Percent,
}

/// What a display shows as torque.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum DisplayShown {
    /// The command, scaled, before anything limits it: proves the scale only.
    Command,
    /// The torque asked for after all limits. At a held speed that is what friction needs.
    Reference,
    /// The torque made, from measured current. At a held speed that is what friction needs.
    Actual,
}

/// Analog speed output of the amplifier.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SpeedReadOut {
    /// Volts per 1000 rpm.
    pub volts_per_thousand_rpm: Volts,
    /// Terminal.
    pub terminal: String,
    /// Terminal of its common.
    pub common_terminal: String,
}

/// Terminals of command and encoder pairs.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Wiring {
    /// Command.
    pub command: Pair,
    /// Phase A.
    pub phase_a: Pair,
    /// Phase B.
    pub phase_b: Pair,
    /// Index.
    pub index: Pair,
    /// 0 V of the line driver: must be connected or counts are lost at speed.
    pub signal_ground: String,
}

/// Terminals of a pair of wires.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Pair {
    /// The positive or true wire.
    pub positive: String,
    /// The negative or inverted wire.
    pub negative: String,
}

/// A terminal and what is on it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Terminal {
    /// Label at the amplifier.
    pub label: String,
    /// What is on it.
    pub signal: String,
    /// Several signals may share it.
    pub common: bool,
}
