//! Linear regression on any columns, through the same orthogonal decomposition as [`super::polynomial`].
//!
//! Plain numbers, as in [`super::line`]: each column and y in units that the caller keeps to.

use super::contribution::DegreesOfFreedom;
use super::error::MetrologyError;
use super::polynomial::{dot, inverse_upper, orthonormal};

/// A fitted sum of columns.
#[derive(Debug, Clone, PartialEq)]
pub struct Regression {
    /// Factor of each column.
    pub factors: Vec<f64>,
    /// Standard deviation of the residuals.
    pub residual_deviation: f64,
    /// Degrees of freedom of the residuals.
    pub degrees_of_freedom: DegreesOfFreedom,
    /// y minus fit, point by point.
    pub residuals: Vec<f64>,
    /// Covariance of the factors for a residual variance of 1.
    unit_covariance: Vec<Vec<f64>>,
}

impl Regression {
    /// Standard uncertainty of a factor from the residuals; zero for one that there is not.
    #[must_use]
    pub fn uncertainty(&self, factor: usize) -> f64 {
        self.residual_deviation * self.unit_uncertainty(factor)
    }

    /// Standard uncertainty of a factor for residuals of standard deviation 1; zero for one that there is not.
    #[must_use]
    pub fn unit_uncertainty(&self, factor: usize) -> f64 {
        self.unit_variance(&unit(factor, self.factors.len())).max(0.0).sqrt()
    }

    /// A weighted sum of the factors and its standard uncertainty from the residuals.
    #[must_use]
    pub fn combination(&self, weights: &[f64]) -> (f64, f64) {
        (dot(weights, &self.factors), self.residual_deviation * self.unit_variance(weights).max(0.0).sqrt())
    }

    fn unit_variance(&self, weights: &[f64]) -> f64 {
        self.unit_covariance.iter().zip(weights).map(|(row, w)| w * dot(row, weights)).sum()
    }
}

fn unit(at: usize, length: usize) -> Vec<f64> {
    (0..length).map(|n| if n == at { 1.0 } else { 0.0 }).collect()
}

/// Fits y as a sum of the columns, all points alike. A constant is a column of ones.
///
/// # Errors
/// Columns of another length than y, no more points than columns, values that can't be used, columns that depend on
/// each other.
pub fn fit(columns: &[Vec<f64>], y: &[f64]) -> Result<Regression, MetrologyError> {
    const WHAT: &str = "regression";
    let (n, terms) = (y.len(), columns.len());
    if n <= terms {
        return Err(MetrologyError::TooFewPoints { what: WHAT, have: n, need: terms + 1 });
    }
    if let Some(other) = columns.iter().find(|c| c.len() != n) {
        return Err(MetrologyError::LengthsDiffer { what: WHAT, left: other.len(), right: n });
    }
    for values in columns.iter().map(Vec::as_slice).chain([y]) {
        if let Some((index, value)) = values.iter().enumerate().find(|(_, v)| !v.is_finite()) {
            return Err(MetrologyError::BadValue { what: WHAT, index, value: *value });
        }
    }
    // Columns of very different size make the triangle's inverse lose digits: each is taken to length 1 first.
    let lengths: Vec<f64> = columns.iter().map(|c| dot(c, c).sqrt()).collect();
    if lengths.contains(&0.0) {
        return Err(MetrologyError::NoSpread { what: WHAT });
    }
    let scaled: Vec<Vec<f64>> =
        columns.iter().zip(&lengths).map(|(c, l)| c.iter().map(|v| v / l).collect()).collect();
    let (q, r) = orthonormal(scaled.clone()).ok_or(MetrologyError::NoSpread { what: WHAT })?;
    let inverse = inverse_upper(&r);
    let solve = |y: &[f64]| -> Vec<f64> {
        let projected: Vec<f64> = q.iter().map(|q| dot(q, y)).collect();
        inverse.iter().map(|row| dot(row, &projected)).collect()
    };
    let rest = |factors: &[f64]| -> Vec<f64> {
        let fitted =
            |i: usize| scaled.iter().zip(factors).map(|(c, f)| c.get(i).map_or(0.0, |v| v * f)).sum::<f64>();
        y.iter().enumerate().map(|(i, y)| y - fitted(i)).collect()
    };
    // A second round on the residuals takes out the rounding of the first.
    let mut factors = solve(y);
    let corrections = solve(&rest(&factors));
    for (f, correction) in factors.iter_mut().zip(corrections) {
        *f += correction;
    }
    let residuals = rest(&factors);
    let unit_covariance = inverse
        .iter()
        .zip(&lengths)
        .map(|(a, la)| inverse.iter().zip(&lengths).map(|(b, lb)| dot(a, b) / (la * lb)).collect())
        .collect();
    Ok(Regression {
        factors: factors.iter().zip(&lengths).map(|(f, l)| f / l).collect(),
        residual_deviation: (dot(&residuals, &residuals) / (n - terms) as f64).sqrt(),
        degrees_of_freedom: DegreesOfFreedom::of_fit(n, terms),
        residuals,
        unit_covariance,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::metrology::reference::{columns, digits, number, toml};

    #[test]
    fn longley_is_met_to_eight_digits() {
        // Source: NIST StRD, Linear Least Squares Regression, Longley (higher difficulty, six nearly dependent columns).
        let (file, data) = (toml("nist-strd-longley.toml"), columns("nist-strd-longley.csv"));
        let mut x = vec![vec![1.0; data[0].len()]];
        x.extend(data[1..].iter().cloned());
        let fit = fit(&x, &data[0]).unwrap();
        for (n, parameter) in file["parameter"].as_array().unwrap().iter().enumerate() {
            let certified = |key: &str| number(&parameter[key]);
            assert!(
                digits(fit.factors[n], certified("certified_estimate")) > 8.0,
                "B{n}: {}",
                fit.factors[n]
            );
            assert!(digits(fit.uncertainty(n), certified("certified_standard_deviation")) > 8.0, "B{n}");
        }
        assert!(digits(fit.residual_deviation, number(&file["certified"]["residual_sd"])) > 8.0);
    }

    #[test]
    fn what_cannot_be_fitted_is_refused() {
        let ones = vec![1.0; 3];
        assert!(fit(&[ones.clone(), ones.clone()], &[1.0, 2.0, 3.0]).is_err());
        assert!(fit(&[ones.clone(), vec![0.0; 3]], &[1.0, 2.0, 3.0]).is_err());
        assert!(fit(&[vec![1.0; 2]], &[1.0, 2.0, 3.0]).is_err());
        assert!(fit(core::slice::from_ref(&ones), &[1.0]).is_err());
        assert!(fit(&[ones], &[1.0, f64::NAN, 3.0]).is_err());
    }
}
