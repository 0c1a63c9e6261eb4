//! How soon the torque follows its command: the command alternates while a burst is taken.
//!
//! The stream of samples is too slow for it: at 1 kHz one sample lies before the response and the next behind it.

mod judge;

use proofstand_protocol::message::BurstKind;
use proofstand_protocol::program::{End, Next, Segment};
use proofstand_protocol::units::Ticks;
use proofstand_units::{Rpm, Seconds, Turns, Volts};

use super::speed_cap::slow_again;
use super::step::{Act, ActAt, ActWhat};
use super::{Check, Context, Judgement, MoveStep, Need, Step, StepEvidence};
use crate::estimate::step_response::expected_scatter;
use crate::fixture::BurstOrder;
use crate::planner::{
    Alternation, CannotPlan, LimitsFor, after, alternation, milli_rpm, step_to, total_timeout,
};
use crate::sheet::{AxisSheet, Basis};

/// The check.
pub(super) struct StepResponse;

/// Positions at 10 kHz for a tenth of a second: all that the fixture holds.
const POSITIONS: BurstOrder = BurstOrder { kind: BurstKind::Position, period_us: 100, points: 1024 };
/// Read-outs as fast as they can be taken.
const READ_OUTS: BurstOrder = BurstOrder { kind: BurstKind::ReadOuts, period_us: 40, points: 1024 };
/// Points are left out of the fit for so many time constants after a step: e⁻⁵ of the transient is left then.
const SETTLE: f64 = 5.0;
/// A position is uncertain by the count, and by what cogging leaves, together about so many counts.
const DEVIATION: f64 = 0.5;

/// One run: its name, the command's sign and what is captured.
struct Run {
    name: &'static str,
    sign: f64,
    order: BurstOrder,
}

fn runs(context: &Context<'_>) -> Vec<Run> {
    let mut runs = vec![
        Run { name: "positions forward", sign: 1.0, order: POSITIONS },
        Run { name: "positions reverse", sign: -1.0, order: POSITIONS },
    ];
    if context.sheet.torque_read_out.is_some() {
        runs.push(Run { name: "read-out forward", sign: 1.0, order: READ_OUTS });
        runs.push(Run { name: "read-out reverse", sign: -1.0, order: READ_OUTS });
    }
    runs
}

/// The delay that the sheet's time constants make, if it states both.
fn stated(context: &Context<'_>) -> Option<Seconds> {
    let amplifier = &context.sheet.amplifier;
    let both = [amplifier.command_filter, amplifier.torque_time_constant];
    both.iter().all(|s| s.basis == Basis::Sheet).then(|| both[0].value + both[1].value)
}

/// The longest delay that is accepted, if the sheet states one.
fn longest(context: &Context<'_>) -> Option<Seconds> {
    let more = context.sheet.tolerances.step_response.value.get() / 100.0;
    stated(context).map(|delay| delay * (1.0 + more))
}

fn plan(context: &Context<'_>) -> Result<Alternation, CannotPlan> {
    let plan = alternation(&context.motion.axis)?;
    let (Some(stated), Some(longest)) = (stated(context), longest(context)) else { return Ok(plan) };
    let expected = expected_uncertainty(context, &plan);
    let room = longest - stated;
    if expected < room {
        return Ok(plan);
    }
    Err(CannotPlan {
        why: format!(
            "not capable: the delay would be known to ±{:.2} ms, and {:.2} ms are all that lie between the stated {:.2} ms \
             and the limit",
            expected.to_millis(),
            room.to_millis(),
            stated.to_millis()
        ),
        remedy: "more counts per revolution, a lighter rotor, or a wider tolerance".to_owned(),
    })
}

