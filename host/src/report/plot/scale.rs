//! From numbers to places on the picture, and round numbers along an axis.

/// A linear map from an interval of numbers to an interval of picture units.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Scale {
    pub(super) from: f64,
    pub(super) to: f64,
    pub(super) start: f64,
    pub(super) end: f64,
}

impl Scale {
    pub(super) fn at(&self, value: f64) -> f64 {
        let share = (value - self.from) / (self.to - self.from);
        let place = self.start + share * (self.end - self.start);
        if place.is_nan() { self.start } else { place.clamp(-1e6, 1e6) }
    }

    /// As [`Scale::at`], held inside the picture with a little to spare.
    pub(super) fn held(&self, value: f64) -> f64 {
        let (low, high) = (self.start.min(self.end) - 4.0, self.start.max(self.end) + 4.0);
        self.at(value).clamp(low, high)
    }

    pub(super) fn contains(&self, value: f64) -> bool {
        value >= self.from && value <= self.to
    }
}

/// Beyond this a difference of two values may overflow; nothing that is measured comes near.
const MOST: f64 = 1e150;

/// The smallest and largest of the values that can be drawn.
pub(super) fn extent(values: impl Iterator<Item = f64>) -> Option<(f64, f64)> {
    values.filter(|v| v.abs() <= MOST).fold(None, |e, v| match e {
        None => Some((v, v)),
        Some((low, high)) => Some((v.min(low), v.max(high))),
    })
}

/// An interval to draw: a little wider than the data, and never empty.
pub(super) fn domain((low, high): (f64, f64), whole: bool, margin: f64) -> (f64, f64) {
    let size = low.abs().max(high.abs());
    let range = high - low;
    if whole && range <= 4.0 {
        // Counts: leave room to see that none is off by one.
        return (low - 1.6, high + 1.6);
    }
    if !range.is_finite() || range <= size * 1e-12 {
        let half = if size > 0.0 { size * 0.05 } else { 1.0 };
        return (low - half, low + half);
    }
    (low - margin * range, high + margin * range)
}

/// Step between ticks: 1, 2 or 5 times a power of ten, for about `count` ticks.
pub(super) fn step(from: f64, to: f64, count: usize) -> f64 {
    let raw = (to - from).abs() / count.max(1) as f64;
    if raw <= 0.0 || !raw.is_finite() {
        return 1.0;
    }
    let power = raw.log10().floor();
    let error = raw / 10f64.powf(power);
    // The bounds are the geometric means between neighbours: √2, √10, √50.
    let factor = if error >= 50f64.sqrt() {
        10.0
    } else if error >= 10f64.sqrt() {
        5.0
    } else if error >= 2f64.sqrt() {
        2.0
    } else {
        1.0
    };
    factor * 10f64.powf(power)
}

/// Ticks inside an interval with the decimals their labels need.
pub(super) fn ticks(from: f64, to: f64, count: usize, whole: bool) -> (Vec<f64>, usize) {
    let mut step = step(from, to, count);
    if whole {
        step = step.max(1.0);
    }
    let decimals = (-step.log10()).ceil().clamp(0.0, 12.0) as usize;
    // 0.2 needs one decimal, and so does 0.5; log10 of 0.1 may come out a hair above -1.
    let decimals = if (step * 10f64.powi(decimals as i32)).round() < 1.0 { decimals + 1 } else { decimals };
    let first = (from / step - 1e-9).ceil();
    let last = (to / step + 1e-9).floor();
    let number = (last - first).clamp(-1.0, 200.0);
    let ticks = (0..=number as i64).map(|i| (first + i as f64) * step);
    (if number < 0.0 { Vec::new() } else { ticks.collect() }, decimals)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Values of the public tests of the library d3-array for its `tickStep`, from memory.
    #[test]
    fn steps_are_those_a_plotting_library_takes() {
        let expected = [0.1, 0.1, 0.1, 0.2, 0.2, 0.2, 0.2, 0.5, 0.5, 1.0];
        for (count, want) in (1..=10).rev().zip(expected) {
            assert!((step(0.0, 1.0, count) - want).abs() < 1e-12, "{count}: {want}");
        }
        for (count, want) in (1..=10).rev().zip([2.0, 2.0, 2.0, 2.0, 5.0, 5.0, 5.0, 5.0, 10.0, 20.0]) {
            assert!((step(-10.0, 10.0, count) - want).abs() < 1e-12, "{count}: {want}");
        }
    }

    proptest::proptest! {
        #[test]
        fn ticks_are_inside_evenly_spaced_and_few(low in -1e6f64..1e6, range in 1e-6f64..1e6, count in 2usize..12) {
            let (ticks, _) = ticks(low, low + range, count, false);
            proptest::prop_assert!(!ticks.is_empty() && ticks.len() <= 2 * count + 2);
            let slack = 1e-6 * range + 1e-9 * low.abs();
            for t in &ticks {
                proptest::prop_assert!(*t >= low - slack && *t <= low + range + slack);
            }
        }
    }

    #[test]
    fn counts_get_whole_ticks() {
        let (low, high) = domain((10_000.0, 10_000.0), true, 0.05);
        assert_eq!(ticks(low, high, 8, true).0, [9999.0, 10_000.0, 10_001.0]);
    }

    #[test]
    fn labels_have_the_decimals_their_step_needs() {
        assert_eq!(ticks(0.0, 1.0, 5, false).1, 1);
        assert_eq!(ticks(0.0, 0.1, 2, false).1, 2);
        assert_eq!(ticks(0.0, 100.0, 5, false).1, 0);
    }
}
