//! What changed over the power cycle.

use proofstand_protocol::message::Sample;
use proofstand_units::{Percent, Rpm};

use super::{
    CAP_AFTER, CAP_BEFORE, COUNT_AFTER, POWER_OFF, POWER_ON, SCALE_AFTER, SCALE_BEFORE, SIGNS, cap_level,
    counts_right_after, proven_before, scale_level,
};
use crate::checks::line_count::{self, SlowScale};
use crate::checks::rows::Row;
use crate::checks::{Context, Judgement, StepEnding, StepEvidence, speed_cap};
use crate::estimate::reversal::{self, ReversalEstimate, ReversalWindow, SETTLING_TIME_CONSTANTS};
use crate::estimate::{Shape, SpeedEstimate, speed};
use crate::metrology::{Budget, Contribution, DegreesOfFreedom, Limits};
use crate::record::model::{NotDone, ResultRow, Verdict};
use crate::sheet::{FlagRole, Polarity};

/// Samples of the short windows by which a passage is found, as in the command scale.
const SMOOTHING: usize = 9;
/// Torque lost or gained while somebody switched: magnets change by 0.1 to 0.2 % in a kelvin (from memory), and the winding
/// cools by about that.
const TEMPERATURE: Percent = Percent::new(0.15);

pub(super) fn judge(context: &Context<'_>, evidence: &[StepEvidence]) -> Judgement {
    let mut out = Judgement::default();
    let find = |name: &str| evidence.iter().find(|e| e.name == name);
    let switched = [POWER_OFF, POWER_ON].map(|name| find(name).filter(|e| e.ending == StepEnding::Finished));
    let [Some(off), Some(_)] = switched else {
        out.results.extend(tripped_before(evidence));
        out.not_done = Some(NotDone {
            why: "control power was not switched off and on".to_owned(),
            would_allow: "a supply that can be switched, and somebody who switches it".to_owned(),
            ..NotDone::default()
        });
        return out;
    };
    out.results.push(seen_going_off(off));
    for (name, sign) in COUNT_AFTER.into_iter().zip(SIGNS) {
        out.results.extend(find(name).map(|made| counts(context, sign, made)));
    }
    out.results.extend(speed_gain(context, COUNT_AFTER.map(find)));
    if !proven_before(context) {
        out.notes.push(
            "Cap, flag and faster motion were not compared: they had not been accepted before the power cycle.".to_owned(),
        );
        return out;
    }
    if !counts_right_after(context, evidence) {
        out.notes.push(
            "Nothing faster was tried after the power cycle: its counts are not what they must be."
                .to_owned(),
        );
        return out;
    }
    if let (Some(before), Some(after)) = (find(CAP_BEFORE), find(CAP_AFTER)) {
        out.results.extend(cap(context, before, after));
    }
    if let (Some(before), Some(after)) = (find(SCALE_BEFORE), find(SCALE_AFTER)) {
        out.results.extend(torque_gain(context, before, after));
    }
    out
}

/// A motion that had been accepted and tripped when it was made again, before the power cycle.
fn tripped_before(evidence: &[StepEvidence]) -> Option<ResultRow> {
    let trip = evidence.iter().find_map(StepEvidence::trip)?;
    Some(Row::text("retention.before", "The same motions before the power cycle", "made").is(
        "tripped",
        Verdict::Undecided,
        &crate::fixture::trip_in_words(trip),
    ))
}

/// A power cycle that no line shows is none.
fn seen_going_off(off: &StepEvidence) -> ResultRow {
    let row = Row::text("retention.cycled", "Control power went off and came back", "seen");
    let first = off.samples.first().map(|s| s.flags);
    // The encoder pairs go dead with control power. A board that can't tell sees it by the flags.
    let gone = match off.encoder_driven {
        Some(driven) => !driven,
        None => off.samples.iter().any(|s| Some(s.flags) != first),
    };
    if gone {
        row.is("seen", Verdict::Accepted, "the amplifier's lines went with it")
    } else {
        row.is(
            "not seen",
            Verdict::Undecided,
            "no line went when it should have gone off: was it this amplifier's?",
        )
    }
}

