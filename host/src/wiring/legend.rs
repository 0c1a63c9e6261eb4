//! What the signs of a page mean: all of them once, those that are dangerous to take for others on each page.

use super::drawing::{Anchor, Drawing};
use super::layout::{FOOT, MARGIN, PLAIN, RIGHT, SMALL};

/// Signs of a page that are dangerous to take for others.
#[derive(Default)]
pub(super) struct Signs {
    /// Something is normally closed.
    pub(super) closed: bool,
    /// Something is delivered unwired.
    pub(super) unwired: bool,
    /// The whole legend is on the page.
    pub(super) legend: bool,
}

/// What the page's dangerous signs mean, on the page itself, and where the cautions are.
pub(super) fn key(drawing: &mut Drawing, signs: &Signs, cautions_before: bool) {
    let y = FOOT - 0.3;
    let mut x = MARGIN;
    if signs.closed && !signs.legend {
        badge(drawing, x, y - 1.0);
        drawing.text(x + 7.5, y, SMALL, "normally closed");
        x += 34.0;
    }
    if signs.unwired && !signs.legend {
        drawing.wire([x, y - 1.0, x + 14.0, y - 1.0], true);
        drawing.text(x + 16.0, y, SMALL, "delivered unwired: off again before handover");
    }
    if cautions_before {
        drawing.letters(RIGHT, y, SMALL, true, Anchor::End, "Cautions: page 1");
    }
}

/// NC in a box, its middle at a height.
pub(super) fn badge(drawing: &mut Drawing, x: f64, middle: f64) {
    drawing.frame([x, middle - 1.7, 5.6, 3.4], 0.0, 0.4, false);
    drawing.letters(x + 2.8, middle + 0.95, 2.5, true, Anchor::Middle, "NC");
}

/// Every sign and its meaning, below a height.
pub(super) fn legend(page: &mut Drawing, top: f64) {
    let words = [
        "twisted pair: each wire leaves at the height it came in",
        "screen: tied at the dot, at the fixture only (common practice, no source)",
        "delivered unwired: on for the check of the end switches, off before handover",
        "the same amplifier terminal",
    ];
    page.letters(MARGIN, top + 3.0, PLAIN, true, Anchor::Start, "Signs");
    for (number, words) in words.into_iter().enumerate() {
        #[expect(clippy::cast_precision_loss, reason = "four lines")]
        let y = top + 8.0 + 5.2 * number as f64;
        let (left, right) = (MARGIN, MARGIN + 18.0);
        match number {
            0 => page.twist([left, y - 1.5, right, y + 1.5], 2, false),
            1 => {
                page.frame([left, y - 1.8, 18.0, 3.6], 1.4, 0.45, true);
                page.dot(left + 4.0, y + 1.8);
            }
            2 => page.wire([left, y, right, y], true),
            _ => {
                page.line([left + 4.0, y, right - 4.0, y], 0.6, false);
                page.dot(left + 4.0, y);
                page.dot(right - 4.0, y);
            }
        }
        page.text(right + 4.0, y + 1.0, SMALL, words);
    }
    let (x, y) = (150.0, top + 8.0);
    badge(page, x, y);
    page.text(x + 8.0, y + 1.0, SMALL, "normally closed");
    page.letters(x + 2.8, y + 6.8, 4.6, true, Anchor::Middle, "+");
    page.text(x + 8.0, y + 6.2, SMALL, "positive, true, collector");
    page.letters(x + 2.8, y + 12.0, 4.6, true, Anchor::Middle, "\u{2212}");
    page.text(x + 8.0, y + 11.4, SMALL, "negative, inverted, emitter");
    page.frame([x + 1.0, y + 13.8, 3.6, 3.6], 0.0, 0.3, false);
    page.text(x + 8.0, y + 16.6, SMALL, "tick when wired");
}
