//! One contribution to the uncertainty of a measured value.

use serde::{Deserialize, Serialize};

use super::error::MetrologyError;
use super::quantity::Quantity;
use super::student::CoverageFactor;

/// How a standard uncertainty was come by (JCGM 100:2008, 0.7).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Kind {
    /// By statistics of repeated observations.
    A,
    /// By other means: certificates, data sheets, resolution, experience.
    B,
}

impl Kind {
    /// `A` or `B`.
    #[must_use]
    pub const fn letter(self) -> &'static str {
        match self {
            Self::A => "A",
            Self::B => "B",
        }
    }
}

/// The distribution that stands behind a standard uncertainty (JCGM 100:2008, 4.3).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Distribution {
    /// Normal.
    Normal,
    /// All values between two bounds alike: u = half-width/√3.
    Rectangular,
    /// Most likely in the middle of two bounds: u = half-width/√6.
    Triangular,
    /// Most likely at two bounds, as of a sine (arcsine distribution): u = half-width/√2.
    UShaped,
    /// Student's t: a mean or a fit parameter with few degrees of freedom.
    StudentT,
}

impl Distribution {
    /// The name for a reader.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Normal => "normal",
            Self::Rectangular => "rectangular",
            Self::Triangular => "triangular",
            Self::UShaped => "U-shaped",
            Self::StudentT => "t",
        }
    }
}

/// How sure a standard uncertainty itself is. Serialised as a number, or null where infinite.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct DegreesOfFreedom(Option<f64>);

impl DegreesOfFreedom {
    /// The standard uncertainty is taken as exactly known.
    pub const INFINITE: Self = Self(None);

    /// A number of degrees of freedom, whole or not; infinity is allowed.
    ///
    /// # Errors
    /// [`MetrologyError::NotPositive`] for zero, a negative number or NaN.
    pub fn new(value: f64) -> Result<Self, MetrologyError> {
        if value == f64::INFINITY {
            Ok(Self::INFINITE)
        } else if value > 0.0 {
            Ok(Self(Some(value)))
        } else {
            Err(MetrologyError::NotPositive { what: "degrees of freedom", value })
        }
    }

    /// So many observations or points, so many parameters taken from them. None left is given as 1, the least that
    /// any spread can have.
    #[must_use]
    pub fn of_fit(points: usize, parameters: usize) -> Self {
        Self(Some(points.saturating_sub(parameters).max(1) as f64))
    }

    /// From the relative uncertainty of the standard uncertainty, `ν = ½·(Δu/u)⁻²` (JCGM 100:2008, G.4.2).
    ///
    /// # Errors
    /// [`MetrologyError::NotPositive`] for a relative uncertainty that is not above zero.
    pub fn of_reliability(relative_uncertainty: f64) -> Result<Self, MetrologyError> {
        if relative_uncertainty > 0.0 {
            Self::new(0.5 / (relative_uncertainty * relative_uncertainty))
        } else {
            Err(MetrologyError::NotPositive {
                what: "relative uncertainty of an uncertainty",
                value: relative_uncertainty,
            })
        }
    }

    /// Of a sum of independent parts, each with its standard uncertainty in the sum and its degrees of freedom
    /// (Welch-Satterthwaite; JCGM 100:2008, G.4.1).
    #[must_use]
    pub fn of_sum(parts: impl IntoIterator<Item = (f64, Self)>) -> Self {
        let (mut variance, mut spread) = (0.0, 0.0);
        for (u, nu) in parts {
            variance += u * u;
            spread += nu.finite().map_or(0.0, |nu| u.powi(4) / nu);
        }
        Self::new(variance * variance / spread).unwrap_or(Self::INFINITE)
    }

    /// The number, or none where infinite.
    #[must_use]
    pub const fn finite(self) -> Option<f64> {
        self.0
    }

    /// Rounded down to a whole number as JCGM 100:2008, G.4.1 recommends; below 1 it stays as it is.
    #[must_use]
    pub fn truncated(self) -> Self {
        Self(self.0.map(|nu| if nu >= 1.0 { whole(nu) } else { nu }))
    }
}

