//! What the simulated axis is: every property that the plant takes, as typed quantities.
//!
//! The defaults describe one invented 750 W axis; no real product is meant.

mod amplifier;
mod fixture;

use proofstand_units::{
    Degrees, Hertz, KilogramSquareMetres, NativePerRev, NewtonMetres, NewtonMetresPerRadPerSec, Percent,
    PulsesPerRev, Rpm, Seconds, Turns,
};
use serde::{Deserialize, Serialize};

use crate::encoder::Line;

pub use amplifier::{
    AmplifierSetup, AnalogOutput, CapFlag, CapLaw, CommandMode, DisplayShown, EnableInput, EndSwitches,
    Regeneration, SpeedCap, SpeedReadout, TorqueDisplay, TorqueReadout, TorqueShown, WhenDisabled,
};

pub use fixture::{CalibrationFound, FixtureSetup};

/// Flag inputs that the fixture has.
pub const FLAG_INPUTS: usize = 8;

/// Which way a shaft turns, seen from the shaft end (facing the drive end: the viewpoint of IEC 60034-8).
#[derive(Debug, Default, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Rotation {
    /// Clockwise; positive inside the plant.
    #[default]
    Clockwise,
    /// Counter-clockwise.
    CounterClockwise,
}

impl Rotation {
    /// The other way round.
    #[must_use]
    pub const fn reversed(self) -> Self {
        match self {
            Self::Clockwise => Self::CounterClockwise,
            Self::CounterClockwise => Self::Clockwise,
        }
    }

    pub(crate) const fn sign(self) -> f64 {
        match self {
            Self::Clockwise => 1.0,
            Self::CounterClockwise => -1.0,
        }
    }
}

/// One simulated axis: amplifier, motor, encoder, wiring to the fixture, and the person beside it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PlantSetup {
    /// The servo amplifier's settings and nature.
    pub amplifier: AmplifierSetup,
    /// The motor and what is on its shaft.
    pub motor: MotorSetup,
    /// The encoder and the amplifier's division of it.
    pub encoder: EncoderSetup,
    /// What reaches the fixture, and what of the fixture's reaches the amplifier.
    pub wiring: WiringSetup,
    /// The person.
    pub operator: OperatorSetup,
    /// The fixture's own hardware, for a bench that has one; the plant looks at none of it.
    #[serde(default)]
    pub fixture: FixtureSetup,
    /// Longest integration step.
    pub longest_step: Seconds,
    /// The axis as it is once control power was off and on: settings that were never stored are gone, those that waited
    /// for it are in force. None: it changes nothing. Of it, the amplifier's scale and limits and the encoder count.
    #[serde(default)]
    pub after_power_cycle: Option<Box<PlantSetup>>,
}

impl Default for PlantSetup {
    fn default() -> Self {
        Self {
            amplifier: AmplifierSetup::default(),
            motor: MotorSetup::default(),
            encoder: EncoderSetup::default(),
            wiring: WiringSetup::default(),
            operator: OperatorSetup::default(),
            fixture: FixtureSetup::default(),
            longest_step: Seconds::new(50e-6),
            after_power_cycle: None,
        }
    }
}

/// One harmonic of cogging: `amplitude·sin(per_rev·angle + phase)`.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct CoggingHarmonic {
    /// Periods in one revolution, 1 to 256.
    pub per_rev: u32,
    /// Amplitude.
    pub amplitude: NewtonMetres,
    /// Phase at angle zero.
    pub phase: Degrees,
}

/// A holding brake, driven by the amplifier: released with torque on, closed with torque off.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct HoldingBrake {
    /// What it holds, and its drag when slipping.
    pub torque: NewtonMetres,
    /// From torque on to released.
    pub release_delay: Seconds,
    /// From torque off to closed.
    pub close_delay: Seconds,
}

/// The motor and what is on its shaft.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MotorSetup {
    /// Inertia of the rotor.
    pub rotor_inertia: KilogramSquareMetres,
    /// Inertia of what is on the shaft.
    pub added_inertia: KilogramSquareMetres,
    /// Friction when turning, apart from the viscous part.
    pub coulomb: NewtonMetres,
    /// Torque to break away from standstill; at least the former.
    pub stiction: NewtonMetres,
    /// Viscous drag.
    pub viscous: NewtonMetresPerRadPerSec,
    /// Cogging, as harmonics.
    pub cogging: Vec<CoggingHarmonic>,
    /// Constant torque on the shaft, clockwise positive: a hanging weight.
    pub load: NewtonMetres,
    /// What is on the shaft slips above this torque through its hub, and drags with it meanwhile. None: it sits fast.
    #[serde(default)]
    pub slips_above: Option<NewtonMetres>,
    /// The torque constant falls by this share once the motor is as warm as it gets.
    #[serde(default)]
    pub heating: Percent,
    /// Speed at first, clockwise: zero, unless the shaft is found coasting.
    pub start_speed: Rpm,
    /// Highest mechanical speed.
    pub highest_speed: Rpm,
    /// Pole pairs; matters only with the phases swapped.
    pub pole_pairs: u32,
    /// Holding brake, where there is one.
    pub brake: Option<HoldingBrake>,
}