/// Counts after the cycle against the sheet, and against what they were before.
fn counts(context: &Context<'_>, sign: f64, made: &StepEvidence) -> ResultRow {
    let per_rev = i64::from(context.motion.axis.counts_per_rev.get());
    let way = if sign > 0.0 { "forward" } else { "reverse" };
    let row = Row::number(
        &format!("retention.counts-{way}"),
        &format!("Counts per revolution after the power cycle, {way}"),
        "counts",
    )
    .target(per_rev as f64)
    .exact();
    let counted = line_count::intervals(made, context.motion.axis.counts_per_rev);
    let Some(worst) = counted.iter().copied().max_by_key(|c| (c - per_rev).abs()) else {
        let why = made
            .trip()
            .map_or_else(|| "fewer than two index pulses came".to_owned(), crate::fixture::trip_in_words);
        // Where none was counted before either, nothing is known to have changed.
        let counted_once = counted_before(context, per_rev).is_some();
        let verdict = if counted_once { Verdict::Rejected } else { Verdict::Undecided };
        return row.without(verdict, &why);
    };
    let row = row.measured(worst as f64);
    match counted_before(context, per_rev) {
        Some(before) if before != per_rev && worst == per_rev => row.verdict(
            Verdict::Rejected,
            &format!(
                "right now, and {before} before the power cycle: the setting was not in force until then"
            ),
        ),
        Some(before) if worst != per_rev && before == worst => {
            row.verdict(Verdict::Accepted, "unchanged: what was wrong before still is")
        }
        Some(before) if worst != per_rev => {
            row.verdict(Verdict::Rejected, &format!("it was {before} before the power cycle"))
        }
        _ if worst == per_rev && made.trip().is_none() => {
            row.verdict(Verdict::Accepted, &format!("all {} intervals are exact, as before", counted.len()))
        }
        _ => row.verdict(Verdict::Rejected, &made.ended_in_words()),
    }
}

/// What the slow count, or the nudge, had found: the farthest from the target.
fn counted_before(context: &Context<'_>, per_rev: i64) -> Option<i64> {
    let rows = context.earlier.iter().filter(|c| c.id == "nudge" || c.id == "line-count-slow");
    let counted = rows.flat_map(|c| &c.results).filter(|r| r.target == Some(per_rev as f64));
    counted.filter_map(|r| r.measured).map(|m| m as i64).max_by_key(|c| (c - per_rev).abs())
}

/// A change in percent of the value before, against the sheet's tolerance for retention.
fn change(
    context: &Context<'_>,
    id: &str,
    name: &str,
    ratio: f64,
    relative: f64,
    nu: DegreesOfFreedom,
    more: Option<Contribution>,
) -> ResultRow {
    let row = Row::number(id, name, "%").target(0.0);
    let scatter =
        Contribution::type_a("scatter before and after", Percent::new(100.0 * ratio * relative), nu);
    let budget = Budget::new(Percent::new(100.0 * (ratio - 1.0))).with(scatter).with_all(more);
    match Limits::around(Percent::ZERO, context.sheet.tolerances.retention_gain.value) {
        // Calibration, inertia and clock are the same before and after: they cancel in the ratio.
        Ok(limits) => row.judged(&budget, &limits, context.by()),
        Err(_) => row.without(Verdict::Undecided, "the tolerance leaves no room"),
    }
}

const GAIN: (&str, &str) = ("retention.gain", "Change of the command scale over the power cycle");

/// A speed command's scale, by the slow counts.
fn speed_gain(context: &Context<'_>, counted: [Option<&StepEvidence>; 2]) -> Option<ResultRow> {
    let earlier = context.earlier.iter().flat_map(|c| &c.results).find(|r| r.id == line_count::SLOW_SCALE)?;
    let before = earlier.measured?;
    let [forward, reverse] = counted;
    let after = SlowScale::of(context, forward?, reverse?)?;
    // Measured in the same way and at least as long: no surer than this one.
    let relative = after.scatter.get() / after.gain.get() * core::f64::consts::SQRT_2;
    Some(change(
        context,
        GAIN.0,
        GAIN.1,
        after.gain.get() / before,
        relative,
        DegreesOfFreedom::INFINITE,
        None,
    ))
}

