//! The amplifier's settings and nature.

use proofstand_units::{
    Hertz, Joules, NewtonMetres, Percent, PercentPerVolt, RadPerSec2, Rpm, RpmPerVolt, Seconds, Volts, Watts,
};
use serde::{Deserialize, Serialize};

use crate::setup::Rotation;

/// What the analog command commands.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub enum CommandMode {
    /// Torque.
    Torque {
        /// Percent of rated torque per volt.
        gain: PercentPerVolt,
    },
    /// Speed, through a proportional-integral loop tuned to the setup's total inertia. The reference starts from the
    /// speed that the shaft has when torque comes on.
    Speed {
        /// Speed per volt.
        gain: RpmPerVolt,
        /// Crossover of the proportional part.
        bandwidth: Hertz,
        /// Integral time; zero: no integral part.
        integral_time: Seconds,
        /// Steepest change of the speed reference; zero: it follows the command at once.
        ramp: RadPerSec2,
    },
}

/// How the amplifier holds the speed down in torque mode.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub enum CapLaw {
    /// Allowed torque falls linearly to nothing at the cap: tapers before it, settles below it.
    Proportional {
        /// Speed below the cap at which rated torque is still allowed.
        band: Rpm,
    },
    /// The same with an integral part, which fills up below the cap and must empty above it: overshoots, then holds
    /// the cap itself.
    ProportionalIntegral {
        /// Speed below the cap at which the proportional part allows rated torque.
        band: Rpm,
        /// Integral time.
        integral_time: Seconds,
        /// Most that the integral part holds, in percent of rated torque.
        windup: Percent,
    },
}

/// Highest speeds, and how they are held. *Forward* is where positive command turns the shaft.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct SpeedCap {
    /// Highest speed forward.
    pub forward: Rpm,
    /// Highest speed backward, as a magnitude.
    pub backward: Rpm,
    /// How it is held in torque mode. In speed mode the reference is clamped to the caps instead.
    pub law: CapLaw,
}

/// When the *holding speed down* flag is active. It looks at the filtered speed while torque is on.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct CapFlag {
    /// Becomes active at this share of the cap.
    pub on_at: Percent,
    /// Becomes inactive below this share of the cap.
    pub off_at: Percent,
    /// Time from reaching the one share to active.
    pub on_delay: Seconds,
    /// Time from falling below the other to inactive.
    pub off_delay: Seconds,
}

/// What the amplifier does with the shaft when torque goes off.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub enum WhenDisabled {
    /// Lets it coast.
    Coast,
    /// Shorts the windings: drag in proportion to speed.
    DynamicBrake {
        /// The speed at which that drag equals rated torque.
        rated_torque_at: Rpm,
    },
}

/// What the amplifier does with its end-switch inputs (normally closed).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum EndSwitches {
    /// Not assigned: motion goes on.
    Ignored,
    /// An open switch stops motion in its direction and lets the other through.
    Obeyed,
    /// Only the one at the positive end is assigned.
    PositiveObeyed,
    /// Only the one at the negative end is assigned.
    NegativeObeyed,
}

impl EndSwitches {
    /// Whether each is obeyed: positive, negative.
    #[must_use]
    pub const fn obeyed(self) -> [bool; 2] {
        match self {
            Self::Ignored => [false, false],
            Self::Obeyed => [true, true],
            Self::PositiveObeyed => [true, false],
            Self::NegativeObeyed => [false, true],
        }
    }
}

/// What the amplifier makes of its enable input.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum EnableInput {
    /// Follows the contact.
    Follows,
    /// Never sees it closed.
    Dead,
    /// Takes it as always closed.
    AlwaysOn,
    /// Takes open as closed, and closed as open.
    Inverted,
}

/// Where braking energy goes. Copper loss is left out, so the energy that comes back is the most there can be.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub enum Regeneration {
    /// Into a brake resistor: never a fault.
    Resistor,
    /// Into the bus capacitors.
    Absorbs {
        /// What the bus takes before it trips on over-voltage.
        energy: Joules,
        /// What it loses by itself.
        bleed: Watts,
    },
}

/// An analog output of the amplifier, apart from its scale.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct AnalogOutput {
    /// Zero error.
    pub offset: Volts,
    /// First-order filter.
    pub filter: Seconds,
    /// Noise, rms, white from step to step.
    pub noise: Volts,
    /// Clips at plus and minus this.
    pub range: Volts,
}

/// Which torque the torque read-out shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum TorqueShown {
    /// What is asked of the current loop, after limits: proves scale only.
    Reference,
    /// What the motor makes.
    Actual,
}

/// Torque read-out; positive where positive command drives.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct TorqueReadout {
    /// What it shows.
    pub shows: TorqueShown,
    /// Volts at rated torque.
    pub at_rated: Volts,
    /// The output itself.
    pub output: AnalogOutput,
}

/// What the amplifier's own display shows as torque.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum DisplayShown {
    /// The command, scaled, before anything limits it.
    Command,
    /// Torque reference: what is asked for after all limits.
    Reference,
    /// Torque actual: what the current makes.
    Actual,
}

/// The amplifier's own display of torque, in percent of rated.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct TorqueDisplay {
    /// What it shows.
    pub shows: DisplayShown,
    /// The smallest step it shows.
    pub step: Percent,
}

