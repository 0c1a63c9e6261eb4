//! The averaged response as a picture.

use proofstand_units::Seconds;

use super::judge::Way;
use crate::checks::Context;
use crate::estimate::speed_step::SpeedResponse;
use crate::estimate::step_response::{AT_TIME_CONSTANT, first_order};
use crate::record::model::{Mark, Panel, Plot, PlotAxis, Series, SeriesStyle};

/// What is drawn ends at this many times to 63.2 %, or where the response does.
const DRAWN: f64 = 20.0;

/// The response against one first-order lag that passes 63.2 % at the same time, and what differs.
pub(super) fn plot(context: &Context<'_>, both: &SpeedResponse, ways: &[Way]) -> Plot {
    let curve = both.curve();
    let tau = both.to_63().map_or(Seconds::from_millis(1.0), |read| read.value).get();
    let end = curve.last().map_or(0.0, |p| p[0]).min(DRAWN * tau);
    let shown = |curve: &[[f64; 3]]| -> Vec<[f64; 2]> {
        curve.iter().filter(|p| p[0] <= end).map(|[t, s, _]| [t * 1e3, s * 100.0]).collect()
    };
    let lag = |t: f64| 100.0 * first_order(t / tau);
    let uncertainty = curve.iter().filter(|p| p[0] <= end).map(|p| 200.0 * p[2]).collect();
    let model: Vec<[f64; 2]> =
        (0..=200).map(|n| end * f64::from(n) / 200.0).map(|t| [t * 1e3, lag(t)]).collect();
    let series = |name: String, style, points, uncertainty| Series { name, style, points, uncertainty };
    let mut curves = vec![
        series("mean of all bursts, U (k = 2)".to_owned(), SeriesStyle::Points, shown(&curve), uncertainty),
        series("the same, as it is read".to_owned(), SeriesStyle::Line, shown(&curve), Vec::new()),
    ];
    curves.push(series(format!("one lag of {:.2} ms", tau * 1e3), SeriesStyle::Dashed, model, Vec::new()));
    let differ = |way: &Way| {
        let points = shown(&way.response.curve()).iter().map(|[t, s]| [*t, s - lag(t * 1e-3)]).collect();
        series(format!("{}, less one lag", way.name), SeriesStyle::Points, points, Vec::new())
    };
    let axis = |label: &str, unit: &str| PlotAxis { label: label.to_owned(), unit: unit.to_owned() };
    let mark = |percent: f64, name: &str| Mark { name: name.to_owned(), y: percent };
    let most = context.sheet.tolerances.speed_overshoot.value.get();
    Plot {
        id: "speed-step-response".to_owned(),
        title: "Speed after a small step of the command".to_owned(),
        description: format!(
            "The speed as a share of its step over the time since the command changed at the terminals, mean of {} bursts, \
             against one first-order lag that passes 63.2 % at the same time, {:.2} ms, with the most that it may overshoot. \
             Below, how each way differs from that lag.",
            both.bursts,
            tau * 1e3
        ),
        x: axis("Time since the command changed", "ms"),
        panels: vec![
            Panel {
                y: axis("Share of the step", "%"),
                series: curves,
                bands: Vec::new(),
                marks: vec![
                    mark(10.0, "10 %"),
                    mark(100.0 * AT_TIME_CONSTANT, "63.2 %"),
                    mark(90.0, "90 %"),
                    mark(100.0 + most, "most overshoot allowed"),
                ],
            },
            Panel {
                y: axis("Difference from one lag", "%"),
                series: ways.iter().map(differ).collect(),
                bands: Vec::new(),
                marks: Vec::new(),
            },
        ],
        lanes: Vec::new(),
    }
}
