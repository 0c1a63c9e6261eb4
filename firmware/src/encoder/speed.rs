//! Speed from counts: counts over the time between edges (M/T), in integers, over a window that is short when the
//! shaft is fast and long when it is slow.
//!
//! Counting in a fixed gate (M) is coarse at slow speed, timing one count (T) is coarse at high speed; counting over
//! a time that begins and ends on edges (M/T) is neither. Ohmae et al., IEEE Trans. Industrial Electronics IE-29(3),
//! 1982 (title and authors known, text not seen); the formulas are elementary.

use proofstand_protocol::units::{Counts, CountsPerRev, Micros, MilliRpm};

use crate::calibration::table::divide_rounded;

/// Longest window, in ticks.
pub const WINDOW_TICKS: usize = 8;
/// Shortest window, in ticks.
pub const WINDOW_TICKS_MIN: usize = 2;
/// A window that spans so many counts is long enough: place errors of one count are 1.6 % then, and with whole
/// divisions and edge times much less.
pub const WINDOW_COUNTS: u64 = 64;

/// Delay of the estimate on a steady acceleration at worst, in microseconds: half of the longest window. At speeds
/// that give [`WINDOW_COUNTS`] in the shortest window it is [`DELAY_FAST_US`].
pub const DELAY_US: u64 = WINDOW_TICKS as u64 * 500;
/// Delay of the estimate on a steady acceleration when the shaft is fast: half of the shortest window.
pub const DELAY_FAST_US: u64 = WINDOW_TICKS_MIN as u64 * 500;
/// Time after which the estimate has forgotten what came before, in microseconds: the longest window.
pub const SETTLING_US: u64 = WINDOW_TICKS as u64 * 1_000;

/// Speed of `counts` counts in `time` periods of a clock: n = 60·f·m₁/(P·m₂), to the nearest thousandth of a
/// revolution per minute. The time must begin and end on edges, or the result is a plain M measurement.
///
/// `clock_hz` 1 000 000 for microseconds. No time or no counts per revolution: the largest speed, or 0 for no counts.
pub fn speed_from_edges(counts: Counts, counts_per_rev: CountsPerRev, time: u64, clock_hz: u32) -> MilliRpm {
    if counts.0 == 0 {
        return MilliRpm(0);
    }
    let mut scale = u64::from(counts_per_rev.0).saturating_mul(time);
    let per_minute = 60_000_u64 * u64::from(clock_hz);
    // Both sides of the fraction halved until the product fits: loses nothing that a thousandth of an rpm could show,
    // since the quotient is bounded by i32 while the product fills 64 bits.
    let mut magnitude = counts.0.unsigned_abs();
    let mut rate = per_minute;
    while magnitude.checked_mul(rate).is_none_or(|product| product > i64::MAX as u64) {
        if rate > 1 << 40 {
            rate /= 2
        } else {
            magnitude /= 2
        }
        scale /= 2;
    }
    let product = (magnitude * rate) as i64;
    let scale = scale.clamp(1, i64::MAX as u64) as i64;
    let speed = divide_rounded(product, scale).min(i64::from(i32::MAX)) as i32;
    MilliRpm(if counts.0 < 0 { -speed } else { speed })
}

/// One tick as the window remembers it.
#[derive(Debug, Default, Clone, Copy)]
struct Mark {
    position: i64,
    /// When the position was read.
    at: u64,
    /// When the position last changed before that.
    edge: u64,
}

/// The speed from counts, tick by tick.
#[derive(Debug, Clone)]
pub struct SpeedEstimator {
    counts_per_rev: CountsPerRev,
    /// Ring of the last ticks; `next` is the oldest.
    marks: [Mark; WINDOW_TICKS + 1],
    next: usize,
    speed: MilliRpm,
}

