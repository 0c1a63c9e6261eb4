//! The values before and after the power cycle as a picture.

use proofstand_protocol::units::Micros;
use proofstand_units::Rpm;

use super::judge::{counted_before, held, reversal_of};
use super::{
    CAP_AFTER, CAP_BEFORE, COUNT_AFTER, POWER_OFF, POWER_ON, SCALE_AFTER, SCALE_BEFORE, SIGNS, scale_level,
};
use crate::checks::line_count::{self, SlowScale};
use crate::checks::traces::{axis, dots, level_band, mark, not_empty, seconds_since, state_lane};
use crate::checks::{Context, StepEvidence};
use crate::metrology::{Budget, Contribution, DegreesOfFreedom, Level};
use crate::record::model::{Lane, Panel, Plot, Series};

/// One measured value with its place in time.
struct Value {
    at: f64,
    value: f64,
    /// Expanded, from the scatter of this measurement alone: what both share cancels between them.
    expanded: f64,
}

/// What was measured of one quantity.
struct Pair {
    name: &'static str,
    unit: &'static str,
    before: Option<Value>,
    after: Option<Value>,
    /// The value before, where it was measured by another check: without a time of its own here.
    earlier: Option<f64>,
}

/// All that was measured before and after. None where nothing was.
pub(super) fn plot(context: &Context<'_>, evidence: &[StepEvidence]) -> Option<Plot> {
    let begins = evidence.iter().find(|e| !e.samples.is_empty())?;
    let origin = begins.samples.first()?.at.0;
    let end = seconds_since(origin, evidence.iter().rev().find_map(|e| e.samples.last())?.at);
    let scale = if context.sheet.command.pair.is_torque() {
        torque_scale(context, evidence, origin)
    } else {
        speed_scale(context, evidence, origin)
    };
    let pairs = [cap(context, evidence, origin), scale];
    let mut panels: Vec<Panel> = pairs.iter().filter_map(|pair| panel(context, pair, end)).collect();
    let counts = counts(context, evidence, origin);
    let mut missing: Vec<&str> = pairs.iter().filter_map(Pair::missing).collect();
    if counts.is_none() {
        missing.push("counts after");
    }
    panels.extend(counts);
    if panels.is_empty() {
        return None;
    }
    let missing = match &missing[..] {
        [] => String::new(),
        some => format!(" Not drawn, since it was not measured: {}.", some.join(", ")),
    };
    Some(Plot {
        id: "retention-values".to_owned(),
        title: "Values before and after the power cycle".to_owned(),
        description: format!(
            "Each value over the time since this check began, with its expanded uncertainty from its own scatter (what both \
             measurements share cancels and is left out), and the tolerance of ±{} % about the value before.{missing}",
            context.sheet.tolerances.retention_gain.value.get()
        ),
        x: axis("Time since the check began", "s"),
        panels,
        lanes: power(evidence, begins).into_iter().collect(),
    })
}

impl Pair {
    /// What of it was not measured.
    fn missing(&self) -> Option<&'static str> {
        let before = self.before.is_some() || self.earlier.is_some();
        (!before || self.after.is_none()).then_some(self.name)
    }
}

fn panel(context: &Context<'_>, pair: &Pair, end: f64) -> Option<Panel> {
    let about = pair.before.as_ref().map(|v| v.value).or(pair.earlier);
    let tolerance = context.sheet.tolerances.retention_gain.value.get() / 100.0;
    let series = |name: &str, value: &Option<Value>| -> Series {
        let value = value.iter();
        Series {
            uncertainty: value.clone().map(|v| v.expanded).collect(),
            ..dots(name, value.map(|v| [v.at, v.value]).collect())
        }
    };
    let series = not_empty([series("before, U", &pair.before), series("after, U", &pair.after)]);
    (!series.is_empty()).then(|| Panel {
        y: axis(pair.name, pair.unit),
        series,
        bands: about
            .map(|v| {
                level_band(
                    "tolerance about the value before",
                    [0.0, end],
                    [v * (1.0 - tolerance), v * (1.0 + tolerance)],
                )
            })
            .into_iter()
            .collect(),
        marks: about.map(|v| mark("value before", v)).into_iter().collect(),
    })
}

/// A value's expanded uncertainty, 95 %, from its own scatter.
fn expanded(value: f64, standard: f64, nu: DegreesOfFreedom) -> f64 {
    // The unit is the value's own, whatever it is: a mere factor goes through.
    let scatter = Contribution::type_a("scatter", Rpm::new(standard), nu);
    Budget::new(Rpm::new(value)).with(scatter).combined_at(Level::P95).expanded.get()
}

