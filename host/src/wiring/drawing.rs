//! A page of lines and letters, and its SVG text.

use std::fmt::Write as _;

use super::lettering::width;
use crate::settings::harmless::xml;

/// Width of a page, millimetres (A4 upright, ISO 216).
pub const PAGE_WIDTH: f64 = 210.0;
/// Height of a page, millimetres (A4 upright, ISO 216).
pub const PAGE_HEIGHT: f64 = 297.0;

/// Where a text's reference point is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Anchor {
    /// At its left end.
    Start,
    /// In its middle.
    Middle,
    /// At its right end.
    End,
}

/// What is drawn; all lengths are millimetres, from the top left corner.
#[derive(Debug, Clone, PartialEq)]
pub enum Shape {
    /// One line of text.
    Text {
        /// Reference point, across.
        x: f64,
        /// Baseline.
        y: f64,
        /// Height of an em, at least 2.5 mm.
        size: f64,
        /// Heavy face.
        bold: bool,
        /// Where the reference point is.
        anchor: Anchor,
        /// The text, not yet escaped.
        content: String,
    },
    /// A straight line.
    Line {
        /// From, to: x1, y1, x2, y2.
        ends: [f64; 4],
        /// Thickness.
        stroke: f64,
        /// Broken.
        dashed: bool,
    },
    /// A box, not filled.
    Box {
        /// Left, top, width, height.
        frame: [f64; 4],
        /// Radius of its corners.
        round: f64,
        /// Thickness.
        stroke: f64,
        /// Broken.
        dashed: bool,
    },
    /// Half a turn of a twist: from a height to another, over what is already drawn.
    Turn {
        /// From, to: x1, y1, x2, y2.
        ends: [f64; 4],
        /// Broken.
        dashed: bool,
    },
    /// A filled dot.
    Dot {
        /// Centre, across.
        x: f64,
        /// Centre, down.
        y: f64,
    },
}

/// A frame on the page, millimetres.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bounds {
    /// Left edge.
    pub left: f64,
    /// Upper edge.
    pub top: f64,
    /// Right edge.
    pub right: f64,
    /// Lower edge.
    pub bottom: f64,
}

impl Bounds {
    /// The two share some area.
    #[must_use]
    pub fn overlaps(&self, other: &Self) -> bool {
        self.left < other.right
            && other.left < self.right
            && self.top < other.bottom
            && other.top < self.bottom
    }
}

impl Shape {
    /// The frame around it; of a text, a generous estimate.
    #[must_use]
    pub fn bounds(&self) -> Bounds {
        match self {
            Self::Text { x, y, size, bold, anchor, content } => {
                let width = width(content, *size, *bold);
                let left = match anchor {
                    Anchor::Start => *x,
                    Anchor::Middle => x - width / 2.0,
                    Anchor::End => x - width,
                };
                Bounds { left, top: y - 0.78 * size, right: left + width, bottom: y + 0.22 * size }
            }
            Self::Line { ends, .. } | Self::Turn { ends, .. } => {
                let [x1, y1, x2, y2] = *ends;
                Bounds { left: x1.min(x2), top: y1.min(y2), right: x1.max(x2), bottom: y1.max(y2) }
            }
            Self::Box { frame: [left, top, width, height], .. } => {
                Bounds { left: *left, top: *top, right: left + width, bottom: top + height }
            }
            Self::Dot { x, y } => Bounds { left: x - DOT, top: y - DOT, right: x + DOT, bottom: y + DOT },
        }
    }
}

const DOT: f64 = 0.9;
const WIRE: f64 = 0.45;

/// One page.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Drawing {
    /// What is drawn, in order.
    pub shapes: Vec<Shape>,
}

impl Drawing {
    pub(super) fn text(&mut self, x: f64, y: f64, size: f64, content: &str) {
        self.letters(x, y, size, false, Anchor::Start, content);
    }

    pub(super) fn letters(&mut self, x: f64, y: f64, size: f64, bold: bool, anchor: Anchor, content: &str) {
        let content = content.to_owned();
        self.shapes.push(Shape::Text { x, y, size, bold, anchor, content });
    }

    pub(super) fn line(&mut self, ends: [f64; 4], stroke: f64, dashed: bool) {
        self.shapes.push(Shape::Line { ends, stroke, dashed });
    }

    pub(super) fn wire(&mut self, ends: [f64; 4], dashed: bool) {
        self.line(ends, WIRE, dashed);
    }

    pub(super) fn frame(&mut self, frame: [f64; 4], round: f64, stroke: f64, dashed: bool) {
        self.shapes.push(Shape::Box { frame, round, stroke, dashed });
    }

    pub(super) fn dot(&mut self, x: f64, y: f64) {
        self.shapes.push(Shape::Dot { x, y });
    }

