//! Speeds at which the mean over a burst tells where edges are.

use proofstand_units::Rpm;

use super::edges::{POINTS, cycle_us, period_us};
use crate::estimate::keeping_step::bias_at_most;
use crate::targets::Division;

/// What the mean of a kind of edge may be off by, in points.
const OFF_MOST: f64 = 0.06;
/// Of a short point a larger part does not matter: what it may be off by in degrees of the cycle.
const DEGREES_MOST: f64 = 1.0;
/// How much slower a speed is made for it at most, in thousandths.
const SLOWER_MOST: i32 = 40;

/// A speed a little below, at which cycles keep step neither with the points of a burst nor with points and native positions
/// together: else edges would fall at the same parts of a point again and again, and where nobody would know. Where there
/// is none such, the speed that hides least: what it hides is in its budget.
pub(super) fn out_of_step(speed: Rpm, division: Division) -> Rpm {
    let cycle_us = cycle_us(speed, division.counts);
    let points = |cycle_us: f64| cycle_us / f64::from(period_us(cycle_us));
    let slower = |n: i32| 1.0 + f64::from(n) * 1e-3;
    let off = |points: f64| bias_at_most(points, f64::from(POINTS) / points, division);
    // While a burst is taken the speed has come to within a thousandth or two.
    let most = |n: i32| {
        let held = (-4..=4).map(|off| slower(n) + f64::from(off) * 5e-4);
        held.map(|slower| off(points(cycle_us * slower))).fold(0.0, f64::max)
    };
    let enough = OFF_MOST.max(DEGREES_MOST / 360.0 * points(cycle_us));
    let (mut least, mut best) = (f64::INFINITY, 0);
    for n in 0..=SLOWER_MOST {
        let off = most(n);
        if off < least {
            (least, best) = (off, n);
        }
        if off < enough {
            break;
        }
    }
    speed / slower(best)
}

#[cfg(test)]
mod tests {
    use proofstand_units::{CountsPerRev, NativePerRev};

    use super::*;

    fn division(native: u32, counts: u32) -> Division {
        Division { native: NativePerRev::new(native), counts: CountsPerRev::new(counts) }
    }

    #[test]
    fn a_cycle_of_whole_points_is_made_a_little_longer_and_any_other_is_left_alone() {
        // 2500 pulses at 1000 rpm: 60 s/1000/2500 = 24 µs, 24 points of 1 µs. Every edge falls at the same part of a point.
        let exact = Rpm::new(1000.0);
        let whole = division(40_000, 10_000);
        let speed = out_of_step(exact, whole);
        assert!(speed < exact && speed > exact * 0.96, "{speed:?}");
        let points = cycle_us(speed, whole.counts);
        assert!(bias_at_most(points, f64::from(POINTS) / points, whole) < OFF_MOST);
        // 1024 pulses at 1200 rpm: 48.83 points.
        assert_eq!(out_of_step(Rpm::new(1200.0), division(16_384, 4096)), Rpm::new(1200.0));
    }

    #[test]
    fn a_speed_at_which_points_keep_step_with_native_positions_is_left() {
        // 5000 pulses of 131 072 positions at 1461 rpm: 8.2136 µs to a cycle of 26.2144 positions, 18 apart.
        let (exact, uneven) = (Rpm::new(1461.0), division(131_072, 20_000));
        let speed = out_of_step(exact, uneven);
        assert!(speed < exact && speed > exact * 0.96, "{speed:?}");
        let points = cycle_us(speed, uneven.counts);
        let off = bias_at_most(points, f64::from(POINTS) / points, uneven);
        assert!(off < OFF_MOST, "{off}");
    }
}
