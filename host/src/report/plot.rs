//! Pictures of a run, drawn as SVG straight from the model.
//!
//! Panels share one horizontal axis; two-state signals run beneath on the same axis. Every curve is told from its
//! neighbours by dash or marker, so that a black and white print shows as much as the screen.

mod draw;
mod label;
mod lanes;
mod layout;
mod legend;
mod look;
mod scale;
mod thin;

use maud::{Markup, html};

use self::label::{Anchor, Label};
use super::text::T;
use crate::record::model::{Plot, PlotAxis};

/// A drawn plot.
pub(super) struct Picture {
    pub(super) svg: Markup,
    /// What a reader must know about the drawing itself.
    pub(super) remark: Option<&'static str>,
}

/// Everything that will be on the picture.
#[derive(Default)]
struct Canvas {
    /// Shapes, in the order they are painted.
    shapes: Vec<Markup>,
    labels: Vec<Label>,
    remark: Option<&'static str>,
}

impl Canvas {
    fn path(&mut self, class: &str, data: &str) {
        if !data.is_empty() {
            self.shapes.push(html! { path class=(class) d=(data) {} });
        }
    }

    fn dashed(&mut self, class: &str, dash: &str, data: &str) {
        if !data.is_empty() {
            self.shapes.push(html! { path class=(class) d=(data) stroke-dasharray=(dash) {} });
        }
    }

    fn text(&mut self, x: f64, y: f64, anchor: Anchor, class: &'static str, text: impl Into<String>) {
        self.labels.push(Label { x, y, anchor, class, text: text.into() });
    }
}

/// Draws a plot.
pub(super) fn draw(plot: &Plot) -> Picture {
    let (canvas, height) = compose(plot);
    let svg = html! {
        svg class="plot" viewBox={ "0 0 " (layout::WIDTH) " " (px(height)) }
            width=(layout::WIDTH) height=(px(height)) {
            title { (T(&plot.title)) }
            desc { (T(&plot.description)) }
            @for shape in &canvas.shapes { (shape) }
            @for l in &canvas.labels {
                text x=(px(l.x)) y=(px(l.y)) text-anchor=(l.anchor.word()) class=(l.class) { (T(&l.text)) }
            }
        }
    };
    Picture { svg, remark: canvas.remark }
}

fn compose(plot: &Plot) -> (Canvas, f64) {
    let mut canvas = Canvas::default();
    let layout = layout::Layout::of(plot);
    for (panel, place) in plot.panels.iter().zip(&layout.panels) {
        draw::panel(&mut canvas, &layout, panel, place);
    }
    lanes::lanes(&mut canvas, &layout, plot);
    draw::bottom_axis(&mut canvas, &layout, plot);
    (canvas, layout.height)
}

/// An axis in words: `Speed in rpm`.
fn axis_words(axis: &PlotAxis) -> String {
    let label = super::text::one_line(&axis.label);
    let unit = super::text::one_line(&axis.unit);
    // The unit's word may be in the name already; a letter of it is not.
    let said = label.split_whitespace().any(|word| word.to_lowercase() == unit.to_lowercase());
    if unit.is_empty() || said { label } else { format!("{label} in {unit}") }
}

/// A length or place with one decimal, without needless zero.
fn px(v: f64) -> String {
    let text = format!("{v:.1}");
    match text.strip_suffix(".0") {
        Some("-0") => "0".to_owned(),
        Some(whole) => whole.to_owned(),
        None => text,
    }
}

#[cfg(test)]
mod tests;
