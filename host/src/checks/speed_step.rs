//! How soon, and how evenly, the speed follows a small step of its command: the command alternates about a working speed
//! while bursts are taken.

mod judge;
mod plot;

use proofstand_protocol::message::BurstKind;
use proofstand_protocol::program::{Next, Segment};
use proofstand_units::{Percent, Rpm, Seconds, Turns, Volts};

use super::step::{Act, ActAt, ActWhat};
use super::{Check, Context, Judgement, MoveStep, Need, Step, StepEvidence};
use crate::estimate::speed_step::expected_scatter;
use crate::fixture::BurstOrder;
use crate::planner::{
    CannotPlan, LimitsFor, SPEED_STEP_POINTS, SpeedCommand, SpeedSteps, after, come_to_rest, ramp,
    speed_steps, step_to, total_timeout,
};
use crate::sheet::{AxisSheet, Basis};

/// The check.
pub(super) struct SpeedStep;

/// Step names, with the command's sign.
const WAYS: [(&str, f64); 2] = [("forward", 1.0), ("reverse", -1.0)];
/// Bursts of all runs together.
const BURSTS: usize = 4;
/// A position is uncertain by the count, and by what cogging leaves, together about so many counts.
const DEVIATION: f64 = 0.5;
/// Longest that the axis is given to stop.
const STOP: Seconds = Seconds::new(2.0);

/// The time constant that the sheet states, if it states one.
fn stated(context: &Context<'_>) -> Option<Seconds> {
    let constant = context.sheet.amplifier.speed_time_constant;
    (constant.basis == Basis::Sheet).then_some(constant.value)
}

/// The longest time that is accepted where so much is stated.
fn longest(context: &Context<'_>, stated: Seconds) -> Seconds {
    stated * (1.0 + context.sheet.tolerances.step_response.value.get() / 100.0)
}

fn drive(context: &Context<'_>) -> Result<SpeedCommand, CannotPlan> {
    context.motion.hold.speed_command().ok_or_else(|| CannotPlan {
        why: "the axis takes a torque command".to_owned(),
        remedy: "the step response of the torque".to_owned(),
    })
}

fn plan(context: &Context<'_>) -> Result<SpeedSteps, CannotPlan> {
    let axis = &context.motion.axis;
    let plan = speed_steps(axis, &drive(context)?)?;
    let per_second = plan.step.get() / 60.0 * f64::from(axis.counts_per_rev.get());
    let burst = (f64::from(plan.period_us) * 1e-6, usize::from(SPEED_STEP_POINTS));
    let (time, over) = expected_scatter(burst, (plan.expected, plan.half), per_second, DEVIATION, BURSTS)
        .unwrap_or((Seconds::new(f64::INFINITY), Percent::new(f64::INFINITY)));
    let remedy = "more counts per revolution, or a wider tolerance";
    if let Some(stated) = stated(context) {
        let room = longest(context, stated) - stated;
        if time * 2.0 >= room {
            return Err(CannotPlan {
                why: format!(
                    "not capable: the time constant would be known to ±{:.2} ms, and {:.2} ms are all that lie between the \
                     stated {:.2} ms and the limit; a step is {:.0} rpm, {:.0} counts in that time",
                    time.to_millis() * 2.0,
                    room.to_millis(),
                    stated.to_millis(),
                    plan.step.get(),
                    per_second * stated.get()
                ),
                remedy: remedy.to_owned(),
            });
        }
    }
    let most = context.sheet.tolerances.speed_overshoot.value;
    if over * 2.0 >= most {
        return Err(CannotPlan {
            why: format!(
                "not capable: the overshoot would be known to ±{:.1} % of the step, and it may be {:.1} %",
                over.get() * 2.0,
                most.get()
            ),
            remedy: remedy.to_owned(),
        });
    }
    Ok(plan)
}

