//! Where each count begins and ends: native positions divided, and what the lines' lags make of it.

use core::ops::Range;

use crate::floats::{floor, integer};

/// Division of native positions into counts: `floor(native·4N/R)`, exact over any number of revolutions.
///
/// Works in the encoder's own sense (up where the amplifier counts up); the wiring to the fixture comes after.
#[derive(Debug, Clone)]
pub(super) struct Divider {
    pub(super) counts: i64,
    /// The same, for places.
    pub(super) per_turn: f64,
    pub(super) native: i64,
    /// Lag of each edge in turns, by the count above it: 0 B falls, 1 A rises, 2 B rises, 3 A falls.
    pub(super) lag: [f64; 4],
    pub(super) lags: bool,
    /// How far after its ideal place an edge may lie, and how far before it, in counts.
    pub(super) margins: [f64; 2],
}

/// Beyond what a place, in counts, is uncertain by rounding.
const ROUNDING: f64 = 1e-5;

impl Divider {
    fn native(&self, turns: f64) -> i64 {
        integer(floor(turns * self.native as f64))
    }

    fn count_of_native(&self, native: i64) -> i64 {
        let (rev, rest) = (native.div_euclid(self.native), native.rem_euclid(self.native));
        rev * self.counts + rest * self.counts / self.native
    }

    /// Turns at which the count goes from `count − 1` to `count`.
    pub(super) fn edge(&self, count: i64) -> f64 {
        self.edge_at(count.div_euclid(self.counts), count.rem_euclid(self.counts))
    }

    /// The same for a count given as whole revolutions and the rest.
    #[inline]
    pub(super) fn edge_at(&self, rev: i64, rest: i64) -> f64 {
        // First native position of that count: the ceiling of rest·R/4N.
        let native = (rest * self.native + self.counts - 1) / self.counts;
        let turns = rev as f64 + native as f64 / self.native as f64;
        turns + self.lag[(rest & 3) as usize]
    }

    /// Turns as a place: in counts, with their fraction, as if every edge lay ideally.
    #[inline]
    pub(super) fn place(&self, turns: f64) -> f64 {
        turns * self.per_turn
    }

    pub(super) fn count(&self, turns: f64) -> i64 {
        self.count_within(turns, self.place(turns)).0
    }

    /// The count at so many turns, which are that place; and between which places it is surely the same.
    #[inline]
    pub(super) fn count_within(&self, turns: f64, place: f64) -> (i64, Range<f64>) {
        // Well between two edges, wherever division and lags put them: no need to know where.
        let below = floor(place);
        let [after, before] = self.margins;
        if place - below > after && below + 1.0 - place > before {
            return (integer(below), below + after..below + 1.0 - before);
        }
        self.count_by_edges(turns)
    }

    /// The same by division, and by where the edges beside it are.
    fn count_by_edges(&self, turns: f64) -> (i64, Range<f64>) {
        const UNKNOWN: Range<f64> = 0.0..0.0;
        let count = self.count_of_native(self.native(turns));
        if !self.lags {
            return (count, UNKNOWN);
        }
        let above = self.edge(count + 1);
        if turns >= above {
            return (count + 1, UNKNOWN);
        }
        let below = self.edge(count);
        if turns < below {
            return (count - 1, UNKNOWN);
        }
        (count, self.place(below) + ROUNDING..self.place(above) - ROUNDING)
    }
}

/// A whole native position later, at most, and the lags.
pub(super) fn margins(lag: &[f64; 4], counts: f64, native: f64) -> [f64; 2] {
    let latest = lag.iter().copied().fold(0.0, f64::max);
    let earliest = lag.iter().copied().fold(0.0, f64::min);
    [counts / native + latest * counts + ROUNDING, ROUNDING - earliest * counts]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_short_way_to_a_count_gives_what_dividing_and_looking_at_its_edges_gives() {
        let per_degree = 1.0 / 360.0 / 2500.0;
        for (native, lag) in [
            (131_072, [2.0 * per_degree, 0.0, 2.0 * per_degree, -3.0 * per_degree]),
            (12_800, [-1.5 * per_degree, 0.0, -1.5 * per_degree, 0.0]),
            (10_000, [0.0; 4]),
        ] {
            let counts = 10_000;
            let margins = margins(&lag, counts as f64, native as f64);
            let per_turn = counts as f64;
            let quick = Divider { counts, per_turn, native, lag, lags: lag != [0.0; 4], margins };
            let slow = Divider { margins: [2.0; 2], ..quick.clone() };
            let mut short = 0;
            for n in -40_000..40_000 {
                let turns = f64::from(n) * 0.000_037_123 + f64::from(n % 7) * 30_000.0;
                let (count, same) = quick.count_within(turns, quick.place(turns));
                assert_eq!(count, slow.count(turns), "{turns} {native}");
                if same.contains(&quick.place(turns)) {
                    short += 1;
                    assert_eq!(count, slow.count(same.start / per_turn), "{same:?} {native}");
                }
            }
            assert!(native == 10_000 || short > 5_000, "{short} of 80 000 with {native}");
        }
    }
}
