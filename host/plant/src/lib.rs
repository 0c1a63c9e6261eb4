//! Simulated servo amplifier, motor and operator, for rehearsals without a machine.
//!
//! Set up a [`Plant`] from a [`PlantSetup`] and a seed, then [`advance`](Plant::advance) it in time with what the
//! fixture drives ([`Drive`]); read the lines, the flags and the read-outs that the fixture would see. Same build,
//! same setup, same seed, same calls: same numbers.
//!
//! Directions are seen from the shaft end, the viewpoint of IEC 60034-8; inside, clockwise is positive. A *pulse* is
//! a full cycle of phase A, a *count* is one quadrature edge, four to the pulse.
//!
//! The motor is integrated in fixed steps (50 µs unless told otherwise): speed exactly for a torque that is constant
//! over the step, angle by the trapezoid of speed, cogging at the middle of the step; first-order lags exactly for an
//! input that is held. That is second order in the step for the motor; the amplifier's limiters, which look at speed
//! once a step as a digital loop does, are first order.
//!
//! What it does not know: motor electricity beyond one time constant, shaft elasticity, backlash, and of temperature
//! anything but a torque constant that falls under load.

mod amplifier;
mod check;
mod coefficients;
mod encoder;
mod fault;
mod flags;
mod floats;
mod history;
mod lag;
mod limiter;
mod motor;
mod operator;
mod plant;
mod random;
mod reader;
mod setup;
mod time;

pub use check::SetupError;
pub use encoder::{Edge, IndexEdge, Line, Lines};
pub use fault::{Fault, FaultError, FaultSize};
pub use flags::FlagEdge;
pub use history::HistoryGone;
pub use operator::{Operator, OperatorError, Turned};
pub use plant::{Drive, Plant, Truth};
pub use random::Random;
pub use reader::DisplayReader;
pub use setup::{
    AmplifierSetup, AnalogOutput, CalibrationFound, CapFlag, CapLaw, CoggingHarmonic, CommandMode, CountLoss,
    DeadPair, DisplayShown, EnableInput, EncoderSetup, EndSwitches, FLAG_INPUTS, FixtureSetup, FlagSource,
    FlagWire, HoldingBrake, MotorSetup, OperatorSetup, PairNoise, PlantSetup, Regeneration, Rotation,
    SpeedCap, SpeedReadout, TorqueDisplay, TorqueReadout, TorqueShown, WhenDisabled, WiringSetup,
};
pub use time::PlantTime;