/// Up to the base speed, then the steps, then down to standstill.
fn program(context: &Context<'_>, drive: &SpeedCommand, plan: &SpeedSteps, sign: f64) -> Vec<Segment> {
    let slope = drive.volts_per_second();
    let run_up = plan.run_up;
    let base = plan.command_in(0, drive) * sign;
    let mut program = vec![ramp(base, slope, after(run_up), Next::Segment(1), run_up + Seconds::new(1.0))];
    for n in 1..=plan.halves {
        program.push(step_to(
            plan.command_in(n, drive) * sign,
            after(plan.half),
            Next::Segment(n + 1),
            plan.half + Seconds::new(0.1),
        ));
    }
    let down = plan.run_up;
    let last = Next::Segment(plan.halves + 2);
    program.push(ramp(Volts::ZERO, slope, after(down), last, down + Seconds::new(1.0)));
    program.push(come_to_rest(&context.motion.hold, STOP));
    program
}

impl Check for SpeedStep {
    fn id(&self) -> &'static str {
        "speed-step"
    }

    fn title(&self) -> &'static str {
        "Step response of the speed"
    }

    fn shows(&self) -> &'static str {
        "How the closed speed loop answers small steps of its command about a working speed, both ways, averaged over bursts \
         of positions: when the speed has made 63.2 % of the step, how long it takes from 10 to 90 %, how far it overshoots."
    }

    /// Behind a ramp of the amplifier's own a step shows the ramp, which the sheet states, and not the loop.
    fn is_for(&self, sheet: &AxisSheet) -> bool {
        !sheet.command.pair.is_torque() && sheet.amplifier.steepest_ramp().is_none()
    }

    fn needs(&self) -> &'static [Need] {
        &[super::COUNTS_PROVEN, super::CAP_BEFORE_WORKING_SPEED]
    }

    fn plan(&self, context: &Context<'_>) -> Result<Vec<Step>, CannotPlan> {
        let (plan, drive) = (plan(context)?, drive(context)?);
        let order =
            BurstOrder { kind: BurstKind::Position, period_us: plan.period_us, points: SPEED_STEP_POINTS };
        let burst = |slot| Act { at: ActAt { slot, after: Seconds::ZERO }, what: ActWhat::Burst(order) };
        let step = |(name, sign): (&'static str, f64)| {
            let program = program(context, &drive, &plan, sign);
            Step::Move(Box::new(MoveStep {
                name,
                what: format!(
                    "The shaft turns {} at {:.0} rpm while the command steps by {:.0} rpm ({:.2} V) to and fro, about {:.0} \
                     turns",
                    context.way(Rpm::new(sign * context.count_sign())),
                    plan.base.get(),
                    plan.step.get(),
                    drive.volts_for(plan.step).get(),
                    plan.turns.get().ceil()
                ),
                timeout: total_timeout(&program),
                program,
                limits: LimitsFor::working(context, plan.turns * 2.0 + Turns::new(20.0))
                    .command(drive.volts_for(plan.highest()))
                    .stepping(drive.volts_for(plan.step), plan.trip())
                    .limits(),
                expected: plan.run_up * 2.0 + plan.half * f64::from(plan.halves) + Seconds::new(0.8),
                acts: vec![burst(1), burst(plan.second_burst)],
            }))
        };
        Ok(WAYS.into_iter().map(step).collect())
    }

    fn judge(&self, context: &Context<'_>, evidence: &[StepEvidence]) -> Judgement {
        match plan(context).and_then(|plan| Ok((plan, drive(context)?))) {
            Ok((plan, drive)) => judge::judge(context, &plan, &drive, evidence),
            Err(_) => Judgement::default(),
        }
    }
}

#[cfg(test)]
mod tests {
    use proofstand_protocol::program::Drive;

    use super::*;
    use crate::checks::tests::with_axis;

    #[test]
    fn the_fixture_is_told_to_let_the_largest_planned_step_through_and_hardly_more() {
        with_axis("batch-auger.toml", |context| {
            for step in SpeedStep.plan(context).unwrap() {
                let Step::Move(step) = step else { panic!("only motion is planned") };
                let targets: Vec<i32> = step
                    .program
                    .iter()
                    .filter_map(|segment| match segment.drive {
                        Drive::Command { target, .. } => Some(target.0),
                        Drive::HoldSpeed { .. } => None,
                    })
                    .collect();
                // The first segment and the last but one are ramps; between them the command steps.
                let steps = &targets[..targets.len() - 2];
                let largest = steps.windows(2).map(|w| w[0].abs_diff(w[1])).max().unwrap();
                let slew = step.limits.slew.0;
                assert!((largest..largest + largest / 100 + 2000).contains(&slew), "{slew} for {largest} µV");
            }
        });
    }
}