/// Degrees of freedom rounded down (JCGM 100:2008, G.4.1); a whole number that arithmetic has left a little low stays what it is.
#[must_use]
pub fn whole(degrees_of_freedom: f64) -> f64 {
    (degrees_of_freedom * (1.0 + 1e-9)).floor()
}

/// Partial derivative of the result by an input: units of the result per unit of the input.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Sensitivity(f64);

impl Sensitivity {
    /// The input counts fully and in the result's own unit.
    pub const ONE: Self = Self(1.0);

    /// From a number of result units per input unit.
    #[must_use]
    pub const fn new(value: f64) -> Self {
        Self(value)
    }

    /// Change of the result per change of the input.
    #[must_use]
    pub fn of<R: Quantity, I: Quantity>(result: R, input: I) -> Self {
        Self(result.number() / input.number())
    }

    /// The number of result units per input unit.
    #[must_use]
    pub const fn get(self) -> f64 {
        self.0
    }
}

/// One contribution to the uncertainty of a measured value.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Contribution {
    /// What is uncertain.
    pub name: String,
    /// How its uncertainty was come by.
    pub kind: Kind,
    /// The distribution behind it.
    pub distribution: Distribution,
    /// Unit symbol of the input.
    pub unit: String,
    /// Standard uncertainty of the input, in `unit`.
    standard_uncertainty: f64,
    /// Result units per input unit.
    sensitivity: Sensitivity,
    /// Degrees of freedom of the standard uncertainty.
    degrees_of_freedom: DegreesOfFreedom,
}

impl Contribution {
    fn new<I: Quantity>(name: &str, kind: Kind, distribution: Distribution, u: f64) -> Self {
        Self {
            name: name.to_owned(),
            kind,
            distribution,
            unit: I::SYMBOL.to_owned(),
            standard_uncertainty: u.abs(),
            sensitivity: Sensitivity::ONE,
            degrees_of_freedom: DegreesOfFreedom::INFINITE,
        }
    }

    /// Type A: a standard uncertainty from repeated observations or from the residuals of a fit.
    #[must_use]
    pub fn type_a<I: Quantity>(
        name: &str,
        standard_uncertainty: I,
        degrees_of_freedom: DegreesOfFreedom,
    ) -> Self {
        Self {
            degrees_of_freedom,
            ..Self::new::<I>(name, Kind::A, Distribution::StudentT, standard_uncertainty.number())
        }
    }

    /// Type B: a standard uncertainty of a normal distribution.
    #[must_use]
    pub fn normal<I: Quantity>(name: &str, standard_uncertainty: I) -> Self {
        Self::new::<I>(name, Kind::B, Distribution::Normal, standard_uncertainty.number())
    }

    /// Type B: an expanded uncertainty with its coverage factor, as a certificate states it (JCGM 100:2008, 4.3.3).
    #[must_use]
    pub fn expanded<I: Quantity>(name: &str, expanded: I, coverage: CoverageFactor) -> Self {
        Self::new::<I>(name, Kind::B, Distribution::Normal, expanded.number() / coverage.get())
    }

    /// Type B: anywhere within ± the half-width (JCGM 100:2008, 4.3.7).
    #[must_use]
    pub fn rectangular<I: Quantity>(name: &str, half_width: I) -> Self {
        Self::new::<I>(name, Kind::B, Distribution::Rectangular, half_width.number() / 3.0_f64.sqrt())
    }

    /// Type B: within ± the half-width, most likely in the middle (JCGM 100:2008, 4.3.9).
    #[must_use]
    pub fn triangular<I: Quantity>(name: &str, half_width: I) -> Self {
        Self::new::<I>(name, Kind::B, Distribution::Triangular, half_width.number() / 6.0_f64.sqrt())
    }

    /// Type B: swings within ± the half-width like a sine (JCGM 100:2008, H.1.3.4).
    #[must_use]
    pub fn u_shaped<I: Quantity>(name: &str, half_width: I) -> Self {
        Self::new::<I>(name, Kind::B, Distribution::UShaped, half_width.number() / 2.0_f64.sqrt())
    }

