//! A speed command at 0 V.

mod plot;

use proofstand_protocol::message::TripCause;
use proofstand_protocol::program::Next;
use proofstand_units::{Rpm, RpmPerVolt, Seconds, Turns, Volts};

use super::{STEP, sticks};
use crate::checks::evidence::travel;
use crate::checks::rows::Row;
use crate::checks::{Context, Judgement, MoveStep, Step, StepEvidence};
use crate::estimate::speed::{self, SpeedEstimate};
use crate::metrology::{Budget, Contribution, Limits, Sensitivity};
use crate::planner::{CRAWL_RPM, LimitsFor, SpeedCommand, after, come_to_rest, hold, step_to, total_timeout};
use crate::record::model::{ResultRow, Verdict};

/// Time for a speed to settle after the command changed.
const SETTLE: Seconds = Seconds::new(0.4);
/// The drift is slow: it is looked at for so long.
const WINDOW: Seconds = Seconds::new(2.0);
/// The two small speeds that tell what a volt does.
const PROBE: Seconds = Seconds::new(0.6);
/// The segments that measure: at 0 V, forward, reverse.
const AT_ZERO: u8 = 1;
const FORWARD: u8 = 3;
const REVERSE: u8 = 5;
/// Fewer counts are no motion.
const SOME: i64 = 8;

pub(super) fn step(context: &Context<'_>, drive: &SpeedCommand) -> Step {
    let holding = &context.motion.hold;
    let spare = |time: Seconds| time + Seconds::new(1.0);
    let crawl = |sign: f64| Rpm::new(CRAWL_RPM * sign * context.count_sign());
    let mut program = vec![
        step_to(Volts::ZERO, after(SETTLE), Next::Segment(AT_ZERO), spare(SETTLE)),
        step_to(Volts::ZERO, after(WINDOW), Next::Segment(2), spare(WINDOW)),
    ];
    for (sign, measured) in [(1.0, FORWARD), (-1.0, REVERSE)] {
        for (time, next) in [(SETTLE, measured), (PROBE, measured + 1)] {
            program.push(hold(crawl(sign), holding, after(time), Next::Segment(next), spare(time)));
        }
    }
    program.push(come_to_rest(holding, Seconds::new(2.0)));
    Step::Move(Box::new(MoveStep {
        name: STEP,
        what: format!(
            "Enabled at 0 V the shaft may drift; then it turns half a turn at most each way at {CRAWL_RPM:.0} rpm \
             ({:.3} V)",
            drive.volts_for(Rpm::new(CRAWL_RPM)).get()
        ),
        timeout: total_timeout(&program),
        program,
        limits: LimitsFor::slow(context, Turns::new(3.0)).limits(),
        expected: WINDOW + (SETTLE + PROBE) * 2.0 + SETTLE + Seconds::new(0.8),
        acts: Vec::new(),
    }))
}

pub(super) fn judge(context: &Context<'_>, drive: &SpeedCommand, made: &StepEvidence) -> Judgement {
    let mut out = Judgement::default();
    // Where torque never came on there is nothing to say; the nudge says why.
    if made.segment_samples(0).next().is_none() {
        return out;
    }
    out.plots.extend(plot::plots(context, made));
    let Some(drift) = measured(context, made, AT_ZERO) else {
        let why = match made.trip() {
            Some(trip) => crate::fixture::trip_in_words(trip),
            None => "the time at 0 V was not made to its end".to_owned(),
        };
        let verdict = if made.trip().is_some() { Verdict::Rejected } else { Verdict::Undecided };
        out.results.push(drift_row(context).without(verdict, &why));
        return out;
    };
    let drifting = drift.speed * context.count_sign();
    out.results.push(drift_result(context, drive, &drift, drifting));
    out.results.extend(null_result(context, drive, made, &drift, drifting));
    let silent = made.trip().is_some_and(|t| t.cause == TripCause::NoCounts);
    if silent && travel(made).abs() >= SOME {
        out.results.push(sticks());
    }
    out
}

