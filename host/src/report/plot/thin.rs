//! Long series made short without losing what they show.

use std::collections::HashMap;
use std::collections::hash_map::Entry;

/// Keeps, for every stretch of points within one column of the picture, the first, lowest, highest and last: what a printer
/// could draw of them, so that a spike of one sample stays.
///
/// Points are in picture units, in the order they are joined; a column is half a unit wide.
pub(super) fn thin_line(points: &[[f64; 2]]) -> Vec<[f64; 2]> {
    let mut out = Vec::new();
    let mut start = 0;
    while start < points.len() {
        let column = |p: &[f64; 2]| (p[0] * 2.0).floor();
        let here = column(&points[start]);
        let end = points[start..].iter().position(|p| column(p) != here).map_or(points.len(), |n| start + n);
        let stretch = &points[start..end];
        let by_height = |a: &&[f64; 2], b: &&[f64; 2]| a[1].total_cmp(&b[1]);
        let lowest = (0..stretch.len()).min_by(|a, b| by_height(&&stretch[*a], &&stretch[*b])).unwrap_or(0);
        let highest = (0..stretch.len()).max_by(|a, b| by_height(&&stretch[*a], &&stretch[*b])).unwrap_or(0);
        let mut keep = [0, lowest, highest, stretch.len() - 1];
        keep.sort_unstable();
        let mut last = None;
        for i in keep {
            if last != Some(i) {
                out.push(stretch[i]);
                last = Some(i);
            }
        }
        start = end;
    }
    out
}

/// A picture's markers: more would lie on one another and only make the file long.
const MARKERS_MOST: usize = 4000;

/// Drops points that would be drawn on top of an earlier one. The larger error bar stays.
///
/// What counts as on top begins at half a unit and grows only as far as the number of points asks.
pub(super) fn thin_points(points: &[([f64; 2], f64)]) -> Vec<([f64; 2], f64)> {
    let mut cell = 0.5;
    loop {
        let thin = one_a_cell(points, cell);
        if thin.len() <= MARKERS_MOST || cell > 100.0 {
            return thin;
        }
        cell *= 2.0;
    }
}

fn one_a_cell(points: &[([f64; 2], f64)], size: f64) -> Vec<([f64; 2], f64)> {
    let mut seen = HashMap::new();
    let mut out: Vec<([f64; 2], f64)> = Vec::new();
    for (p, u) in points {
        let cell = ((p[0] / size).round() as i64, (p[1] / size).round() as i64);
        match seen.entry(cell) {
            Entry::Vacant(v) => {
                v.insert(out.len());
                out.push((*p, *u));
            }
            Entry::Occupied(o) => {
                let kept = &mut out[*o.get()].1;
                *kept = kept.max(*u);
            }
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_spike_of_one_sample_stays() {
        let points: Vec<[f64; 2]> =
            (0..100_000).map(|i| [f64::from(i) * 0.006, if i == 54_321 { 900.0 } else { 100.0 }]).collect();
        let thin = thin_line(&points);
        assert!(thin.len() < 5000, "{}", thin.len());
        assert!(thin.contains(&points[54_321]));
        assert_eq!((thin.first(), thin.last()), (points.first(), points.last()));
    }

    #[test]
    fn the_order_of_points_stays() {
        let points: Vec<[f64; 2]> = (0..1000).map(|i| [f64::from(i) * 0.01, f64::from(i * 7 % 13)]).collect();
        let thin = thin_line(&points);
        assert!(thin.windows(2).all(|w| w[0][0] <= w[1][0]));
    }

    #[test]
    fn short_series_are_left_alone() {
        let points = [[0.0, 1.0], [1.0, 2.0], [2.0, 0.0]];
        assert_eq!(thin_line(&points), points);
    }

    #[test]
    fn points_on_top_of_each_other_become_one_with_the_larger_error_bar() {
        let made = thin_points(&[([1.0, 1.0], 0.1), ([1.1, 1.0], 0.3), ([5.0, 1.0], 0.2)]);
        assert_eq!(made, [([1.0, 1.0], 0.3), ([5.0, 1.0], 0.2)]);
    }
}
