//! A panel's grid, bands, curves, points and marks, and the axis at the bottom.

use std::fmt::Write as _;

use super::label::{Anchor, LEADING, SIZE, spread};
use super::layout::{Layout, Place, tick_label};
use super::legend::Of;
use super::look::{Draws, Look, Shape, looks};
use super::thin::{thin_line, thin_points};
use super::{Canvas, px};
use crate::record::model::{Band, Panel, Plot, Series, SeriesStyle};

/// Dash of a mark; no series has it.
const MARK_DASH: &str = "1.5 2.5";

pub(super) fn panel(canvas: &mut Canvas, layout: &Layout, panel: &Panel, place: &Place) {
    bands(canvas, layout, panel, place);
    grid(canvas, layout, place);
    marks(canvas, layout, panel, place);
    let looks = looks(panel.series.iter().map(|s| s.style));
    let aside = Aside::of(layout, panel, place);
    if aside.step > 0.0 {
        canvas.remark = Some("Points that would hide one another stand side by side.");
    }
    // Points lie over lines, whatever their order in the model: a fitted line must not cross out what was measured.
    for points in [false, true] {
        let mut n = 0.0;
        for (series, look) in panel.series.iter().zip(&looks) {
            match look.draws {
                Draws::Line(dash) if !points => curve(canvas, layout, series, *look, dash, place),
                Draws::Points(shape) if points => {
                    markers(
                        canvas,
                        layout,
                        series,
                        *look,
                        shape,
                        place,
                        (aside.radius, aside.first + n * aside.step),
                    );
                    n += 1.0;
                }
                _ => {}
            }
        }
    }
    canvas.text(0.0, place.title_at, Anchor::Start, "axis", super::axis_words(&panel.y));
    names(canvas, place);
}

/// Numbers and name of the horizontal axis.
pub(super) fn bottom_axis(canvas: &mut Canvas, layout: &Layout, plot: &Plot) {
    let x = &layout.x;
    let mut small = format!("M{} {}H{}", px(x.start), px(layout.bottom), px(x.end));
    for t in &layout.x_ticks {
        let at = x.at(*t);
        let _ = write!(small, "M{} {}v4", px(at), px(layout.bottom));
        let text = tick_label(*t, layout.x_decimals, x.from, x.to);
        canvas.text(at, layout.bottom + 6.0 + SIZE, Anchor::Middle, "num", text);
    }
    canvas.path("frame", &small);
    let y = layout.bottom + 8.0 + SIZE + LEADING;
    canvas.text((x.start + x.end) / 2.0, y, Anchor::Middle, "axis", super::axis_words(&plot.x));
}

fn grid(canvas: &mut Canvas, layout: &Layout, place: &Place) {
    let x = &layout.x;
    let mut lines = String::new();
    for (t, text) in place.ticks.iter().zip(&place.tick_labels) {
        let y = place.y.at(*t);
        let _ = write!(lines, "M{} {}H{}", px(x.start), px(y), px(x.end));
        canvas.text(x.start - 6.0, y + 0.36 * SIZE, Anchor::End, "num", text.clone());
    }
    for t in &layout.x_ticks {
        let _ = write!(lines, "M{} {}V{}", px(x.at(*t)), px(place.y.start), px(place.y.end));
    }
    canvas.path("grid", &lines);
    let mut frame = format!("M{} {}V{}", px(x.start), px(place.y.end), px(place.y.start));
    let _ = write!(frame, "H{}", px(x.end));
    if place.y.from < 0.0 && place.y.to > 0.0 {
        let _ = write!(frame, "M{} {}H{}", px(x.start), px(place.y.at(0.0)), px(x.end));
    }
    canvas.path("frame", &frame);
}

fn bands(canvas: &mut Canvas, layout: &Layout, panel: &Panel, place: &Place) {
    for (i, band) in panel.bands.iter().enumerate() {
        let (fill, edges) = band_paths(layout, band, place);
        canvas.path(if i.is_multiple_of(2) { "band" } else { "band-2" }, &fill);
        canvas.dashed("band-edge", band_dash(i), &edges);
    }
}

fn band_dash(index: usize) -> &'static str {
    if index.is_multiple_of(2) { "none" } else { "3 2" }
}

