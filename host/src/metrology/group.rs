//! Contributions that are correlated with one another (JCGM 100:2008, 5.2).

use serde::{Deserialize, Serialize};

use super::contribution::{Contribution, DegreesOfFreedom, Distribution};
use super::error::MetrologyError;
use super::propagation::Part;

/// How two members of a group go together.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Pair {
    /// Place of the one in the group, from 0.
    pub first: usize,
    /// Place of the other.
    pub second: usize,
    /// Correlation coefficient, −1 to 1.
    pub coefficient: f64,
}

/// Contributions that are correlated: they are summed with their coefficients before the rest is added in quadrature.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Group {
    /// What they have in common: the same calibration, the same record.
    pub name: String,
    members: Vec<Contribution>,
    /// Pairs with a coefficient other than zero; none: all move together (coefficient 1).
    pairs: Option<Vec<Pair>>,
    degrees_of_freedom: DegreesOfFreedom,
}

impl Group {
    /// Members that move together entirely (coefficient 1): their products of sensitivity and uncertainty are added
    /// with their signs.
    ///
    /// The group's degrees of freedom are the smallest among its members, the cautious choice: the
    /// Welch–Satterthwaite formula is not for correlated inputs.
    #[must_use]
    pub fn together(name: &str, members: Vec<Contribution>) -> Self {
        let degrees_of_freedom = least(&members);
        Self { name: name.to_owned(), members, pairs: None, degrees_of_freedom }
    }

    /// Members with known correlation coefficients; pairs that are not named have none.
    ///
    /// # Errors
    /// [`MetrologyError::ImpossibleCorrelation`] if a pair names no two members, or if the coefficients can't occur
    /// together.
    pub fn correlated(
        name: &str,
        members: Vec<Contribution>,
        pairs: Vec<Pair>,
    ) -> Result<Self, MetrologyError> {
        check_correlation(name, &members, &pairs)?;
        let degrees_of_freedom = least(&members);
        Ok(Self { name: name.to_owned(), members, pairs: Some(pairs), degrees_of_freedom })
    }

    /// The same group with degrees of freedom known from elsewhere, as of n simultaneous observations (n − 1).
    #[must_use]
    pub fn with_degrees_of_freedom(self, degrees_of_freedom: DegreesOfFreedom) -> Self {
        Self { degrees_of_freedom, ..self }
    }

    /// Degrees of freedom of the group's uncertainty.
    #[must_use]
    pub const fn degrees_of_freedom(&self) -> DegreesOfFreedom {
        self.degrees_of_freedom
    }

    /// The members.
    #[must_use]
    pub fn members(&self) -> &[Contribution] {
        &self.members
    }

    /// The group as one part of a result's distribution. Members that move together and are distributed alike keep
    /// their distribution; sums of others are taken as normal, or as t where the degrees of freedom are few.
    pub(super) fn part(&self) -> Part {
        let alike =
            self.members.first().map(|m| m.distribution).filter(|first| {
                self.pairs.is_none() && self.members.iter().all(|m| m.distribution == *first)
            });
        Part {
            scale: self.variance().sqrt(),
            distribution: alike.unwrap_or(Distribution::Normal),
            degrees_of_freedom: self.degrees_of_freedom,
        }
    }

    /// Variance in the result's unit squared (JCGM 100:2008, equation 16).
    pub(crate) fn variance(&self) -> f64 {
        let Some(pairs) = &self.pairs else {
            return self.members.iter().map(Contribution::signed).sum::<f64>().powi(2);
        };
        let own: f64 = self.members.iter().map(|m| m.signed().powi(2)).sum();
        let cross: f64 = pairs
            .iter()
            .map(|p| 2.0 * p.coefficient * self.members[p.first].signed() * self.members[p.second].signed())
            .sum();
        // Coefficients of −1 may leave a rounding error below zero.
        (own + cross).max(0.0)
    }
}

fn least(members: &[Contribution]) -> DegreesOfFreedom {
    members
        .iter()
        .filter(|m| m.signed() != 0.0)
        .filter_map(|m| m.degrees_of_freedom().finite())
        .min_by(f64::total_cmp)
        .and_then(|nu| DegreesOfFreedom::new(nu).ok())
        .unwrap_or(DegreesOfFreedom::INFINITE)
}

