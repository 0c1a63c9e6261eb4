//! Speeds at which a burst sees edges everywhere between its points.

use proofstand_units::{CountsPerRev, Rpm};

use super::edges::{POINTS, cycle_us, period_us};

/// A part of a point in which no edge falls, at most.
const WIDEST_GAP: f64 = 0.12;
/// How much slower a speed is made for it at most, in thousandths.
const SLOWER_MOST: i32 = 30;

/// A speed a little below, at which cycles don't keep step with the points of a burst: else edges would fall between the
/// same points again and again, and where between them nobody would know.
pub(super) fn out_of_step(speed: Rpm, counts_per_rev: CountsPerRev) -> Rpm {
    let cycle_us = cycle_us(speed, counts_per_rev);
    let points = cycle_us / f64::from(period_us(cycle_us));
    let slower = |n: i32| 1.0 + f64::from(n) * 1e-3;
    // While a burst is taken the speed has come to within a thousandth or two.
    let widest = |n: i32| {
        let held = (-4..=4).map(|off| slower(n) + f64::from(off) * 5e-4);
        held.map(|slower| widest_gap(points * slower)).fold(0.0, f64::max)
    };
    // Of a short point a larger part does not matter.
    let enough = WIDEST_GAP.max(points / 360.0);
    let even = (0..=SLOWER_MOST).find(|n| widest(*n) < enough);
    let least = || (0..=SLOWER_MOST).min_by(|a, b| widest(*a).total_cmp(&widest(*b)));
    speed / slower(even.or_else(least).unwrap_or(0))
}

/// The widest part of a point in which no edge falls, over the cycles of a burst.
fn widest_gap(points_a_cycle: f64) -> f64 {
    let cycles = (f64::from(POINTS) / points_a_cycle) as usize;
    let mut places: Vec<f64> = (0..cycles).map(|n| (n as f64 * points_a_cycle).fract()).collect();
    places.sort_by(f64::total_cmp);
    let Some((first, last)) = places.first().zip(places.last()) else { return 1.0 };
    let inside = places.windows(2).map(|w| w[1] - w[0]).fold(0.0, f64::max);
    inside.max(1.0 + first - last)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_cycle_of_whole_points_is_made_a_little_longer_and_any_other_is_left_alone() {
        // 2500 pulses at 1000 rpm: 60 s/1000/2500 = 24 µs, 24 points of 1 µs. Every edge falls at the same part of a point.
        let counts = CountsPerRev::new(10_000);
        let exact = Rpm::new(1000.0);
        assert!((widest_gap(24.0) - 1.0).abs() < 1e-9);
        let speed = out_of_step(exact, counts);
        assert!(speed < exact && speed > exact * 0.96, "{speed:?}");
        assert!(widest_gap(cycle_us(speed, counts)) < WIDEST_GAP);
        // 1024 pulses at 1200 rpm: 48.83 points.
        assert_eq!(out_of_step(Rpm::new(1200.0), CountsPerRev::new(4096)), Rpm::new(1200.0));
    }
}