impl SpeedEstimator {
    /// At rest at position 0.
    pub fn new(counts_per_rev: CountsPerRev, at: Micros) -> Self {
        let mark = Mark { position: 0, at: at.0, edge: at.0 };
        Self { counts_per_rev, marks: [mark; WINDOW_TICKS + 1], next: 0, speed: MilliRpm(0) }
    }

    /// Uses another number of counts per revolution from the next tick on.
    pub fn set_counts_per_rev(&mut self, counts_per_rev: CountsPerRev) {
        self.counts_per_rev = counts_per_rev;
    }

    /// Takes one tick. `edge`: when the position last changed, if the board knows.
    pub fn tick(&mut self, position: Counts, at: Micros, edge: Option<Micros>) -> MilliRpm {
        let last = self.back(1);
        // A board without edge times: the edge was somewhere in the tick in which the position changed.
        let unknown = if position.0 == last.position { last.edge } else { at.0 };
        let edge = edge.map_or(unknown, |edge| edge.0.min(at.0));
        let now = Mark { position: position.0, at: at.0, edge };
        let old = self.window_start(&now);
        if let Some(slot) = self.marks.get_mut(self.next) {
            *slot = now;
        }
        self.next = (self.next + 1) % self.marks.len();
        let travel = now.position.saturating_sub(old.position);
        if travel != 0 {
            self.speed = self.over(&old, &now, travel);
        } else if self.moved_in_window() {
            // To and fro, and back where it was.
            self.speed = MilliRpm(0);
        }
        self.speed = self.aged(&now);
        self.speed
    }

    /// The speed as of the last tick.
    pub fn speed(&self) -> MilliRpm {
        self.speed
    }

    /// The youngest mark that is far enough back in counts, or the oldest.
    fn window_start(&self, now: &Mark) -> Mark {
        (WINDOW_TICKS_MIN..=WINDOW_TICKS)
            .map(|ticks| self.back(ticks))
            .find(|mark| now.position.abs_diff(mark.position) >= WINDOW_COUNTS)
            .unwrap_or_else(|| self.back(WINDOW_TICKS))
    }

    /// The mark of so many ticks ago; 1 is the last one written.
    fn back(&self, ticks: usize) -> Mark {
        let size = self.marks.len();
        self.marks.get((self.next + size - ticks) % size).copied().unwrap_or_default()
    }

    /// Whether the position changed anywhere in the window.
    fn moved_in_window(&self) -> bool {
        let first = self.marks.first().copied().unwrap_or_default();
        self.marks.iter().any(|mark| mark.position != first.position)
    }

    fn over(&self, old: &Mark, now: &Mark, travel: i64) -> MilliRpm {
        let speed = |counts: i64, time: u64| {
            speed_from_edges(Counts(counts), self.counts_per_rev, time.max(1), 1_000_000)
        };
        let between_edges = speed(travel, now.edge.saturating_sub(old.edge));
        // After a rest the edge before the window is long ago, and says nothing about the speed now. All counts but
        // the first surely fell into the window itself: the speed is at least that.
        let inside = speed(travel - travel.signum(), now.edge.saturating_sub(old.at));
        if inside.magnitude() > between_edges.magnitude() { inside } else { between_edges }
    }

