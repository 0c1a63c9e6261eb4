//! Two-state signals under the panels.

use std::fmt::Write as _;

use super::label::{Anchor, SIZE, wrap};
use super::layout::{Layout, WIDTH};
use super::{Canvas, px};
use crate::record::model::{Lane, Plot};
use crate::report::text::one_line;

const TRACE_TOP: f64 = 20.0;
const TRACE_BOTTOM: f64 = 36.0;
/// More changes than this, and lines up to the curves would hide them.
const GUIDES_MOST: usize = 8;

pub(super) fn lanes(canvas: &mut Canvas, layout: &Layout, plot: &Plot) {
    for (lane, top) in plot.lanes.iter().zip(&layout.lanes) {
        draw(canvas, layout, lane, *top);
    }
}

fn draw(canvas: &mut Canvas, layout: &Layout, lane: &Lane, top: f64) {
    let x = &layout.x;
    let (high, low) = (top + TRACE_TOP, top + TRACE_BOTTOM);
    // A change at which the state does not change is none; out of order, none can be drawn.
    let changes: Vec<f64> = lane.changes.iter().copied().filter(|c| c.is_finite()).collect();
    let before = changes.iter().filter(|c| **c < x.from).count();
    let mut state = lane.initial ^ (before % 2 == 1);
    let level = |s: bool| if s { high } else { low };
    let mut line = format!("M{} {}", px(x.start), px(level(state)));
    let mut fill = String::new();
    let mut from = x.start;
    for at in changes.iter().filter(|c| x.contains(**c)).map(|c| x.at(*c)) {
        if state {
            block(&mut fill, from, at, high, low);
        }
        state = !state;
        let _ = write!(line, "H{}V{}", px(at), px(level(state)));
        from = at;
    }
    if state {
        block(&mut fill, from, x.end, high, low);
    }
    let _ = write!(line, "H{}", px(x.end));
    let within: Vec<f64> = changes.into_iter().filter(|c| x.contains(*c)).collect();
    if within.len() <= GUIDES_MOST {
        let up = layout.panels.first().map_or(high, |p| p.top);
        let guides: String =
            within.iter().map(|c| format!("M{} {}V{}", px(x.at(*c)), px(up), px(high))).collect();
        canvas.path("guide", &guides);
    }
    canvas.path("lane-fill", &fill);
    canvas.path("lane", &line);
    let name = wrap(&one_line(&lane.name), x.end - x.start);
    canvas.text(x.start, top + SIZE + 2.0, Anchor::Start, "", name.first().cloned().unwrap_or_default());
    for (text, y) in [(&lane.high_label, high + 1.5), (&lane.low_label, low + 4.5)] {
        let lines = wrap(&one_line(text), WIDTH - x.end - 8.0);
        canvas.text(x.end + 6.0, y + 1.0, Anchor::Start, "quiet", lines.first().cloned().unwrap_or_default());
    }
}

fn block(fill: &mut String, from: f64, to: f64, high: f64, low: f64) {
    let _ = write!(fill, "M{} {}H{}V{}H{}z", px(from), px(low), px(to), px(high), px(from));
}
