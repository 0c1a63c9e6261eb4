//! Faults that a bench meets, each a change of the setup: by name, some with a size.

mod change;
mod error;
mod size;
mod words;

use proofstand_units::{Degrees, Hertz, Percent, Seconds, Volts};

pub use error::FaultError;
pub use size::FaultSize;

/// Something wrong with settings, wiring, mechanics, fixture or lines. Those that come in degrees carry their size.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Fault {
    /// The setting takes counts and got pulses: a quarter of the pulses come out.
    PulsesForCounts,
    /// The setting takes pulses and got counts: four times the pulses come out.
    CountsForPulses,
    /// Motion and counting are both reversed: healthy to every instrument.
    DirectionMirrored,
    /// Twice the gain: a differential input driven from one side, set up as if it were from both.
    GainDoubled,
    /// Half the gain: the same the other way round.
    GainHalved,
    /// Percent of peak torque taken for percent of rated torque.
    GainOfPeak,
    /// A zero error of the command input.
    Offset(Volts),
    /// The command input answers to nothing up to this much.
    DeadBand(Volts),
    /// The cap was left at the mechanical maximum.
    CapNotSet,
    /// The cap was set forward only; backward it is left at the mechanical maximum.
    CapOneDirection,
    /// The cap is held by a proportional part alone, over a band of this share of the cap.
    CapDrooping(Percent),
    /// The cap's integral part is far too quick for the inertia: the speed swings about the cap.
    CapHunting,
    /// The torque limit stands at this share of rated torque.
    TorqueLimited(Percent),
    /// The cap is taken from an analog input that is left open: 0 V, and so 0 rpm.
    LimitOpen,
    /// The input that selects the analog command is not wired: torque comes on, the command is not looked at.
    ModeUnselected,
    /// The amplifier takes enable as always given.
    EnableAlways,
    /// The amplifier takes enable as always given, and the holding brake follows the contact: the shaft stops under torque.
    EnableAlwaysBraked,
    /// The amplifier takes an open enable contact as closed, and a closed one as open.
    EnableInverted,
    /// The amplifier obeys its end-switch inputs.
    EndSwitchesObeyed,
    /// The amplifier ignores its end-switch inputs.
    EndSwitchesIgnored,
    /// A filter on the command of this time constant, in seconds.
    ResponseSlow(Seconds),
    /// The speed loop's gain is too low by this share: the speed follows its command too slowly.
    SpeedLoopSlow(Percent),
    /// The speed loop's integral time is too short by this share: the speed shoots over and swings.
    SpeedLoopHunts(Percent),
    /// The torque read-out shows more than its scale says by this share.
    ReadOutMore(Percent),
    /// The speed read-out shows more than its scale says by this share.
    SpeedReadOutMore(Percent),
    /// The amplifier asks for the holding brake's release so long after torque, and pushes against it meanwhile.
    BrakeLate(Seconds),
    /// The bus takes up no more than this share of the energy that the rotor has at the cap: braking trips the amplifier.
    BusOvervoltage(Percent),
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
    /// The cap is at the mechanical maximum until the power cycle, then it holds.
    CapNotInForce,
    /// The wires of the command pair are swapped: motion reversed.
    CommandReversed,
    /// The command pair is not connected.
    CommandOpen,
    /// The command source is loaded: this share is lost.
    InputLoaded(Percent),
    /// A and B are swapped: counting reversed.
    EncoderSwapped,
    /// The two wires of pair A are swapped: counting reversed.
    EncoderAReversed,
    /// The two wires of pair B are swapped: counting reversed.
    EncoderBReversed,
    /// The encoder pairs are not connected.
    EncoderUnwired,
    /// A wire of pair A is open: the receiver reports it, and A stands still.
    EncoderAOpen,
    /// A wire of pair B is open: the receiver reports it, and B stands still.
    EncoderBOpen,
    /// A wire of pair Z is open: the receiver reports it, and Z stands still.
    IndexOpen,
    /// Pair A is driven and never changes: no receiver reports it.
    PhaseDead,
    /// Pair Z is driven and never changes.
    IndexMissing,
    /// Z is high all the way round but where it should be: its two wires, or its setting.
    IndexInverted,
    /// Z comes only while the counts rise.
    IndexOneWay,
    /// Z does not arrive at this share of its passes.
    IndexDrops(Percent),
    /// The cap flag arrives on another input.
    FlagElsewhere,
    /// The cap flag has the other sense.
    FlagInverted,
    /// The cap flag never arrives.
    FlagDead,
    /// The two wires of the cap flag's pair are swapped: an open collector without a diode across it does not conduct that way
    /// round, and from the fixture's place that is a flag that never arrives. One with a diode across it always conducts, as
    /// with a wrong common.
    FlagReversed,
    /// The flag *can be enabled* never arrives.
    ReadyFlagDead,
    /// The flag of torque on never arrives.
    TorqueFlagDead,
    /// The flag of a fault never conducts, and open stands for a fault.
    FaultFlagDead,
    /// The cap flag's pair is closed through another common: it always conducts.
    FlagWrongCommon,
    /// The flag of torque on shares the cap flag's pair: it conducts with either.
    FlagShared,
    /// The amplifier never sees enable.
    EnableDead,
    /// It obeys them, and the two are swapped.
    EndSwitchesSwapped,
    /// It obeys them, and neither is connected: both read as tripped.
    EndSwitchesUnwired,
    /// An input that takes torque off is open: the amplifier can't be enabled.
    TorqueOffOpen,
    /// There is no motor power: the amplifier can't be enabled.
    MotorPowerAbsent,
    /// Two motor phases are swapped.
    WrongPhase,
    /// The motor's field is half a cycle off: it turns the wrong way with all its torque, and whatever should hold its speed
    /// down drives it on.
    CommutationReversed,
    /// The amplifier stands in a fault that nothing clears.
    AmplifierFault,
    /// The rotor's inertia is more than stated by this share.
    InertiaMore(Percent),
    /// The motor makes less torque of its current than the amplifier takes for granted, by this share.
    TorqueConstantLess(Percent),
    /// The torque constant falls under load: by this share once the motor is as warm as it gets.
    Heating(Percent),
    /// What is on the shaft slips above this torque through its hub, in percent of rated torque.
    CouplingSlips(Percent),
    /// A constant torque on the shaft, in percent of rated torque: a hanging weight.
    Gravity(Percent),
    /// A holding brake stays closed.
    BrakeClosed,
    /// A holding brake, of which the sheet says nothing, closes when torque goes.
    BrakeUnasked,
    /// The fixture's own output gives so much more than its calibration says.
    FixtureDrifted(Percent),
    /// The fixture's output converter stands still.
    ConverterStuck,
    /// The change-over contact of the fixture's output is welded: the command is never cut off.
    OutputContactWelded,
    /// The fixture's enable contact welds when it first closes.
    EnableContactWelded,
    /// The read-back at the terminal shows less than there is, by this share.
    ReadBackOff(Percent),
    /// The fixture's counter loses this share of the counts at any speed.
    CounterLoses(Percent),
    /// The fixture's calibration is past its due date.
    CalibrationExpired,
    /// The fixture's calibration record is damaged.
    CalibrationCorrupt,
    /// The fixture's calibration is another board's.
    CalibrationForeign,
    /// The fixture's supply dips once enable was closed for so long, all together: its firmware starts anew.
    FixtureRestarts(Seconds),
    /// So many false pulses on Z per second.
    IndexNoisy(Hertz),
    /// So many bursts of noise per second on pairs A and B.
    EncoderNoise(Hertz),
    /// 0 V of the pairs is not connected: while the motor is driven, pairs A and B leave the receivers' common mode.
    EncoderNoGround,
    /// The pairs are terminated twice: above this share of the rate at the cap the receivers miss edges and report a fault.
    EncoderDoublyTerminated(Percent),
    /// Pair Z is terminated twice: above this share of the rate at the cap its receiver misses the index and reports a fault.
    IndexDoublyTerminated(Percent),
    /// The pairs are not terminated: an edge is reflected, and what is left of it disturbs the next one. It dies away to 1/e in
    /// this share of the time between edges at the cap.
    EncoderUnterminated(Percent),
    /// B comes late by so many degrees of the cycle.
    PhaseError(Degrees),
    /// A is high for so many degrees of the cycle more than half of it.
    DutyError(Degrees),
    /// This share of the counts above half the rate at the forward cap is lost.
    CountsLost(Percent),
    /// The amplifier's control power dips once torque was on for so long, all together.
    AmplifierRestarts(Seconds),
}