    /// While no count comes, the shaft has moved by less than a count: the speed can't be more than that in the time
    /// waited. Two counts are allowed for, since the edges of a fractional division are not evenly spaced.
    fn aged(&self, now: &Mark) -> MilliRpm {
        let waited = now.at.saturating_sub(now.edge);
        if waited == 0 || self.speed == MilliRpm(0) {
            return self.speed;
        }
        let bound = speed_from_edges(Counts(2), self.counts_per_rev, waited, 1_000_000);
        self.speed.clamp(MilliRpm(-bound.0), bound)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const PER_REV: CountsPerRev = CountsPerRev(4_000);

    /// Source: tests/reference/speed-measurement-mt.csv (n = 60·f·m₁/(P·m₂), recomputed from the formulas of the M, T
    /// and M/T methods).
    #[test]
    fn the_formula_gives_the_published_speed_of_every_m_t_and_m_over_t_row() {
        let mut rows = 0;
        for line in include_str!("../../../tests/reference/speed-measurement-mt.csv").lines().skip(1) {
            let f: std::vec::Vec<&str> = line.split(',').collect();
            let number = |index: usize| f[index].parse::<f64>().unwrap();
            let (per_rev, clock) = (number(1) as u32, number(2) as u32);
            let counts: i64 = f[5].parse().unwrap();
            let periods = f[6].parse().unwrap_or_else(|_| (number(3) * number(2)).round() as u64);
            let expected = number(7) * 1_000.0;
            let speed = speed_from_edges(Counts(counts), CountsPerRev(per_rev), periods, clock);
            assert!((f64::from(speed.0) - expected).abs() <= 0.5 + 1e-6, "{line}: {speed:?}");
            let back = speed_from_edges(Counts(-counts), CountsPerRev(per_rev), periods, clock);
            assert_eq!(back, MilliRpm(-speed.0));
            rows += 1;
        }
        assert_eq!(rows, 18);
    }

    /// Source: tests/reference/quadrature-rates.csv (count rate = 4·N·n/60).
    #[test]
    fn a_second_of_counts_at_the_published_rate_is_the_published_speed() {
        let mut rows = 0;
        for line in include_str!("../../../tests/reference/quadrature-rates.csv").lines().skip(1) {
            let f: std::vec::Vec<f64> = line.split(',').map(|field| field.parse().unwrap()).collect();
            let per_rev = CountsPerRev(4 * f[0] as u32);
            // A thousand seconds, so that the slow rows come out whole.
            let counts = Counts((f[3] * 1_000.0).round() as i64);
            let speed = speed_from_edges(counts, per_rev, 1_000_000_000, 1_000_000);
            assert!((f64::from(speed.0) - f[1] * 1_000.0).abs() <= 0.5 + f[1] * 0.2, "{line}: {speed:?}");
            rows += 1;
        }
        assert_eq!(rows, 7);
    }

    #[test]
    fn extreme_arguments_saturate_and_never_overflow() {
        let per_rev = CountsPerRev(4_000);
        assert_eq!(speed_from_edges(Counts(i64::MAX), per_rev, 1, u32::MAX), MilliRpm(i32::MAX));
        assert_eq!(speed_from_edges(Counts(i64::MIN), per_rev, 1, u32::MAX), MilliRpm(-i32::MAX));
        assert_eq!(speed_from_edges(Counts(1), CountsPerRev(0), 1, 1), MilliRpm(60_000));
        assert_eq!(speed_from_edges(Counts(1), per_rev, u64::MAX, 1_000_000), MilliRpm(0));
        assert_eq!(speed_from_edges(Counts(0), CountsPerRev(0), 0, 0), MilliRpm(0));
    }

    /// Position as a smooth function of time in microseconds; edges where it crosses whole counts.
    fn follow(path: impl Fn(f64) -> f64, ticks: u64, edges: bool) -> std::vec::Vec<i32> {
        let mut estimator = SpeedEstimator::new(PER_REV, Micros(0));
        let (mut last, mut edge) = (0_i64, 0_u64);
        let mut speeds = std::vec::Vec::new();
        for tick in 1..=ticks {
            for micro in (tick - 1) * 1_000 + 1..=tick * 1_000 {
                let position = path(micro as f64).floor() as i64;
                if position != last {
                    (last, edge) = (position, micro);
                }
            }
            let edge = edges.then_some(Micros(edge));
            speeds.push(estimator.tick(Counts(last), Micros(tick * 1_000), edge).0);
        }
        speeds
    }

    /// Counts per microsecond of a speed in rpm.
    fn rate(rpm: f64) -> f64 {
        rpm * f64::from(PER_REV.0) / 60e6
    }

    /// The error that M/T promises is one clock period in the time measured (same source as the table): 1 µs at each
    /// end of a window of 2 to 8 ms, plus the rounding to a thousandth.
    #[test]
    fn a_steady_speed_is_met_within_the_two_clock_periods_of_the_window_at_any_speed() {
        for rpm in [3_000.0, 1_234.5, 500.0, 60.0, 30.0, 7.0, 2.0] {
            for sign in [1.0, -1.0] {
                let speeds = follow(|t| sign * rate(rpm) * t, 3_000, true);
                let window_us = if rate(rpm) * 2_000.0 >= 64.0 { 1_700.0 } else { 6_000.0 };
                for speed in &speeds[2_000..] {
                    let error = (f64::from(*speed) / 1_000.0 / (sign * rpm) - 1.0).abs();
                    assert!(error <= 2.0 / window_us + 1e-3 / rpm, "{rpm} rpm: {speed} off by {error}");
                }
            }
        }
    }

    #[test]
    fn without_edge_times_the_error_is_a_count_in_the_window() {
        let rpm = 600.0;
        let speeds = follow(|t| rate(rpm) * t, 300, false);
        for speed in &speeds[20..] {
            assert!((f64::from(*speed) / 1_000.0 - rpm).abs() <= rpm / 64.0, "{speed}");
        }
    }

    #[test]
    fn on_a_ramp_the_estimate_lags_by_no_more_than_the_stated_delay() {
        // 600 rpm per millisecond would be the bare small rotor; 20 rpm per ms shows the delay at many speeds.
        for rpm_per_ms in [20.0, 300.0] {
            let speeds = follow(|t| rate(rpm_per_ms) / 1_000.0 * t * t / 2.0, 200, true);
            for (tick, speed) in speeds.iter().enumerate().skip(10) {
                let lag_ms = (tick + 1) as f64 - f64::from(*speed) / 1_000.0 / rpm_per_ms;
                let fast = f64::from(*speed) / 1_000.0 > 500.0;
                let delay = if fast { DELAY_FAST_US } else { DELAY_US } as f64 / 1_000.0;
                assert!(lag_ms <= delay + 0.1 && lag_ms > 0.0, "{rpm_per_ms} at {tick}: {lag_ms} ms");
            }
        }
    }

    #[test]
    fn a_start_after_a_long_rest_is_seen_within_the_window() {
        let start = 5_000_000.0;
        let speeds = follow(|t| rate(600.0) * (t - start).max(0.0), 5_010, true);
        let after = |ticks: usize| f64::from(speeds[4_999 + ticks]) / 1_000.0;
        assert!(after(3) > 0.3 * 600.0, "{}", after(3));
        assert!((after(8) / 600.0 - 1.0).abs() < 0.02, "{}", after(8));
    }

    #[test]
    fn after_a_stop_the_speed_falls_as_the_time_waited_allows() {
        let speeds = follow(|t| rate(600.0) * t.min(100_500.0), 1_200, true);
        // Two counts of 4000 in the time since the last edge.
        let bound = |ms: f64| 2.0 / 4_000.0 / (ms / 60_000.0) * 1_000.0;
        assert!(f64::from(speeds[109]) <= bound(9.4) + 1.0, "{}", speeds[109]);
        assert!(speeds[1_199] <= 30, "{} after 1.1 s", speeds[1_199]);
    }

    #[test]
    fn trembling_by_one_count_is_no_speed_worth_mentioning() {
        let mut estimator = SpeedEstimator::new(PER_REV, Micros(0));
        let mut largest = 0;
        for tick in 1..=400_u64 {
            let position = Counts((tick / 3 % 2) as i64);
            let edge = Micros(tick / 3 * 3_000);
            largest = largest.max(estimator.tick(position, Micros(tick * 1_000), Some(edge)).0.abs());
        }
        // One count of 4000 in 3 ms would be 5 rpm.
        assert!(largest <= 5_000, "{largest}");
    }
}
