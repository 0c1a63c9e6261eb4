//! How each curve is told from its neighbours: by dash or marker first, by colour besides.

use std::fmt::Write as _;

use crate::record::model::SeriesStyle;

/// The look of one series.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Look {
    /// Colour class, 1 to 6.
    pub(super) colour: usize,
    pub(super) draws: Draws,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Draws {
    /// A line with this dash pattern.
    Line(&'static str),
    /// Markers of this shape.
    Points(Shape),
}

/// A marker.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Shape {
    Disc,
    Square,
    Triangle,
    Diamond,
    Cross,
    Plus,
    Ring,
    Wedge,
}

const SHAPES: [Shape; 8] = [
    Shape::Disc,
    Shape::Square,
    Shape::Triangle,
    Shape::Diamond,
    Shape::Cross,
    Shape::Ring,
    Shape::Wedge,
    Shape::Plus,
];
const LINES: [&str; 4] = ["none", "11 3 2 3", "14 3", "8 2 2 2 2 2"];
const DASHED: [&str; 4] = ["6 4", "2 3", "3 6", "9 5"];

/// The look of every series of a panel, in order.
pub(super) fn looks(styles: impl Iterator<Item = SeriesStyle>) -> Vec<Look> {
    let (mut lines, mut dashed, mut points) = (0, 0, 0);
    let next = |n: &mut usize| {
        *n += 1;
        *n - 1
    };
    styles
        .enumerate()
        .map(|(i, style)| Look {
            colour: i % 6 + 1,
            draws: match style {
                SeriesStyle::Line => Draws::Line(LINES[next(&mut lines) % LINES.len()]),
                SeriesStyle::Dashed => Draws::Line(DASHED[next(&mut dashed) % DASHED.len()]),
                SeriesStyle::Points => Draws::Points(SHAPES[next(&mut points) % SHAPES.len()]),
            },
        })
        .collect()
}

impl Shape {
    /// Filled, or drawn as an outline.
    pub(super) const fn filled(self) -> bool {
        matches!(self, Self::Disc | Self::Triangle)
    }

    /// Adds one marker to a path's data.
    pub(super) fn add(self, path: &mut String, x: f64, y: f64, r: f64) {
        let d = 2.0 * r;
        let _ = match self {
            Self::Disc | Self::Ring => {
                write!(path, "M{:.1} {y:.1}a{r} {r} 0 1 0 {d} 0a{r} {r} 0 1 0-{d} 0", x - r)
            }
            Self::Square => write!(path, "M{:.1} {:.1}h{d}v{d}h-{d}z", x - r, y - r),
            Self::Triangle => write!(path, "M{x:.1} {:.1}l{r} {d}h-{d}z", y - 1.2 * r),
            Self::Wedge => write!(path, "M{x:.1} {:.1}l{r}-{d}h-{d}z", y + 1.2 * r),
            Self::Diamond => write!(path, "M{x:.1} {:.1}l{r} {r}l-{r} {r}l-{r}-{r}z", y - r),
            Self::Cross => write!(path, "M{:.1} {:.1}l{d} {d}m0-{d}l-{d} {d}", x - r, y - r),
            Self::Plus => write!(path, "M{:.1} {y:.1}h{d}m-{r}-{r}v{d}", x - r),
        };
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_two_series_of_a_panel_look_alike_without_colour() {
        let styles = [
            [SeriesStyle::Line; 4],
            [SeriesStyle::Dashed; 4],
            [SeriesStyle::Points; 4],
            [SeriesStyle::Points; 4],
        ];
        let looks = looks(styles.into_iter().flatten());
        for (i, a) in looks.iter().enumerate() {
            assert!(looks[..i].iter().all(|b| a.draws != b.draws), "{a:?}");
        }
    }
}
