//! Polynomials by least squares, through an orthogonal (QR) decomposition of the centred and scaled design matrix.
//!
//! Plain numbers, as in [`super::line`]: x and y each in one unit that the caller keeps to.

use super::contribution::DegreesOfFreedom;
use super::decomposition::{dot, inverse_upper, orthonormal};
use super::error::MetrologyError;
use super::line::{Weights, checked};

/// Highest degree that can be fitted.
pub const DEGREE_MAX: usize = 5;
/// Least share of a power's length that is its own, beside the lower powers: the root of the arithmetic's resolution, so that
/// each coefficient keeps half of the digits. Powers over an interval from −1 to 1 lie far above it (2^(1 − degree) and more
/// where x is spread out); x that lie in fewer places than there are coefficients, but for their last digits, lie below.
const OWN_SHARE: f64 = 1.5e-8;

/// A fitted polynomial.
#[derive(Debug, Clone, PartialEq)]
pub struct PolynomialFit {
    /// Standard deviation of the residuals.
    pub residual_deviation: f64,
    /// Degrees of freedom of the residuals.
    pub degrees_of_freedom: DegreesOfFreedom,
    /// Share of the sum of squares about the mean that the polynomial explains.
    pub r_squared: f64,
    /// y minus polynomial, point by point.
    pub residuals: Vec<f64>,
    centre: f64,
    scale: f64,
    offset: f64,
    /// In powers of (x − centre)/scale; y less its mean.
    coefficients: Vec<f64>,
    /// Rows of the design matrix's pseudo-inverse: what each point contributes to each coefficient.
    gains: Vec<Vec<f64>>,
    /// Coefficient covariance for a residual variance of 1.
    unit_covariance: Vec<Vec<f64>>,
}

impl PolynomialFit {
    /// The n-th derivative at x (0: the value itself) and its standard uncertainty from the residuals.
    #[must_use]
    pub fn derivative(&self, order: usize, x: f64) -> (f64, f64) {
        let row = self.row(order, x);
        let value: f64 = row.iter().zip(&self.coefficients).map(|(r, c)| r * c).sum();
        let value = if order == 0 { value + self.offset } else { value };
        (value, self.uncertainty(&row, self.residual_deviation))
    }

    /// Standard uncertainty of the n-th derivative at x if each y has the independent standard uncertainty `u`.
    #[must_use]
    pub fn derivative_uncertainty(&self, order: usize, x: f64, u: f64) -> f64 {
        self.uncertainty(&self.row(order, x), u)
    }

    /// What each point's y contributes to the n-th derivative at x: the derivative is linear in y with these factors.
    #[must_use]
    pub fn derivative_weights(&self, order: usize, x: f64) -> Vec<f64> {
        let row = self.row(order, x);
        let points = self.residuals.len();
        let mut weights = vec![0.0; points];
        for (r, gains) in row.iter().zip(&self.gains) {
            for (w, g) in weights.iter_mut().zip(gains) {
                *w += r * g;
            }
        }
        weights
    }

    /// Coefficients of 1, x, x², … about x = 0, each with its standard uncertainty.
    #[must_use]
    pub fn coefficients(&self) -> Vec<(f64, f64)> {
        let mut factorial = 1.0;
        (0..self.coefficients.len())
            .map(|order| {
                factorial *= order.max(1) as f64;
                let (value, u) = self.derivative(order, 0.0);
                (value / factorial, u / factorial)
            })
            .collect()
    }

    /// Where x was centred.
    #[must_use]
    pub const fn centre(&self) -> f64 {
        self.centre
    }

    /// The row that takes coefficients to the n-th derivative at x.
    fn row(&self, order: usize, x: f64) -> Vec<f64> {
        let z = (x - self.centre) / self.scale;
        (0..self.coefficients.len())
            .map(|power| {
                if power < order {
                    return 0.0;
                }
                let falling: f64 = (power - order + 1..=power).map(|k| k as f64).product();
                falling * z.powi((power - order) as i32) / self.scale.powi(order as i32)
            })
            .collect()
    }

    fn uncertainty(&self, row: &[f64], u: f64) -> f64 {
        let mut variance = 0.0;
        for (a, line) in row.iter().zip(&self.unit_covariance) {
            for (b, c) in row.iter().zip(line) {
                variance += a * b * c;
            }
        }
        u * variance.max(0.0).sqrt()
    }
}

/// Fits a polynomial of `degree` 1 to [`DEGREE_MAX`], all points alike.
///
/// # Errors
/// Lists of different length, no more points than coefficients, values that can't be used, too few different x,
/// a degree out of range.
pub fn fit(x: &[f64], y: &[f64], degree: usize) -> Result<PolynomialFit, MetrologyError> {
    if !(1..=DEGREE_MAX).contains(&degree) {
        return Err(MetrologyError::BadDegree { degree, most: DEGREE_MAX });
    }
    of_degree(x, y, degree)
}