impl Default for MotorSetup {
    fn default() -> Self {
        Self {
            rotor_inertia: KilogramSquareMetres::new(1.1e-4),
            added_inertia: KilogramSquareMetres::ZERO,
            coulomb: NewtonMetres::new(0.03),
            stiction: NewtonMetres::new(0.045),
            viscous: NewtonMetresPerRadPerSec::new(4e-5),
            cogging: vec![
                CoggingHarmonic { per_rev: 10, amplitude: NewtonMetres::new(0.004), phase: Degrees::ZERO },
                CoggingHarmonic {
                    per_rev: 60,
                    amplitude: NewtonMetres::new(0.01),
                    phase: Degrees::new(40.0),
                },
            ],
            load: NewtonMetres::ZERO,
            slips_above: None,
            heating: Percent::ZERO,
            start_speed: Rpm::ZERO,
            highest_speed: Rpm::new(5500.0),
            pole_pairs: 5,
            brake: None,
        }
    }
}

/// The encoder and the amplifier's divided output.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct EncoderSetup {
    /// Positions in one revolution before division.
    pub native: NativePerRev,
    /// Pulses (full cycles of phase A) in one revolution after division.
    pub pulses: PulsesPerRev,
    /// Where the shaft turns when A leads B, which the fixture counts upward.
    pub counts_up: Rotation,
    /// First count of the revolution at which Z is high: 0 up to counts per revolution less one.
    pub index_at: u32,
    /// Counts for which Z is high. Both edges of Z fall on edges of A or B.
    pub index_width: u32,
    /// Lag of B behind its place, in degrees of the cycle of phase A (90° would meet the next edge of A).
    pub phase_error: Degrees,
    /// Lag of A's falling edge behind its place, in degrees of the cycle: A is high for so much more than half of it.
    pub duty_error: Degrees,
    /// Z comes only while the counts rise.
    pub index_one_way: bool,
    /// Angle at which the shaft stands at first, clockwise.
    pub start_angle: Turns,
}

impl Default for EncoderSetup {
    fn default() -> Self {
        Self {
            native: NativePerRev::new(131_072),
            pulses: PulsesPerRev::new(2500),
            counts_up: Rotation::Clockwise,
            index_at: 0,
            index_width: 4,
            phase_error: Degrees::ZERO,
            duty_error: Degrees::ZERO,
            index_one_way: false,
            start_angle: Turns::new(0.37),
        }
    }
}

/// What a flag input is wired to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum FlagSource {
    /// Speed is held down at the cap.
    HoldingSpeed,
    /// Powered, started up, no fault: can be enabled.
    Ready,
    /// Torque is on.
    TorqueOn,
    /// Fault.
    Fault,
    /// The holding brake is to be released.
    BrakeRelease,
    /// Nothing that anybody says: a pair closed through a wrong common, active for as long as there is control power.
    Supply,
}

/// One flag output and its sense. Without control power it is open, whatever its sense.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct FlagWire {
    /// What it says.
    pub source: FlagSource,
    /// Conducts when that is so (else: when it is not so).
    pub conducts_when_active: bool,
}

/// A pair that stands still, as the fixture's receiver sees it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct DeadPair {
    /// Which.
    pub line: Line,
    /// The receiver reports it: a wire is open. Else the pair is driven, and never changes.
    pub reported: bool,
}

/// Bursts of noise on pairs A and B: each makes the counter miss a pulse, or count one that was none, with transitions
/// that A and B can't make.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct PairNoise {
    /// Bursts per second, on average.
    pub rate: Hertz,
    /// Only while the motor is driven, in proportion to its torque: with rated torque the rate.
    pub with_torque: bool,
}

/// Loss of whole pulses at speed.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct CountLoss {
    /// Nothing is lost up to this many counts per second.
    pub above: Hertz,
    /// Share of the counts above that rate that is lost, on average.
    pub share: Percent,
}

