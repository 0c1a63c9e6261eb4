//! Faults that a bench meets, each a change of the setup: by name, some with a size.

use proofstand_units::{Degrees, Hertz, Percent, PercentPerVolt, PulsesPerRev, RpmPerVolt, Seconds, Volts};

use crate::check::{SetupError, check};
use crate::setup::{
    CapLaw, CommandMode, CountLoss, EnableInput, EndSwitches, FlagSource, HoldingBrake, PlantSetup,
};

/// Something wrong with settings or wiring. Those that come in degrees carry their size.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Fault {
    /// The setting takes counts and got pulses: a quarter of the pulses come out.
    PulsesForCounts,
    /// The setting takes pulses and got counts: four times the pulses come out.
    CountsForPulses,
    /// Motion and counting are both reversed: healthy to every instrument.
    DirectionMirrored,
    /// A and B are swapped: counting reversed.
    EncoderSwapped,
    /// The wires of the command pair are swapped: motion reversed.
    CommandReversed,
    /// Twice the gain: a differential input driven from one side, set up as if it were from both.
    GainDoubled,
    /// Half the gain: the same the other way round.
    GainHalved,
    /// Percent of peak torque taken for percent of rated torque.
    GainOfPeak,
    /// A zero error of the command input.
    Offset(Volts),
    /// The cap was left at the mechanical maximum.
    CapNotSet,
    /// The cap was set forward only; backward it is left at the mechanical maximum.
    CapOneDirection,
    /// The cap is held by a proportional part alone, over a band of this share of the cap.
    CapDrooping(Percent),
    /// The cap flag arrives on another input.
    FlagElsewhere,
    /// The cap flag has the other sense.
    FlagInverted,
    /// The cap flag never arrives.
    FlagDead,
    /// The command source is loaded: this share is lost.
    InputLoaded(Percent),
    /// The torque limit stands at this share of rated torque.
    TorqueLimited(Percent),
    /// The amplifier never sees enable.
    EnableDead,
    /// The amplifier takes enable as always given.
    EnableAlways,
    /// The amplifier obeys its end-switch inputs.
    EndSwitchesObeyed,
    /// It obeys them, and the two are swapped.
    EndSwitchesSwapped,
    /// Z is not connected.
    IndexMissing,
    /// So many false pulses on Z per second.
    IndexNoisy(Hertz),
    /// Z is high all the way round but where it should be.
    IndexInverted,
    /// Z comes only while the counts rise.
    IndexOneWay,
    /// B comes late by so many degrees of the cycle.
    PhaseError(Degrees),
    /// A is high for so many degrees of the cycle more than half of it.
    DutyError(Degrees),
    /// A filter on the command of this time constant, in seconds.
    ResponseSlow(Seconds),
    /// This share of the counts above half the rate at the forward cap is lost.
    CountsLost(Percent),
    /// The rotor's inertia is more than stated by this share.
    InertiaMore(Percent),
    /// The torque read-out shows more than its scale says by this share.
    ReadOutMore(Percent),
    /// The motor makes less torque of its current than the amplifier takes for granted, by this share.
    TorqueConstantLess(Percent),
    /// A holding brake stays closed.
    BrakeClosed,
    /// Two motor phases are swapped.
    WrongPhase,
    /// The encoder pairs are not connected.
    EncoderUnwired,
    /// The command input answers to nothing up to this much.
    DeadBand(Volts),
    /// The amplifier ignores its end-switch inputs.
    EndSwitchesIgnored,
    /// The fixture's own output gives so much more than its calibration says.
    FixtureDrifted(Percent),
    /// The scale is right until the power cycle, then half.
    GainNotStored,
    /// The scale is half until the power cycle, then right.
    GainNotInForce,
    /// The pulses are right until the power cycle, then a quarter.
    PulsesNotStored,
    /// The pulses are a quarter until the power cycle, then right.
    PulsesNotInForce,
    /// The cap holds until the power cycle, then it is at the mechanical maximum.
    CapNotStored,
}

/// The size of a fault that comes in degrees.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FaultSize {
    /// How much.
    pub value: f64,
    /// Of what: the unit's symbol.
    pub unit: &'static str,
}

