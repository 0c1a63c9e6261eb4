//! Where panels, lanes, legends and margins are.

use super::label::{LEADING, SIZE, bold_width, width, wrap};
use super::legend::{Legend, legend};
use super::scale::{Scale, domain, extent, ticks};
use crate::record::model::{Panel, Plot};
use crate::report::number;
use crate::report::text::one_line;

/// Width of every picture in picture units: at A4 text width a unit is about a quarter of a millimetre.
pub(super) const WIDTH: f64 = 720.0;
const FIRST_PANEL: f64 = 172.0;
const OTHER_PANEL: f64 = 104.0;
const GAP: f64 = 12.0;
/// A lane: its name above, its trace beneath.
pub(super) const LANE: f64 = 41.0;
const RIGHT_MOST: f64 = 128.0;

/// The whole picture.
pub(super) struct Layout {
    pub(super) x: Scale,
    pub(super) x_ticks: Vec<f64>,
    pub(super) x_decimals: usize,
    pub(super) panels: Vec<Place>,
    /// Top of each lane.
    pub(super) lanes: Vec<f64>,
    /// Where the bottom axis is.
    pub(super) bottom: f64,
    pub(super) height: f64,
}

/// One panel.
pub(super) struct Place {
    pub(super) top: f64,
    pub(super) y: Scale,
    pub(super) ticks: Vec<f64>,
    pub(super) tick_labels: Vec<String>,
    pub(super) legend: Legend,
    /// Baseline of the name of the vertical axis.
    pub(super) title_at: f64,
    /// Names of the marks, broken into lines.
    pub(super) marks: Vec<Vec<String>>,
}

impl Layout {
    pub(super) fn of(plot: &Plot) -> Self {
        let marks: Vec<Vec<Vec<String>>> = plot
            .panels
            .iter()
            .map(|p| p.marks.iter().map(|m| wrap(&one_line(&m.name), RIGHT_MOST)).collect())
            .collect();
        let heights: Vec<f64> = marks.iter().enumerate().map(|(i, m)| panel_height(i, m)).collect();
        let verticals: Vec<_> = plot.panels.iter().zip(&heights).map(|(p, h)| vertical(p, *h)).collect();
        let left = verticals.iter().flat_map(|v| &v.labels).map(|l| width(l)).fold(24.0, f64::max) + 12.0;
        let states = plot.lanes.iter().flat_map(|l| [one_line(&l.high_label), one_line(&l.low_label)]);
        let words = marks.iter().flatten().flatten().map(String::as_str);
        let right = words.map(width).chain(states.map(|s| width(&s).min(RIGHT_MOST))).fold(0.0, f64::max);
        let right = if right > 0.0 { right + 16.0 } else { 14.0 };

        let (from, to) = horizontal(plot);
        let x = Scale { from, to, start: left, end: WIDTH - right };
        let (x_ticks, x_decimals) = horizontal_ticks(plot, &x);

        let mut at = 0.0;
        let mut panels = Vec::new();
        for (((panel, vertical), marks), height) in plot.panels.iter().zip(verticals).zip(marks).zip(heights)
        {
            let title = super::axis_words(&panel.y);
            let legend = legend(panel, bold_width(&title) + 18.0, at + SIZE, WIDTH);
            let top = at + legend.height + 8.0;
            let bottom = top + height;
            panels.push(Place {
                top,
                y: Scale { from: vertical.from, to: vertical.to, start: bottom, end: top },
                ticks: vertical.ticks,
                tick_labels: vertical.labels,
                title_at: at + SIZE,
                legend,
                marks,
            });
            at = bottom + GAP;
        }
        let mut lanes = Vec::new();
        for _ in &plot.lanes {
            lanes.push(at - 4.0);
            at += LANE;
        }
        let bottom = if plot.lanes.is_empty() { at - GAP } else { at - 4.0 };
        Self { x, x_ticks, x_decimals, panels, lanes, bottom, height: bottom + 2.0 * LEADING + 10.0 }
    }
}

struct Vertical {
    from: f64,
    to: f64,
    ticks: Vec<f64>,
    labels: Vec<String>,
}

fn panel_height(index: usize, marks: &[Vec<String>]) -> f64 {
    // Names of marks must have room beside the panel.
    let least = marks.iter().map(|lines| LEADING * lines.len().max(1) as f64 + 1.0).sum::<f64>();
    f64::max(if index == 0 { FIRST_PANEL } else { OTHER_PANEL }, least)
}

fn vertical(panel: &Panel, height: f64) -> Vertical {
    let points = panel.series.iter().flat_map(|s| {
        s.points.iter().enumerate().flat_map(|(i, p)| {
            let u = s.uncertainty.get(i).copied().filter(|u| u.is_finite()).unwrap_or(0.0);
            [p[1] - u, p[1] + u]
        })
    });
    let bands = panel.bands.iter().flat_map(|b| b.points.iter().flat_map(|p| [p[1], p[2]]));
    let marks = panel.marks.iter().map(|m| m.y);
    let all = points.chain(bands).chain(marks);
    let whole = all.clone().all(|v| !v.is_finite() || v.fract() == 0.0);
    let (from, to) = domain(extent(all).unwrap_or((0.0, 1.0)), whole, 0.06);
    let few = whole && to - from < 10.0;
    let (ticks, decimals) = ticks(from, to, (height / 27.0) as usize, few);
    let labels = ticks.iter().map(|t| tick_label(*t, decimals, from, to)).collect();
    Vertical { from, to, ticks, labels }
}

fn horizontal(plot: &Plot) -> (f64, f64) {
    let series = plot.panels.iter().flat_map(|p| &p.series);
    let xs = series.clone().flat_map(|s| s.points.iter().map(|p| p[0]));
    let bands = plot.panels.iter().flat_map(|p| &p.bands).flat_map(|b| b.points.iter().map(|p| p[0]));
    // A change outside the curves is shown too: what lies behind it would seem never to have been otherwise.
    let changes = plot.lanes.iter().flat_map(|l| l.changes.iter().copied());
    let found = extent(xs.chain(bands).chain(changes)).unwrap_or((0.0, 1.0));
    // Markers need room beside the first and last; a curve over time starts at the edge.
    let marked = series.clone().any(|s| s.style == crate::record::model::SeriesStyle::Points);
    domain(found, false, if marked { 0.03 } else { 0.0 })
}

fn horizontal_ticks(plot: &Plot, x: &Scale) -> (Vec<f64>, usize) {
    let whole =
        plot.panels.iter().flat_map(|p| &p.series).flat_map(|s| &s.points).all(|p| p[0].fract() == 0.0);
    let room = x.end - x.start;
    let mut count = (room / 62.0) as usize;
    loop {
        let (made, decimals) = ticks(x.from, x.to, count, whole);
        let widest = made.iter().map(|t| width(&tick_label(*t, decimals, x.from, x.to))).fold(0.0, f64::max);
        if count <= 2 || (widest + 14.0) * made.len() as f64 <= room {
            return (made, decimals);
        }
        count -= 1;
    }
}

/// A tick's number; a power of ten where plain digits would be long.
pub(super) fn tick_label(value: f64, decimals: usize, from: f64, to: f64) -> String {
    let size = from.abs().max(to.abs());
    if size >= 1e7 || decimals > 5 { number::significant(value, 6) } else { number::fixed(value, decimals) }
}
