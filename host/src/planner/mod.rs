//! Motion that fits rotor, cap, reaction margin, energy and measuring window; or why none does.
//!
//! Pure: numbers in, numbers out. Nothing here knows a fixture, a plant or a check's verdict.

mod alternation;
mod axis;
mod holding;
mod levels;
mod limits;
mod reversal;
mod segments;
mod speed_command;
mod speed_steps;

pub use alternation::{Alternation, alternation};
pub use axis::AxisNumbers;
pub use holding::Holding;
pub use levels::{CapRun, NEAR_THE_CAP};
pub use limits::LimitsFor;
pub use reversal::ReversalLevel;
pub use segments::{after, come_to_rest, hold, microvolts, milli_rpm, ramp, step_to, ticks, total_timeout};
pub use speed_command::{ABOVE_CAP, SpeedCommand};
pub(crate) use speed_steps::POINTS as SPEED_STEP_POINTS;
pub use speed_steps::{SpeedSteps, speed_steps};

use proofstand_units::{Percent, Rpm, Volts};

use crate::targets::{CommandTargets, LEVELS};

/// Speed of the first motion: so slow that a fourfold mistake in the counts stays below [`GATE_RPM`].
pub const CRAWL_RPM: f64 = 20.0;
/// Nothing is driven faster than this until one index interval has given the counts that the sheet says.
pub const GATE_RPM: f64 = 100.0;
/// The fixture trips here in everything that is planned below the gate. It lies above the gate by the surge of a light
/// rotor that breaks away: a trip at the gate itself would end healthy first motions.
pub const SLOW_TRIP: Rpm = Rpm::new(GATE_RPM * 1.5);
/// Speed of the slow line count by the fixture's own speed hold, below the gate. A speed command goes slower: its scale is
/// not known yet.
pub const SLOW_RPM: f64 = 80.0;
/// Motion is bounded for a gain of this many times the stated one: twice is the commonest mistake.
pub const GAIN_DOUBT: f64 = 2.0;

/// A motion can't be made on this axis.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CannotPlan {
    /// Why not, with the numbers.
    pub why: String,
    /// What would make it possible.
    pub remedy: String,
}

/// Gains and bound of the speed hold.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HoldGains {
    /// Microvolts of command per rpm of error.
    pub microvolts_per_rpm: u32,
    /// Microvolts of command per second, per rpm of error.
    pub microvolts_per_rpm_second: u32,
    /// Largest command.
    pub bound: Volts,
}

/// Everything planned for an axis.
#[derive(Debug, Clone, PartialEq)]
pub struct MotionPlan {
    /// The numbers it rests on.
    pub axis: AxisNumbers,
    /// How a speed is held.
    pub hold: Holding,
    /// The same at working speeds.
    pub fast_hold: Holding,
    /// Command that the first motion may ramp up to.
    pub nudge_command: Volts,
    /// Runs into the speed cap, lowest level first.
    pub cap_runs: Vec<Result<CapRun, CannotPlan>>,
    /// Reversals for the command scale, lowest level first; empty for a speed command.
    pub reversals: Vec<Result<ReversalLevel, CannotPlan>>,
    /// Speeds of the speed scale, lowest first; empty for a torque command.
    pub scale_speeds: Vec<Rpm>,
    /// Speed of the slow line count, below the gate.
    pub slow_speed: Rpm,
    /// Speeds of the fast line count, lowest first.
    pub fast_speeds: Vec<Rpm>,
}

impl MotionPlan {
    /// Plans for an axis.
    ///
    /// # Errors
    /// [`CannotPlan`] if no motion at all can be bounded on it.
    pub fn new(axis: AxisNumbers, command: &CommandTargets) -> Result<Self, CannotPlan> {
        axis.refuse_what_cannot_be_bounded()?;
        let fast_speeds =
            [0.3, 0.6, 0.9].iter().map(|&f| axis.cap * f).filter(|s| s.get() > GATE_RPM).collect();
        if let Some(per_volt) = axis.speed_gain {
            let drive = speed_command::drive(&axis, per_volt)?;
            return Ok(Self {
                axis,
                hold: Holding::BySpeed(drive),
                fast_hold: Holding::BySpeed(drive),
                nudge_command: drive.volts_for(Rpm::new(CRAWL_RPM)),
                cap_runs: speed_command::cap_runs(&axis, &drive, command),
                reversals: Vec::new(),
                scale_speeds: speed_command::scale_speeds(&axis),
                slow_speed: speed_command::SLOW_COMMANDED,
                fast_speeds,
            });
        }
        let nudge_command = axis.volts_for(levels::nudge_share(axis.breakaway));
        let cap_runs = levels::cap_runs(&axis);
        let reversals = LEVELS
            .iter()
            .filter(|&&p| p < 100.0)
            .map(|&p| reversal::reversal(&axis, Percent::new(p)))
            .collect();
        Ok(Self {
            axis,
            hold: Holding::ByTorque(levels::hold_gains(&axis)),
            fast_hold: Holding::ByTorque(levels::fast_hold_gains(&axis)),
            nudge_command,
            cap_runs,
            reversals,
            scale_speeds: Vec::new(),
            slow_speed: Rpm::new(SLOW_RPM),
            fast_speeds,
        })
    }
}