/// Speed read-out; positive where positive command drives.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct SpeedReadout {
    /// Speed that one volt stands for.
    pub scale: RpmPerVolt,
    /// The output itself.
    pub output: AnalogOutput,
}

/// The amplifier: command input, gate, limits, loops, outputs.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct AmplifierSetup {
    /// What the command commands, and its gain.
    pub mode: CommandMode,
    /// The command input clips at plus and minus this.
    pub input_range: Volts,
    /// Zero error of the differential input.
    pub input_offset: Volts,
    /// The input answers to nothing up to this much, and to the rest beyond.
    pub dead_band: Volts,
    /// Noise at the input, rms, white from step to step.
    pub input_noise: Volts,
    /// First-order filter of the command.
    pub input_filter: Seconds,
    /// Rated torque.
    pub rated_torque: NewtonMetres,
    /// Torque limit in percent of rated torque.
    pub torque_limit: Percent,
    /// Time constant of the current loop.
    pub torque_time_constant: Seconds,
    /// Where positive command turns the shaft.
    pub forward: Rotation,
    /// Caps and how they are held.
    pub cap: SpeedCap,
    /// The flag that goes with them.
    pub cap_flag: CapFlag,
    /// First-order filter of the speed that the limiters and the flag look at.
    pub speed_filter: Seconds,
    /// From enable closed to torque on.
    pub enable_delay: Seconds,
    /// From enable open to torque off.
    pub disable_delay: Seconds,
    /// What becomes of the shaft then.
    pub when_disabled: WhenDisabled,
    /// The enable input.
    pub enable_input: EnableInput,
    /// The end-switch inputs.
    pub end_switches: EndSwitches,
    /// Faults above this speed.
    pub overspeed: Rpm,
    /// Braking energy.
    pub regeneration: Regeneration,
    /// From control power on to ready and encoder output valid.
    pub start_up: Seconds,
    /// Torque read-out.
    pub torque_readout: TorqueReadout,
    /// Speed read-out.
    pub speed_readout: SpeedReadout,
    /// Display of torque.
    pub display: TorqueDisplay,
    /// The caps are taken from an analog input that is open: 0 rpm both ways, and the flag of the cap while torque is on.
    #[serde(default)]
    pub limit_open: bool,
    /// The command is not looked at.
    #[serde(default)]
    pub command_ignored: bool,
    /// A fault that nothing clears.
    #[serde(default)]
    pub faulty: bool,
    /// From torque on to asking for the holding brake's release.
    #[serde(default)]
    pub brake_after: Seconds,
    /// The holding brake follows the enable contact, not torque.
    #[serde(default)]
    pub brake_by_contact: bool,
    /// Control power dips once torque was on for so long, all together.
    #[serde(default)]
    pub dips_after: Option<Seconds>,
    /// Torque that the motor makes of what the amplifier takes for 100 % of its current's torque.
    pub torque_constant: Percent,
}

impl Default for AmplifierSetup {
    fn default() -> Self {
        let output = AnalogOutput {
            offset: Volts::ZERO,
            filter: Seconds::from_millis(0.5),
            noise: Volts::new(2e-3),
            range: Volts::new(10.0),
        };
        Self {
            mode: CommandMode::Torque { gain: PercentPerVolt::new(30.0) },
            input_range: Volts::new(10.0),
            input_offset: Volts::new(4e-3),
            dead_band: Volts::ZERO,
            input_noise: Volts::new(1e-3),
            input_filter: Seconds::from_millis(0.3),
            rated_torque: NewtonMetres::new(2.4),
            torque_limit: Percent::new(300.0),
            torque_time_constant: Seconds::from_millis(0.6),
            forward: Rotation::Clockwise,
            cap: SpeedCap {
                forward: Rpm::new(1000.0),
                backward: Rpm::new(1000.0),
                law: CapLaw::ProportionalIntegral {
                    band: Rpm::new(250.0),
                    integral_time: Seconds::from_millis(25.0),
                    windup: Percent::new(20.0),
                },
            },
            cap_flag: CapFlag {
                on_at: Percent::new(98.0),
                off_at: Percent::new(95.0),
                on_delay: Seconds::from_millis(4.0),
                off_delay: Seconds::from_millis(4.0),
            },
            speed_filter: Seconds::from_millis(0.4),
            enable_delay: Seconds::from_millis(35.0),
            disable_delay: Seconds::from_millis(2.0),
            when_disabled: WhenDisabled::Coast,
            enable_input: EnableInput::Follows,
            end_switches: EndSwitches::Ignored,
            overspeed: Rpm::new(6000.0),
            regeneration: Regeneration::Absorbs { energy: Joules::new(60.0), bleed: Watts::new(8.0) },
            start_up: Seconds::from_millis(1500.0),
            torque_readout: TorqueReadout { shows: TorqueShown::Actual, at_rated: Volts::new(3.0), output },
            speed_readout: SpeedReadout { scale: RpmPerVolt::new(500.0), output },
            display: TorqueDisplay { shows: DisplayShown::Command, step: Percent::new(0.1) },
            limit_open: false,
            command_ignored: false,
            faulty: false,
            brake_after: Seconds::ZERO,
            brake_by_contact: false,
            dips_after: None,
            torque_constant: Percent::new(100.0),
        }
    }
}
