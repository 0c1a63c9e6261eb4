//! The axis sheet as types: what the customer's controller expects of one axis, and what the axis is made of.
//!
//! An [`AxisSheet`] exists only if its text passed every check of the parser, so that the rest of the program needs
//! no second look: no zero divisors, no NaN, no cap above the mechanical maximum, no two signals on one terminal.

use proofstand_units::{
    Degrees, Hertz, KilogramSquareMetres, Kilograms, Metres, NativePerRev, NewtonMetres, Percent,
    PulsesPerRev, Rpm, Seconds, Turns, Volts,
};
use serde::Serialize;

use crate::metrology::DecisionRule;

use super::conduct::{Amplifier, Bench, BenchChange, Cap, Enable, Tolerances};
use super::settings::Settings;
use super::signals::{
    Direction, Display, Flag, FlagRole, Input, InputRole, SpeedReadOut, Terminal, TorqueReadOut, Wiring,
};

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
    /// The amplifier's own display, if it shows torque.
    pub display: Option<Display>,
    /// Analog speed output, if the amplifier has one.
    pub speed_read_out: Option<SpeedReadOut>,
    /// Time constants of the amplifier, for planning only.
    pub amplifier: Amplifier,
    /// Where the rotor's inertia above was measured and how, if it was.
    pub measured_inertia: Option<String>,
    /// What may differ from the targets.
    pub tolerances: Tolerances,
    /// How a measured value becomes a verdict.
    pub decision: DecisionRule,
    /// Terminals of command and encoder pairs.
    pub wiring: Wiring,
    /// The amplifier's settings.
    pub settings: Settings,
    /// What was changed for the bench and must be taken back.
    pub bench_changes: Vec<BenchChange>,
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
    /// What the catalogue says of the rotor's inertia, where a measured one stands in its place above.
    pub catalogue_inertia: Option<Inertia>,
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

    /// The two together, where they know nothing of each other (JCGM 100:2008, 5.1.2).
    #[must_use]
    pub fn with_another(self, other: Self) -> Self {
        let expanded = KilogramSquareMetres::new(self.expanded.get().hypot(other.expanded.get()));
        Self { value: self.value + other.value, expanded }
    }

    /// A rotor together with the disc that it was measured with: both are off the same way (JCGM 100:2008, 5.2.2, note 1).
    #[must_use]
    pub fn with_its_disc(self, disc: Self) -> Self {
        Self { value: self.value + disc.value, expanded: self.expanded + disc.expanded }
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
    /// Everything that turns: rotor and disc.
    ///
    /// A rotor that was measured is taken as measured with the disc that is on the shaft, so that their uncertainties add up.
    /// With another disc, or much scatter, that is more than there is, and never less.
    #[must_use]
    pub fn inertia(&self) -> Inertia {
        let rotor = self.motor.rotor_inertia;
        let rotor_u = rotor * (self.motor.rotor_inertia_uncertainty.get() / 100.0);
        let (disc, disc_u) =
            self.disc.map_or((KilogramSquareMetres::ZERO, KilogramSquareMetres::ZERO), |disc| {
                (disc.inertia, disc.inertia * (disc.uncertainty.get() / 100.0))
            });
        let (rotor, disc) =
            (Inertia { value: rotor, expanded: rotor_u }, Inertia { value: disc, expanded: disc_u });
        if self.measured_inertia.is_some() { rotor.with_its_disc(disc) } else { rotor.with_another(disc) }
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
