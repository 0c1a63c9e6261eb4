//! Torque against command: gain by reversal (without a torque transducer), by read-out and by display; offset, linearity.
//!
//! The fixture drives +V until the shaft turns at a set speed, then −V until it turns as fast the other way, and so
//! on. At the same speed the difference of the two accelerations is free of friction of any form and of offset.

mod display;
mod judge;
#[cfg(test)]
mod tests;
mod ways;

use proofstand_protocol::program::{End, Next, Segment};
use proofstand_units::{Rpm, Seconds, Turns};

use super::speed_cap::slow_again;
use super::{Check, Context, Judgement, MoveStep, Need, Step, StepEvidence, too_low_to_move};
use crate::estimate::ReversalEstimate;
use crate::planner::{CannotPlan, LimitsFor, ReversalLevel, come_to_rest, milli_rpm, step_to, total_timeout};
use crate::sheet::AxisSheet;

/// The check.
pub(super) struct CommandScale;

/// Step names, lowest level first.
const NAMES: [&str; 4] = ["first level", "second level", "third level", "fourth level"];
/// Fewest levels: a straight line through fewer says nothing about straightness.
const LEVELS_MIN: usize = 3;
/// The first half-cycle starts from rest and is not judged.
const RUN_IN: u8 = 1;

fn levels<'a>(context: &Context<'a>) -> Vec<(&'static str, &'a ReversalLevel)> {
    let levels = context.motion.reversals.iter().filter_map(|l| l.as_ref().ok());
    NAMES.into_iter().zip(levels).collect()
}

/// The speed has come to the turn-round speed of a motion whose counts go this way.
fn turned(speed: Rpm, counting: f64) -> End {
    let speed = milli_rpm(speed * counting);
    if counting > 0.0 { End::SpeedAtLeast(speed) } else { End::SpeedAtMost(speed) }
}

pub(super) fn program(context: &Context<'_>, level: &ReversalLevel) -> Vec<Segment> {
    let halves = 2 * level.cycles + RUN_IN;
    let patience = level.cycle_time * 3.0 + Seconds::new(2.0);
    let mut program: Vec<Segment> = (0..halves)
        .map(|n| {
            let sign = if n % 2 == 0 { 1.0 } else { -1.0 };
            let end = turned(level.turn_round, sign * context.count_sign());
            step_to(level.command * sign, end, Next::Segment(n + 1), patience)
        })
        .collect();
    let last = if halves % 2 == 1 { 1.0 } else { -1.0 };
    program.push(step_to(
        level.command * -last,
        slow_again(last * context.count_sign()),
        Next::Segment(halves + 1),
        patience,
    ));
    program.push(come_to_rest(&context.motion.hold, Seconds::new(20.0)));
    program
}

/// The motion of one level.
pub(super) fn swing(context: &Context<'_>, name: &'static str, level: &ReversalLevel) -> Step {
    let program = program(context, level);
    Step::Move(Box::new(MoveStep {
        acts: Vec::new(),
        name,
        what: format!(
            "The shaft swings to and fro at {:.0} % of rated torque (±{:.2} V), up to {:.0} rpm each way, about \
                     {:.1} turns a swing",
            level.level.get(),
            level.command.get(),
            level.turn_round.get(),
            level.turns.get()
        ),
        timeout: total_timeout(&program),
        program,
        limits: LimitsFor::working(context, Turns::new(20.0) + level.turns * 10.0)
            .command(level.command)
            .limits(),
        expected: level.cycle_time * (f64::from(level.cycles) + 0.75) + Seconds::new(0.5),
    }))
}

/// What the reversals of a level come to.
pub(super) fn measured(
    context: &Context<'_>,
    plan: &ReversalLevel,
    made: &StepEvidence,
) -> Result<ReversalEstimate, String> {
    judge::measure(context, plan, made)
}

impl Check for CommandScale {
    fn id(&self) -> &'static str {
        "command-scale"
    }

    fn title(&self) -> &'static str {
        "Command scale"
    }

    fn shows(&self) -> &'static str {
        "How much torque a volt of command makes: from accelerations of the known inertia at the same speed in four \
         quadrants, by the amplifier's torque read-out, and by its display as a person reads it; whether these agree; the \
         offset at 0 V; how straight the line is over the levels."
    }

    fn is_for(&self, sheet: &AxisSheet) -> bool {
        sheet.command.pair.is_torque()
    }

    fn needs(&self) -> &'static [Need] {
        &[super::COUNTS_PROVEN, super::CAP_PROVEN, super::ENABLE_OBEYED]
    }

    fn plan(&self, context: &Context<'_>) -> Result<Vec<Step>, CannotPlan> {
        let levels = levels(context);
        if levels.len() < LEVELS_MIN {
            let refused = context.motion.reversals.iter().find_map(|l| l.as_ref().err().cloned());
            return Err(refused.unwrap_or(CannotPlan {
                why: "a line needs three levels at least".to_owned(),
                remedy: "a disc of known inertia on the shaft".to_owned(),
            }));
        }
        let mut steps: Vec<Step> = levels.iter().map(|(name, level)| swing(context, name, level)).collect();
        steps.extend(display::steps(context));
        Ok(steps)
    }

    fn goes_on_after(&self, tripped: &StepEvidence) -> bool {
        too_low_to_move(tripped)
    }

    fn judge(&self, context: &Context<'_>, evidence: &[StepEvidence]) -> Judgement {
        judge::judge(context, &levels(context), evidence)
    }
}