fn of_degree(x: &[f64], y: &[f64], degree: usize) -> Result<PolynomialFit, MetrologyError> {
    const WHAT: &str = "polynomial";
    let terms = degree + 1;
    checked(WHAT, x, y, Weights::Equal, terms)?;
    let (low, high) = x.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), x| (l.min(*x), h.max(*x)));
    let (centre, scale) = (0.5 * (low + high), 0.5 * (high - low));
    if scale <= 0.0 {
        return Err(MetrologyError::NoSpread { what: WHAT });
    }
    let n = x.len();
    let first = y.iter().sum::<f64>() / n as f64;
    let offset = first + y.iter().map(|y| y - first).sum::<f64>() / n as f64;
    let columns: Vec<Vec<f64>> = (0..terms)
        .map(|power| x.iter().map(|x| ((x - centre) / scale).powi(power as i32)).collect())
        .collect();
    let centred: Vec<f64> = y.iter().map(|y| y - offset).collect();
    let (q, r) = orthonormal(&columns, OWN_SHARE).ok_or(MetrologyError::NoSpread { what: WHAT })?;

    // R⁻¹, then coefficients = R⁻¹·Qᵀ·y. A second round on the residuals takes out the rounding of the first.
    let inverse = inverse_upper(&r);
    let solve = |y: &[f64]| -> Vec<f64> {
        let projected: Vec<f64> = q.iter().map(|q| dot(q, y)).collect();
        inverse.iter().map(|row| dot(row, &projected)).collect()
    };
    let design = |i: usize, c: &[f64]| {
        let z = (x[i] - centre) / scale;
        c.iter().rev().fold(0.0, |sum, c| sum * z + c)
    };
    let mut coefficients = solve(&centred);
    let first_rest: Vec<f64> = (0..n).map(|i| centred[i] - design(i, &coefficients)).collect();
    for (c, correction) in coefficients.iter_mut().zip(solve(&first_rest)) {
        *c += correction;
    }
    let residuals: Vec<f64> = (0..n).map(|i| centred[i] - design(i, &coefficients)).collect();

    let gains = inverse
        .iter()
        .map(|row| (0..n).map(|i| row.iter().zip(&q).map(|(r, q)| r * q[i]).sum()).collect())
        .collect();
    let unit_covariance = inverse.iter().map(|a| inverse.iter().map(|b| dot(a, b)).collect()).collect();
    let rest = dot(&residuals, &residuals);
    let total = dot(&centred, &centred);
    Ok(PolynomialFit {
        residual_deviation: (rest / (n - terms) as f64).sqrt(),
        degrees_of_freedom: DegreesOfFreedom::of_fit(n, terms),
        r_squared: if total > 0.0 { 1.0 - rest / total } else { 1.0 },
        residuals,
        centre,
        scale,
        offset,
        coefficients,
        gains,
        unit_covariance,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::metrology::reference::{columns, digits, number, toml};

    #[test]
    fn pontius_is_met_to_eleven_digits() {
        // Source: NIST StRD, Linear Least Squares Regression, Pontius (lower difficulty, quadratic).
        let (file, c) = (toml("nist-strd-pontius.toml"), columns("nist-strd-pontius.csv"));
        let fit = fit(&c[1], &c[0], 2).unwrap();
        for ((value, u), parameter) in
            fit.coefficients().into_iter().zip(file["parameter"].as_array().unwrap())
        {
            for (got, key) in [(value, "certified_estimate"), (u, "certified_standard_deviation")] {
                let want = number(&parameter[key]);
                assert!(digits(got, want) >= 11.0, "{got} {want}: {} digits", digits(got, want));
            }
        }
        assert!(digits(fit.residual_deviation, number(&file["certified"]["residual_sd"])) >= 11.0);
        assert!(digits(fit.r_squared, number(&file["certified"]["r_squared"])) >= 14.0);
    }

    #[test]
    fn wampler1_of_fifth_degree_is_met_to_nine_digits() {
        // Source: NIST StRD, Wampler1 (higher difficulty): all six coefficients are exactly 1.
        let c = columns("nist-strd-wampler1.csv");
        for (value, _) in fit(&c[1], &c[0], 5).unwrap().coefficients() {
            assert!(digits(value, 1.0) >= 9.0, "{value}: {} digits", digits(value, 1.0));
        }
    }

    #[test]
    fn filip_of_tenth_degree_is_fitted_and_not_taken_for_collinear() {
        // Source: NIST StRD, Filip (higher difficulty; many programs fail or refuse). Twice the degree that is ever fitted here,
        // and x from −9 to −3: the limit for collinear powers must not refuse it.
        let (file, c) = (toml("nist-strd-filip.toml"), columns("nist-strd-filip.csv"));
        let names = file["parameter"].as_array().unwrap();
        let fit = of_degree(&c[1], &c[0], names.len() - 1).unwrap();
        for ((value, u), parameter) in fit.coefficients().into_iter().zip(names) {
            for (got, key) in [(value, "certified_estimate"), (u, "certified_standard_deviation")] {
                let want = number(&parameter[key]);
                assert!(digits(got, want) >= 7.0, "{got} {want}: {} digits", digits(got, want));
            }
        }
        assert!(digits(fit.residual_deviation, number(&file["certified"]["residual_sd"])) >= 7.0);
    }

    #[test]
    fn x_in_too_few_places_but_for_their_last_digits_is_refused() {
        // Three places for four coefficients; what tells a fourth from them is a billionth of the interval.
        let x = [0.0, 0.0, 1.0, 1.0, 2.0, 2.0 + 2e-9, 2.0];
        let y = [0.0, 0.1, 1.0, 1.1, 0.5, 0.4, 0.45];
        assert!(matches!(fit(&x, &y, 3), Err(MetrologyError::NoSpread { .. })));
        // A hundredth of the interval tells it well enough, if with great uncertainty.
        let x = [0.0, 0.0, 1.0, 1.0, 2.0, 2.02, 2.0];
        assert!(fit(&x, &y, 3).is_ok());
    }

    #[test]
    fn norris_by_this_road_is_the_straight_line_again() {
        // Source: NIST StRD, Norris.
        let (file, c) = (toml("nist-strd-norris.toml"), columns("nist-strd-norris.csv"));
        let got = fit(&c[1], &c[0], 1).unwrap().coefficients();
        for ((value, u), parameter) in got.into_iter().zip(file["parameter"].as_array().unwrap()) {
            assert!(digits(value, number(&parameter["certified_estimate"])) >= 12.0);
            assert!(digits(u, number(&parameter["certified_standard_deviation"])) >= 12.0);
        }
    }

    #[test]
    fn acceleration_uncertainty_is_root_720_over_n_by_tau_squared() {
        // Closed form for a quadratic or cubic through n evenly spaced points over τ, n large: u(a) = u·√(720/n)/τ²;
        // a quartic costs 3.5 times as much.
        let (n, tau) = (2000_usize, 0.25);
        let t: Vec<f64> = (0..n).map(|i| 3.0 + tau * i as f64 / n as f64).collect();
        let y = vec![0.0; n];
        let theory = (720.0 / n as f64).sqrt() / (tau * tau);
        for (degree, factor) in [(2, 1.0), (3, 1.0), (4, 3.5), (5, 3.5)] {
            let fit = fit(&t, &y, degree).unwrap();
            let u = fit.derivative_uncertainty(2, fit.centre(), 1.0);
            assert!((u / theory / factor - 1.0).abs() < 0.01, "{degree}: {}", u / theory);
        }
    }

    #[test]
    fn the_weights_of_a_derivative_give_the_derivative() {
        let t: Vec<f64> = (0..25).map(|i| 0.1 * f64::from(i)).collect();
        let y: Vec<f64> = t.iter().map(|t| 2.0 - t + 3.0 * t * t + 0.5 * t.powi(3)).collect();
        let fit = fit(&t, &y, 3).unwrap();
        for (order, want) in [(1, -1.0 + 6.0 + 1.5), (2, 6.0 + 3.0), (3, 3.0)] {
            let weights = fit.derivative_weights(order, 1.0);
            assert!((dot(&weights, &y) - want).abs() < 1e-10);
            assert!((fit.derivative(order, 1.0).0 - want).abs() < 1e-10);
        }
        assert!((fit.derivative(0, 2.0).0 - 16.0).abs() < 1e-12);
    }

    #[test]
    fn what_can_t_be_fitted_is_refused_with_the_reason() {
        use MetrologyError as E;
        assert!(matches!(fit(&[1.0; 9], &[1.0; 9], 2), Err(E::NoSpread { .. })));
        let two_places = [0.0, 1.0, 0.0, 1.0, 0.0, 1.0];
        assert!(matches!(fit(&two_places, &two_places, 2), Err(E::NoSpread { .. })));
        assert!(matches!(fit(&[0.0, 1.0, 2.0], &[0.0; 3], 2), Err(E::TooFewPoints { need: 4, .. })));
        assert!(matches!(fit(&[0.0; 3], &[0.0; 3], 6), Err(E::BadDegree { .. })));
    }
}
