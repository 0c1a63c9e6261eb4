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
        some => format!(" Not drawn, since it was not measured: {}.", some.join(", ").to_lowercase()),
    };
    Some(Plot {
        id: "retention-values".to_owned(),
        title: "Values before and after the power cycle".to_owned(),
        description: format!(
            "Each value over the time since this check began, ± its expanded uncertainty from its own scatter (what both \
             measurements share cancels and is left out; a bar that does not show is smaller than its point), and the \
             tolerance of ±{} % about the value before.{missing}",
            context.sheet.tolerances.retention_gain.value.get()
        ),
        x: axis("Time", "s"),
        panels,
        lanes: power(evidence, begins).into_iter().collect(),
    })
}

impl Value {
    /// The value with its expanded uncertainty of two digits.
    fn words(&self) -> String {
        let digits = 1.0 - self.expanded.log10().floor();
        let decimals = if digits.is_finite() { digits.clamp(0.0, 6.0) as usize } else { 3 };
        format!("{:.decimals$} ± {:.decimals$}", self.value, self.expanded)
    }
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
        let name = value.as_ref().map_or_else(String::new, |v| format!("{name}: {}", v.words()));
        let value = value.iter();
        Series {
            uncertainty: value.clone().map(|v| v.expanded).collect(),
            ..dots(name, value.map(|v| [v.at, v.value]).collect())
        }
    };
    let series = not_empty([series("before", &pair.before), series("after", &pair.after)]);
    (!series.is_empty()).then(|| Panel {
        y: axis(pair.name, pair.unit),
        series,
        bands: about
            .map(|v| level_band("tolerance", [0.0, end], [v * (1.0 - tolerance), v * (1.0 + tolerance)]))
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
            expanded: expanded(scale.gain.get(), scale.scatter.get(), scale.degrees_of_freedom),
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

#[cfg(test)]
mod tests {
    use proofstand_protocol::message::Sample;
    use proofstand_protocol::units::Counts;

    use super::*;
    use crate::checks::speed_cap::HOLD;
    use crate::checks::tests::with_film_winder;

    /// Held at a speed for a second, from a time in seconds.
    fn held_at(context: &Context<'_>, name: &'static str, rpm: f64, from: f64) -> StepEvidence {
        let per_ms = rpm / 60e3 * f64::from(context.motion.axis.counts_per_rev.get());
        let sample = |n: u32| Sample {
            at: Micros((from * 1e6) as u64 + 1000 * u64::from(n)),
            position: Counts((per_ms * f64::from(n)) as i64),
            segment: HOLD,
            ..Sample::default()
        };
        StepEvidence { samples: (0..1000).map(sample).collect(), ..StepEvidence::named(name) }
    }

    fn switched(name: &'static str, at: u64, driven: bool) -> StepEvidence {
        let samples = vec![Sample { at: Micros(at), ..Sample::default() }];
        StepEvidence { samples, encoder_driven: Some(driven), ..StepEvidence::named(name) }
    }

    #[test]
    fn a_value_before_and_one_after_stand_in_the_tolerance_about_the_first_with_the_switching_beneath() {
        with_film_winder(|context| {
            let evidence = [
                held_at(context, CAP_BEFORE, 2000.0, 1.0),
                switched(POWER_OFF, 3_000_000, false),
                switched(POWER_ON, 4_000_000, true),
                held_at(context, CAP_AFTER, 2010.0, 6.0),
            ];
            let picture = plot(context, &evidence).unwrap();
            let panel = &picture.panels[0];
            assert_eq!(panel.y.label, "Held speed");
            let [before, after] = &panel.series[..] else { panic!("{:?}", panel.series) };
            let ([t0, v0], [t1, v1]) = (before.points[0], after.points[0]);
            assert!((v0 - 2000.0).abs() < 0.5 && (v1 - 2010.0).abs() < 0.5, "{v0} {v1}");
            // The middle of the last tenth of a second of each.
            assert!((t0 - 0.95).abs() < 0.01 && (t1 - 5.95).abs() < 0.01, "{t0} {t1}");
            assert!(
                before.uncertainty[0] > 0.0 && before.name.starts_with("before: 2000"),
                "{}",
                before.name
            );
            let share = context.sheet.tolerances.retention_gain.value.get() / 100.0;
            let [_, low, high] = panel.bands[0].points[0];
            assert!((low - v0 * (1.0 - share)).abs() < 1e-9 && (high - v0 * (1.0 + share)).abs() < 1e-9);
            assert_eq!((picture.lanes[0].initial, &picture.lanes[0].changes[..]), (true, &[2.0, 3.0][..]));
        });
    }

    #[test]
    fn what_was_not_measured_after_the_power_cycle_is_named_and_not_drawn() {
        with_film_winder(|context| {
            let picture = plot(context, &[held_at(context, CAP_BEFORE, 2000.0, 1.0)]).unwrap();
            let [panel] = &picture.panels[..] else { panic!("{:?}", picture.panels) };
            assert_eq!(panel.series.len(), 1);
            assert!(
                picture
                    .description
                    .ends_with("not measured: held speed, acceleration by the command, counts after."),
                "{}",
                picture.description
            );
            assert_eq!(plot(context, &[StepEvidence::named(CAP_BEFORE)]), None);
        });
    }
}
