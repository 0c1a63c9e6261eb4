//! What the simulated axis is: every property that the plant takes, as typed quantities.
//!
//! The defaults describe one invented 750 W axis; no real product is meant.

use proofstand_units::{
    Degrees, Hertz, Joules, KilogramSquareMetres, NativePerRev, NewtonMetres, NewtonMetresPerRadPerSec,
    Percent, PercentPerVolt, PulsesPerRev, Rpm, RpmPerVolt, Seconds, Turns, Volts, Watts,
};

/// Flag inputs that the fixture has.
pub const FLAG_INPUTS: usize = 8;

/// Which way a shaft turns, seen from the shaft end (facing the drive end: the viewpoint of IEC 60034-8).
#[derive(Debug, Default, Clone, Copy, PartialEq, Eq)]
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
#[derive(Debug, Clone, PartialEq)]
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
    /// Longest integration step.
    pub longest_step: Seconds,
}

impl Default for PlantSetup {
    fn default() -> Self {
        Self {
            amplifier: AmplifierSetup::default(),
            motor: MotorSetup::default(),
            encoder: EncoderSetup::default(),
            wiring: WiringSetup::default(),
            operator: OperatorSetup::default(),
            longest_step: Seconds::new(50e-6),
        }
    }
}

/// What the analog command commands.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum CommandMode {
    /// Torque.
    Torque {
        /// Percent of rated torque per volt.
        gain: PercentPerVolt,
    },
    /// Speed, through a proportional-integral loop tuned to the setup's total inertia.
    Speed {
        /// Speed per volt.
        gain: RpmPerVolt,
        /// Crossover of the proportional part.
        bandwidth: Hertz,
        /// Integral time; zero: no integral part.
        integral_time: Seconds,
    },
}

/// How the amplifier holds the speed down in torque mode.
#[derive(Debug, Clone, Copy, PartialEq)]
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
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SpeedCap {
    /// Highest speed forward.
    pub forward: Rpm,
    /// Highest speed backward, as a magnitude.
    pub backward: Rpm,
    /// How it is held in torque mode. In speed mode the reference is clamped to the caps instead.
    pub law: CapLaw,
}

/// When the *holding speed down* flag is active. It looks at the filtered speed while torque is on.
#[derive(Debug, Clone, Copy, PartialEq)]
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
#[derive(Debug, Clone, Copy, PartialEq)]
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
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum EndSwitches {
    /// Not assigned: motion goes on.
    Ignored,
    /// An open switch stops motion in its direction and lets the other through.
    Obeyed,
}

/// What the amplifier makes of its enable input.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum EnableInput {
    /// Follows the contact.
    Follows,
    /// Never sees it closed.
    Dead,
    /// Takes it as always closed.
    AlwaysOn,
}

/// Where braking energy goes. Copper loss is left out, so the energy that comes back is the most there can be.
#[derive(Debug, Clone, Copy, PartialEq)]
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
#[derive(Debug, Clone, Copy, PartialEq)]
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
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TorqueShown {
    /// What is asked of the current loop, after limits: proves scale only.
    Reference,
    /// What the motor makes.
    Actual,
}

/// Torque read-out; positive where positive command drives.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TorqueReadout {
    /// What it shows.
    pub shows: TorqueShown,
    /// Volts at rated torque.
    pub at_rated: Volts,
    /// The output itself.
    pub output: AnalogOutput,
}

/// Speed read-out; positive where positive command drives.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SpeedReadout {
    /// Speed that one volt stands for.
    pub scale: RpmPerVolt,
    /// The output itself.
    pub output: AnalogOutput,
}

/// The amplifier: command input, gate, limits, loops, outputs.
#[derive(Debug, Clone, PartialEq)]
pub struct AmplifierSetup {
    /// What the command commands, and its gain.
    pub mode: CommandMode,
    /// The command input clips at plus and minus this.
    pub input_range: Volts,
    /// Zero error of the differential input.
    pub input_offset: Volts,
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
        }
    }
}

/// One harmonic of cogging: `amplitude·sin(per_rev·angle + phase)`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CoggingHarmonic {
    /// Periods in one revolution, 1 to 256.
    pub per_rev: u32,
    /// Amplitude.
    pub amplitude: NewtonMetres,
    /// Phase at angle zero.
    pub phase: Degrees,
}

/// A holding brake, driven by the amplifier: released with torque on, closed with torque off.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HoldingBrake {
    /// What it holds, and its drag when slipping.
    pub torque: NewtonMetres,
    /// From torque on to released.
    pub release_delay: Seconds,
    /// From torque off to closed.
    pub close_delay: Seconds,
}

/// The motor and what is on its shaft.
#[derive(Debug, Clone, PartialEq)]
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
            start_speed: Rpm::ZERO,
            highest_speed: Rpm::new(5500.0),
            pole_pairs: 5,
            brake: None,
        }
    }
}

/// The encoder and the amplifier's divided output.
#[derive(Debug, Clone, PartialEq)]
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
            start_angle: Turns::new(0.37),
        }
    }
}

/// What a flag input is wired to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
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
}

/// One flag output and its sense. Without control power it is open, whatever its sense.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct FlagWire {
    /// What it says.
    pub source: FlagSource,
    /// Conducts when that is so (else: when it is not so).
    pub conducts_when_active: bool,
}

/// Loss of whole pulses at speed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CountLoss {
    /// Nothing is lost up to this many counts per second.
    pub above: Hertz,
    /// Share of the counts above that rate that is lost, on average.
    pub share: Percent,
}

/// Wires between fixture, amplifier and motor.
#[derive(Debug, Clone, PartialEq)]
pub struct WiringSetup {
    /// The two wires of the command pair are swapped.
    pub command_swapped: bool,
    /// Share of the command lost between terminal and input.
    pub command_loss: Percent,
    /// The pairs of A and B are swapped.
    pub encoder_swapped: bool,
    /// The encoder pairs are driven at all.
    pub encoder_connected: bool,
    /// The pair of Z is connected.
    pub index_connected: bool,
    /// False pulses on Z per second, on average, 2 µs long.
    pub index_noise: Hertz,
    /// Loss at speed.
    pub count_loss: Option<CountLoss>,
    /// The end-switch wires are swapped.
    pub end_switches_swapped: bool,
    /// Two of the motor's phases are swapped.
    pub phases_swapped: bool,
    /// The brake's coil is not driven.
    pub brake_unwired: bool,
    /// What each of the fixture's flag inputs is wired to.
    pub flags: [Option<FlagWire>; FLAG_INPUTS],
}

impl Default for WiringSetup {
    fn default() -> Self {
        let wire = |source| Some(FlagWire { source, conducts_when_active: true });
        Self {
            command_swapped: false,
            command_loss: Percent::ZERO,
            encoder_swapped: false,
            encoder_connected: true,
            index_connected: true,
            index_noise: Hertz::ZERO,
            count_loss: None,
            end_switches_swapped: false,
            phases_swapped: false,
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
        }
    }
}

/// The person at the bench.
#[derive(Debug, Clone, PartialEq)]
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