fn band_paths(layout: &Layout, band: &Band, place: &Place) -> (String, String) {
    let finite: Vec<_> = band.points.iter().filter(|p| p.iter().all(|v| v.is_finite())).collect();
    let edge = |n: usize| {
        thin_line(&finite.iter().map(|p| [layout.x.held(p[0]), place.y.held(p[n])]).collect::<Vec<_>>())
    };
    let (lower, upper) = (edge(1), edge(2));
    let open = |points: &[[f64; 2]]| path(points.iter().copied());
    let fill = path(lower.iter().copied().chain(upper.iter().rev().copied()));
    let closed = if fill.is_empty() { fill } else { fill + "z" };
    (closed, open(&lower) + &open(&upper))
}

fn marks(canvas: &mut Canvas, layout: &Layout, panel: &Panel, place: &Place) {
    let x = &layout.x;
    let shown: Vec<_> = panel.marks.iter().zip(&place.marks).filter(|(m, _)| m.y.is_finite()).collect();
    let wanted: Vec<_> = shown
        .iter()
        .map(|(m, lines)| (place.y.held(m.y), LEADING * lines.len().max(1) as f64 + 1.0))
        .collect();
    let placed = spread(&wanted, place.top - 6.0, place.y.start + 8.0);
    for (((mark, lines), (_, need)), middle) in shown.iter().zip(&wanted).zip(placed) {
        let y = place.y.held(mark.y);
        canvas.dashed("mark", MARK_DASH, &format!("M{} {}H{}", px(x.start), px(y), px(x.end)));
        canvas.path("lead", &format!("M{} {}L{} {}h3", px(x.end), px(y), px(x.end + 8.0), px(middle)));
        for (n, line) in lines.iter().enumerate() {
            let top = middle - (need - 1.0) / 2.0;
            let at = top + LEADING * n as f64 + 0.5 * LEADING + 0.36 * SIZE;
            canvas.text(x.end + 14.0, at, Anchor::Start, "", line.clone());
        }
    }
}

fn curve(
    canvas: &mut Canvas,
    layout: &Layout,
    series: &Series,
    look: Look,
    dash: &'static str,
    place: &Place,
) {
    let mut data = String::new();
    // A value that is none leaves a gap.
    for run in series.points.split(|p| p.iter().any(|v| !v.is_finite())) {
        let run: Vec<_> = run.iter().map(|p| [layout.x.held(p[0]), place.y.held(p[1])]).collect();
        data += &path(thin_line(&run).into_iter());
    }
    canvas.dashed(&format!("line c{}", look.colour), dash, &data);
    let bars: Vec<_> = bars_of(series, layout, place, 0.0);
    error_bars(canvas, &bars, look, place);
}

/// How far points of several series move aside so that they do not hide one another.
struct Aside {
    radius: f64,
    first: f64,
    step: f64,
}

impl Aside {
    fn of(layout: &Layout, panel: &Panel, place: &Place) -> Self {
        let series: Vec<&Series> = panel.series.iter().filter(|s| s.style == SeriesStyle::Points).collect();
        let most = series.iter().map(|s| s.points.len()).max().unwrap_or(0);
        let radius = match most {
            0..=40 => 3.4,
            41..=120 => 2.4,
            _ => 1.6,
        };
        let stay = Self { radius, first: 0.0, step: 0.0 };
        if series.len() < 2 {
            return stay;
        }
        let cell = |p: &[f64; 2]| {
            ((layout.x.held(p[0]) * 2.0).round() as i64, (place.y.held(p[1]) * 2.0).round() as i64)
        };
        let mut seen = std::collections::HashMap::new();
        for (i, s) in series.iter().enumerate() {
            for p in &s.points {
                seen.entry(cell(p)).or_insert_with(Vec::new).push(i);
            }
        }
        let hidden = seen.values().filter(|v| v.iter().any(|i| *i != v[0])).count();
        let mut xs: Vec<f64> =
            series.iter().flat_map(|s| s.points.iter().map(|p| layout.x.held(p[0]))).collect();
        xs.sort_by(f64::total_cmp);
        let gap = xs.windows(2).map(|w| w[1] - w[0]).filter(|d| *d > 0.25).fold(f64::INFINITY, f64::min);
        let count = series.len() as f64;
        let step = (gap * 0.8 / count).min(2.5 * radius);
        if hidden == 0 || !step.is_finite() || step < 2.2 {
            return stay;
        }
        Self { radius: radius.min(step * 0.45), first: -step * (count - 1.0) / 2.0, step }
    }
}

