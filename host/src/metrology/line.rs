//! Straight lines by least squares.
//!
//! Fits are the same for every unit, so they take plain numbers: x and y each in one unit that the caller keeps to,
//! the slope in units of y per unit of x. Estimates wrap the results into quantities. What all points have in common (a calibration, an
//! inertia) is no scatter: it is propagated after the fit, never put into the weights.

use super::contribution::DegreesOfFreedom;
use super::error::MetrologyError;

/// How much each point counts.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Weights<'a> {
    /// All alike; the scatter is taken from the residuals.
    Equal,
    /// In proportion to these numbers; the scatter is taken from the residuals.
    Relative(&'a [f64]),
    /// By these standard uncertainties of y, which are believed as they are.
    Uncertainties(&'a [f64]),
}

/// A fitted straight line, y = intercept + slope·x.
#[derive(Debug, Clone, PartialEq)]
pub struct LineFit {
    /// Slope.
    pub slope: f64,
    /// Value at x = 0; exactly 0 for a line through the origin.
    pub intercept: f64,
    /// Standard uncertainty of the slope.
    pub slope_uncertainty: f64,
    /// Standard uncertainty of the intercept.
    pub intercept_uncertainty: f64,
    /// Covariance of slope and intercept.
    pub covariance: f64,
    /// Standard deviation of the residuals (weighted to unit weight).
    pub residual_deviation: f64,
    /// Share of the sum of squares that the line explains: about the mean with an intercept, about zero without.
    pub r_squared: f64,
    /// Degrees of freedom of the residuals; infinite where the uncertainties were given.
    pub degrees_of_freedom: DegreesOfFreedom,
    /// y minus line, point by point.
    pub residuals: Vec<f64>,
    /// What errors of one unit, in each y independently, make in the slope: root of the sum of the squares of its weights.
    pub slope_spread: f64,
    /// What they make in the intercept.
    pub intercept_spread: f64,
    /// What an error of one unit in each y makes in the slope.
    pub slope_weights: Vec<f64>,
    /// What it makes in the intercept.
    pub intercept_weights: Vec<f64>,
    centre: f64,
    mean: f64,
    mean_variance: f64,
    slope_variance: f64,
}

impl LineFit {
    /// The line at x and its standard uncertainty.
    #[must_use]
    pub fn at(&self, x: f64) -> (f64, f64) {
        let away = x - self.centre;
        let variance = self.mean_variance + away * away * self.slope_variance;
        (self.mean + self.slope * away, variance.sqrt())
    }

    /// Correlation coefficient of slope and intercept; 0 without an intercept or without scatter.
    #[must_use]
    pub fn correlation(&self) -> f64 {
        let product = self.slope_uncertainty * self.intercept_uncertainty;
        if product > 0.0 { self.covariance / product } else { 0.0 }
    }

    /// The residual of largest magnitude, with its sign.
    #[must_use]
    pub fn largest_residual(&self) -> f64 {
        self.residuals.iter().copied().max_by(|a, b| a.abs().total_cmp(&b.abs())).unwrap_or(0.0)
    }
}

/// Fits y = intercept + slope·x, with x and y centred on their means first.
///
/// # Errors
/// Lists of different length, fewer than 3 points (2 with given uncertainties), values or weights that can't be
/// used, points all at one x.
pub fn fit(x: &[f64], y: &[f64], weights: Weights<'_>) -> Result<LineFit, MetrologyError> {
    const WHAT: &str = "straight line";
    let w = checked(WHAT, x, y, weights, 2)?;
    let total: f64 = w.iter().sum();
    let mean_of = |v: &[f64]| {
        // A second pass takes out what the first rounded away.
        let first = v.iter().zip(&w).map(|(v, w)| v * w).sum::<f64>() / total;
        first + v.iter().zip(&w).map(|(v, w)| (v - first) * w).sum::<f64>() / total
    };
    let (x0, y0) = (mean_of(x), mean_of(y));
    let (mut sxx, mut sxy, mut syy) = (0.0, 0.0, 0.0);
    for ((x, y), w) in x.iter().zip(y).zip(&w) {
        let (dx, dy) = (x - x0, y - y0);
        sxx += w * dx * dx;
        sxy += w * dx * dy;
        syy += w * dy * dy;
    }
    let widest = x.iter().fold(0.0_f64, |m, x| m.max(x.abs()));
    if sxx <= total * (widest * 1e-14).powi(2) {
        return Err(MetrologyError::NoSpread { what: WHAT });
    }
    let slope = sxy / sxx;
    let residuals: Vec<f64> = x.iter().zip(y).map(|(x, y)| (y - y0) - slope * (x - x0)).collect();
    let (deviation, unit, degrees_of_freedom) = scatter(&residuals, &w, weights, 2);
    let slope_variance = unit / sxx;
    let mean_variance = unit / total;
    let slope_weights: Vec<f64> = x.iter().zip(&w).map(|(x, w)| w * (x - x0) / sxx).collect();
    let intercept_weights: Vec<f64> =
        w.iter().zip(&slope_weights).map(|(w, in_slope)| w / total - x0 * in_slope).collect();
    Ok(LineFit {
        slope_spread: root_of_squares(&slope_weights),
        intercept_spread: root_of_squares(&intercept_weights),
        slope_weights,
        intercept_weights,
        slope,
        intercept: y0 - slope * x0,
        slope_uncertainty: slope_variance.sqrt(),
        intercept_uncertainty: (mean_variance + x0 * x0 * slope_variance).sqrt(),
        covariance: -x0 * slope_variance,
        residual_deviation: deviation,
        r_squared: explained(&residuals, &w, syy),
        degrees_of_freedom,
        residuals,
        centre: x0,
        mean: y0,
        mean_variance,
        slope_variance,
    })
}

/// Fits y = slope·x.
///
/// # Errors
/// As [`fit`], with at least 2 points (1 with given uncertainties) and one of them away from x = 0.
pub fn fit_through_origin(x: &[f64], y: &[f64], weights: Weights<'_>) -> Result<LineFit, MetrologyError> {
    const WHAT: &str = "straight line through the origin";
    let w = checked(WHAT, x, y, weights, 1)?;
    let (mut sxx, mut sxy, mut syy) = (0.0, 0.0, 0.0);
    for ((x, y), w) in x.iter().zip(y).zip(&w) {
        sxx += w * x * x;
        sxy += w * x * y;
        syy += w * y * y;
    }
    if sxx <= 0.0 {
        return Err(MetrologyError::NoSpread { what: WHAT });
    }
    let slope = sxy / sxx;
    let residuals: Vec<f64> = x.iter().zip(y).map(|(x, y)| y - slope * x).collect();
    let (deviation, unit, degrees_of_freedom) = scatter(&residuals, &w, weights, 1);
    let slope_variance = unit / sxx;
    let slope_weights: Vec<f64> = x.iter().zip(&w).map(|(x, w)| w * x / sxx).collect();
    Ok(LineFit {
        slope_spread: root_of_squares(&slope_weights),
        intercept_spread: 0.0,
        slope_weights,
        intercept_weights: vec![0.0; x.len()],
        slope,
        intercept: 0.0,
        slope_uncertainty: slope_variance.sqrt(),
        intercept_uncertainty: 0.0,
        covariance: 0.0,
        residual_deviation: deviation,
        r_squared: explained(&residuals, &w, syy),
        degrees_of_freedom,
        residuals,
        centre: 0.0,
        mean: 0.0,
        mean_variance: 0.0,
        slope_variance,
    })
}

fn root_of_squares(values: &[f64]) -> f64 {
    values.iter().map(|v| v * v).sum::<f64>().sqrt()
}

fn explained(residuals: &[f64], w: &[f64], total: f64) -> f64 {
    let rest: f64 = residuals.iter().zip(w).map(|(r, w)| w * r * r).sum();
    if total > 0.0 { 1.0 - rest / total } else { 1.0 }
}

/// Residual deviation, variance of unit weight, degrees of freedom.
fn scatter(
    residuals: &[f64],
    w: &[f64],
    weights: Weights<'_>,
    parameters: usize,
) -> (f64, f64, DegreesOfFreedom) {
    let left = residuals.len().saturating_sub(parameters);
    let sum: f64 = residuals.iter().zip(w).map(|(r, w)| w * r * r).sum();
    let variance = if left > 0 { sum / left as f64 } else { 0.0 };
    match weights {
        Weights::Uncertainties(_) => (variance.sqrt(), 1.0, DegreesOfFreedom::INFINITE),
        _ => (variance.sqrt(), variance, DegreesOfFreedom::of_fit(residuals.len(), parameters)),
    }
}

/// The weights as numbers, after everything that can be wrong with the input.
pub(super) fn checked(
    what: &'static str,
    x: &[f64],
    y: &[f64],
    weights: Weights<'_>,
    parameters: usize,
) -> Result<Vec<f64>, MetrologyError> {
    let differ = |right: usize| MetrologyError::LengthsDiffer { what, left: x.len(), right };
    if x.len() != y.len() {
        return Err(differ(y.len()));
    }
    let need = parameters + usize::from(!matches!(weights, Weights::Uncertainties(_)));
    if x.len() < need {
        return Err(MetrologyError::TooFewPoints { what, have: x.len(), need });
    }
    for values in [x, y] {
        if let Some((index, value)) = values.iter().enumerate().find(|(_, v)| !v.is_finite()) {
            return Err(MetrologyError::BadValue { what, index, value: *value });
        }
    }
    let (given, power) = match weights {
        Weights::Equal => return Ok(vec![1.0; x.len()]),
        Weights::Relative(given) => (given, 1),
        Weights::Uncertainties(given) => (given, -2),
    };
    if given.len() != x.len() {
        return Err(differ(given.len()));
    }
    let w: Vec<f64> = given.iter().map(|g| g.powi(power)).collect();
    match given.iter().zip(&w).enumerate().find(|(_, (g, w))| !(**g > 0.0 && w.is_finite() && **w > 0.0)) {
        Some((index, (value, _))) => Err(MetrologyError::BadValue { what, index, value: *value }),
        None => Ok(w),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::metrology::reference::{columns, digits, number, toml};
    use crate::metrology::student::{CoverageFactor, Level};

    fn certified(file: &toml::Table, parameter: usize, key: &str) -> f64 {
        number(&file["parameter"].as_array().unwrap()[parameter][key])
    }

    #[test]
    fn norris_is_met_to_twelve_digits() {
        // Source: NIST StRD, Linear Least Squares Regression, Norris (lower difficulty).
        let (file, c) = (toml("nist-strd-norris.toml"), columns("nist-strd-norris.csv"));
        let line = fit(&c[1], &c[0], Weights::Equal).unwrap();
        let covariance = number(&file["recomputed"]["covariance_matrix"][0][1]);
        for (got, want) in [
            (line.intercept, certified(&file, 0, "certified_estimate")),
            (line.slope, certified(&file, 1, "certified_estimate")),
            (line.intercept_uncertainty, certified(&file, 0, "certified_standard_deviation")),
            (line.slope_uncertainty, certified(&file, 1, "certified_standard_deviation")),
            (line.residual_deviation, number(&file["certified"]["residual_sd"])),
            (line.r_squared, number(&file["certified"]["r_squared"])),
            (line.covariance, covariance),
        ] {
            assert!(digits(got, want) >= 12.0, "{got} {want}: {} digits", digits(got, want));
        }
        assert_eq!(line.degrees_of_freedom.finite(), Some(34.0));
    }

    #[test]
    fn noint1_without_intercept_is_met_to_fourteen_digits() {
        // Source: NIST StRD, NoInt1 (average difficulty); R² about zero.
        let (file, c) = (toml("nist-strd-noint1.toml"), columns("nist-strd-noint1.csv"));
        let line = fit_through_origin(&c[1], &c[0], Weights::Equal).unwrap();
        for (got, want) in [
            (line.slope, certified(&file, 0, "recomputed_estimate")),
            (line.slope_uncertainty, certified(&file, 0, "recomputed_standard_deviation")),
            (line.residual_deviation, number(&file["recomputed"]["residual_sd"])),
            (line.r_squared, number(&file["recomputed"]["r_squared"])),
        ] {
            assert!(digits(got, want) >= 14.0, "{got} {want}: {} digits", digits(got, want));
        }
    }

    #[test]
    fn the_thermometer_of_gum_h3_is_met_to_ten_digits() {
        // Source: JCGM 100:2008, Annex H.3, Table H.6 (recomputed from exact rationals; printed values agree).
        let (file, c) = (toml("gum-h3-thermometer.toml"), columns("gum-h3-thermometer.csv"));
        let x: Vec<f64> = c[1].iter().map(|t| t - 20.0).collect();
        let line = fit(&x, &c[2], Weights::Equal).unwrap();
        let want = |key: &str| number(&file["recomputed"][key]);
        let (b30, u30) = line.at(10.0);
        let u95 = CoverageFactor::student(Level::P95, line.degrees_of_freedom).get() * u30;
        for (got, key) in [
            (line.intercept, "y1"),
            (line.intercept_uncertainty, "u_y1"),
            (line.slope, "y2"),
            (line.slope_uncertainty, "u_y2"),
            (line.correlation(), "r_y1_y2"),
            (line.residual_deviation, "residual_sd"),
            (b30, "b_30"),
            (u30, "u_b_30"),
            (u95, "U95_b_30"),
        ] {
            assert!(digits(got, want(key)) >= 10.0, "{key}: {got}, {} digits", digits(got, want(key)));
        }
        for (residual, row) in line.residuals.iter().zip(file["fitted"].as_array().unwrap()) {
            assert!((residual - number(&row["residual"])).abs() < 1e-14);
        }
        assert_eq!(format!("{b30:.4} {u30:.4}"), "-0.1494 0.0041");
    }

    #[test]
    fn a_weight_of_two_is_the_point_given_twice() {
        // Property of least squares: repeating a point is the same as doubling its weight (estimates only).
        let (x, y) = ([0.0, 1.0, 2.0, 4.0], [0.1, 0.9, 2.3, 3.8]);
        let weighted = fit(&x, &y, Weights::Relative(&[1.0, 2.0, 1.0, 1.0])).unwrap();
        let repeated = fit(&[0.0, 1.0, 1.0, 2.0, 4.0], &[0.1, 0.9, 0.9, 2.3, 3.8], Weights::Equal).unwrap();
        assert!((weighted.slope - repeated.slope).abs() < 1e-15);
        assert!((weighted.intercept - repeated.intercept).abs() < 1e-15);
        assert!((weighted.r_squared - repeated.r_squared).abs() < 1e-15);
    }

    #[test]
    fn given_uncertainties_are_believed_whatever_the_residuals() {
        // Closed form: equal u at x = −1, 0, 1 gives u(slope) = u/√2 and u(intercept) = u/√3.
        let line = fit(&[-1.0, 0.0, 1.0], &[-1.0, 0.0, 1.0], Weights::Uncertainties(&[0.3; 3])).unwrap();
        assert!((line.slope_uncertainty - 0.3 / 2.0_f64.sqrt()).abs() < 1e-15);
        assert!((line.intercept_uncertainty - 0.3 / 3.0_f64.sqrt()).abs() < 1e-15);
        assert_eq!(line.degrees_of_freedom, DegreesOfFreedom::INFINITE);
        // The same errors, independent: what they make is what was stated.
        assert!((0.3 * line.slope_spread - line.slope_uncertainty).abs() < 1e-15);
        assert!((0.3 * line.intercept_spread - line.intercept_uncertainty).abs() < 1e-15);
        let weights = [1.0, 4.0, 2.0, 3.0];
        let (x, y) = ([1.0, 2.0, 4.0, 7.0], [0.3, 0.1, 0.9, 0.2]);
        let line = fit(&x, &y, Weights::Relative(&weights)).unwrap();
        // By shifting one point at a time.
        let moved = |i: usize| {
            let mut shifted = y;
            shifted[i] += 1.0;
            let other = fit(&x, &shifted, Weights::Relative(&weights)).unwrap();
            ((other.slope - line.slope).powi(2), (other.intercept - line.intercept).powi(2))
        };
        let sum = (0..4).map(moved).fold((0.0, 0.0), |s, m| (s.0 + m.0, s.1 + m.1));
        assert!((sum.0.sqrt() - line.slope_spread).abs() < 1e-12);
        assert!((sum.1.sqrt() - line.intercept_spread).abs() < 1e-12);
    }

    #[test]
    fn what_can_t_be_fitted_is_refused_with_the_reason() {
        use MetrologyError as E;
        let fit = |x: &[f64], y: &[f64], w: Weights<'_>| fit(x, y, w).unwrap_err();
        assert!(matches!(fit(&[1.0, 2.0], &[1.0, 2.0], Weights::Equal), E::TooFewPoints { need: 3, .. }));
        assert!(matches!(fit(&[1.0], &[1.0, 2.0], Weights::Equal), E::LengthsDiffer { .. }));
        assert!(matches!(fit(&[1e6; 3], &[1.0, 2.0, 3.0], Weights::Equal), E::NoSpread { .. }));
        let nan = fit(&[1.0, 2.0, f64::NAN], &[1.0, 2.0, 3.0], Weights::Equal);
        assert!(matches!(nan, E::BadValue { index: 2, .. }));
        let zero = fit(&[1.0, 2.0, 3.0], &[1.0, 2.0, 3.0], Weights::Uncertainties(&[1.0, 0.0, 1.0]));
        assert!(matches!(zero, E::BadValue { index: 1, .. }));
    }
}
