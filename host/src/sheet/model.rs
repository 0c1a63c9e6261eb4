//! The axis sheet as types: what the customer's controller expects of one axis, and what the axis is made of.
//!
//! An [`AxisSheet`] exists only if its text passed every check of the parser, so that the rest of the program needs
//! no second look: no zero divisors, no NaN, no cap above the mechanical maximum, no two signals on one terminal.

use proofstand_units::{
    Degrees, Hertz, Joules, KilogramSquareMetres, Kilograms, Metres, NativePerRev, NewtonMetres, Percent,
    PulsesPerRev, Rpm, Seconds, Turns, Volts,
};
use serde::Serialize;

/// One axis: the whole sheet.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct AxisSheet {
    /// Title, customer, notes.
    pub axis: Axis,
    /// The analog command.
    pub command: Command,
    /// Motor.
    pub motor: Motor,
    /// Disc added to the rotor for the bench, if any.
    pub disc: Option<Disc>,
    /// Divided encoder output of the amplifier.
    pub encoder: Encoder,
    /// Which way is positive.
    pub direction: Direction,
    /// The highest speed allowed, held down by the amplifier.
    pub cap: Cap,
    /// Flags the amplifier gives, at most one of each role.
    pub flags: Vec<Flag>,
    /// Inputs the amplifier takes, at most one of each role; enable is always there.
    pub inputs: Vec<Input>,
    /// What happens when the axis is enabled and disabled.
    pub enable: Enable,
    /// How the axis stands on the bench.
    pub bench: Bench,
    /// Analog torque output, if the amplifier has one.
    pub torque_read_out: Option<TorqueReadOut>,
    /// Analog speed output, if the amplifier has one.
    pub speed_read_out: Option<SpeedReadOut>,
    /// Time constants of the amplifier, for planning only.
    pub amplifier: Amplifier,
    /// What may differ from the targets.
    pub tolerances: Tolerances,
    /// Terminals of command and encoder pairs.
    pub wiring: Wiring,
}

/// Where a value comes from that the sheet may leave out.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Basis {
    /// Written in the sheet.
    Sheet,
    /// Left out; *common practice, no source*.
    CommonPractice,
    /// Left out; a guess good enough to plan with.
    Assumed,
}

impl Basis {
    /// As printed beside a number.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Sheet => "from the sheet",
            Self::CommonPractice => "common practice, no source",
            Self::Assumed => "assumed",
        }
    }
}

/// A value and where it comes from.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Stated<T> {
    /// The value.
    pub value: T,
    /// Where it comes from.
    pub basis: Basis,
}

/// Title, customer, notes.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Axis {
    /// Title of the axis.
    pub title: String,
    /// For whom the axis is delivered.
    pub customer: String,
    /// Anything worth reading beside the numbers.
    pub notes: String,
    /// The data are invented for demonstration; every report says so.
    pub invented: bool,
}

/// The analog command.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Command {
    /// What so many volts ask for.
    pub pair: CommandPair,
    /// The amplifier accepts commands within ± this.
    pub input_range: Volts,
}

/// A voltage and what it asks for.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(tag = "mode", rename_all = "snake_case")]
pub enum CommandPair {
    /// Torque command.
    Torque {
        /// At this voltage (above zero)
        volts: Volts,
        /// this share of rated torque is asked for (above zero).
        percent_of_rated: Percent,
    },
    /// Speed command.
    Speed {
        /// At this voltage (above zero)
        volts: Volts,
        /// this speed is asked for (above zero).
        speed: Rpm,
    },
}

/// Motor.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Motor {
    /// Rated (continuous) torque.
    pub rated_torque: NewtonMetres,
    /// Peak torque, at least the rated torque.
    pub peak_torque: NewtonMetres,
    /// Rated speed.
    pub rated_speed: Rpm,
    /// Highest mechanical speed, at least the rated speed.
    pub maximum_speed: Rpm,
    /// Inertia of the rotor alone.
    pub rotor_inertia: KilogramSquareMetres,
    /// Expanded uncertainty (k = 2) of the rotor's inertia.
    pub rotor_inertia_uncertainty: Percent,
    /// Breakaway torque is at most this share of rated torque.
    pub breakaway_bound: Percent,
    /// Running friction is expected near this share of rated torque; without a statement two thirds of the bound.
    pub running_friction: Stated<Percent>,
}

/// A disc added to the rotor for the bench.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Disc {
    /// Inertia of the disc with its hub.
    pub inertia: KilogramSquareMetres,
    /// Expanded uncertainty (k = 2) of that inertia.
    pub uncertainty: Percent,
    /// How the inertia is known.
    pub known_from: DiscSource,
    /// The disc must not turn faster.
    pub maximum_speed: Option<Rpm>,
}

