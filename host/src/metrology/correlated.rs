//! Straight lines through points whose errors go together.
//!
//! What all points have in common (the same meter, the same reference) is no scatter: it moves the whole line. Given the
//! covariance matrix V of the observations, the unweighted fit b = A·y with A = (XᵀX)⁻¹Xᵀ has the covariance A·V·Aᵀ
//! (JCGM 102:2011, 6.2.1.3, law of propagation in matrix form). The fit itself stays the unweighted one: a correlation is
//! no reason to believe one point more than another.

use super::error::MetrologyError;
use super::line::{LineFit, Weights, fit};

/// A covariance matrix of observations, row by row.
pub type Covariance = Vec<Vec<f64>>;

/// A line and what correlated errors of its points make of it.
#[derive(Debug, Clone, PartialEq)]
pub struct CorrelatedLine {
    /// The unweighted fit; its own uncertainties are those of scatter alone.
    pub line: LineFit,
    /// Standard uncertainty of the intercept from the whole covariance matrix.
    pub intercept_uncertainty: f64,
    /// Standard uncertainty of the slope, likewise.
    pub slope_uncertainty: f64,
    /// Covariance of intercept and slope, likewise.
    pub covariance: f64,
}

impl CorrelatedLine {
    /// Correlation coefficient of intercept and slope; 0 where one of them is certain.
    #[must_use]
    pub fn correlation(&self) -> f64 {
        let product = self.intercept_uncertainty * self.slope_uncertainty;
        if product > 0.0 { (self.covariance / product).clamp(-1.0, 1.0) } else { 0.0 }
    }
}

/// The covariance matrix of observations with independent scatter and errors that all have in common, each given by
/// what one standard deviation of it does to every observation.
#[must_use]
pub fn covariance_of(scatter: &[f64], common: &[Vec<f64>]) -> Covariance {
    let n = scatter.len();
    let element = |i: usize, j: usize| {
        let shared: f64 = common.iter().map(|c| c.get(i).unwrap_or(&0.0) * c.get(j).unwrap_or(&0.0)).sum();
        shared + if i == j { scatter.get(i).map_or(0.0, |s| s * s) } else { 0.0 }
    };
    (0..n).map(|i| (0..n).map(|j| element(i, j)).collect()).collect()
}