/// A fault that can't be had.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum FaultError {
    /// No fault of that name.
    #[error("no fault is called `{name}`{}", suggestion(nearest))]
    Unknown {
        /// As given.
        name: String,
        /// Names that are near, nearest first.
        nearest: Vec<&'static str>,
    },
    /// A size was given to a fault that has none.
    #[error("`{name}` has no size: leave `={size}` away")]
    NoSize {
        /// Its name.
        name: &'static str,
        /// What was given.
        size: String,
    },
    /// The size is no number above zero (or, for an offset, no number other than zero).
    #[error("`{size}` is no size for `{name}`: give a number of {unit}, as in `{name}={example}`")]
    BadSize {
        /// Its name.
        name: &'static str,
        /// What was given.
        size: String,
        /// Unit of the size.
        unit: &'static str,
        /// The size it has unless told.
        example: f64,
    },
    /// This axis can't have that fault.
    #[error("`{name}` can't be had on this axis: {why}")]
    DoesNotFit {
        /// Its name.
        name: &'static str,
        /// Why.
        why: SetupError,
    },
    /// The setup has no flag that the fault could spoil.
    #[error("`{name}` can't be had on this axis: no flag input is wired to the cap flag")]
    NoCapFlag {
        /// Its name.
        name: &'static str,
    },
    /// The fault is of a torque command, and this axis takes a speed command.
    #[error(
        "`{name}` can't be had on this axis: it is a fault of a torque command, and the command is a speed"
    )]
    OfTorqueOnly {
        /// Its name.
        name: &'static str,
    },
}

