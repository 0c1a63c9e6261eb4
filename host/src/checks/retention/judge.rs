//! What changed over the power cycle.

use proofstand_protocol::message::Sample;
use proofstand_units::{Percent, Rpm};

use super::change::{Change, Side, clock, voltage};
use super::{
    CAP_AFTER, CAP_BEFORE, COUNT_AFTER, POWER_OFF, POWER_ON, SCALE_AFTER, SCALE_BEFORE, SIGNS, came_back,
    cap_level, counts_right_after, proven_before, scale_level,
};
use crate::checks::line_count::{self, SlowScale};
use crate::checks::rows::Row;
use crate::checks::{Context, Judgement, StepEnding, StepEvidence, speed_cap};
use crate::estimate::reversal::{self, ReversalEstimate, ReversalWindow, SETTLING_TIME_CONSTANTS};
use crate::estimate::{Shape, SpeedEstimate, speed};
use crate::metrology::Contribution;
use crate::planner::CannotPlan;
use crate::record::model::{NotDone, ResultRow, Verdict};
use crate::sheet::{Flag, FlagRole};

/// A flag that does what it did before.
pub(crate) const AS_BEFORE: &str = "as before";
/// Samples of the short windows by which a passage is found, as in the command scale.
const SMOOTHING: usize = 9;
/// Torque lost or gained while somebody switched: magnets change by 0.1 to 0.2 % in a kelvin (from memory), and the winding
/// cools by about that.
const TEMPERATURE: Percent = Percent::new(0.15);

pub(super) fn judge(context: &Context<'_>, evidence: &[StepEvidence]) -> Judgement {
    let mut out = Judgement::default();
    let find = |name: &str| evidence.iter().find(|e| e.name == name);
    let switched = [POWER_OFF, POWER_ON].map(|name| find(name).filter(|e| e.ending == StepEnding::Finished));
    let [Some(off), Some(on)] = switched else {
        out.results.extend(tripped_before(evidence));
        out.not_done = Some(NotDone {
            why: "control power was not switched off and on".to_owned(),
            would_allow: "a supply that can be switched, and somebody who switches it".to_owned(),
            ..NotDone::default()
        });
        return out;
    };
    out.results.push(cycled(off, on));
    let counted = COUNT_AFTER.map(find);
    out.results.extend(SIGNS.into_iter().zip(counted).map(|(sign, made)| counts(context, sign, made)));
    // Every part has its row: what could not be compared is never passed over.
    let compared = faster(context, evidence);
    out.results.push(if context.sheet.command.pair.is_torque() {
        compared
            .clone()
            .and_then(|()| torque_gain(context, find(SCALE_BEFORE), find(SCALE_AFTER)))
            .unwrap_or_else(|missing| missing.row(gain_row()))
    } else {
        speed_gain(context, counted).unwrap_or_else(|missing| missing.row(gain_row()))
    });
    let made = compared.and_then(|()| finished(find(CAP_BEFORE), find(CAP_AFTER), why_no_cap(context)));
    out.results.push(match &made {
        Ok((before, after)) => cap(context, before, after),
        Err(missing) => missing.clone().row(cap_row()),
    });
    if let Some(of) = context.sheet.flag(FlagRole::HoldingSpeedDown) {
        out.results.push(match &made {
            Ok((before, after)) => flag(of, before, after),
            // What the motion says is the held speed's result; the flag was only not seen.
            Err(missing) => flag_row().without(Verdict::NotDone, &missing.why),
        });
    }
    out.plots.extend(super::plot::plot(context, evidence));
    out
}

/// Why a part could not be compared, and what that says.
#[derive(Debug, Clone)]
pub(super) struct Missing {
    pub(super) verdict: Verdict,
    why: String,
}

impl Missing {
    fn not_done(why: impl Into<String>) -> Self {
        Self { verdict: Verdict::NotDone, why: why.into() }
    }

    fn undecided(why: impl Into<String>) -> Self {
        Self { verdict: Verdict::Undecided, why: why.into() }
    }

