//! Speed over the levels of a speed command: gain, offset and what departs from a straight line.

use proofstand_units::{Rpm, RpmPerVolt, Volts};

use super::error::EstimateError;
use crate::metrology::DegreesOfFreedom;
use crate::metrology::line::{self, Weights};

/// Speed at one level of the command.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SpeedPoint {
    /// Command.
    pub command: Volts,
    /// Speed, positive where a positive command turns the shaft.
    pub speed: Rpm,
    /// Its standard uncertainty from the record alone: what all levels share (calibration, clock) is added after the fit.
    pub scatter: Rpm,
    /// The degrees of freedom of that.
    pub degrees_of_freedom: DegreesOfFreedom,
}

/// Speed over volts.
#[derive(Debug, Clone, PartialEq)]
pub struct SpeedLine {
    /// Speed per volt.
    pub gain: RpmPerVolt,
    /// Its standard uncertainty from the deviations from the line, or from the points' own scatter where that is larger.
    pub gain_scatter: RpmPerVolt,
    /// Speed at 0 V as the line has it.
    pub offset: Rpm,
    /// Its standard uncertainty, likewise.
    pub offset_scatter: Rpm,
    /// Degrees of freedom of both uncertainties.
    pub degrees_of_freedom: DegreesOfFreedom,
    /// Speed less line, point by point.
    pub residuals: Vec<Rpm>,
    /// What errors of one unit in each speed independently make in the gain: per volt.
    pub gain_spread: f64,
    /// What they make in the offset.
    pub offset_spread: f64,
}

/// Fits a straight line through the speeds of three or more levels.
///
/// All points count alike: the speed's own ripple is much the same at all of them, and what is common to all is no scatter.
///
/// # Errors
/// Fewer than three levels, all at one voltage, values that can't be used.
pub fn speed_line(points: &[SpeedPoint]) -> Result<SpeedLine, EstimateError> {
    let volts: Vec<f64> = points.iter().map(|p| p.command.get()).collect();
    let speeds: Vec<f64> = points.iter().map(|p| p.speed.get()).collect();
    let fit = line::fit(&volts, &speeds, Weights::Equal)?;
    let own = (points.iter().map(|p| p.scatter.get().powi(2)).sum::<f64>() / points.len() as f64).sqrt();
    let believed = if own > 0.0 {
        Some(line::fit(&volts, &speeds, Weights::Uncertainties(&vec![own; points.len()]))?)
    } else {
        None
    };
    // As sure as the mean of their squares is (Welch-Satterthwaite).
    let of_own = DegreesOfFreedom::of_sum(points.iter().map(|p| (p.scatter.get(), p.degrees_of_freedom)));
    let wider = believed.filter(|b| b.slope_uncertainty > fit.slope_uncertainty);
    let spread = wider.as_ref().unwrap_or(&fit);
    Ok(SpeedLine {
        gain: RpmPerVolt::new(fit.slope),
        gain_scatter: RpmPerVolt::new(spread.slope_uncertainty),
        offset: Rpm::new(fit.intercept),
        offset_scatter: Rpm::new(spread.intercept_uncertainty),
        degrees_of_freedom: if wider.is_some() { of_own } else { fit.degrees_of_freedom },
        gain_spread: fit.slope_spread,
        offset_spread: fit.intercept_spread,
        residuals: fit.residuals.iter().map(|r| Rpm::new(*r)).collect(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::metrology::reference::{columns, number, toml};

    fn point(command: f64, speed: f64, scatter: f64) -> SpeedPoint {
        SpeedPoint {
            command: Volts::new(command),
            speed: Rpm::new(speed),
            scatter: Rpm::new(scatter),
            degrees_of_freedom: DegreesOfFreedom::new(9.0).unwrap(),
        }
    }

    /// NIST StRD, Norris (certified line of an instrument against its input, lower difficulty).
    #[test]
    fn the_certified_line_of_norris_is_met_with_its_standard_deviations() {
        let (file, c) = (toml("nist-strd-norris.toml"), columns("nist-strd-norris.csv"));
        let points: Vec<SpeedPoint> = c[1].iter().zip(&c[0]).map(|(x, y)| point(*x, *y, 0.0)).collect();
        let line = speed_line(&points).unwrap();
        let certified = |parameter: usize, key: &str| number(&file["parameter"][parameter][key]);
        let near = |got: f64, want: f64| assert!((got / want - 1.0).abs() < 1e-9, "{got} is not {want}");
        near(line.offset.get(), certified(0, "certified_estimate"));
        near(line.gain.get(), certified(1, "certified_estimate"));
        near(line.offset_scatter.get(), certified(0, "certified_standard_deviation"));
        near(line.gain_scatter.get(), certified(1, "certified_standard_deviation"));
    }

    #[test]
    fn the_points_own_scatter_counts_where_the_line_happens_to_fit_better() {
        // Closed form for three even points: residuals are d/6, −d/3, d/6 of the second difference d = −0.06.
        let points = [(-1.0, -100.0), (0.0, 0.03), (1.0, 100.0)];
        let tight = speed_line(&points.map(|(v, n)| point(v, n, 0.001))).unwrap();
        let loose = speed_line(&points.map(|(v, n)| point(v, n, 0.2))).unwrap();
        assert!((tight.residuals[1].get() - 0.02).abs() < 1e-12, "{tight:?}");
        // u(slope) = u/√Sxx with Sxx = 2, u(offset) = u/√3.
        assert!((loose.gain_scatter.get() - 0.2 / 2.0_f64.sqrt()).abs() < 1e-12, "{loose:?}");
        assert!((loose.offset_scatter.get() - 0.2 / 3.0_f64.sqrt()).abs() < 1e-12, "{loose:?}");
        assert!(tight.gain_scatter < loose.gain_scatter);
        // Three alike with 9 degrees of freedom each have 27 together; three points about a line have one.
        assert!((loose.degrees_of_freedom.finite().unwrap() - 27.0).abs() < 1e-9, "{loose:?}");
        assert_eq!(tight.degrees_of_freedom.finite(), Some(1.0));
        assert!(speed_line(&[point(0.0, 1.0, 0.1), point(1.0, 2.0, 0.1)]).is_err());
    }
}