/// How a disc's inertia is known.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum DiscSource {
    /// Stated in the sheet.
    Given,
    /// From its dimensions, `½·m·(r₁² + r₂²)`.
    Dimensions {
        /// Mass.
        mass: Kilograms,
        /// Outer radius.
        outer_radius: Metres,
        /// Radius of the bore; zero for a solid disc.
        inner_radius: Metres,
    },
}

/// Divided encoder output of the amplifier.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Encoder {
    /// Pulses (full cycles of phase A) in one motor revolution, before quadrature.
    pub pulses: PulsesPerRev,
    /// Positions of the motor's own encoder in one revolution; at least 4 x pulses.
    pub native: NativePerRev,
    /// The customer's controller takes pulses (cycles of phase A) up to this rate.
    pub controller_pulse_rate: Option<Hertz>,
    /// The customer's controller needs at least this between two edges of A and B.
    pub controller_edge: Option<Seconds>,
    /// Phase error allowed for between A and B, electrical degrees (360 to the pulse).
    pub phase_error: Stated<Degrees>,
    /// After control power an absolute encoder needs so long before pulses and index are valid.
    pub start_up: Stated<Seconds>,
}

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

/// The highest speed allowed, held down by the amplifier.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Cap {
    /// Never above this; at most the mechanical maximum.
    pub speed: Rpm,
    /// What makes the limit.
    pub kind: CapKind,
}

/// What makes the speed limit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum CapKind {
    /// A stored setting of the amplifier.
    Setting,
    /// A voltage at a second analog input of the amplifier: left open it limits to 0 rpm.
    AnalogInput,
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

/// What happens when the axis is enabled and disabled.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Enable {
    /// From enable to torque on, at most.
    pub on_delay: Seconds,
    /// How the shaft comes to rest after enable is taken away.
    pub off: Stop,
    /// The first enable after power-up may move the shaft this far, either way.
    pub first_may_move: Degrees,
    /// Who drives the holding brake.
    pub brake: BrakeDriver,
}

/// How a shaft comes to rest.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Stop {
    /// Torque off; only friction slows the shaft.
    Coast,
    /// The amplifier brakes the shaft.
    Brake,
}

/// Who drives the holding brake. A fixture never does: it listens in parallel.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum BrakeDriver {
    /// There is no brake.
    None,
    /// The amplifier.
    Amplifier,
    /// The customer's controller; on the bench something else must.
    Controller,
}

/// How the axis stands on the bench.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Bench {
    /// What the shaft is connected to.
    pub mounting: Mounting,
    /// Control power can be on while motor power is off.
    pub control_power_separable: bool,
    /// What takes the energy of braking.
    pub regeneration: Regeneration,
}

/// What the shaft is connected to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Mounting {
    /// Nothing but a disc.
    FreeShaft,
    /// A machine or load.
    Coupled,
    /// A load that gravity moves.
    Vertical,
}

/// What takes the energy of braking.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Regeneration {
    /// The amplifier's capacitors take this much per braking.
    pub absorbs: Option<Joules>,
    /// A brake resistor is fitted.
    pub brake_resistor: bool,
}

/// Analog torque output of the amplifier.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TorqueReadOut {
    /// What it shows.
    pub shows: TorqueShown,
    /// Volts at 100 % of rated torque, sign as the command's sign convention of the amplifier.
    pub volts_at_rated: Volts,
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

/// Time constants of the amplifier, for planning only: results never use them.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Amplifier {
    /// Time constant of the filter on the command.
    pub command_filter: Stated<Seconds>,
    /// Time constant from torque asked for to torque made.
    pub torque_time_constant: Stated<Seconds>,
    /// From enable taken away to torque gone, at most.
    pub off_delay: Stated<Seconds>,
}

/// What may differ from the targets; each is the half-width of a two-sided tolerance or a one-sided limit.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Tolerances {
    /// Torque gain found with the encoder and the inertia, ± percent of target. When left out: 5 % with a disc of
    /// at least twice the rotor's inertia, else 10 %.
    pub torque_gain: Stated<Percent>,
    /// Torque gain found with the torque read-out, ± percent of target.
    pub torque_gain_read_out: Stated<Percent>,
    /// Torque offset, ± percent of rated torque.
    pub torque_offset: Stated<Percent>,
    /// Deviation from the best straight line, ± percent of rated torque or of full speed.
    pub linearity: Stated<Percent>,
    /// Speed gain, ± percent of target.
    pub speed_gain: Stated<Percent>,
    /// Speed offset, ± percent of the speed at full command.
    pub speed_offset: Stated<Percent>,
    /// Speed cap, ± percent of the cap.
    pub cap: Stated<Percent>,
    /// The cap's tolerance is never narrower than ± this.
    pub cap_least: Stated<Rpm>,
    /// Overshoot above the cap, at most, percent of the cap.
    pub cap_overshoot: Stated<Percent>,
    /// Ripple while the cap holds, at most, peak to peak, percent of the cap.
    pub cap_ripple: Stated<Percent>,
    /// From the crossing of 98 % of the cap to the cap's flag, at most.
    pub cap_flag_delay: Stated<Seconds>,
    /// Extra edges of the cap's flag at one change, at most.
    pub cap_flag_chatter: Stated<u32>,
    /// From enable taken away to torque gone, at most.
    pub enable_off: Stated<Seconds>,
    /// Phase between neighbouring edges of A and B, at least, electrical degrees.
    pub phase: Stated<Degrees>,
    /// Change of a gain over a power cycle, ± percent.
    pub retention_gain: Stated<Percent>,
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