    fn row(self, row: Row) -> ResultRow {
        row.without(self.verdict, &self.why)
    }
}

/// Whether anything faster than counting was tried, before and after.
fn faster(context: &Context<'_>, evidence: &[StepEvidence]) -> Result<(), Missing> {
    if !proven_before(context) {
        return Err(Missing::not_done(
            "not compared: counts and speed cap had not been accepted before the power cycle",
        ));
    }
    if !counts_right_after(context, evidence) {
        return Err(Missing::not_done(
            "not compared: after the power cycle the counts are not known to be what they must be, and nothing faster \
             was tried",
        ));
    }
    Ok(())
}

/// The same motion before and after, both made to their ends. One that ended well before and not after has changed.
pub(super) fn finished<'a>(
    before: Option<&'a StepEvidence>,
    after: Option<&'a StepEvidence>,
    why_none: String,
) -> Result<(&'a StepEvidence, &'a StepEvidence), Missing> {
    let before = before.ok_or_else(|| Missing::not_done(why_none))?;
    if before.ending != StepEnding::Finished {
        let ended = before.ended_in_words();
        return Err(Missing::undecided(format!(
            "nothing to compare with: before the power cycle it {ended}"
        )));
    }
    let after = after
        .ok_or_else(|| Missing::not_done("not compared: the motion after the power cycle was not made"))?;
    if after.ending != StepEnding::Finished {
        let why = format!("it finished before the power cycle, and after it: {}", after.ended_in_words());
        return Err(Missing { verdict: Verdict::Rejected, why });
    }
    Ok((before, after))
}

/// Why no level was planned at which the cap is held.
fn why_no_cap(context: &Context<'_>) -> String {
    let why = context.motion.cap_runs.iter().find_map(|r| r.as_ref().err());
    not_planned(why)
}

/// Why no level was planned at which the scale is measured.
fn why_no_scale(context: &Context<'_>) -> String {
    not_planned(context.motion.reversals.iter().find_map(|r| r.as_ref().err()))
}