fn markers(
    canvas: &mut Canvas,
    layout: &Layout,
    series: &Series,
    look: Look,
    shape: Shape,
    place: &Place,
    (radius, aside): (f64, f64),
) {
    let bars = bars_of(series, layout, place, aside);
    error_bars(canvas, &bars, look, place);
    let mut data = String::new();
    for (p, _) in &bars {
        shape.add(&mut data, p[0], p[1], (radius * 10.0).round() / 10.0);
    }
    canvas.path(&format!("{} c{}", if shape.filled() { "dot" } else { "ring" }, look.colour), &data);
}

/// Finite points in picture units, each with its uncertainty in the panel's unit.
fn bars_of(series: &Series, layout: &Layout, place: &Place, aside: f64) -> Vec<([f64; 2], f64)> {
    let points = series.points.iter().enumerate().filter(|(_, p)| p.iter().all(|v| v.is_finite()));
    let scale = (place.y.end - place.y.start).abs() / (place.y.to - place.y.from);
    let all: Vec<_> = points
        .map(|(i, p)| {
            let u = series.uncertainty.get(i).copied().filter(|u| u.is_finite()).unwrap_or(0.0);
            ([layout.x.held(p[0]) + aside, place.y.held(p[1])], u.abs() * scale)
        })
        .collect();
    if series.style == SeriesStyle::Points || !series.uncertainty.is_empty() {
        thin_points(&all)
    } else {
        Vec::new()
    }
}

fn error_bars(canvas: &mut Canvas, points: &[([f64; 2], f64)], look: Look, place: &Place) {
    let mut data = String::new();
    let (low, high) = (place.y.start.max(place.y.end), place.y.start.min(place.y.end));
    for (p, u) in points.iter().filter(|(_, u)| *u > 0.3) {
        let (top, bottom) = ((p[1] - u).max(high), (p[1] + u).min(low));
        let (x, left) = (px(p[0]), px(p[0] - 3.0));
        let _ = write!(data, "M{x} {}V{}M{left} {}h6M{left} {}h6", px(top), px(bottom), px(top), px(bottom));
    }
    canvas.path(&format!("bar c{}", look.colour), &data);
}

fn names(canvas: &mut Canvas, place: &Place) {
    for entry in &place.legend.entries {
        let (x, y) = (entry.x, entry.y - 0.33 * SIZE);
        let sample = format!("M{} {}h26", px(x), px(y));
        match entry.of {
            Of::Series(Look { colour, draws: Draws::Line(dash) }) => {
                canvas.dashed(&format!("line c{colour}"), dash, &sample)
            }
            Of::Series(Look { colour, draws: Draws::Points(shape) }) => {
                let mut data = String::new();
                shape.add(&mut data, x + 20.0, y, 3.4);
                canvas.path(&format!("{} c{colour}", if shape.filled() { "dot" } else { "ring" }), &data);
            }
            Of::Band(i) => {
                let box_ = format!("M{} {}h26v10h-26z", px(x), px(y - 5.0));
                canvas.path(if i.is_multiple_of(2) { "band" } else { "band-2" }, &box_);
                let edges = format!("M{} {}h26m-26 10h26", px(x), px(y - 5.0));
                canvas.dashed("band-edge", band_dash(i), &edges);
            }
        }
        for (n, line) in entry.lines.iter().enumerate() {
            canvas.text(entry.text_x(), entry.y + LEADING * n as f64, Anchor::Start, "", line.clone());
        }
    }
}

fn path(points: impl Iterator<Item = [f64; 2]>) -> String {
    let mut data = String::new();
    for (n, p) in points.enumerate() {
        let _ = write!(data, "{}{} {}", if n == 0 { 'M' } else { 'L' }, px(p[0]), px(p[1]));
    }
    data
}
