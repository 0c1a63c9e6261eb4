//! Piecewise-linear tables in integers: exact at their points, rising everywhere, the same line both ways.

use heapless::Vec;
use proofstand_protocol::units::Microvolts;

use super::RecordError;

/// One calibrated point.
#[derive(Debug, Default, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Point {
    /// The value by the ideal line: what was commanded, or what the converter showed.
    pub nominal: Microvolts,
    /// The value that the meter showed.
    pub actual: Microvolts,
}

/// Two to `N` points, strictly rising in both coordinates. Two points are a gain and an offset.
///
/// Outside the points the end segments go on.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Table<const N: usize> {
    points: Vec<Point, N>,
}

impl<const N: usize> Table<N> {
    /// Takes points that rise.
    ///
    /// # Errors
    /// [`RecordError::PointCount`] for fewer than two or more than `N`; [`RecordError::NotRising`].
    pub fn new(points: &[Point]) -> Result<Self, RecordError> {
        if points.len() < 2 {
            return Err(RecordError::PointCount);
        }
        let rising =
            |pair: (&Point, &Point)| pair.0.nominal < pair.1.nominal && pair.0.actual < pair.1.actual;
        if !points.iter().zip(points.iter().skip(1)).all(rising) {
            return Err(RecordError::NotRising);
        }
        let points = Vec::from_slice(points).map_err(|_| RecordError::PointCount)?;
        Ok(Self { points })
    }

    /// The points.
    pub fn points(&self) -> &[Point] {
        &self.points
    }

    /// From nominal to actual, to the nearest microvolt.
    pub fn actual(&self, nominal: Microvolts) -> Microvolts {
        self.along(nominal, |point| (point.nominal.0, point.actual.0))
    }

    /// From actual to the nominal that gives it, to the nearest microvolt.
    pub fn nominal(&self, actual: Microvolts) -> Microvolts {
        self.along(actual, |point| (point.actual.0, point.nominal.0))
    }

    fn along(&self, x: Microvolts, axes: fn(&Point) -> (i32, i32)) -> Microvolts {
        along(&self.points, x, axes)
    }
}

/// Not of the table itself, so that there is one copy of it for tables of any length.
fn along(points: &[Point], x: Microvolts, axes: fn(&Point) -> (i32, i32)) -> Microvolts {
    // The segment that ends at the first point not below x; the last one for everything above.
    let above = points.iter().position(|point| axes(point).0 >= x.0).unwrap_or(usize::MAX);
    let high = above.clamp(1, points.len().saturating_sub(1).max(1));
    let (Some(low), Some(high)) = (points.get(high.saturating_sub(1)), points.get(high)) else {
        return x; // Cannot be: there are at least two points.
    };
    let ((x0, y0), (x1, y1)) = (axes(low), axes(high));
    let run = i64::from(x1) - i64::from(x0);
    let rise = i64::from(y1) - i64::from(y0);
    // Differences of i32 fit 33 bits, their product 66: too many only for tables that `validate` refuses.
    let product = rise.saturating_mul(i64::from(x.0) - i64::from(x0));
    saturate(i64::from(y0).saturating_add(divide_rounded(product, run)))
}

/// Nearest integer to `numerator / denominator`, halves away from zero. A denominator below one counts as one.
pub(crate) const fn divide_rounded(numerator: i64, denominator: i64) -> i64 {
    let denominator = if denominator < 1 { 1 } else { denominator };
    let quotient = numerator / denominator;
    let remainder = (numerator % denominator).unsigned_abs();
    if remainder >= denominator.unsigned_abs() - remainder {
        quotient.saturating_add(numerator.signum())
    } else {
        quotient
    }
}