/// Wires between fixture, amplifier and motor.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct WiringSetup {
    /// The two wires of the command pair are swapped.
    pub command_swapped: bool,
    /// Share of the command lost between terminal and input.
    pub command_loss: Percent,
    /// The fixture's own output gives so much more than its calibration says.
    pub output_drift: Percent,
    /// The pairs of A and B are swapped.
    pub encoder_swapped: bool,
    /// The encoder pairs are driven at all.
    pub encoder_connected: bool,
    /// The two wires of pair A are swapped.
    #[serde(default)]
    pub a_reversed: bool,
    /// The two wires of pair B are swapped.
    #[serde(default)]
    pub b_reversed: bool,
    /// A pair that stands still.
    #[serde(default)]
    pub dead_pair: Option<DeadPair>,
    /// Above this many counts per second the receivers report a fault.
    #[serde(default)]
    pub alarm_above: Option<Hertz>,
    /// Noise on pairs A and B.
    #[serde(default)]
    pub pair_noise: Option<PairNoise>,
    /// Reflections on pairs without their termination die away to 1/e in this time. None: the pairs are terminated.
    #[serde(default)]
    pub ringing: Option<Seconds>,
    /// The pair of Z is connected.
    pub index_connected: bool,
    /// Share of the index's passes at which no pulse arrives.
    #[serde(default)]
    pub index_drops: Percent,
    /// Above this many counts per second no pulse of Z arrives.
    #[serde(default)]
    pub index_lost_above: Option<Hertz>,
    /// False pulses on Z per second, on average, 2 µs long.
    pub index_noise: Hertz,
    /// Loss at speed.
    pub count_loss: Option<CountLoss>,
    /// The end-switch wires are swapped.
    pub end_switches_swapped: bool,
    /// Neither end switch is connected: both read as tripped.
    #[serde(default)]
    pub end_switches_unwired: bool,
    /// There is no motor power, whoever switches it on.
    #[serde(default)]
    pub motor_power_absent: bool,
    /// An input of the amplifier that takes torque off is open.
    #[serde(default)]
    pub torque_off_open: bool,
    /// Two of the motor's phases are swapped.
    pub phases_swapped: bool,
    /// The motor's field is half a cycle off: torque of the right size, the wrong way.
    #[serde(default)]
    pub commutation_reversed: bool,
    /// The brake's coil is not driven.
    pub brake_unwired: bool,
    /// What each of the fixture's flag inputs is wired to.
    pub flags: [Option<FlagWire>; FLAG_INPUTS],
    /// A second output on the pair of an input: the input conducts with either.
    #[serde(default)]
    pub flags_shared: [Option<FlagWire>; FLAG_INPUTS],
    /// The torque read-out reaches the fixture.
    #[serde(default = "yes")]
    pub torque_readout: bool,
}

const fn yes() -> bool {
    true
}

impl Default for WiringSetup {
    fn default() -> Self {
        let wire = |source| Some(FlagWire { source, conducts_when_active: true });
        Self {
            command_swapped: false,
            command_loss: Percent::ZERO,
            output_drift: Percent::ZERO,
            encoder_swapped: false,
            encoder_connected: true,
            a_reversed: false,
            b_reversed: false,
            dead_pair: None,
            alarm_above: None,
            pair_noise: None,
            ringing: None,
            index_connected: true,
            index_drops: Percent::ZERO,
            index_lost_above: None,
            index_noise: Hertz::ZERO,
            count_loss: None,
            end_switches_swapped: false,
            end_switches_unwired: false,
            motor_power_absent: false,
            torque_off_open: false,
            phases_swapped: false,
            commutation_reversed: false,
            brake_unwired: false,
            flags: [
                wire(FlagSource::HoldingSpeed),
                wire(FlagSource::Ready),
                wire(FlagSource::TorqueOn),
                // Fail-safe sense: conducts while there is no fault, as a broken wire should read as one.
                Some(FlagWire { source: FlagSource::Fault, conducts_when_active: false }),
                None,
                None,
                None,
                None,
            ],
            flags_shared: [None; FLAG_INPUTS],
            torque_readout: true,
        }
    }
}

/// The person at the bench.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct OperatorSetup {
    /// Smallest turn whose direction is seen by eye.
    pub smallest_seen: Turns,
    /// Fastest that a hand turns a shaft.
    pub fastest_by_hand: Rpm,
    /// Control power is on at first, for long enough that start-up is over.
    pub control_power: bool,
    /// Motor power is on at first.
    pub motor_power: bool,
}

impl Default for OperatorSetup {
    fn default() -> Self {
        Self {
            smallest_seen: Turns::new(5.0 / 360.0),
            fastest_by_hand: Rpm::new(300.0),
            control_power: true,
            motor_power: true,
        }
    }
}
