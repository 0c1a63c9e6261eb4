//! What a burst can't tell of its edges' places where edges and points keep step.
//!
//! A point is taken at even times, an edge comes at the first native position of its count: both round. Over a burst the
//! roundings average out, unless they go through the same few values again and again: where a cycle takes a whole number of
//! points, or where its points and its native positions together do. Then every mean is off by a part of a point, the scatter
//! does not show it, and it is the same however many edges there are.

use std::f64::consts::PI;

use crate::targets::Division;

/// How points and native positions may lie to one another at the start of a burst: tried evenly.
const STARTS: usize = 16;
/// A start of the native positions for each start of the points: multiples of the golden section spread evenly.
const GOLDEN: f64 = 0.618_033_988_749_894_9;
/// Overtones of the points that matter: each adds at most its number's inverse.
const OF_POINTS: i32 = 8;
/// Overtones of the native positions.
const OF_POSITIONS: i32 = 8;

/// The course of the edges of a burst, as fitted.
pub(super) struct Course<'a> {
    /// Places of the edges, in cycles from the middle.
    pub(super) cycles: &'a [f64],
    /// The kind of each edge: 0 for A rising to 3 for B falling.
    pub(super) kinds: &'a [usize],
    /// Time in points as a function of the place in cycles: constant, slope, square.
    pub(super) time: [f64; 3],
    /// How much later each kind comes, in points.
    pub(super) lags: [f64; 4],
}

impl Course<'_> {
    /// What the mean of each kind is off by, in points, for several ways in which points, native positions and edges may
    /// lie.
    pub(super) fn biases(&self, division: Division) -> Vec<[f64; 4]> {
        let per_cycle = 4.0 * division.get();
        let place_of = |cycles: f64, start: f64| {
            if division.is_whole() {
                cycles
            } else {
                ((cycles * per_cycle + start).ceil() - start) / per_cycle
            }
        };
        let [at, slope, square] = self.time;
        let of_start = |n: usize| {
            let first_point = n as f64 / STARTS as f64;
            let first_position = (n as f64 * GOLDEN).fract();
            let (mut sums, mut edges) = ([0.0; 4], [0_u32; 4]);
            for (cycles, kind) in self.cycles.iter().zip(self.kinds) {
                // As a fit over smooth places sees it: against where the edge would come without any rounding.
                let smooth = at + slope * cycles + square * cycles * cycles;
                let place = place_of(*cycles, first_position);
                let came = at + slope * place + square * place * place;
                let lag = self.lags.get(*kind).copied().unwrap_or(0.0) + first_point;
                let read = (came + lag).ceil() - 0.5;
                if let Some((sum, edges)) = sums.get_mut(*kind).zip(edges.get_mut(*kind)) {
                    *sum += read - (smooth + lag) - slope * 0.5 / per_cycle * f64::from(!division.is_whole());
                    *edges += 1;
                }
            }
            let mut means = sums;
            for (mean, edges) in means.iter_mut().zip(edges) {
                *mean /= f64::from(edges.max(1));
            }
            means
        };
        (0..STARTS).map(of_start).collect()
    }
}

/// About how far the mean place of a kind of edge is off at most, in points, over so many cycles of so many points.
///
/// Sampling rounds by a sawtooth of the points, whose overtone h has the amplitude 1/(πh). Native positions, s points each,
/// shift it: their overtone j takes the share sin(π(hs − j))/(π(hs − j)) of it. Both together repeat each cycle but for a
/// rest δ, and the mean of n cycles leaves about 1/(πnδ) of what it would be with none (sums of a geometric series).
pub(crate) fn bias_at_most(points_a_cycle: f64, cycles: f64, division: Division) -> f64 {
    let per_cycle = 4.0 * division.get();
    let (overtones, position) =
        if division.is_whole() { (0, 0.0) } else { (OF_POSITIONS, points_a_cycle / per_cycle) };
    let share = |x: f64| if x.abs() < 1e-9 { 1.0 } else { ((PI * x).sin() / (PI * x)).abs() };
    let part = |of_points: i32, of_positions: i32| {
        let (h, j) = (f64::from(of_points), f64::from(of_positions));
        let together = h * points_a_cycle - j * per_cycle;
        let rest = (together - together.round()).abs();
        share(h * position - j) / (PI * h) * (1.0 / (PI * cycles * rest)).min(1.0)
    };
    (1..=OF_POINTS).flat_map(|h| (-overtones..=overtones).map(move |j| part(h, j))).sum()
}

#[cfg(test)]
mod tests {
    use proofstand_units::{CountsPerRev, NativePerRev};

    use super::*;

    fn division(native: u32, counts: u32) -> Division {
        Division { native: NativePerRev::new(native), counts: CountsPerRev::new(counts) }
    }

    /// The largest of what the means are off by against one another over a burst of even speed, in points.
    fn simulated(points_a_cycle: f64, edges: usize, division: Division) -> f64 {
        let cycles: Vec<f64> = (0..edges).map(|n| n as f64 / 4.0).collect();
        let kinds: Vec<usize> = (0..edges).map(|n| n % 4).collect();
        let course =
            Course { cycles: &cycles, kinds: &kinds, time: [0.0, points_a_cycle, 0.0], lags: [0.0; 4] };
        let size = |b: &[f64; 4]| b.iter().fold(0.0_f64, |most, one| most.max(one.abs()));
        course.biases(division).iter().map(size).fold(0.0, f64::max)
    }

    #[test]
    fn a_cycle_of_whole_points_hides_half_a_point_and_one_of_quarters_an_eighth() {
        // Rounding a place to one of q even steps of a point: at most 1/(2q) off.
        let whole = division(40_000, 10_000);
        for (points, most) in [(24.0, 0.5), (24.5, 0.25), (24.25, 0.125)] {
            let off = simulated(points, 4000, whole);
            assert!((most * 0.85..=most + 1e-9).contains(&off), "{points}: {off}");
            assert!(bias_at_most(points, 1000.0, whole) > 0.8 * most, "{points}");
        }
        assert!(simulated(24.11, 4000, whole) < 0.01);
        assert!(bias_at_most(24.11, 1000.0, whole) < 0.03);
    }

    #[test]
    fn points_that_keep_step_with_native_positions_hide_a_part_though_edges_fall_everywhere() {
        // 26.2144 positions and 8.2144 points to a cycle: 18 apart, whatever the cycle.
        let uneven = division(131_072, 20_000);
        let off = simulated(8.2144, 1994, uneven);
        assert!(off > 0.1, "{off}");
        assert!(bias_at_most(8.2144, 498.0, uneven) > 0.1);
        // A tenth of a point on, they don't.
        let off = simulated(8.33, 1994, uneven);
        assert!(off < 0.02, "{off}");
        assert!(bias_at_most(8.33, 492.0, uneven) < 0.06, "{}", bias_at_most(8.33, 492.0, uneven));
        // And with a whole division nothing but the points counts.
        assert!(simulated(8.2144, 1994, division(80_000, 20_000)) < 0.01);
    }
}