fn find<'a>(evidence: &'a [StepEvidence], name: &str) -> Option<&'a StepEvidence> {
    evidence.iter().find(|e| e.name == name)
}

/// The held speed.
fn cap(context: &Context<'_>, evidence: &[StepEvidence], origin: u64) -> Pair {
    let value = |name| {
        let e = held(context, find(evidence, name)?)?;
        Some(Value {
            at: seconds_since(origin, e.at),
            value: e.speed.get(),
            expanded: expanded(e.speed.get(), e.standard_uncertainty.get(), e.degrees_of_freedom),
        })
    };
    Pair {
        name: "Held speed",
        unit: "rpm",
        before: value(CAP_BEFORE),
        after: value(CAP_AFTER),
        earlier: None,
    }
}

/// A torque command's scale: the acceleration by the command at one level.
fn torque_scale(context: &Context<'_>, evidence: &[StepEvidence], origin: u64) -> Pair {
    let value = |name| {
        scale_level(context)?;
        let made = find(evidence, name)?;
        let gain = reversal_of(context, made)?.ok()?.gain;
        let middle = made.samples.get(made.samples.len() / 2)?;
        Some(Value {
            at: seconds_since(origin, middle.at),
            value: gain.mean.get(),
            expanded: expanded(gain.mean.get(), gain.standard_uncertainty.get(), gain.degrees_of_freedom),
        })
    };
    Pair {
        name: "Acceleration by the command",
        unit: "rad/s²",
        before: value(SCALE_BEFORE),
        after: value(SCALE_AFTER),
        earlier: None,
    }
}

/// A speed command's scale, by the slow counts: the value before is the slow count's own result.
fn speed_scale(context: &Context<'_>, evidence: &[StepEvidence], origin: u64) -> Pair {
    let rows = context.earlier.iter().flat_map(|c| &c.results);
    let earlier = rows.filter(|r| r.id == line_count::SLOW_SCALE).find_map(|r| r.measured);
    let after = || {
        let [forward, reverse] = COUNT_AFTER.map(|name| find(evidence, name));
        let scale = SlowScale::of(context, forward?, reverse?)?;
        Some(Value {
            at: seconds_since(origin, reverse?.samples.last()?.at),
            value: scale.gain.get(),
            expanded: expanded(scale.gain.get(), scale.scatter.get(), DegreesOfFreedom::INFINITE),
        })
    };
    Pair { name: "Speed per volt", unit: "rpm/V", before: None, after: after(), earlier }
}

/// The counts after the cycle, revolution by revolution.
fn counts(context: &Context<'_>, evidence: &[StepEvidence], origin: u64) -> Option<Panel> {
    let per_rev = context.motion.axis.counts_per_rev;
    let stated = i64::from(per_rev.get());
    let series = COUNT_AFTER.into_iter().zip(SIGNS).map(|(name, sign)| {
        let counted = find(evidence, name).map(|made| line_count::timed_intervals(made, per_rev));
        let points = counted.unwrap_or_default().into_iter();
        let name = context.way(Rpm::new(sign * context.count_sign()));
        dots(format!("after, {name}"), points.map(|(at, n)| [seconds_since(origin, at), n as f64]).collect())
    });
    let series = not_empty(series);
    let marks = match counted_before(context, stated) {
        Some(before) if before == stated => vec![mark("by the sheet, and before", stated as f64)],
        Some(before) => vec![mark("by the sheet", stated as f64), mark("before", before as f64)],
        None => vec![mark("by the sheet", stated as f64)],
    };
    (!series.is_empty()).then(|| Panel {
        y: axis("Counts per revolution", "counts"),
        series,
        bands: Vec::new(),
        marks,
    })
}

/// The encoder pairs as the receivers found them after each switching; none on a board that can't tell.
fn power(evidence: &[StepEvidence], begins: &StepEvidence) -> Option<Lane> {
    let seen: Vec<(Micros, bool)> = [POWER_OFF, POWER_ON]
        .into_iter()
        .filter_map(|name| {
            let made = find(evidence, name)?;
            Some((made.samples.last()?.at, made.encoder_driven?))
        })
        .collect();
    if seen.is_empty() {
        return None;
    }
    state_lane(
        "encoder pairs, as found at the end of each switching of control power",
        true,
        &seen,
        ("driven", "dead"),
        begins,
    )
}