fn suggestion(nearest: &[&'static str]) -> String {
    if nearest.is_empty() { String::new() } else { format!("; near it: {}", nearest.join(", ")) }
}

impl Fault {
    /// Every fault, with the size it has unless told.
    #[must_use]
    pub const fn all() -> [Self; 43] {
        [
            Self::PulsesForCounts,
            Self::CountsForPulses,
            Self::DirectionMirrored,
            Self::EncoderSwapped,
            Self::CommandReversed,
            Self::GainDoubled,
            Self::GainHalved,
            Self::GainOfPeak,
            Self::Offset(Volts::new(0.2)),
            Self::CapNotSet,
            Self::CapOneDirection,
            Self::CapDrooping(Percent::new(60.0)),
            Self::FlagElsewhere,
            Self::FlagInverted,
            Self::FlagDead,
            Self::InputLoaded(Percent::new(6.0)),
            Self::TorqueLimited(Percent::new(15.0)),
            Self::EnableDead,
            Self::EnableAlways,
            Self::EndSwitchesObeyed,
            Self::EndSwitchesSwapped,
            Self::IndexMissing,
            Self::IndexNoisy(Hertz::new(5.0)),
            Self::IndexInverted,
            Self::IndexOneWay,
            Self::PhaseError(Degrees::new(55.0)),
            Self::DutyError(Degrees::new(55.0)),
            Self::ResponseSlow(Seconds::new(5e-3)),
            Self::CountsLost(Percent::new(0.5)),
            Self::InertiaMore(Percent::new(60.0)),
            Self::ReadOutMore(Percent::new(10.0)),
            Self::TorqueConstantLess(Percent::new(12.0)),
            Self::BrakeClosed,
            Self::WrongPhase,
            Self::EncoderUnwired,
            Self::DeadBand(Volts::new(0.12)),
            Self::EndSwitchesIgnored,
            Self::FixtureDrifted(Percent::new(0.2)),
            Self::GainNotStored,
            Self::GainNotInForce,
            Self::PulsesNotStored,
            Self::PulsesNotInForce,
            Self::CapNotStored,
        ]
    }

    /// Its name, as [`Fault::parse`] takes it.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::PulsesForCounts => "pulses-for-counts",
            Self::CountsForPulses => "counts-for-pulses",
            Self::DirectionMirrored => "direction-mirrored",
            Self::EncoderSwapped => "encoder-swapped",
            Self::CommandReversed => "command-reversed",
            Self::GainDoubled => "gain-doubled",
            Self::GainHalved => "gain-halved",
            Self::GainOfPeak => "gain-of-peak",
            Self::Offset(_) => "offset",
            Self::CapNotSet => "cap-not-set",
            Self::CapOneDirection => "cap-one-direction",
            Self::CapDrooping(_) => "cap-drooping",
            Self::FlagElsewhere => "flag-elsewhere",
            Self::FlagInverted => "flag-inverted",
            Self::FlagDead => "flag-dead",
            Self::InputLoaded(_) => "input-loaded",
            Self::TorqueLimited(_) => "torque-limited",
            Self::EnableDead => "enable-dead",
            Self::EnableAlways => "enable-always",
            Self::EndSwitchesObeyed => "end-switches-obeyed",
            Self::EndSwitchesSwapped => "end-switches-swapped",
            Self::IndexMissing => "index-missing",
            Self::IndexNoisy(_) => "index-noisy",
            Self::IndexInverted => "index-inverted",
            Self::IndexOneWay => "index-one-way",
            Self::PhaseError(_) => "phase-error",
            Self::DutyError(_) => "duty-error",
            Self::ResponseSlow(_) => "response-slow",
            Self::CountsLost(_) => "counts-lost",
            Self::InertiaMore(_) => "inertia-more",
            Self::ReadOutMore(_) => "read-out-more",
            Self::TorqueConstantLess(_) => "torque-constant-less",
            Self::BrakeClosed => "brake-closed",
            Self::WrongPhase => "wrong-phase",
            Self::EncoderUnwired => "encoder-unwired",
            Self::DeadBand(_) => "dead-band",
            Self::EndSwitchesIgnored => "end-switches-ignored",
            Self::FixtureDrifted(_) => "fixture-drifted",
            Self::GainNotStored => "gain-not-stored",
            Self::GainNotInForce => "gain-not-in-force",
            Self::PulsesNotStored => "pulses-not-stored",
            Self::PulsesNotInForce => "pulses-not-in-force",
            Self::CapNotStored => "cap-not-stored",
        }
    }

    /// One line on what it is.
    #[must_use]
    pub const fn description(self) -> &'static str {
        match self {
            Self::PulsesForCounts => {
                "the setting takes counts and got pulses: a quarter of the pulses come out"
            }
            Self::CountsForPulses => {
                "the setting takes pulses and got counts: four times the pulses come out"
            }
            Self::DirectionMirrored => "motion and counting both reversed: only a look at the shaft tells",
            Self::EncoderSwapped => "A and B swapped: counting reversed",
            Self::CommandReversed => "wires of the command pair swapped: motion reversed",
            Self::GainDoubled => "twice the gain stated",
            Self::GainHalved => "half the gain stated",
            Self::GainOfPeak => "percent of peak torque taken for percent of rated torque",
            Self::Offset(_) => "zero error of the command input, in volts",
            Self::CapNotSet => "speed cap left at the mechanical maximum",
            Self::CapOneDirection => "speed cap set in one direction only",
            Self::CapDrooping(_) => "speed cap without integral part, over a band in percent of the cap",
            Self::FlagElsewhere => "cap flag on another input",
            Self::FlagInverted => "cap flag with the other sense",
            Self::FlagDead => "cap flag not connected",
            Self::InputLoaded(_) => "command source loaded, loss in percent",
            Self::TorqueLimited(_) => "torque limit too low, in percent of rated torque",
            Self::EnableDead => "enable never reaches the amplifier",
            Self::EnableAlways => "enable taken as always given",
            Self::EndSwitchesObeyed => "end switches obeyed by the amplifier",
            Self::EndSwitchesSwapped => "end switches obeyed, and swapped",
            Self::IndexMissing => "index pair not connected",
            Self::IndexNoisy(_) => "false pulses on the index, per second",
            Self::IndexInverted => "index high all the way round but where it should be",
            Self::IndexOneWay => "index only while the counts rise",
            Self::PhaseError(_) => "phase B late, in degrees of the cycle",
            Self::DutyError(_) => "phase A high for longer than half of the cycle, in degrees of it",
            Self::ResponseSlow(_) => "a filter on the command, its time constant in seconds",
            Self::CountsLost(_) => "counts lost at speed, in percent of those above half the rate at the cap",
            Self::InertiaMore(_) => "rotor's inertia more than stated, in percent",
            Self::ReadOutMore(_) => "torque read-out shows more than its scale says, in percent",
            Self::TorqueConstantLess(_) => {
                "motor makes less torque of its current than the amplifier assumes, in percent"
            }
            Self::BrakeClosed => "holding brake stays closed",
            Self::WrongPhase => "two motor phases swapped: the rotor jumps and locks",
            Self::EncoderUnwired => "encoder pairs not connected",
            Self::DeadBand(_) => "dead band of the command input, in volts",
            Self::EndSwitchesIgnored => "end switches ignored by the amplifier",
            Self::FixtureDrifted(_) => "the fixture's own output above its calibration, in percent",
            Self::GainNotStored => "scale right until control power was off, then half",
            Self::GainNotInForce => "scale half until control power was off, then right",
            Self::PulsesNotStored => "pulses right until control power was off, then a quarter",
            Self::PulsesNotInForce => "pulses a quarter until control power was off, then right",
            Self::CapNotStored => "speed cap set until control power was off, then at the mechanical maximum",
        }
    }

    /// Its size, where it comes in degrees.
    #[must_use]
    pub const fn size(self) -> Option<FaultSize> {
        let (value, unit) = match self {
            Self::Offset(size) | Self::DeadBand(size) => (size.get(), Volts::SYMBOL),
            Self::CapDrooping(size)
            | Self::InputLoaded(size)
            | Self::TorqueLimited(size)
            | Self::CountsLost(size)
            | Self::FixtureDrifted(size)
            | Self::InertiaMore(size)
            | Self::ReadOutMore(size)
            | Self::TorqueConstantLess(size) => (size.get(), Percent::SYMBOL),
            Self::IndexNoisy(size) => (size.get(), Hertz::SYMBOL),
            Self::PhaseError(size) | Self::DutyError(size) => (size.get(), Degrees::SYMBOL),
            Self::ResponseSlow(size) => (size.get(), Seconds::SYMBOL),
            _ => return None,
        };
        Some(FaultSize { value, unit })
    }

    /// The same fault with another size; one that has none stays as it is.
    #[must_use]
    const fn with_size(self, value: f64) -> Self {
        match self {
            Self::Offset(_) => Self::Offset(Volts::new(value)),
            Self::DeadBand(_) => Self::DeadBand(Volts::new(value)),
            Self::FixtureDrifted(_) => Self::FixtureDrifted(Percent::new(value)),
            Self::CapDrooping(_) => Self::CapDrooping(Percent::new(value)),
            Self::InputLoaded(_) => Self::InputLoaded(Percent::new(value)),
            Self::TorqueLimited(_) => Self::TorqueLimited(Percent::new(value)),
            Self::CountsLost(_) => Self::CountsLost(Percent::new(value)),
            Self::IndexNoisy(_) => Self::IndexNoisy(Hertz::new(value)),
            Self::InertiaMore(_) => Self::InertiaMore(Percent::new(value)),
            Self::ReadOutMore(_) => Self::ReadOutMore(Percent::new(value)),
            Self::TorqueConstantLess(_) => Self::TorqueConstantLess(Percent::new(value)),
            Self::PhaseError(_) => Self::PhaseError(Degrees::new(value)),
            Self::DutyError(_) => Self::DutyError(Degrees::new(value)),
            Self::ResponseSlow(_) => Self::ResponseSlow(Seconds::new(value)),
            other => other,
        }
    }

    /// From `name` or `name=size`, the size in the fault's own unit.
    ///
    /// # Errors
    /// No such name (with the nearest), a size where there is none, or one that is no number.
    pub fn parse(text: &str) -> Result<Self, FaultError> {
        let (name, size) = match text.split_once('=') {
            Some((name, size)) => (name.trim(), Some(size.trim())),
            None => (text.trim(), None),
        };
        let Some(fault) = Self::all().into_iter().find(|fault| fault.name() == name) else {
            return Err(FaultError::Unknown { name: name.to_owned(), nearest: nearest(name) });
        };
        let Some(size) = size else { return Ok(fault) };
        let name = fault.name();
        let Some(FaultSize { value: example, unit }) = fault.size() else {
            return Err(FaultError::NoSize { name, size: size.to_owned() });
        };
        match size.parse::<f64>() {
            // Only an offset has a sign.
            Ok(value)
                if value.is_finite() && (value > 0.0 || value < 0.0 && matches!(fault, Self::Offset(_))) =>
            {
                Ok(fault.with_size(value))
            }
            _ => Err(FaultError::BadSize { name, size: size.to_owned(), unit, example }),
        }
    }

    /// Puts the fault into a healthy setup.
    ///
    /// # Errors
    /// The setup can't have it; the setup is then as it was.
    pub fn apply(self, setup: &mut PlantSetup) -> Result<(), FaultError> {
        let mut faulty = setup.clone();
        self.change(&mut faulty)?;
        check(&faulty).map_err(|why| FaultError::DoesNotFit { name: self.name(), why })?;
        *setup = faulty;
        Ok(())
    }

    fn change(self, setup: &mut PlantSetup) -> Result<(), FaultError> {
        let amplifier = &mut setup.amplifier;
        let wiring = &mut setup.wiring;
        let highest = setup.motor.highest_speed;
        let by_speed = matches!(amplifier.mode, CommandMode::Speed { .. });
        match self {
            Self::GainOfPeak | Self::CapDrooping(_) | Self::TorqueLimited(_) if by_speed => {
                return Err(FaultError::OfTorqueOnly { name: self.name() });
            }
            Self::PulsesForCounts => rescale_pulses(setup, 1, 4),
            Self::CountsForPulses => rescale_pulses(setup, 4, 1),
            Self::DirectionMirrored => {
                amplifier.forward = amplifier.forward.reversed();
                setup.encoder.counts_up = setup.encoder.counts_up.reversed();
            }
            Self::EncoderSwapped => wiring.encoder_swapped ^= true,
            Self::CommandReversed => wiring.command_swapped ^= true,
            Self::GainDoubled => scale_gain(&mut amplifier.mode, 2.0),
            Self::GainHalved => scale_gain(&mut amplifier.mode, 0.5),
            Self::GainOfPeak => scale_gain(&mut amplifier.mode, amplifier.torque_limit.get() / 100.0),
            Self::Offset(size) => amplifier.input_offset = amplifier.input_offset + size,
            Self::CapNotSet => {
                amplifier.cap.forward = highest;
                amplifier.cap.backward = highest;
            }
            Self::CapOneDirection => amplifier.cap.backward = highest,
            Self::CapDrooping(size) => {
                let band = amplifier.cap.forward.min(amplifier.cap.backward) * (size.get() / 100.0);
                amplifier.cap.law = CapLaw::Proportional { band };
            }
            Self::FlagElsewhere => {
                let from = self.cap_input(setup)?;
                let flags = &mut setup.wiring.flags;
                // A free input if there is one, else it changes places with the next.
                let next = (from + 1) % flags.len();
                let to = flags.iter().position(Option::is_none).unwrap_or(next);
                flags.swap(from, to);
            }
            Self::FlagInverted => {
                let input = self.cap_input(setup)?;
                if let Some(wire) = &mut setup.wiring.flags[input] {
                    wire.conducts_when_active ^= true;
                }
            }
            Self::FlagDead => {
                let input = self.cap_input(setup)?;
                setup.wiring.flags[input] = None;
            }
            Self::InertiaMore(size) => {
                setup.motor.rotor_inertia = setup.motor.rotor_inertia * (1.0 + size.get() / 100.0);
            }
            Self::ReadOutMore(size) => {
                let readout = &mut amplifier.torque_readout;
                readout.at_rated = readout.at_rated * (1.0 + size.get() / 100.0);
            }
            Self::TorqueConstantLess(size) => {
                amplifier.torque_constant = amplifier.torque_constant * (1.0 - size.get() / 100.0);
            }
            Self::InputLoaded(size) => wiring.command_loss = size,
            Self::TorqueLimited(size) => amplifier.torque_limit = size,
            Self::EnableDead => amplifier.enable_input = EnableInput::Dead,
            Self::EnableAlways => amplifier.enable_input = EnableInput::AlwaysOn,
            Self::EndSwitchesObeyed => amplifier.end_switches = EndSwitches::Obeyed,
            Self::EndSwitchesSwapped => {
                amplifier.end_switches = EndSwitches::Obeyed;
                wiring.end_switches_swapped ^= true;
            }
            Self::IndexMissing => wiring.index_connected = false,
            Self::IndexNoisy(size) => wiring.index_noise = size,
            Self::IndexInverted => {
                let encoder = &mut setup.encoder;
                let counts = encoder.pulses.to_counts().get();
                encoder.index_at = (encoder.index_at + encoder.index_width) % counts;
                encoder.index_width = counts - encoder.index_width;
            }
            Self::IndexOneWay => setup.encoder.index_one_way = true,
            Self::PhaseError(size) => setup.encoder.phase_error = size,
            Self::DutyError(size) => setup.encoder.duty_error = size,
            Self::ResponseSlow(size) => amplifier.input_filter = size,
            Self::CountsLost(share) => {
                let counts = f64::from(setup.encoder.pulses.to_counts().get());
                let above = Hertz::new(0.5 * counts * amplifier.cap.forward.get() / 60.0);
                wiring.count_loss = Some(CountLoss { above, share });
            }
            Self::BrakeClosed => {
                let hold = amplifier.rated_torque * 1.1;
                let delay = proofstand_units::Seconds::ZERO;
                let brake = HoldingBrake { torque: hold, release_delay: delay, close_delay: delay };
                setup.motor.brake.get_or_insert(brake);
                wiring.brake_unwired = true;
            }
            Self::WrongPhase => wiring.phases_swapped ^= true,
            Self::EncoderUnwired => wiring.encoder_connected = false,
            Self::DeadBand(size) => amplifier.dead_band = size,
            Self::EndSwitchesIgnored => amplifier.end_switches = EndSwitches::Ignored,
            Self::FixtureDrifted(size) => wiring.output_drift = size,
            Self::GainNotStored => forgets(setup, Self::GainHalved)?,
            Self::GainNotInForce => waits(setup, Self::GainHalved)?,
            Self::PulsesNotStored => forgets(setup, Self::PulsesForCounts)?,
            Self::PulsesNotInForce => waits(setup, Self::PulsesForCounts)?,
            Self::CapNotStored => forgets(setup, Self::CapNotSet)?,
        }
        Ok(())
    }

    fn cap_input(self, setup: &PlantSetup) -> Result<usize, FaultError> {
        let is_cap = |wire: &Option<crate::setup::FlagWire>| {
            wire.is_some_and(|wire| wire.source == FlagSource::HoldingSpeed)
        };
        setup.wiring.flags.iter().position(is_cap).ok_or(FaultError::NoCapFlag { name: self.name() })
    }
}

