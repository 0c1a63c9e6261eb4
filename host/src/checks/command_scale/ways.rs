//! The scale by read-out and by display, and whether the ways agree.

use proofstand_protocol::message::Sample;
use proofstand_units::{PercentPerVolt, Seconds};

use super::display;
use crate::checks::rows::Row;
use crate::checks::{Context, Judgement, StepEvidence};
use crate::estimate::reversal::SETTLING_TIME_CONSTANTS;
use crate::estimate::scale::{self, ScaleInputs};
use crate::metrology::compare::{Agreement, Way, agreement, smallest_seen};
use crate::metrology::{Calibration, Judging, Limits};
use crate::record::model::{ResultRow, Verdict};
use crate::sheet::{Stated, TorqueShown};

/// Left out after a change of the command, beside the amplifier's lag: the read-out has a filter of its own.
const READ_OUT_FILTER: Seconds = Seconds::new(5e-3);

/// What sheet, plan and equipment say beside the samples.
pub(super) fn inputs(context: &Context<'_>) -> ScaleInputs {
    let axis = &context.motion.axis;
    ScaleInputs {
        rated_torque: axis.rated_torque,
        inertia: axis.inertia,
        inertia_uncertainty: context.sheet.inertia().expanded,
        terminal: context.equipment.terminal,
        torque_read_out: context.equipment.torque_read_out,
        clock: context.equipment.clock,
        lag: axis.lag,
        count_sign: context.count_sign(),
    }
}

/// The ways beside reversal, and every pair of ways compared.
pub(super) fn others(
    context: &Context<'_>,
    reversal: &Way<PercentPerVolt>,
    records: &[&[Sample]],
    evidence: &[StepEvidence],
    out: &mut Judgement,
) {
    let read_out = by_read_out(context, records, out);
    let display = by_display(context, evidence, out);
    let pairs = [
        (Some(reversal), read_out.as_ref()),
        (Some(reversal), display.as_ref()),
        (read_out.as_ref(), display.as_ref()),
    ];
    for (one, other) in pairs {
        if let (Some(one), Some(other)) = (one, other) {
            out.results.push(compared(context, one, other));
        }
    }
}

fn by_read_out(
    context: &Context<'_>,
    records: &[&[Sample]],
    out: &mut Judgement,
) -> Option<Way<PercentPerVolt>> {
    let Some(sheet) = &context.sheet.torque_read_out else {
        out.notes.push("No torque read-out: the sheet names none.".to_owned());
        return None;
    };
    let inputs = inputs(context);
    let settle = inputs.lag * SETTLING_TIME_CONSTANTS + READ_OUT_FILTER;
    let points: Result<Vec<_>, _> = records
        .iter()
        .map(|samples| scale::read_out_point(samples, settle, sheet.volts_at_rated, inputs.rated_torque))
        .collect();
    let way = points.and_then(|points| {
        scale::by_read_out(&points, sheet.volts_at_rated, sheet.scale_uncertainty.value, &inputs)
    });
    let tolerance = context.sheet.tolerances.torque_gain_read_out;
    let row = row(context, "command-scale.gain-read-out", "Command scale by the torque read-out", tolerance);
    out.notes.push(
        match sheet.shows {
            TorqueShown::Reference => {
                "The read-out shows the torque asked for inside the amplifier: it proves the scale of the command, not that \
                 the torque is made."
            }
            TorqueShown::Actual => {
                "The read-out shows torque as the amplifier works it out from its current: a motor whose torque constant is \
                 not what the amplifier takes for granted differs from it."
            }
        }
        .to_owned(),
    );
    finish(context, way, row, (tolerance, context.by_torque_read_out()), out)
}

fn by_display(
    context: &Context<'_>,
    evidence: &[StepEvidence],
    out: &mut Judgement,
) -> Option<Way<PercentPerVolt>> {
    let sheet = match (context.sheet.display, display::nothing_to_read(context)) {
        (Some(sheet), None) => sheet,
        (_, why) => {
            out.notes.push(format!("No reading of the amplifier's display: {}.", why.unwrap_or("none")));
            return None;
        }
    };
    let readings = display::readings(context, evidence);
    let tolerance = context.sheet.tolerances.torque_gain_display;
    let row =
        row(context, "command-scale.gain-display", "Command scale by the amplifier's display", tolerance);
    if readings.is_empty() {
        out.results.push(row.without(Verdict::NotDone, "no level was read with both signs"));
        return None;
    }
    let way = scale::by_display(&readings, sheet.step, &inputs(context));
    out.notes.push(
        "The display shows the command as the amplifier scales it: it proves the scale, not that the torque is made."
            .to_owned(),
    );
    finish(context, way, row, (tolerance, context.by_read_back()), out)
}