    /// Two wires twisted between two places by a whole number of turns, so that each leaves at the height it came in.
    pub(super) fn twist(&mut self, [left, upper, right, lower]: [f64; 4], turns: u32, dashed: bool) {
        let half = (right - left) / f64::from(2 * turns);
        for number in 0..2 * turns {
            let (x1, x2) = (left + half * f64::from(number), left + half * f64::from(number + 1));
            // At every second crossing the other wire is in front.
            let falling = Shape::Turn { ends: [x1, upper, x2, lower], dashed };
            let rising = Shape::Turn { ends: [x1, lower, x2, upper], dashed };
            let pair = if number % 2 == 0 { [falling, rising] } else { [rising, falling] };
            self.shapes.extend(pair);
        }
    }

    /// The page as SVG (Scalable Vector Graphics 1.1): black on white, one unit of the view box is a millimetre.
    #[must_use]
    pub fn svg(&self, title: &str, description: &str) -> String {
        let mut out = format!(
            "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n\
             <svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{PAGE_WIDTH}mm\" height=\"{PAGE_HEIGHT}mm\" \
             viewBox=\"0 0 {PAGE_WIDTH} {PAGE_HEIGHT}\" role=\"img\" aria-labelledby=\"title description\" \
             font-family=\"sans-serif\" fill=\"black\" stroke=\"none\">\n\
             <title id=\"title\">{}</title>\n<desc id=\"description\">{}</desc>\n\
             <rect width=\"{PAGE_WIDTH}\" height=\"{PAGE_HEIGHT}\" fill=\"white\"/>\n",
            xml(title),
            xml(description)
        );
        for shape in &self.shapes {
            // Writing to a String does not fail.
            let _ = write(&mut out, shape);
        }
        out.push_str("</svg>\n");
        out
    }
}

const fn dashes(dashed: bool) -> &'static str {
    if dashed { " stroke-dasharray=\"2 1.2\"" } else { "" }
}

fn write(out: &mut String, shape: &Shape) -> std::fmt::Result {
    match shape {
        Shape::Text { x, y, size, bold, anchor, content } => {
            let weight = if *bold { " font-weight=\"bold\"" } else { "" };
            let anchor = match anchor {
                Anchor::Start => "",
                Anchor::Middle => " text-anchor=\"middle\"",
                Anchor::End => " text-anchor=\"end\"",
            };
            let content = xml(content);
            writeln!(
                out,
                "<text x=\"{x:.2}\" y=\"{y:.2}\" font-size=\"{size:.2}\"{weight}{anchor}>{content}</text>"
            )
        }
        Shape::Line { ends: [x1, y1, x2, y2], stroke, dashed } => {
            let dashes = dashes(*dashed);
            writeln!(
                out,
                "<path d=\"M{x1:.2} {y1:.2}L{x2:.2} {y2:.2}\" stroke=\"black\" stroke-width=\"{stroke:.2}\"{dashes}/>"
            )
        }
        Shape::Box { frame: [left, top, width, height], round, stroke, dashed } => {
            let dashes = dashes(*dashed);
            writeln!(
                out,
                "<rect x=\"{left:.2}\" y=\"{top:.2}\" width=\"{width:.2}\" height=\"{height:.2}\" rx=\"{round:.2}\" \
                 fill=\"none\" stroke=\"black\" stroke-width=\"{stroke:.2}\"{dashes}/>"
            )
        }
        Shape::Turn { ends: [x1, y1, x2, y2], dashed } => {
            let middle = f64::midpoint(*x1, *x2);
            let curve = format!("M{x1:.2} {y1:.2}C{middle:.2} {y1:.2} {middle:.2} {y2:.2} {x2:.2} {y2:.2}");
            let dashes = dashes(*dashed);
            // A white edge makes the wire behind stop short of the one in front. It is kept off the ends, where the
            // wire's own neighbours begin.
            let (cut1, cut2) = (x1 + 0.3 * (x2 - x1), x1 + 0.7 * (x2 - x1));
            let (near, far) = (y1 + 0.216 * (y2 - y1), y1 + 0.784 * (y2 - y1));
            writeln!(
                out,
                "<path d=\"M{cut1:.2} {near:.2}L{cut2:.2} {far:.2}\" stroke=\"white\" stroke-width=\"1.4\"/>"
            )?;
            writeln!(
                out,
                "<path d=\"{curve}\" fill=\"none\" stroke=\"black\" stroke-width=\"{WIRE:.2}\"{dashes}/>"
            )
        }
        Shape::Dot { x, y } => writeln!(out, "<circle cx=\"{x:.2}\" cy=\"{y:.2}\" r=\"{DOT:.2}\"/>"),
    }
}