/// An inertia with its expanded uncertainty (k = 2).
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Inertia {
    /// Value.
    pub value: KilogramSquareMetres,
    /// Expanded uncertainty, k = 2.
    pub expanded: KilogramSquareMetres,
}

impl Inertia {
    /// Expanded uncertainty (k = 2) as a share of the value.
    #[must_use]
    pub fn relative(self) -> Percent {
        Percent::new(100.0 * (self.expanded / self.value))
    }
}

impl CommandPair {
    /// True for a torque command.
    #[must_use]
    pub const fn is_torque(self) -> bool {
        matches!(self, Self::Torque { .. })
    }
}

impl AxisSheet {
    /// Everything that turns: rotor and disc. The two uncertainties are taken as independent (JCGM 100:2008, 5.1.2).
    #[must_use]
    pub fn inertia(&self) -> Inertia {
        let rotor = self.motor.rotor_inertia;
        let rotor_u = rotor * (self.motor.rotor_inertia_uncertainty.get() / 100.0);
        let (disc, disc_u) =
            self.disc.map_or((KilogramSquareMetres::ZERO, KilogramSquareMetres::ZERO), |disc| {
                (disc.inertia, disc.inertia * (disc.uncertainty.get() / 100.0))
            });
        Inertia {
            value: rotor + disc,
            expanded: KilogramSquareMetres::new(rotor_u.get().hypot(disc_u.get())),
        }
    }

    /// Nothing on the shaft may turn faster: the lower of the motor's and the disc's maximum.
    #[must_use]
    pub fn maximum_speed(&self) -> Rpm {
        self.disc
            .and_then(|disc| disc.maximum_speed)
            .map_or(self.motor.maximum_speed, |disc| disc.min(self.motor.maximum_speed))
    }

    /// The flag of a role, if the axis has it.
    #[must_use]
    pub fn flag(&self, role: FlagRole) -> Option<&Flag> {
        self.flags.iter().find(|flag| flag.role == role)
    }

    /// The input of a role, if the axis has it.
    #[must_use]
    pub fn input(&self, role: InputRole) -> Option<&Input> {
        self.inputs.iter().find(|input| input.role == role)
    }

    /// The first enable may move the shaft this far.
    #[must_use]
    pub fn first_enable_travel(&self) -> Turns {
        Turns::new(self.enable.first_may_move.get() / 360.0)
    }

    /// Torque at a share of rated torque.
    #[must_use]
    pub fn torque_at(&self, percent_of_rated: Percent) -> NewtonMetres {
        self.motor.rated_torque * (percent_of_rated.get() / 100.0)
    }

    /// Every terminal the fixture connects to, in the order of a wiring sheet.
    #[must_use]
    pub fn terminals(&self) -> Vec<Terminal> {
        let mut all = Vec::new();
        let mut add = |label: &str, signal: String, common: bool| {
            all.push(Terminal { label: label.to_owned(), signal, common });
        };
        let wiring = &self.wiring;
        for (pair, name) in [
            (&wiring.command, "command"),
            (&wiring.phase_a, "phase A"),
            (&wiring.phase_b, "phase B"),
            (&wiring.index, "index"),
        ] {
            add(&pair.positive, format!("{name} +"), false);
            add(&pair.negative, format!("{name} -"), false);
        }
        add(&wiring.signal_ground, "0 V of the encoder pairs".to_owned(), true);
        for flag in &self.flags {
            add(&flag.terminal, flag.role.words().to_owned(), false);
            add(&flag.common_terminal, format!("{}, common", flag.role.words()), true);
        }
        for input in &self.inputs {
            add(&input.terminal, input.role.words().to_owned(), false);
            add(&input.common_terminal, format!("{}, common", input.role.words()), true);
        }
        if let Some(read_out) = &self.torque_read_out {
            add(&read_out.terminal, "torque read-out".to_owned(), false);
            add(&read_out.common_terminal, "torque read-out, common".to_owned(), true);
        }
        if let Some(read_out) = &self.speed_read_out {
            add(&read_out.terminal, "speed read-out".to_owned(), false);
            add(&read_out.common_terminal, "speed read-out, common".to_owned(), true);
        }
        all
    }
}