/// Expanded uncertainty (k = 2) to be expected of the mean of both directions.
fn expected_uncertainty(context: &Context<'_>, plan: &Alternation) -> Seconds {
    let axis = &context.motion.axis;
    let counts_per_radian = f64::from(axis.counts_per_rev.get()) / core::f64::consts::TAU;
    let change = 2.0 * axis.acceleration(axis.torque_at(plan.level)).get() * counts_per_radian;
    let scatter = expected_scatter(
        f64::from(POSITIONS.period_us) * 1e-6,
        usize::from(POSITIONS.points),
        plan.half.get(),
        SETTLE * axis.lag.get(),
        change,
        DEVIATION,
    );
    scatter.unwrap_or(Seconds::new(f64::INFINITY)) * (2.0 / 2f64.sqrt())
}

fn program(context: &Context<'_>, plan: &Alternation, sign: f64) -> Vec<Segment> {
    let counting = sign * context.count_sign();
    let patience = plan.run_up * 4.0 + Seconds::new(2.0);
    let begin = milli_rpm(plan.begin * counting);
    let reached = if counting > 0.0 { End::SpeedAtLeast(begin) } else { End::SpeedAtMost(begin) };
    let mut program = vec![step_to(plan.command * sign, reached, Next::Segment(1), patience)];
    for n in 1..=plan.halves {
        program.push(step_to(
            plan.command * command_in(n, sign),
            after(plan.half),
            Next::Segment(n + 1),
            plan.half + Seconds::new(0.1),
        ));
    }
    let brake = plan.halves + 1;
    program.push(step_to(plan.command * -sign, slow_again(counting), Next::Segment(brake + 1), patience));
    program.push(step_to(Volts::ZERO, End::Standstill(Ticks(100)), Next::Finish, Seconds::new(20.0)));
    program
}

/// Sign of the command in a segment; the run-up is segment 0.
const fn command_in(segment: u8, sign: f64) -> f64 {
    if segment.is_multiple_of(2) { sign } else { -sign }
}

impl Check for StepResponse {
    fn id(&self) -> &'static str {
        "step-response"
    }

    fn title(&self) -> &'static str {
        "Step response of the torque"
    }

    fn shows(&self) -> &'static str {
        "How far the torque is behind its command, from bursts of positions while the command alternates; and, where there \
         is a torque read-out, when its response passes 63.2 % and how long it takes from 10 to 90 %."
    }

    fn is_for(&self, sheet: &AxisSheet) -> bool {
        sheet.command.pair.is_torque()
    }

    fn needs(&self) -> &'static [Need] {
        &[
            super::COUNTS_PROVEN,
            Need {
                check: "speed-cap",
                result: "speed-cap.active",
                why: "no working speed is reached by torque until the speed cap is proven",
            },
        ]
    }

    fn plan(&self, context: &Context<'_>) -> Result<Vec<Step>, CannotPlan> {
        let plan = plan(context)?;
        let steps = runs(context).into_iter().map(|run| {
            let program = program(context, &plan, run.sign);
            let turning = Rpm::new(plan.begin.get() * run.sign * context.count_sign());
            Step::Move(Box::new(MoveStep {
                name: run.name,
                what: format!(
                    "The shaft turns {} at about {:.0} rpm while the command alternates by ±{:.0} % of rated torque (±{:.2} \
                     V), about {:.0} turns",
                    context.way(turning),
                    plan.begin.get(),
                    plan.level.get(),
                    plan.command.get(),
                    plan.turns.get().ceil()
                ),
                timeout: total_timeout(&program),
                program,
                limits: LimitsFor::working(context, Turns::new(20.0) + plan.turns * 4.0)
                    .command(plan.command)
                    .limits(),
                expected: plan.run_up * 2.0 + plan.half * f64::from(plan.halves) + Seconds::new(0.6),
                acts: vec![Act {
                    at: ActAt { slot: 1, after: Seconds::ZERO },
                    what: ActWhat::Burst(run.order),
                }],
            }))
        });
        Ok(steps.collect())
    }

    fn judge(&self, context: &Context<'_>, evidence: &[StepEvidence]) -> Judgement {
        match plan(context) {
            Ok(plan) => judge::judge(context, &plan, evidence),
            Err(_) => Judgement::default(),
        }
    }
}