/// Up to three names within a third of their letters, nearest first.
fn nearest(name: &str) -> Vec<&'static str> {
    let mut near: Vec<(usize, &'static str)> = Fault::all()
        .into_iter()
        .map(|fault| (strsim::damerau_levenshtein(name, fault.name()), fault.name()))
        .filter(|(distance, known)| *distance <= known.len().div_ceil(3))
        .collect();
    near.sort_unstable();
    near.into_iter().take(3).map(|(_, known)| known).collect()
}

/// Right now; after a power cycle the fault is there.
fn forgets(setup: &mut PlantSetup, fault: Fault) -> Result<(), FaultError> {
    let mut after = setup.clone();
    fault.change(&mut after)?;
    setup.after_power_cycle = Some(Box::new(after));
    Ok(())
}

/// The fault is there; after a power cycle it is gone.
fn waits(setup: &mut PlantSetup, fault: Fault) -> Result<(), FaultError> {
    let after = setup.clone();
    fault.change(setup)?;
    setup.after_power_cycle = Some(Box::new(after));
    Ok(())
}

fn rescale_pulses(setup: &mut PlantSetup, times: u32, over: u32) {
    let encoder = &mut setup.encoder;
    encoder.pulses =
        PulsesPerRev::new((encoder.pulses.get().saturating_mul(times) / over).clamp(1, u32::MAX / 4));
    let counts = encoder.pulses.to_counts().get();
    // The index stays where it is on the shaft, and one pulse wide at most.
    encoder.index_at = (u64::from(encoder.index_at) * u64::from(times) / u64::from(over)) as u32 % counts;
    encoder.index_width = encoder.index_width.min(counts - 1);
}

fn scale_gain(mode: &mut CommandMode, factor: f64) {
    match mode {
        CommandMode::Torque { gain } => *gain = PercentPerVolt::new(gain.get() * factor),
        CommandMode::Speed { gain, .. } => *gain = RpmPerVolt::new(gain.get() * factor),
    }
}