fn not_planned(why: Option<&CannotPlan>) -> String {
    why.map_or_else(
        || "not compared: no motion of this axis shows it".to_owned(),
        |cannot| format!("not compared: {}; what would allow it: {}", cannot.why, cannot.remedy),
    )
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

/// A power cycle that no line shows is none: the encoder pairs go dead with control power and are driven again with it. A
/// board that can't tell sees both by the flags.
pub(super) fn cycled(off: &StepEvidence, on: &StepEvidence) -> ResultRow {
    let row = Row::text("retention.cycled", "Control power went off and came back", "seen");
    let first = off.samples.first().map(|s| s.flags);
    let gone = match off.encoder_driven {
        Some(driven) => !driven,
        None => off.samples.iter().any(|s| Some(s.flags) != first),
    };
    if !gone {
        return row.is(
            "not seen",
            Verdict::Undecided,
            "no line went when it should have gone off: was it this amplifier's?",
        );
    }
    if came_back(off, on) {
        row.is("seen", Verdict::Accepted, "the amplifier's lines went with it, and came again")
    } else {
        row.is(
            "went off only",
            Verdict::Undecided,
            "the amplifier's lines did not come again in the time that the sheet gives the encoder: is all of the supply on?",
        )
    }
}

/// Counts after the cycle against the sheet, and against what they were before.
fn counts(context: &Context<'_>, sign: f64, made: Option<&StepEvidence>) -> ResultRow {
    let per_rev = i64::from(context.motion.axis.counts_per_rev.get());
    let way = if sign > 0.0 { "forward" } else { "reverse" };
    let row = Row::number(
        &format!("retention.counts-{way}"),
        &format!("Counts per revolution after the power cycle, {way}"),
        "counts",
    )
    .target(per_rev as f64)
    .exact();
    let Some(made) = made else {
        return row.without(Verdict::NotDone, "not counted: the motion after the power cycle was not made");
    };
    let before = counted_before(context, per_rev);
    let counted = line_count::intervals(made, context.motion.axis.counts_per_rev);
    let Some(worst) = counted.iter().copied().max_by_key(|c| (c - per_rev).abs()) else {
        let why = made
            .trip()
            .map_or_else(|| "fewer than two index pulses came".to_owned(), crate::fixture::trip_in_words);
        // Where none was counted before either, nothing is known to have changed.
        let verdict = if before.is_some() { Verdict::Rejected } else { Verdict::Undecided };
        return row.without(verdict, &why);
    };
    let (verdict, why) = compared(worst, per_rev, before, made, counted.len());
    row.measured(worst as f64).verdict(verdict, &why)
}

/// What the count farthest from the target says, with what was counted before and how the motion ended.
pub(super) fn compared(
    worst: i64,
    per_rev: i64,
    before: Option<i64>,
    made: &StepEvidence,
    intervals: usize,
) -> (Verdict, String) {
    if worst != per_rev {
        let why = match before {
            Some(before) if before == worst => "it was as wrong before the power cycle".to_owned(),
            Some(before) => format!("it was {before} before the power cycle"),
            None => "nothing was counted before the power cycle".to_owned(),
        };
        return (Verdict::Rejected, why);
    }
    match (before, made.ending) {
        (Some(before), _) if before != per_rev => (
            Verdict::Rejected,
            format!(
                "right now, and {before} before the power cycle: the setting was not in force until then"
            ),
        ),
        (_, StepEnding::Tripped(_)) => (Verdict::Rejected, made.ended_in_words()),
        (Some(_), StepEnding::Finished) => {
            (Verdict::Accepted, format!("all {intervals} intervals are exact, as before"))
        }
        (None, StepEnding::Finished) => (
            Verdict::Undecided,
            "right, but nothing was counted before the power cycle to compare with".to_owned(),
        ),
        _ => {
            (Verdict::Undecided, format!("{intervals} intervals were right, then: {}", made.ended_in_words()))
        }
    }
}

/// What the slow count, or the nudge, had found: the farthest from the target.
pub(super) fn counted_before(context: &Context<'_>, per_rev: i64) -> Option<i64> {
    let rows = context.earlier.iter().filter(|c| c.id == "nudge" || c.id == "line-count-slow");
    let counted = rows.flat_map(|c| &c.results).filter(|r| r.target == Some(per_rev as f64));
    counted.filter_map(|r| r.measured).map(|m| m as i64).max_by_key(|c| (c - per_rev).abs())
}

/// What a budget calls the command.
const COMMAND: &str = "command at the terminals";
const GAIN: (&str, &str) = ("retention.gain", "Change of the command scale over the power cycle");
const CAP: (&str, &str) = ("retention.cap", "Change of the held speed over the power cycle");

fn gain_row() -> Row {
    Row::number(GAIN.0, GAIN.1, "%").target(0.0)
}

fn cap_row() -> Row {
    Row::number(CAP.0, CAP.1, "%").target(0.0)
}

fn flag_row() -> Row {
    Row::text("retention.flag", "Flag at standstill and while the speed is held", AS_BEFORE)
}

/// A speed command's scale, by the slow counts.
fn speed_gain(context: &Context<'_>, counted: [Option<&StepEvidence>; 2]) -> Result<ResultRow, Missing> {
    let earlier = context.earlier.iter().flat_map(|c| &c.results).find(|r| r.id == line_count::SLOW_SCALE);
    let before = earlier
        .and_then(|row| row.measured)
        .ok_or_else(|| Missing::not_done("not compared: it had not been measured before the power cycle"))?;
    let [Some(forward), Some(reverse)] = counted else {
        return Err(Missing::not_done("not compared: the motion after the power cycle was not made"));
    };
    for made in [forward, reverse] {
        if made.ending != StepEnding::Finished {
            return Err(Missing::undecided(format!("after the power cycle: {}", made.ended_in_words())));
        }
    }
    let after = SlowScale::of(context, forward, reverse)
        .ok_or_else(|| Missing::undecided("the turns after the power cycle gave no steady speed"))?;
    // Measured in the same way and at least as long before: no less sure than this one.
    let side = Side { relative: after.scatter.get() / after.gain.get(), nu: after.degrees_of_freedom };
    let change = Change {
        ratio: after.gain.get() / before,
        before: side,
        after: side,
        shared: vec![voltage(COMMAND, &context.equipment.command, after.level()), clock(context, 1.0)],
        meanwhile: None,
    };
    Ok(change.row(context, GAIN.0, GAIN.1))
}

/// A torque command's scale, by reversal at one level.
fn torque_gain(
    context: &Context<'_>,
    before: Option<&StepEvidence>,
    after: Option<&StepEvidence>,
) -> Result<ResultRow, Missing> {
    let (before, after) = finished(before, after, why_no_scale(context))?;
    let measured = |made: &StepEvidence| reversal_of(context, made).and_then(Result::ok);
    let (Some(before), Some(after)) = (measured(before), measured(after)) else {
        return Err(Missing::undecided("the reversal gave no torque before or after"));
    };
    let side = |e: &ReversalEstimate| Side {
        relative: (e.gain.standard_uncertainty.get() / e.gain.mean.get()).abs(),
        nu: e.gain.degrees_of_freedom,
    };
    let change = Change {
        ratio: after.gain.mean.get() / before.gain.mean.get(),
        before: side(&before),
        after: side(&after),
        // The same level of the same converter: curve and step are the same too.
        shared: vec![
            voltage(COMMAND, &context.equipment.command, after.level),
            Contribution::normal("inertia", context.sheet.inertia().relative() * 0.5),
            clock(context, 2.0),
        ],
        meanwhile: Some(Contribution::rectangular("temperature of motor and amplifier", TEMPERATURE)),
    };
    Ok(change.row(context, GAIN.0, GAIN.1))
}

pub(super) fn reversal_of(
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

/// Held speed.
fn cap(context: &Context<'_>, before: &StepEvidence, after: &StepEvidence) -> ResultRow {
    let (Some(b), Some(a)) = (held(context, before), held(context, after)) else {
        return cap_row().without(Verdict::Undecided, "the speed never came to the cap");
    };
    let side = |e: &SpeedEstimate| Side {
        relative: e.standard_uncertainty.get() / e.speed.get().abs(),
        nu: e.degrees_of_freedom,
    };
    let change = Change {
        ratio: a.speed.get() / b.speed.get(),
        before: side(&b),
        after: side(&a),
        shared: vec![clock(context, 1.0)],
        meanwhile: None,
    };
    change.row(context, CAP.0, CAP.1)
}

pub(super) fn held(context: &Context<'_>, made: &StepEvidence) -> Option<SpeedEstimate> {
    let plan = cap_level(context)?;
    let hold: Vec<Sample> = made.segment_samples(speed_cap::HOLD).copied().collect();
    let window = (plan.window.to_millis() as usize).min(hold.len());
    let last = hold.get(hold.len() - window..)?;
    speed::speed(last, context.motion.axis.counts_per_rev).ok().filter(|s| s.speed != Rpm::ZERO)
}

/// Idle at standstill and active while the speed is held, as before.
fn flag(flag: &Flag, before: &StepEvidence, after: &StepEvidence) -> ResultRow {
    let active = |s: &Sample| flag.is_active(s.flags);
    let seen = |made: &StepEvidence| {
        Some((active(made.samples.first()?), active(made.segment_samples(speed_cap::HOLD).last()?)))
    };
    let (Some(then), Some(now)) = (seen(before), seen(after)) else {
        return flag_row().without(Verdict::Undecided, "the speed was not held before or after");
    };
    let word = |active: bool| if active { "active" } else { "idle" };
    let found = format!("{} at standstill, {} at the cap", word(now.0), word(now.1));
    if then != now {
        flag_row().is(&found, Verdict::Rejected, "the flag does something else after the power cycle")
    } else if now == (false, true) {
        flag_row().is(AS_BEFORE, Verdict::Accepted, "it is where it was, at standstill and at the cap")
    } else {
        flag_row().is(
            AS_BEFORE,
            Verdict::Rejected,
            &format!("it was as wrong before the power cycle: {found}"),
        )
    }
}
