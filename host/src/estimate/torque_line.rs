//! Torque over the levels of a command: gain, intercept and what departs from a straight line.

use proofstand_units::{NewtonMetres, NewtonMetresPerVolt, Volts};

use super::error::EstimateError;
use crate::metrology::DegreesOfFreedom;
use crate::metrology::line::{self, Weights};

/// Torque by the command at one level.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LevelPoint {
    /// Level of the command.
    pub level: Volts,
    /// Torque by the command alone.
    pub torque: NewtonMetres,
    /// Its standard uncertainty from scatter only: what all levels share (inertia, calibration) is added after the fit.
    pub scatter: NewtonMetres,
    /// Degrees of freedom of that.
    pub degrees_of_freedom: DegreesOfFreedom,
}

/// Torque over volts.
#[derive(Debug, Clone, PartialEq)]
pub struct TorqueLine {
    /// Torque per volt.
    pub gain: NewtonMetresPerVolt,
    /// Its standard uncertainty from scatter, or from the deviations from the line where they are larger.
    pub gain_scatter: NewtonMetresPerVolt,
    /// Torque at 0 V as the line has it; away from zero it points to a dead band or a limit.
    pub intercept: NewtonMetres,
    /// Its standard uncertainty, likewise.
    pub intercept_scatter: NewtonMetres,
    /// Degrees of freedom of the gain's: of the deviations from the line, or where the points' own scatter counts, of that
    /// (Welch-Satterthwaite over the levels; JCGM 100:2008, G.4).
    pub gain_degrees_of_freedom: DegreesOfFreedom,
    /// Of the intercept's, likewise.
    pub intercept_degrees_of_freedom: DegreesOfFreedom,
    /// Torque less line, level by level.
    pub residuals: Vec<NewtonMetres>,
    /// The residual of largest magnitude, as a magnitude.
    pub linearity: NewtonMetres,
    /// What errors of one unit in each torque independently make in the gain: per volt.
    pub gain_spread: f64,
    /// What they make in the intercept.
    pub intercept_spread: f64,
}

/// Fits a straight line through the torques of three or more levels, each weighted by its own scatter.
///
/// # Errors
/// Fewer than three levels, all at one voltage, values that can't be used.
pub fn torque_line(points: &[LevelPoint]) -> Result<TorqueLine, EstimateError> {
    let volts: Vec<f64> = points.iter().map(|p| p.level.get()).collect();
    let torques: Vec<f64> = points.iter().map(|p| p.torque.get()).collect();
    let scatter: Vec<f64> = points.iter().map(|p| p.scatter.get()).collect();
    let (fit, believed) = if scatter.iter().all(|u| *u > 0.0) {
        let weights: Vec<f64> = scatter.iter().map(|u| u.powi(-2)).collect();
        let by_residuals = line::fit(&volts, &torques, Weights::Relative(&weights))?;
        (by_residuals, Some(line::fit(&volts, &torques, Weights::Uncertainties(&scatter))?))
    } else {
        (line::fit(&volts, &torques, Weights::Equal)?, None)
    };
    let wider = believed.filter(|b| b.slope_uncertainty > fit.slope_uncertainty);
    let spread = wider.as_ref().unwrap_or(&fit);
    let freedom = |weights: &[f64]| match &wider {
        Some(_) => DegreesOfFreedom::of_sum(
            points.iter().zip(weights).map(|(p, w)| (w * p.scatter.get(), p.degrees_of_freedom)),
        ),
        None => fit.degrees_of_freedom,
    };
    Ok(TorqueLine {
        gain: NewtonMetresPerVolt::new(fit.slope),
        gain_scatter: NewtonMetresPerVolt::new(spread.slope_uncertainty),
        intercept: NewtonMetres::new(fit.intercept),
        intercept_scatter: NewtonMetres::new(spread.intercept_uncertainty),
        gain_degrees_of_freedom: freedom(&fit.slope_weights),
        intercept_degrees_of_freedom: freedom(&fit.intercept_weights),
        residuals: fit.residuals.iter().map(|r| NewtonMetres::new(*r)).collect(),
        linearity: NewtonMetres::new(fit.largest_residual().abs()),
        gain_spread: fit.slope_spread,
        intercept_spread: fit.intercept_spread,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_line_over_levels_gives_gain_and_what_departs_from_it() {
        let point = |level: f64, torque: f64| LevelPoint {
            level: Volts::new(level),
            torque: NewtonMetres::new(torque),
            scatter: NewtonMetres::new(1e-4),
            degrees_of_freedom: DegreesOfFreedom::of_fit(3, 1),
        };
        let straight = torque_line(&[0.5, 1.0, 2.0, 3.0].map(|v| point(v, 0.01 + 0.08 * v))).unwrap();
        assert!(
            (straight.gain.get() - 0.08).abs() < 1e-12 && (straight.intercept.get() - 0.01).abs() < 1e-12
        );
        assert!(straight.linearity.get() < 1e-12);
        // With no deviations the scatter of the points is believed: u(slope) = u/√Sxx, Sxx = 3.6875.
        assert!((straight.gain_scatter.get() - 1e-4 / 3.6875_f64.sqrt()).abs() < 1e-12);
        // Four scatters of two degrees of freedom each (JCGM 100:2008, G.2b, by hand): with weights (x − x̄)/Sxx, x̄ = 1.625,
        // ν = 2·(Σ(x − x̄)²)² / Σ(x − x̄)⁴.
        let squares: [f64; 4] = [1.265_625, 0.390_625, 0.140_625, 1.890_625];
        let want = 2.0 * squares.iter().sum::<f64>().powi(2) / squares.iter().map(|s| s * s).sum::<f64>();
        let nu = straight.gain_degrees_of_freedom.finite().unwrap();
        assert!((nu - want).abs() < 1e-9 && nu < 8.0, "{nu}");
        let bent = torque_line(&[point(1.0, 0.08), point(2.0, 0.16), point(3.0, 0.21)]).unwrap();
        // Closed form for three even points: residuals are d/6, −d/3, d/6 of the second difference d = −0.03.
        assert!((bent.linearity.get() - 0.01).abs() < 1e-12, "{bent:?}");
        assert_eq!(bent.gain_degrees_of_freedom.finite(), Some(1.0));
        assert!(torque_line(&[point(1.0, 0.1), point(2.0, 0.2)]).is_err());
    }
}