/// To the nearest value that microvolts can hold.
pub(crate) fn saturate(value: i64) -> Microvolts {
    Microvolts(value.clamp(i64::from(i32::MIN), i64::from(i32::MAX)) as i32)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn points(list: &[(i32, i32)]) -> std::vec::Vec<Point> {
        let make = |&(nominal, actual)| Point { nominal: Microvolts(nominal), actual: Microvolts(actual) };
        list.iter().map(make).collect()
    }

    #[test]
    fn division_rounds_to_nearest_with_halves_away_from_zero() {
        for numerator in -50_i64..=50 {
            for denominator in 1_i64..=9 {
                let exact = numerator as f64 / denominator as f64;
                // f64::round is documented to round half-way cases away from 0.0.
                assert_eq!(divide_rounded(numerator, denominator), exact.round() as i64);
            }
        }
        assert_eq!(divide_rounded(i64::MIN, 1), i64::MIN);
        assert_eq!(divide_rounded(i64::MAX, i64::MAX), 1);
    }

    #[test]
    fn two_points_are_a_gain_and_an_offset() {
        let table = Table::<9>::new(&points(&[(-10_000_000, -9_995_000), (10_000_000, 10_007_000)])).unwrap();
        // Gain 1.0001 x 10.001/10, offset 6 mV: y = 1.0001 x + 0.006 V.
        assert_eq!(table.actual(Microvolts(0)), Microvolts(6_000));
        assert_eq!(table.actual(Microvolts(5_000_000)), Microvolts(5_006_500));
        assert_eq!(table.nominal(Microvolts(6_000)), Microvolts(0));
        assert_eq!(table.actual(Microvolts(10_200_000)), Microvolts(10_207_020), "the line goes on");
    }

    #[test]
    fn points_that_do_not_rise_and_too_few_or_too_many_are_refused() {
        assert_eq!(Table::<9>::new(&points(&[(0, 0)])), Err(RecordError::PointCount));
        assert_eq!(Table::<2>::new(&points(&[(0, 0), (1, 1), (2, 2)])), Err(RecordError::PointCount));
        assert_eq!(Table::<9>::new(&points(&[(0, 0), (0, 1)])), Err(RecordError::NotRising));
        assert_eq!(Table::<9>::new(&points(&[(0, 0), (1, 0)])), Err(RecordError::NotRising));
        assert_eq!(Table::<9>::new(&points(&[(1, 1), (0, 0)])), Err(RecordError::NotRising));
    }

    fn any_table() -> impl Strategy<Value = Table<33>> {
        let step = (1_i32..400_000, 1_i32..400_000);
        (prop::collection::vec(step, 2..33), -9_000_000_i32..9_000_000, -9_000_000_i32..9_000_000).prop_map(
            |(steps, mut nominal, mut actual)| {
                let mut list = std::vec::Vec::new();
                for (dx, dy) in steps {
                    list.push((nominal, actual));
                    nominal += dx;
                    actual += dy;
                }
                Table::new(&points(&list)).unwrap()
            },
        )
    }

    proptest! {
        #[test]
        fn interpolation_is_exact_at_points_both_ways(table in any_table()) {
            for point in table.points() {
                prop_assert_eq!(table.actual(point.nominal), point.actual);
                prop_assert_eq!(table.nominal(point.actual), point.nominal);
            }
        }

        #[test]
        fn interpolation_never_falls(table in any_table(), a: i32, b: i32) {
            let (a, b) = (Microvolts(a.min(b)), Microvolts(a.max(b)));
            prop_assert!(table.actual(a) <= table.actual(b));
            prop_assert!(table.nominal(a) <= table.nominal(b));
        }

        #[test]
        fn inside_the_points_the_result_lies_between_their_values(table in any_table(), share in 0.0_f64..1.0) {
            let (first, last) = (table.points()[0], *table.points().last().unwrap());
            let span = f64::from(last.nominal.0) - f64::from(first.nominal.0);
            let x = Microvolts((f64::from(first.nominal.0) + span * share) as i32);
            let y = table.actual(x);
            prop_assert!(first.actual <= y && y <= last.actual);
        }

        /// Against the same line in double precision.
        #[test]
        fn interpolation_is_the_straight_line_to_half_a_microvolt(table in any_table(), which: usize, share in 0.0_f64..1.0) {
            let at = which % (table.points().len() - 1);
            let (p, q) = (table.points()[at], table.points()[at + 1]);
            let (x0, x1) = (f64::from(p.nominal.0), f64::from(q.nominal.0));
            let (y0, y1) = (f64::from(p.actual.0), f64::from(q.actual.0));
            let x = (x0 + (x1 - x0) * share).floor();
            let line = y0 + (y1 - y0) * (x - x0) / (x1 - x0);
            let got = f64::from(table.actual(Microvolts(x as i32)).0);
            prop_assert!((got - line).abs() <= 0.5 + 1e-6, "{got} against {line}");
        }
    }
}