impl Fault {
    /// Every fault, with the size it has unless told.
    #[must_use]
    pub const fn all() -> [Self; 92] {
        [
            Self::PulsesForCounts,
            Self::CountsForPulses,
            Self::DirectionMirrored,
            Self::GainDoubled,
            Self::GainHalved,
            Self::GainOfPeak,
            Self::Offset(Volts::new(0.2)),
            Self::DeadBand(Volts::new(0.12)),
            Self::CapNotSet,
            Self::CapOneDirection,
            Self::CapDrooping(Percent::new(60.0)),
            Self::CapHunting,
            Self::TorqueLimited(Percent::new(15.0)),
            Self::LimitOpen,
            Self::ModeUnselected,
            Self::EnableAlways,
            Self::EnableAlwaysBraked,
            Self::EnableInverted,
            Self::EndSwitchesObeyed,
            Self::EndSwitchesIgnored,
            Self::ResponseSlow(Seconds::new(5e-3)),
            Self::SpeedLoopSlow(Percent::new(70.0)),
            Self::SpeedLoopHunts(Percent::new(80.0)),
            Self::ReadOutMore(Percent::new(10.0)),
            Self::SpeedReadOutMore(Percent::new(50.0)),
            Self::BrakeLate(Seconds::new(0.5)),
            Self::BusOvervoltage(Percent::new(50.0)),
            Self::GainNotStored,
            Self::GainNotInForce,
            Self::PulsesNotStored,
            Self::PulsesNotInForce,
            Self::CapNotStored,
            Self::CapNotInForce,
            Self::CommandReversed,
            Self::CommandOpen,
            Self::InputLoaded(Percent::new(6.0)),
            Self::EncoderSwapped,
            Self::EncoderAReversed,
            Self::EncoderBReversed,
            Self::EncoderUnwired,
            Self::EncoderAOpen,
            Self::EncoderBOpen,
            Self::IndexOpen,
            Self::PhaseDead,
            Self::IndexMissing,
            Self::IndexInverted,
            Self::IndexOneWay,
            Self::IndexDrops(Percent::new(20.0)),
            Self::FlagElsewhere,
            Self::FlagInverted,
            Self::FlagDead,
            Self::FlagReversed,
            Self::ReadyFlagDead,
            Self::TorqueFlagDead,
            Self::FaultFlagDead,
            Self::FlagWrongCommon,
            Self::FlagShared,
            Self::EnableDead,
            Self::EndSwitchesSwapped,
            Self::EndSwitchesUnwired,
            Self::TorqueOffOpen,
            Self::MotorPowerAbsent,
            Self::WrongPhase,
            Self::CommutationReversed,
            Self::AmplifierFault,
            Self::InertiaMore(Percent::new(60.0)),
            Self::TorqueConstantLess(Percent::new(12.0)),
            Self::Heating(Percent::new(30.0)),
            Self::CouplingSlips(Percent::new(15.0)),
            Self::Gravity(Percent::new(5.0)),
            Self::BrakeClosed,
            Self::BrakeUnasked,
            Self::FixtureDrifted(Percent::new(0.2)),
            Self::ConverterStuck,
            Self::OutputContactWelded,
            Self::EnableContactWelded,
            Self::ReadBackOff(Percent::new(20.0)),
            Self::CounterLoses(Percent::new(0.1)),
            Self::CalibrationExpired,
            Self::CalibrationCorrupt,
            Self::CalibrationForeign,
            Self::FixtureRestarts(Seconds::new(3.0)),
            Self::IndexNoisy(Hertz::new(5.0)),
            Self::EncoderNoise(Hertz::new(2.0)),
            Self::EncoderNoGround,
            Self::EncoderDoublyTerminated(Percent::new(60.0)),
            Self::IndexDoublyTerminated(Percent::new(60.0)),
            Self::EncoderUnterminated(Percent::new(15.0)),
            Self::PhaseError(Degrees::new(55.0)),
            Self::DutyError(Degrees::new(55.0)),
            Self::CountsLost(Percent::new(0.5)),
            Self::AmplifierRestarts(Seconds::new(2.0)),
        ]
    }

    /// Its name, as [`Fault::parse`] takes it.
    #[must_use]
    pub const fn name(self) -> &'static str {
        words::words(self).0
    }

    /// One line on what it is.
    #[must_use]
    pub const fn description(self) -> &'static str {
        words::words(self).1
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
            // Only what pulls one way has a sign.
            Ok(value)
                if value.is_finite()
                    && (value > 0.0
                        || value < 0.0 && matches!(fault, Self::Offset(_) | Self::Gravity(_))) =>
            {
                Ok(fault.with_size(value))
            }
            _ => Err(FaultError::BadSize { name, size: size.to_owned(), unit, example }),
        }
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