/// Fits y = intercept + slope·x without weights and propagates V through it.
///
/// # Errors
/// As [`fit`]; [`MetrologyError::LengthsDiffer`] if V is not square of the points' number,
/// [`MetrologyError::BadValue`] if it holds what is no number.
pub fn fit_correlated(x: &[f64], y: &[f64], v: &[Vec<f64>]) -> Result<CorrelatedLine, MetrologyError> {
    const WHAT: &str = "straight line with correlated errors";
    let line = fit(x, y, Weights::Equal)?;
    let n = x.len();
    if let Some(wrong) = [v.len()].into_iter().chain(v.iter().map(Vec::len)).find(|have| *have != n) {
        return Err(MetrologyError::LengthsDiffer { what: WHAT, left: n, right: wrong });
    }
    if let Some((index, value)) = v.iter().flatten().enumerate().find(|(_, v)| !v.is_finite()) {
        return Err(MetrologyError::BadValue { what: WHAT, index, value: *value });
    }
    let count = n as f64;
    let mean = x.iter().sum::<f64>() / count;
    let sxx: f64 = x.iter().map(|x| (x - mean) * (x - mean)).sum();
    // Rows of A: what each observation gives to the slope and to the intercept.
    let slope: Vec<f64> = x.iter().map(|x| (x - mean) / sxx).collect();
    let intercept: Vec<f64> = slope.iter().map(|a| 1.0 / count - mean * a).collect();
    let product = |left: &[f64], right: &[f64]| -> f64 {
        v.iter().zip(left).map(|(row, l)| l * row.iter().zip(right).map(|(v, r)| v * r).sum::<f64>()).sum()
    };
    Ok(CorrelatedLine {
        intercept_uncertainty: product(&intercept, &intercept).max(0.0).sqrt(),
        slope_uncertainty: product(&slope, &slope).max(0.0).sqrt(),
        covariance: product(&intercept, &slope),
        line,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::metrology::reference::{columns, digits, number, toml};

    #[test]
    fn a_fit_with_correlated_errors_is_that_of_numpy_to_ten_digits() {
        // Source: NumPy and SciPy, see tests/reference/line-correlated.toml for versions and how it was made.
        let (file, c) = (toml("line-correlated.toml"), columns("line-correlated.csv"));
        let common = [c[3].clone(), c[4].clone()];
        let v = covariance_of(&c[2], &common);
        let got = fit_correlated(&c[0], &c[1], &v).unwrap();
        let want = |key: &str| number(&file["numpy"][key]);
        for (got, key) in [
            (got.line.intercept, "intercept"),
            (got.line.slope, "slope"),
            (got.intercept_uncertainty, "intercept_uncertainty"),
            (got.slope_uncertainty, "slope_uncertainty"),
            (got.covariance, "covariance"),
            (got.correlation(), "correlation"),
        ] {
            assert!(digits(got, want(key)) >= 10.0, "{key}: {got}, {} digits", digits(got, want(key)));
        }
        // Generalised least squares of the same points (scipy.linalg), the best there is: not weighting loses next to
        // nothing, since what the points have in common can't be averaged away.
        for (u, key) in [
            (got.slope_uncertainty, "slope_uncertainty"),
            (got.intercept_uncertainty, "intercept_uncertainty"),
        ] {
            let best = number(&file["scipy_generalised"][key]);
            assert!((1.0..1.05).contains(&(u / best)), "{key}: {u} against {best}");
        }
    }

    #[test]
    fn a_common_offset_moves_the_intercept_alone_and_a_common_gain_the_slope_alone() {
        // Closed form: y = x, errors of 0.3 at every point, and of 2 % of x.
        let x = [-2.0, -1.0, 0.0, 1.0, 2.0];
        let zero = [0.0; 5];
        let v = covariance_of(&zero, &[vec![0.3; 5], x.iter().map(|x| 0.02 * x).collect()]);
        let got = fit_correlated(&x, &x, &v).unwrap();
        assert!((got.intercept_uncertainty - 0.3).abs() < 1e-15);
        assert!((got.slope_uncertainty - 0.02).abs() < 1e-15);
        assert!(got.covariance.abs() < 1e-15 && got.correlation().abs() < 1e-12);
    }

    #[test]
    fn independent_errors_of_one_size_give_the_uncertainties_of_the_ordinary_fit() {
        let (x, y) = ([1.0, 2.0, 4.0, 8.0], [1.1, 1.9, 4.2, 7.8]);
        let got = fit_correlated(&x, &y, &covariance_of(&[0.5; 4], &[])).unwrap();
        let ordinary = fit(&x, &y, Weights::Uncertainties(&[0.5; 4])).unwrap();
        assert!((got.slope_uncertainty - ordinary.slope_uncertainty).abs() < 1e-14);
        assert!((got.intercept_uncertainty - ordinary.intercept_uncertainty).abs() < 1e-14);
        assert!((got.covariance - ordinary.covariance).abs() < 1e-14);
    }

    #[test]
    fn a_matrix_of_another_size_or_with_what_is_no_number_is_refused() {
        let (x, y) = ([1.0, 2.0, 4.0], [1.1, 1.9, 4.2]);
        let short = fit_correlated(&x, &y, &covariance_of(&[0.5; 2], &[]));
        assert!(matches!(short, Err(MetrologyError::LengthsDiffer { left: 3, right: 2, .. })));
        let nan = fit_correlated(&x, &y, &covariance_of(&[0.5, f64::NAN, 0.5], &[]));
        assert!(matches!(nan, Err(MetrologyError::BadValue { .. })));
    }
}
