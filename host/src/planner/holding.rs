//! How a speed is held: by a loop of the fixture's over a torque command, or by the amplifier's own.

use proofstand_protocol::units::MicrovoltsPerTick;
use proofstand_units::{Rpm, Seconds, Volts};

use super::segments::{STEP, slew};
use super::{AxisNumbers, HoldGains, SpeedCommand};

/// How a speed is held.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Holding {
    /// The command is a torque: the fixture closes a slow loop over it.
    ByTorque(HoldGains),
    /// The command is a speed: the amplifier holds it.
    BySpeed(SpeedCommand),
}

impl Holding {
    /// The largest command that holding a speed takes, below the cap.
    #[must_use]
    pub const fn bound(&self) -> Volts {
        match self {
            Self::ByTorque(gains) => gains.bound,
            Self::BySpeed(drive) => drive.bound,
        }
    }

    /// The largest command that holding this speed takes, either sign.
    #[must_use]
    pub fn bound_at(&self, speed: Rpm) -> Volts {
        match self {
            Self::ByTorque(gains) => gains.bound,
            Self::BySpeed(drive) => drive.volts_for(speed).abs(),
        }
    }

    /// The fastest change of the command, also where a program steps it.
    pub(super) fn slew(&self) -> MicrovoltsPerTick {
        match self {
            Self::ByTorque(_) => STEP,
            Self::BySpeed(drive) => slew(drive.volts_per_second()),
        }
    }

    /// Time from rest to a speed, friction at its bound.
    #[must_use]
    pub fn spin_up(&self, axis: &AxisNumbers, speed: Rpm) -> Seconds {
        match self {
            Self::ByTorque(gains) => {
                let torque = axis.torque_per_volt().get() * gains.bound.get() - axis.friction().get();
                Seconds::new(axis.inertia.get() * speed.to_rad_per_sec().get().abs() / torque.max(1e-6))
            }
            Self::BySpeed(drive) => drive.time_to(speed),
        }
    }

    /// The speed command, on an axis that takes one.
    #[must_use]
    pub const fn speed_command(&self) -> Option<SpeedCommand> {
        match self {
            Self::ByTorque(_) => None,
            Self::BySpeed(drive) => Some(*drive),
        }
    }
}