fn row(context: &Context<'_>, id: &str, name: &str, tolerance: Stated<proofstand_units::Percent>) -> Row {
    let row = Row::number(id, name, "%/V").target(context.motion.axis.gain.get());
    match limits(context, tolerance) {
        Some(limits) => row.limits(&limits),
        None => row,
    }
}

fn limits(
    context: &Context<'_>,
    tolerance: Stated<proofstand_units::Percent>,
) -> Option<Limits<PercentPerVolt>> {
    let target = context.motion.axis.gain;
    Limits::around(target, target * (tolerance.value.get() / 100.0)).ok()
}

fn finish(
    context: &Context<'_>,
    way: Result<Way<PercentPerVolt>, crate::estimate::EstimateError>,
    row: Row,
    (tolerance, by): (Stated<proofstand_units::Percent>, Judging),
    out: &mut Judgement,
) -> Option<Way<PercentPerVolt>> {
    match (way, limits(context, tolerance)) {
        (Ok(way), Some(limits)) => {
            out.results.push(row.judged(&way.budget(), &limits, by));
            Some(way)
        }
        (Ok(_), None) => {
            out.results.push(row.without(Verdict::Undecided, "the tolerance leaves no room"));
            None
        }
        (Err(why), _) => {
            out.results.push(row.without(Verdict::Undecided, &why.to_string()));
            None
        }
    }
}

/// Two ways against each other. A warning is said and does not change the verdict; what is hardly chance leaves it undecided,
/// what can't be chance rejects.
fn compared(context: &Context<'_>, one: &Way<PercentPerVolt>, other: &Way<PercentPerVolt>) -> ResultRow {
    let budget = one.less(other);
    let combined = budget.combined();
    let seen = smallest_seen(&combined);
    let share = |q: PercentPerVolt| 100.0 * (q / context.motion.axis.gain);
    let could = format!(
        "the smallest difference that would be seen is {:.1} % of the scale (19 times of 20)",
        share(seen).abs()
    );
    let found = share(combined.value);
    let (mut verdict, mut sentence) = match agreement(&combined) {
        Agreement::Agree => (Verdict::Accepted, format!("they agree; {could}")),
        Agreement::Warning => (
            Verdict::Accepted,
            format!(
                "they differ by {found:+.1} %, more than U: chance does that once in twenty times, so look at it; {could}"
            ),
        ),
        Agreement::Doubtful => (
            Verdict::Undecided,
            format!(
                "they differ by {found:+.1} %, more than three standard uncertainties, which chance does three times in a \
                 thousand: measure again, or take the inertia by a known disc; {could}"
            ),
        ),
        Agreement::Disagree => (
            Verdict::Rejected,
            format!(
                "they differ by {found:+.1} %, more than 4.5 standard uncertainties: not both are right; {could}"
            ),
        ),
    };
    // What the ways share of the calibration cancels; that there is one in force does not.
    let by_read_out = [one.name, other.name].contains(&scale::READ_OUT);
    let by = if by_read_out { context.by_torque_read_out() } else { context.by_read_back() };
    if verdict == Verdict::Accepted && by.calibration != Calibration::InForce {
        verdict = Verdict::Undecided;
        sentence.push_str(match by.calibration {
            Calibration::InputWithout => "; without a table for each input that is never more than undecided",
            _ => "; without a calibration in force that is never more than undecided",
        });
    }
    Row::number(
        &format!("command-scale.{}-less-{}", one.name, other.name),
        &format!("Scale by {} less scale by {}", one.name, other.name),
        "%/V",
    )
    .target(0.0)
    .shown(&budget, verdict, &sentence)
}

/// The inertia stated can't be true: it would take more torque than the motor can make.
pub(super) fn impossible(by: f64) -> ResultRow {
    Row::text("command-scale.inertia", "Inertia as the sheet has it", "possible").is(
        "too large",
        Verdict::Rejected,
        &format!(
            "with this inertia the accelerations mean {:.0} % more torque than the motor's peak: it can't be true",
            100.0 * by
        ),
    )
}
