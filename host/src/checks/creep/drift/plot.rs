//! The drift as pictures: the way at 0 V beside what is allowed, then command and speed of the whole step.

use proofstand_protocol::message::Sample;

use super::{AT_ZERO, FORWARD};
use crate::checks::traces::{axis, commanded, curve, mark, over_time, seconds_since};
use crate::checks::{Context, StepEvidence};
use crate::planner::CRAWL_RPM;
use crate::record::model::{Band, Panel, Plot, Series, SeriesStyle};

/// What there are samples for.
pub(super) fn plots(context: &Context<'_>, made: &StepEvidence) -> Vec<Plot> {
    [at_zero(context, made), probes(context, made)].into_iter().flatten().collect()
}

/// The way while 0 V was commanded and the drift measured. None where that never came.
fn at_zero(context: &Context<'_>, made: &StepEvidence) -> Option<Plot> {
    let window: Vec<Sample> = made.segment_samples(AT_ZERO).copied().collect();
    let (origin, first) = window.first().map(|s| (s.at.0, s.position.0))?;
    let end = seconds_since(origin, window.last()?.at);
    let counts_per_second = |rpm: f64| rpm / 60.0 * f64::from(context.motion.axis.counts_per_rev.get());
    let allowed = context.speed_offset_allowed()?.get();
    let fitted = super::measured(context, made, AT_ZERO).map(|drift| {
        let slope = counts_per_second(drift.speed.get());
        // Through the middle of what was counted: only its slope is measured.
        let mean = window.iter().map(|s| (s.position.0 - first) as f64).sum::<f64>() / window.len() as f64;
        Series {
            name: format!("measured: {:.3} rpm", drift.speed.get().abs()),
            style: SeriesStyle::Dashed,
            points: [0.0, end].map(|t| [t, mean + slope * (t - end / 2.0)]).to_vec(),
            uncertainty: Vec::new(),
        }
    });
    let counted = curve("counts", over_time(&window, origin, |s| (s.position.0 - first) as f64));
    Some(Plot {
        id: "creep-drift".to_owned(),
        title: "Way at 0 V".to_owned(),
        description: format!(
            "Counts over time while 0 V is commanded, a point every 5 ms, within the wedge of what a drift of ±{allowed:.2} rpm \
             would make of them."
        ),
        x: axis("Time at 0 V", "s"),
        panels: vec![Panel {
            y: axis("Counts from the beginning", "counts"),
            series: [counted].into_iter().chain(fitted).collect(),
            bands: vec![Band {
                name: format!("drift allowed, ±{allowed:.2} rpm"),
                points: [0.0, end]
                    .map(|t| [t, -counts_per_second(allowed) * t, counts_per_second(allowed) * t])
                    .to_vec(),
            }],
            marks: Vec::new(),
        }],
        lanes: Vec::new(),
    })
}

/// Command and speed of the whole step. None where it did not come to the two small speeds.
fn probes(context: &Context<'_>, made: &StepEvidence) -> Option<Plot> {
    made.segment_samples(FORWARD).next()?;
    let origin = made.samples.first()?.at.0;
    let sign = context.count_sign();
    let asked = [1.0, -1.0].map(|way| {
        mark(
            format!("{CRAWL_RPM:.0} rpm {}", context.way(proofstand_units::Rpm::new(way * sign))),
            way * sign * CRAWL_RPM,
        )
    });
    Some(Plot {
        id: "creep-probes".to_owned(),
        title: "Command and speed at 0 V and at two small speeds".to_owned(),
        description: format!(
            "Command over time, at 0 V first and then for {CRAWL_RPM:.0} rpm either way; beneath, the speed that came of it, \
             which tells what a volt does. A point every 5 ms."
        ),
        x: axis("Time", "s"),
        panels: vec![
            Panel {
                y: axis("Command", "V"),
                series: vec![curve("command", over_time(&made.samples, origin, commanded))],
                bands: Vec::new(),
                marks: Vec::new(),
            },
            Panel {
                y: axis("Speed", "rpm"),
                series: vec![curve(
                    "speed from counts",
                    over_time(&made.samples, origin, |s| f64::from(s.speed.0) / 1e3),
                )],
                bands: Vec::new(),
                marks: asked.to_vec(),
            },
        ],
        lanes: Vec::new(),
    })
}

#[cfg(test)]
mod tests {
    use proofstand_protocol::units::{Counts, Micros, Microvolts};

    use super::super::STEP;
    use super::*;
    use crate::checks::tests::with_axis;

    /// Two seconds at 0 V with a drift, then so many milliseconds at a small command.
    fn drifts(context: &Context<'_>, rpm: f64, probed: u32) -> StepEvidence {
        let per_ms = rpm / 60e3 * f64::from(context.motion.axis.counts_per_rev.get());
        let sample = |n: u32| Sample {
            at: Micros(1000 * u64::from(n)),
            position: Counts((per_ms * f64::from(n)) as i64),
            command: Microvolts(if n < 2001 { 0 } else { 80_000 }),
            segment: match n {
                0..=2000 => AT_ZERO,
                2001 => AT_ZERO + 1,
                _ => FORWARD,
            },
            ..Sample::default()
        };
        StepEvidence { samples: (0..2001 + probed).map(sample).collect(), ..StepEvidence::named(STEP) }
    }

    #[test]
    fn the_drift_is_drawn_within_the_wedge_that_the_sheet_allows() {
        with_axis("batch-auger.toml", |context| {
            let allowed = context.speed_offset_allowed().unwrap().get();
            let made = drifts(context, allowed / 2.0, 600);
            let pictures = plots(context, &made);
            let [zero, probes] = &pictures[..] else { panic!("{pictures:?}") };
            let [counts, fitted] = &zero.panels[0].series[..] else { panic!("no fit") };
            assert_eq!(counts.points.len(), 401, "two seconds, a point every 5 ms, both ends");
            assert!(fitted.name.contains(&format!("{:.3} rpm", allowed / 2.0)), "{}", fitted.name);
            let [t, low, high] = zero.panels[0].bands[0].points[1];
            let edge = allowed / 60.0 * f64::from(context.motion.axis.counts_per_rev.get()) * 2.0;
            assert!((t - 2.0).abs() < 1e-9 && (high - edge).abs() < 1e-6 && (low + edge).abs() < 1e-6);
            let [last, end] = [counts.points[400][1], edge / 2.0];
            assert!((last - end).abs() <= 1.0, "half of what is allowed: {last} of {end}");
            let command = &probes.panels[0].series[0].points;
            assert_eq!(command.last().unwrap()[1], 0.08);
        });
    }

    #[test]
    fn a_step_that_ended_at_0_v_has_no_picture_of_the_small_speeds() {
        with_axis("batch-auger.toml", |context| {
            let pictures = plots(context, &drifts(context, 0.0, 0));
            assert_eq!(pictures.iter().map(|p| p.id.as_str()).collect::<Vec<_>>(), ["creep-drift"]);
        });
    }
}
