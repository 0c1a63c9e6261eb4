//! Least squares on any few columns: y = Σ coefficient·column.
//!
//! Plain numbers, as in the other fits. Columns must be of about the same size: the caller scales them.

use super::contribution::DegreesOfFreedom;
use super::error::MetrologyError;
use super::polynomial::{dot, inverse_upper, orthonormal};

/// A fit on columns.
#[derive(Debug, Clone, PartialEq)]
pub struct ColumnsFit {
    /// A coefficient for each column, with its standard uncertainty for residuals that don't depend on each other.
    pub coefficients: Vec<(f64, f64)>,
    /// y minus fit, point by point.
    pub residuals: Vec<f64>,
    /// Degrees of freedom of the residuals.
    pub degrees_of_freedom: DegreesOfFreedom,
}

impl ColumnsFit {
    /// Sum of the squares of the residuals.
    #[must_use]
    pub fn rest(&self) -> f64 {
        dot(&self.residuals, &self.residuals)
    }

    /// By how much neighbouring residuals that go together widen every uncertainty: √((1+r)/(1−r)) for the correlation
    /// r of neighbours, as of a first-order process (Bayley and Hammersley, J. R. Stat. Soc. Suppl. 8, 1946; from memory). Never less
    /// than 1.
    #[must_use]
    pub fn widening(&self) -> f64 {
        let together: f64 = self.residuals.windows(2).map(|pair| pair[0] * pair[1]).sum();
        let rest = self.rest();
        let r = if rest > 0.0 { (together / rest).clamp(0.0, 0.98) } else { 0.0 };
        ((1.0 + r) / (1.0 - r)).sqrt()
    }
}

/// Fits y on columns of the same length, all points alike.
///
/// # Errors
/// No more points than columns, columns of another length or that depend on each other, values that are no numbers.
pub fn fit(columns: Vec<Vec<f64>>, y: &[f64]) -> Result<ColumnsFit, MetrologyError> {
    const WHAT: &str = "fit on columns";
    let (n, terms) = (y.len(), columns.len());
    if n <= terms {
        return Err(MetrologyError::TooFewPoints { what: WHAT, have: n, need: terms + 1 });
    }
    let usable = columns.iter().all(|c| c.len() == n && c.iter().all(|v| v.is_finite()));
    if !usable || !y.iter().all(|v| v.is_finite()) {
        return Err(MetrologyError::NoSpread { what: WHAT });
    }
    let kept = columns.clone();
    let (q, r) = orthonormal(columns).ok_or(MetrologyError::NoSpread { what: WHAT })?;
    let inverse = inverse_upper(&r);
    let projected: Vec<f64> = q.iter().map(|q| dot(q, y)).collect();
    let coefficients: Vec<f64> = inverse.iter().map(|row| dot(row, &projected)).collect();
    let residuals: Vec<f64> = (0..n)
        .map(|i| y[i] - kept.iter().zip(&coefficients).map(|(column, c)| column[i] * c).sum::<f64>())
        .collect();
    let variance = dot(&residuals, &residuals) / (n - terms) as f64;
    let coefficients = coefficients
        .into_iter()
        .zip(&inverse)
        .map(|(c, row)| (c, (variance * dot(row, row)).sqrt()))
        .collect();
    Ok(ColumnsFit { coefficients, residuals, degrees_of_freedom: DegreesOfFreedom::of_fit(n, terms) })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::metrology::line::{self, Weights};
    use crate::metrology::polynomial;

    /// Against the straight line and the polynomial, which are held against published values.
    #[test]
    fn on_powers_of_x_it_is_the_polynomial_and_on_two_columns_the_line() {
        let x: Vec<f64> = (0..12).map(f64::from).collect();
        let y: Vec<f64> = x.iter().map(|x| 3.0 - 0.5 * x + 0.02 * x * x + (7.0 * x).sin()).collect();
        let powers = |most: i32| (0..=most).map(|p| x.iter().map(|x| x.powi(p)).collect()).collect();
        let straight = line::fit(&x, &y, Weights::Equal).unwrap();
        let got = fit(powers(1), &y).unwrap();
        let near = |a: f64, b: f64| (a - b).abs() < 1e-9 * (1.0 + b.abs());
        assert!(near(got.coefficients[0].0, straight.intercept));
        assert!(near(got.coefficients[1].0, straight.slope));
        assert!(near(got.coefficients[1].1, straight.slope_uncertainty));
        let curved = polynomial::fit(&x, &y, 2).unwrap();
        let got = fit(powers(2), &y).unwrap();
        assert!(near(2.0 * got.coefficients[2].0, curved.derivative(2, 0.0).0));
        assert!(near(2.0 * got.coefficients[2].1, curved.derivative(2, 0.0).1));
    }

    #[test]
    fn residuals_that_go_together_widen_and_independent_ones_do_not() {
        let with = |residuals: Vec<f64>| ColumnsFit {
            coefficients: Vec::new(),
            residuals,
            degrees_of_freedom: DegreesOfFreedom::INFINITE,
        };
        assert!((with(vec![1.0, -1.0, 1.0, -1.0, 1.0]).widening() - 1.0).abs() < 1e-12);
        // Neighbours of a slow wave: r = cos(2π/50), so √((1+r)/(1−r)) = 1/tan(π/50).
        let wave = (0..5000).map(|i| (core::f64::consts::TAU * f64::from(i) / 50.0).sin()).collect();
        let expected = 1.0 / (core::f64::consts::PI / 50.0).tan();
        assert!((with(wave).widening().min(9.9) - expected.min(9.9)).abs() < 0.15);
    }

    #[test]
    fn what_can_not_be_solved_is_refused() {
        let one = vec![1.0; 4];
        assert!(fit(vec![one.clone(), one.clone()], &[1.0, 2.0, 3.0, 4.0]).is_err());
        assert!(fit(vec![one.clone()], &[1.0]).is_err());
        assert!(fit(vec![one], &[1.0, f64::NAN, 2.0, 3.0]).is_err());
    }
}