/// A torque command's scale, by reversal at one level.
fn torque_gain(context: &Context<'_>, before: &StepEvidence, after: &StepEvidence) -> Option<ResultRow> {
    let measured = |made: &StepEvidence| reversal_of(context, made);
    let row = || Row::number(GAIN.0, GAIN.1, "%").target(0.0);
    if let Some(trip) = after.trip() {
        return Some(row().without(Verdict::Rejected, &crate::fixture::trip_in_words(trip)));
    }
    let (Some(before), Some(after)) = (measured(before)?.ok(), measured(after)?.ok()) else {
        return Some(row().without(Verdict::Undecided, "the reversal gave no torque before or after"));
    };
    let relative = |e: &ReversalEstimate| e.gain.standard_uncertainty.get() / e.gain.mean.get();
    let nu = [&before, &after]
        .into_iter()
        .filter_map(|e| e.gain.degrees_of_freedom.finite())
        .fold(f64::INFINITY, f64::min);
    Some(change(
        context,
        GAIN.0,
        GAIN.1,
        after.gain.mean.get() / before.gain.mean.get(),
        relative(&before).hypot(relative(&after)),
        // Two estimates alike, each with so many degrees of freedom: at least as many together.
        DegreesOfFreedom::new(nu).unwrap_or(DegreesOfFreedom::INFINITE),
        Some(Contribution::rectangular("temperature of motor and amplifier", TEMPERATURE)),
    ))
}

fn reversal_of(
    context: &Context<'_>,
    made: &StepEvidence,
) -> Option<Result<ReversalEstimate, crate::estimate::EstimateError>> {
    let plan = scale_level(context)?;
    let window = ReversalWindow {
        low: plan.window.0,
        high: plan.window.1,
        settle: context.motion.axis.lag * SETTLING_TIME_CONSTANTS,
        shape: Shape::Cubic,
        smoothing: SMOOTHING,
    };
    let halves = 2 * plan.cycles + 1;
    let driven: Vec<Sample> = made.samples.iter().filter(|s| s.segment < halves).copied().collect();
    Some(reversal::reversal(&driven, context.motion.axis.counts_per_rev, &window))
}

/// Held speed and flag.
fn cap(context: &Context<'_>, before: &StepEvidence, after: &StepEvidence) -> Vec<ResultRow> {
    let (id, name) = ("retention.cap", "Change of the held speed over the power cycle");
    let mut rows = Vec::new();
    if let Some(trip) = after.trip() {
        let why = format!("after the power cycle: {}", crate::fixture::trip_in_words(trip));
        rows.push(Row::number(id, name, "%").target(0.0).without(Verdict::Rejected, &why));
        return rows;
    }
    match (held(context, before), held(context, after)) {
        (Some(b), Some(a)) => {
            let relative = |e: &SpeedEstimate| e.standard_uncertainty.get() / e.speed.get().abs();
            let ratio = a.speed.get() / b.speed.get();
            let u = relative(&a).hypot(relative(&b));
            rows.push(change(context, id, name, ratio, u, DegreesOfFreedom::INFINITE, None));
        }
        _ => rows.push(
            Row::number(id, name, "%")
                .target(0.0)
                .without(Verdict::Undecided, "the speed never came to the cap"),
        ),
    }
    rows.extend(flag(context, before, after));
    rows
}

fn held(context: &Context<'_>, made: &StepEvidence) -> Option<SpeedEstimate> {
    let plan = cap_level(context)?;
    let hold: Vec<Sample> = made.segment_samples(speed_cap::HOLD).copied().collect();
    let window = (plan.window.to_millis() as usize).min(hold.len());
    let last = hold.get(hold.len() - window..)?;
    speed::speed(last, context.motion.axis.counts_per_rev).ok().filter(|s| s.speed != Rpm::ZERO)
}

/// Idle at standstill and active while the speed is held, as before.
fn flag(context: &Context<'_>, before: &StepEvidence, after: &StepEvidence) -> Option<ResultRow> {
    let flag = context.sheet.flag(FlagRole::HoldingSpeedDown)?;
    let active = |s: &Sample| {
        (s.flags & (1 << (flag.fixture_input & 7)) != 0) == (flag.active == Polarity::Conducting)
    };
    let seen = |made: &StepEvidence| {
        Some((active(made.samples.first()?), active(made.segment_samples(speed_cap::HOLD).last()?)))
    };
    let (then, now) = (seen(before)?, seen(after)?);
    let row = Row::text("retention.flag", "Flag at standstill and while the speed is held", "as before");
    Some(if then == now {
        row.is("as before", Verdict::Accepted, "it is where it was, at standstill and at the cap")
    } else {
        let found = format!(
            "{} at standstill, {} at the cap",
            if now.0 { "active" } else { "idle" },
            if now.1 { "active" } else { "idle" }
        );
        row.is(&found, Verdict::Rejected, "the flag does something else after the power cycle")
    })
}
