//! Names of curves and bands beside a sample of their look.

use super::label::{LEADING, width, wrap};
use super::look::{Look, looks};
use crate::record::model::Panel;
use crate::report::text::one_line;

/// Width of the sample, with the gap behind it.
const SAMPLE: f64 = 32.0;
const BETWEEN: f64 = 18.0;

/// A legend, placed.
pub(super) struct Legend {
    pub(super) entries: Vec<Entry>,
    pub(super) height: f64,
}

/// One name in it.
pub(super) struct Entry {
    pub(super) x: f64,
    /// Baseline of the first line.
    pub(super) y: f64,
    pub(super) lines: Vec<String>,
    pub(super) of: Of,
}

/// What an entry is the name of.
#[derive(Clone, Copy)]
pub(super) enum Of {
    Series(Look),
    Band(usize),
}

impl Entry {
    /// Where the name starts.
    pub(super) fn text_x(&self) -> f64 {
        self.x + SAMPLE
    }
}

/// Places the names of a panel in rows, the first of which starts behind the axis's name.
pub(super) fn legend(panel: &Panel, first_x: f64, baseline: f64, right: f64) -> Legend {
    let series = looks(panel.series.iter().map(|s| s.style));
    let series = panel.series.iter().zip(series).map(|(s, look)| (one_line(&s.name), Of::Series(look)));
    let bands = panel.bands.iter().enumerate().map(|(i, b)| (one_line(&b.name), Of::Band(i)));
    let mut entries: Vec<Entry> = Vec::new();
    let (mut x, mut y) = (first_x, baseline);
    let mut bottom = baseline;
    for (name, of) in series.chain(bands) {
        let full = SAMPLE + width(&name);
        if x > 0.0 && x + full > right {
            x = 0.0;
            y = bottom + LEADING + 2.0;
        }
        let lines = wrap(&name, right - SAMPLE);
        bottom = y + LEADING * (lines.len().max(1) - 1) as f64;
        entries.push(Entry { x, y, lines, of });
        x += full.min(right) + BETWEEN;
    }
    Legend { entries, height: bottom - baseline + LEADING }
}
