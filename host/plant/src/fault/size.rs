//! Sizes of faults that come in degrees.

use proofstand_units::{Degrees, Hertz, Percent, Seconds, Volts};

use super::Fault;

/// The size of a fault that comes in degrees.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FaultSize {
    /// How much.
    pub value: f64,
    /// Of what: the unit's symbol.
    pub unit: &'static str,
}

impl Fault {
    /// Its size, where it comes in degrees.
    #[must_use]
    pub const fn size(self) -> Option<FaultSize> {
        let (value, unit) = match self {
            Self::Offset(size) | Self::DeadBand(size) => (size.get(), Volts::SYMBOL),
            Self::CapDrooping(size)
            | Self::TorqueLimited(size)
            | Self::SpeedLoopSlow(size)
            | Self::SpeedLoopHunts(size)
            | Self::ReadOutMore(size)
            | Self::SpeedReadOutMore(size)
            | Self::IndexDrops(size)
            | Self::IndexDoublyTerminated(size)
            | Self::EncoderUnterminated(size)
            | Self::BusOvervoltage(size)
            | Self::InputLoaded(size)
            | Self::InertiaMore(size)
            | Self::TorqueConstantLess(size)
            | Self::Heating(size)
            | Self::CouplingSlips(size)
            | Self::Gravity(size)
            | Self::FixtureDrifted(size)
            | Self::ReadBackOff(size)
            | Self::CounterLoses(size)
            | Self::EncoderDoublyTerminated(size)
            | Self::CountsLost(size) => (size.get(), Percent::SYMBOL),
            Self::ResponseSlow(size)
            | Self::BrakeLate(size)
            | Self::FixtureRestarts(size)
            | Self::AmplifierRestarts(size) => (size.get(), Seconds::SYMBOL),
            Self::IndexNoisy(size) | Self::EncoderNoise(size) => (size.get(), Hertz::SYMBOL),
            Self::PhaseError(size) | Self::DutyError(size) => (size.get(), Degrees::SYMBOL),
            _ => return None,
        };
        Some(FaultSize { value, unit })
    }

    /// The same fault with another size; one that has none stays as it is.
    #[must_use]
    pub(super) const fn with_size(self, value: f64) -> Self {
        match self {
            Self::Offset(_) => Self::Offset(Volts::new(value)),
            Self::DeadBand(_) => Self::DeadBand(Volts::new(value)),
            Self::CapDrooping(_) => Self::CapDrooping(Percent::new(value)),
            Self::TorqueLimited(_) => Self::TorqueLimited(Percent::new(value)),
            Self::SpeedLoopSlow(_) => Self::SpeedLoopSlow(Percent::new(value)),
            Self::SpeedLoopHunts(_) => Self::SpeedLoopHunts(Percent::new(value)),
            Self::ReadOutMore(_) => Self::ReadOutMore(Percent::new(value)),
            Self::SpeedReadOutMore(_) => Self::SpeedReadOutMore(Percent::new(value)),
            Self::IndexDrops(_) => Self::IndexDrops(Percent::new(value)),
            Self::IndexDoublyTerminated(_) => Self::IndexDoublyTerminated(Percent::new(value)),
            Self::EncoderUnterminated(_) => Self::EncoderUnterminated(Percent::new(value)),
            Self::BusOvervoltage(_) => Self::BusOvervoltage(Percent::new(value)),
            Self::InputLoaded(_) => Self::InputLoaded(Percent::new(value)),
            Self::InertiaMore(_) => Self::InertiaMore(Percent::new(value)),
            Self::TorqueConstantLess(_) => Self::TorqueConstantLess(Percent::new(value)),
            Self::Heating(_) => Self::Heating(Percent::new(value)),
            Self::CouplingSlips(_) => Self::CouplingSlips(Percent::new(value)),
            Self::Gravity(_) => Self::Gravity(Percent::new(value)),
            Self::FixtureDrifted(_) => Self::FixtureDrifted(Percent::new(value)),
            Self::ReadBackOff(_) => Self::ReadBackOff(Percent::new(value)),
            Self::CounterLoses(_) => Self::CounterLoses(Percent::new(value)),
            Self::EncoderDoublyTerminated(_) => Self::EncoderDoublyTerminated(Percent::new(value)),
            Self::CountsLost(_) => Self::CountsLost(Percent::new(value)),
            Self::ResponseSlow(_) => Self::ResponseSlow(Seconds::new(value)),
            Self::BrakeLate(_) => Self::BrakeLate(Seconds::new(value)),
            Self::FixtureRestarts(_) => Self::FixtureRestarts(Seconds::new(value)),
            Self::AmplifierRestarts(_) => Self::AmplifierRestarts(Seconds::new(value)),
            Self::IndexNoisy(_) => Self::IndexNoisy(Hertz::new(value)),
            Self::EncoderNoise(_) => Self::EncoderNoise(Hertz::new(value)),
            Self::PhaseError(_) => Self::PhaseError(Degrees::new(value)),
            Self::DutyError(_) => Self::DutyError(Degrees::new(value)),
            other => other,
        }
    }
}