fn drift_row(context: &Context<'_>) -> Row {
    let row = Row::number("creep.drift", "Drift at 0 V, positive as a positive command", "rpm").target(0.0);
    match drift_limits(context) {
        Some(limits) => row.limits(&limits),
        None => row,
    }
}

fn drift_limits(context: &Context<'_>) -> Option<Limits<Rpm>> {
    Limits::around(Rpm::ZERO, context.speed_offset_allowed()?).ok()
}

/// The record's own share of the uncertainty. So slow a shaft sticks and slips: how far it is off an even motion at the
/// ends of the window bounds what it does to the mean.
fn of_the_record(context: &Context<'_>, estimate: &SpeedEstimate) -> Vec<Contribution> {
    let uneven = Rpm::new(estimate.residual.get() / estimate.duration.get() * 60.0);
    let mut all = estimate.contributions(context.equipment.clock);
    all.push(Contribution::normal("uneven motion", uneven));
    all
}

/// The command at 0 V: one level, so that its curve counts as its offset does.
fn command(context: &Context<'_>, per_volt: f64) -> Vec<Contribution> {
    context.equipment.command.at_zero("command at the terminals", per_volt, per_volt)
}

fn drift_result(
    context: &Context<'_>,
    drive: &SpeedCommand,
    drift: &SpeedEstimate,
    drifting: Rpm,
) -> ResultRow {
    let budget = Budget::new(drifting)
        .with_all(of_the_record(context, drift))
        .with_all(command(context, drive.per_volt.get()));
    match drift_limits(context) {
        Some(limits) => drift_row(context).judged(&budget, &limits, context.by_command()),
        None => drift_row(context).without(Verdict::Undecided, "the tolerance leaves no room"),
    }
}

/// The command that would null the drift, by what a volt was seen to do: right also where the scale, or the number of
/// counts, is not.
fn null_result(
    context: &Context<'_>,
    drive: &SpeedCommand,
    made: &StepEvidence,
    drift: &SpeedEstimate,
    drifting: Rpm,
) -> Option<ResultRow> {
    let (forward, reverse) = (measured(context, made, FORWARD)?, measured(context, made, REVERSE)?);
    let volts = volts(made, FORWARD)? - volts(made, REVERSE)?;
    let turned = (forward.speed - reverse.speed) * context.count_sign();
    let gain = RpmPerVolt::new(turned.get() / volts.get());
    // A shaft that does not follow the command has no null.
    if gain.get() < drive.per_volt.get() * 0.1 {
        return None;
    }
    let per_speed = Sensitivity::new(1.0 / gain.get());
    let budget = Budget::new(Volts::new(-drifting.get() / gain.get()))
        .with_all(of_the_record(context, drift).into_iter().map(|c| c.with_sensitivity(per_speed)))
        .with_all(command(context, 1.0));
    let allowed = drive.volts_for(context.speed_offset_allowed()?);
    let row = Row::number("creep.null", "Command that would null the drift", "V").target(0.0);
    Some(row.judged(&budget, &Limits::around(Volts::ZERO, allowed).ok()?, context.by_command()))
}

/// The speed of a segment that was made to its end.
fn measured(context: &Context<'_>, made: &StepEvidence, slot: u8) -> Option<SpeedEstimate> {
    made.segment_start(slot + 1)?;
    let window: Vec<_> = made.segment_samples(slot).copied().collect();
    speed::speed(&window, context.motion.axis.counts_per_rev).ok()
}

fn volts(made: &StepEvidence, slot: u8) -> Option<Volts> {
    let (sum, n) = made
        .segment_samples(slot)
        .fold((0.0, 0_u32), |(sum, n), s| (sum + f64::from(s.command.0) * 1e-6, n + 1));
    (n > 0).then(|| Volts::new(sum / f64::from(n)))
}
