//! A result beside its limits, small enough for a table's cell.

use maud::{Markup, html};

use super::number::{self, Places};
use crate::record::model::ResultRow;

const WIDTH: f64 = 104.0;
const LEFT: f64 = 24.0;
const RIGHT: f64 = 80.0;
const MIDDLE: f64 = 9.0;

/// The measured value with its expanded uncertainty as a bar, between the limits; nothing without value or limit.
pub(super) fn ruler(r: &ResultRow) -> Markup {
    let Some(measured) = r.measured.filter(|m| m.is_finite()) else { return html! {} };
    let Some(map) = Map::of(r, measured) else { return html! {} };
    let u = r.expanded_uncertainty.filter(|u| u.is_finite()).unwrap_or(0.0).abs();
    let (low, high) = (map.at(measured - u), map.at(measured + u));
    let at = map.raw(measured);
    let inside = (0.0..=WIDTH).contains(&at);
    html! {
        svg.ruler role="img" aria-label=(words(r, measured)) viewBox={ "0 0 " (WIDTH) " 18" } width=(WIDTH) height="18" {
            path class="ruler-base" d={ "M0 " (MIDDLE) "H" (WIDTH) } {}
            @if let Some(l) = r.lower_limit { path class="ruler-limit" d={ "M" (p(map.at(l) + 3.5)) " 1.5h-3.5v15h3.5" } {} }
            @if let Some(l) = r.upper_limit { path class="ruler-limit" d={ "M" (p(map.at(l) - 3.5)) " 1.5h3.5v15h-3.5" } {} }
            @if let Some(t) = r.target { path class="ruler-target" d={ "M" (p(map.at(t))) " 5.5v7" } {} }
            @if high - low > 0.4 {
                path class="ruler-bar" d={ "M" (p(low)) " " (MIDDLE) "H" (p(high)) "M" (p(low)) " 5.5v7M" (p(high)) " 5.5v7" } {}
            }
            @if inside {
                circle class="ruler-dot" cx=(p(at)) cy=(MIDDLE) r="2.6" {}
            } @else if at < 0.0 {
                path class="ruler-dot" d={ "M0 " (MIDDLE) "l7 -4v8z" } {}
            } @else {
                path class="ruler-dot" d={ "M" (WIDTH) " " (MIDDLE) "l-7 -4v8z" } {}
            }
        }
    }
}

/// From the result's unit to places in the cell.
struct Map {
    from: f64,
    scale: f64,
    start: f64,
}

impl Map {
    fn of(r: &ResultRow, measured: f64) -> Option<Self> {
        let (from, to, start, end) = match (r.lower_limit, r.upper_limit) {
            (Some(l), Some(h)) => (l, h, LEFT, RIGHT),
            // One limit only: the other end is zero or the target, whichever shows where the value lies.
            (None, Some(h)) => {
                (r.target.filter(|t| *t < h).unwrap_or(0.0).min(0.0).min(measured), h, 6.0, RIGHT)
            }
            (Some(l), None) => {
                (l, r.target.filter(|t| *t > l).unwrap_or(measured.max(l + l.abs())), LEFT, WIDTH - 6.0)
            }
            (None, None) => return None,
        };
        let scale = (end - start) / (to - from);
        (scale.is_finite() && scale > 0.0).then_some(Self { from, scale, start })
    }

    fn raw(&self, value: f64) -> f64 {
        self.start + (value - self.from) * self.scale
    }

    fn at(&self, value: f64) -> f64 {
        self.raw(value).clamp(0.0, WIDTH)
    }
}

fn words(r: &ResultRow, measured: f64) -> String {
    let places = r.expanded_uncertainty.and_then(Places::of_uncertainty);
    let unit = number::unit_after(&super::text::one_line(&r.unit));
    let side =
        |l: Option<f64>, name: &str| l.map(|l| format!(", {name} limit {}{unit}", number::limit(l, places)));
    format!(
        "Measured {}{unit}{}{}",
        number::value(measured, places),
        side(r.lower_limit, "lower").unwrap_or_default(),
        side(r.upper_limit, "upper").unwrap_or_default()
    )
}

fn p(v: f64) -> String {
    format!("{v:.1}")
}
