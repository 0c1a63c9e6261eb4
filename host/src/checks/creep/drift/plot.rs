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
            name: format!("measured drift, {:+.3} rpm by the counts", drift.speed.get()),
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