    /// The same contribution with another sensitivity. Its sign matters in correlated groups.
    #[must_use]
    pub fn with_sensitivity(self, sensitivity: Sensitivity) -> Self {
        Self { sensitivity, ..self }
    }

    /// The same contribution with other degrees of freedom.
    #[must_use]
    pub fn with_degrees_of_freedom(self, degrees_of_freedom: DegreesOfFreedom) -> Self {
        Self { degrees_of_freedom, ..self }
    }

    /// Standard uncertainty of the input, in the input's [`unit`](Self::unit).
    #[must_use]
    pub const fn input_uncertainty(&self) -> f64 {
        self.standard_uncertainty
    }

    /// Result units per input unit.
    #[must_use]
    pub const fn sensitivity(&self) -> Sensitivity {
        self.sensitivity
    }

    /// Degrees of freedom of the standard uncertainty.
    #[must_use]
    pub const fn degrees_of_freedom(&self) -> DegreesOfFreedom {
        self.degrees_of_freedom
    }

    /// Sensitivity times standard uncertainty, with the sensitivity's sign, as a number of result units. A
    /// sensitivity of exactly zero makes it zero.
    pub(crate) fn signed(&self) -> f64 {
        if self.sensitivity.0 == 0.0 { 0.0 } else { self.sensitivity.0 * self.standard_uncertainty }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proofstand_units::{Seconds, Volts};

    #[test]
    fn a_whole_number_of_degrees_of_freedom_survives_the_arithmetic_that_it_comes_from() {
        // One part alone has its own degrees of freedom (JCGM 100:2008, G.4.1, equation G.2b).
        for n in 1..2000_u32 {
            let v = (0.1 + f64::from(n) * 0.0137).powi(2);
            for nu in [1.0, 7.0, 11.0, 14.0, 49.0] {
                assert_eq!(
                    DegreesOfFreedom::new(v * v / (v * v / nu)).unwrap().truncated().finite(),
                    Some(nu)
                );
            }
        }
        assert_eq!(whole(6.999), 6.0);
    }

    #[test]
    fn half_widths_become_standard_uncertainties_by_the_divisors_of_the_gum() {
        // Source: JCGM 100:2008, 4.3.7 (√3), 4.3.9 (√6), H.1.3.4 (√2), 4.3.3 (k).
        let half = Volts::new(6.0);
        assert!((Contribution::rectangular("a", half).input_uncertainty() - 12.0_f64.sqrt()).abs() < 1e-15);
        assert!((Contribution::triangular("a", half).input_uncertainty() - 6.0_f64.sqrt()).abs() < 1e-15);
        assert!((Contribution::u_shaped("a", half).input_uncertainty() - 18.0_f64.sqrt()).abs() < 1e-15);
        assert!(
            (Contribution::expanded("a", half, CoverageFactor::new(2.0)).input_uncertainty() - 3.0).abs()
                < 1e-15
        );
    }

    #[test]
    fn a_quarter_of_doubt_is_eight_degrees_of_freedom() {
        // Source: JCGM 100:2008, G.4.2, example: reliability 25 % gives ν = 8; H.1.6: 10 % gives 50, 50 % gives 2.
        for (reliability, nu) in [(0.25, 8.0), (0.10, 50.0), (0.50, 2.0)] {
            let got = DegreesOfFreedom::of_reliability(reliability).unwrap().finite().unwrap();
            assert!((got - nu).abs() < 1e-12);
        }
        assert!(DegreesOfFreedom::of_reliability(0.0).is_err());
        assert!(DegreesOfFreedom::new(f64::NAN).is_err());
    }

    #[test]
    fn infinite_degrees_of_freedom_survive_json() {
        let c = Contribution::normal("clock", Seconds::new(1e-6)).with_sensitivity(Sensitivity::new(-2.0));
        let text = serde_json::to_string(&c).unwrap();
        assert!(text.contains("\"degrees_of_freedom\":null"), "{text}");
        assert_eq!(serde_json::from_str::<Contribution>(&text).unwrap(), c);
    }
}