/// A correlation matrix has no negative pivot in its Cholesky decomposition. Published coefficients are rounded, so a
/// little is forgiven.
#[allow(clippy::needless_range_loop, reason = "matrix algebra reads best by its indices")]
fn check_correlation(name: &str, members: &[Contribution], pairs: &[Pair]) -> Result<(), MetrologyError> {
    const FORGIVEN: f64 = 0.01;
    let n = members.len();
    let label = |i: usize| members.get(i).map_or_else(|| format!("member {i}"), |m| m.name.clone());
    let impossible = |first: usize, second: usize| MetrologyError::ImpossibleCorrelation {
        group: name.to_owned(),
        first: label(first),
        second: label(second),
    };
    let mut matrix = vec![vec![0.0; n]; n];
    for (i, row) in matrix.iter_mut().enumerate() {
        row[i] = 1.0;
    }
    for pair in pairs {
        let (i, j) = (pair.first, pair.second);
        if i == j || i >= n || j >= n || !(-1.0..=1.0).contains(&pair.coefficient) {
            return Err(impossible(i, j));
        }
        matrix[i][j] = pair.coefficient;
        matrix[j][i] = pair.coefficient;
    }
    for k in 0..n {
        let pivot = matrix[k][k];
        if pivot < -FORGIVEN {
            return Err(impossible(k.saturating_sub(1), k));
        }
        for i in k + 1..n {
            let below = matrix[i][k];
            if pivot > FORGIVEN {
                let factor = below / pivot;
                for j in k + 1..n {
                    matrix[i][j] -= factor * matrix[k][j];
                }
            } else if below.abs() > 2.0 * FORGIVEN.sqrt() {
                return Err(impossible(k, i));
            }
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::metrology::budget::Budget;
    use crate::metrology::contribution::Sensitivity;
    use proofstand_units::Volts;

    #[test]
    fn what_moves_together_adds_up_or_cancels() {
        // JCGM 100:2008, equation 16 with r = 1: u = |Σ cᵢ·uᵢ|.
        let part =
            |by: f64| Contribution::normal("gain", Volts::new(3.0)).with_sensitivity(Sensitivity::new(by));
        let u = |a: f64, b: f64| {
            let group = Group::together("read-back calibration", vec![part(a), part(b)]);
            Budget::new(Volts::ZERO).with_group(group).combined().standard_uncertainty.get()
        };
        assert_eq!((u(1.0, 1.0), u(1.0, -1.0)), (6.0, 0.0));
        let pair = Pair { first: 0, second: 1, coefficient: -1.0 };
        let against = Group::correlated("same", vec![part(1.0), part(1.0)], vec![pair]).unwrap();
        assert_eq!(Budget::new(Volts::ZERO).with_group(against).combined().standard_uncertainty.get(), 0.0);
    }

    #[test]
    fn coefficients_that_can_t_occur_together_are_refused() {
        let part = |name: &str| Contribution::normal(name, Volts::new(1.0));
        let pair = |first, second, coefficient| Pair { first, second, coefficient };
        let make = |pairs| Group::correlated("g", vec![part("a"), part("b"), part("c")], pairs);
        assert!(make(vec![pair(0, 1, 0.9), pair(1, 2, 0.9), pair(0, 2, -0.9)]).is_err());
        assert!(make(vec![pair(0, 1, 1.0), pair(1, 2, 1.0), pair(0, 2, 0.0)]).is_err());
        assert!(make(vec![pair(0, 1, 1.1)]).is_err());
        assert!(make(vec![pair(0, 3, 0.5)]).is_err());
        assert!(make(vec![pair(0, 1, 1.0), pair(1, 2, 1.0), pair(0, 2, 1.0)]).is_ok());
        // The rounded coefficients of JCGM 100:2008, Table H.2.
        assert!(make(vec![pair(0, 1, -0.36), pair(0, 2, 0.86), pair(1, 2, -0.65)]).is_ok());
    }

    #[test]
    fn a_group_is_no_surer_than_its_least_sure_member_unless_told() {
        let nu = |n: f64| DegreesOfFreedom::new(n).unwrap();
        let part = |n: f64| Contribution::type_a("reading", Volts::new(1.0), nu(n));
        let idle = part(1.0).with_sensitivity(Sensitivity::new(0.0));
        let group = Group::together("g", vec![part(9.0), part(4.0), idle]);
        assert_eq!(group.degrees_of_freedom().finite(), Some(4.0));
        assert_eq!(group.with_degrees_of_freedom(nu(7.0)).degrees_of_freedom().finite(), Some(7.0));
    }
}
