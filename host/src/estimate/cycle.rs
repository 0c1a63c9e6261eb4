//! One reversal, its four accelerations, and means over several.

use proofstand_units::{KilogramSquareMetres, NewtonMetres, RadPerSec2, Volts};

use super::acceleration::AccelerationEstimate;
use crate::metrology::{Contribution, DegreesOfFreedom, Sensitivity};

/// One full reversal: two neighbouring segments of opposite command.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cycle {
    /// α₁: positive command, turning positively.
    pub plus_forward: AccelerationEstimate,
    /// α₂: negative command, turning positively.
    pub minus_forward: AccelerationEstimate,
    /// α₃: positive command, turning negatively.
    pub plus_backward: AccelerationEstimate,
    /// α₄: negative command, turning negatively.
    pub minus_backward: AccelerationEstimate,
    /// Mean read-back of the command while it was positive.
    pub plus_command: Volts,
    /// Mean read-back of the command while it was negative.
    pub minus_command: Volts,
}

impl Cycle {
    fn alphas(&self) -> [f64; 4] {
        [self.plus_forward, self.minus_forward, self.plus_backward, self.minus_backward]
            .map(|a| a.acceleration.get())
    }

    fn fits(&self) -> [AccelerationEstimate; 4] {
        [self.plus_forward, self.minus_forward, self.plus_backward, self.minus_backward]
    }

    /// Standard uncertainty of the mean of all four from the four fits.
    fn of_fits(&self) -> f64 {
        self.fits().iter().map(|a| a.standard_uncertainty.get().powi(2)).sum::<f64>().sqrt() / 4.0
    }

    /// (α₁−α₂)/2: acceleration by the command alone, turning positively.
    #[must_use]
    pub fn gain_forward(&self) -> RadPerSec2 {
        let [a1, a2, _, _] = self.alphas();
        RadPerSec2::new((a1 - a2) / 2.0)
    }

    /// (α₃−α₄)/2: acceleration by the command alone, turning negatively.
    #[must_use]
    pub fn gain_backward(&self) -> RadPerSec2 {
        let [_, _, a3, a4] = self.alphas();
        RadPerSec2::new((a3 - a4) / 2.0)
    }

    /// Mean of [`gain_forward`](Self::gain_forward) and [`gain_backward`](Self::gain_backward).
    #[must_use]
    pub fn gain(&self) -> RadPerSec2 {
        (self.gain_forward() + self.gain_backward()) * 0.5
    }

    /// (α₁+α₂+α₃+α₄)/4: acceleration by offset and load, if friction is the same both ways.
    #[must_use]
    pub fn offset(&self) -> RadPerSec2 {
        RadPerSec2::new(self.alphas().iter().sum::<f64>() / 4.0)
    }

    /// ((α₃+α₄)−(α₁+α₂))/4: deceleration by friction, if it is the same both ways.
    #[must_use]
    pub fn drag(&self) -> RadPerSec2 {
        let [a1, a2, a3, a4] = self.alphas();
        RadPerSec2::new(((a3 + a4) - (a1 + a2)) / 4.0)
    }
}

/// A mean over cycles with what scatters.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CycleMean {
    /// Mean.
    pub mean: RadPerSec2,
    /// Standard uncertainty of the mean: scatter over the cycles (type A), but not less than the fits themselves say.
    pub standard_uncertainty: RadPerSec2,
    /// Degrees of freedom: cycles less one, or those of the fits together where they decide.
    pub degrees_of_freedom: DegreesOfFreedom,
}

impl CycleMean {
    pub(super) fn of(cycles: &[Cycle], value: impl Fn(&Cycle) -> RadPerSec2, fits_share: f64) -> Self {
        let n = cycles.len() as f64;
        let mean = cycles.iter().map(|c| value(c).get()).sum::<f64>() / n;
        let squares: f64 = cycles.iter().map(|c| (value(c).get() - mean).powi(2)).sum();
        let scatter = if cycles.len() > 1 { (squares / (n - 1.0) / n).sqrt() } else { 0.0 };
        let fits = fits_share * cycles.iter().map(|c| c.of_fits().powi(2)).sum::<f64>().sqrt() / n;
        let by_scatter = scatter >= fits;
        Self {
            mean: RadPerSec2::new(mean),
            standard_uncertainty: RadPerSec2::new(scatter.max(fits)),
            degrees_of_freedom: if by_scatter {
                DegreesOfFreedom::of_fit(cycles.len(), 1)
            } else {
                DegreesOfFreedom::of_sum(
                    cycles
                        .iter()
                        .flat_map(Cycle::fits)
                        .map(|a| (a.standard_uncertainty.get(), a.degrees_of_freedom)),
                )
            },
        }
    }

    /// The torque that this acceleration means for an inertia. Its sensitivity to the inertia is the acceleration.
    #[must_use]
    pub fn torque(&self, inertia: KilogramSquareMetres) -> NewtonMetres {
        NewtonMetres::new(self.mean.get() * inertia.get())
    }

    /// Contributions to the budget of that torque: the scatter, and the inertia with its standard uncertainty.
    #[must_use]
    pub fn torque_contributions(
        &self,
        inertia: KilogramSquareMetres,
        inertia_uncertainty: KilogramSquareMetres,
    ) -> Vec<Contribution> {
        vec![
            Contribution::type_a(
                "scatter over the reversals",
                self.standard_uncertainty,
                self.degrees_of_freedom,
            )
            .with_sensitivity(Sensitivity::new(inertia.get())),
            Contribution::normal("inertia", inertia_uncertainty)
                .with_sensitivity(Sensitivity::new(self.mean.get())),
        ]
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proofstand_protocol::units::Micros;
    use proofstand_units::{RadPerSec, Seconds, Turns};

    fn cycle(alphas: [f64; 4], u: f64) -> Cycle {
        let [plus_forward, minus_forward, plus_backward, minus_backward] =
            alphas.map(|alpha| AccelerationEstimate {
                acceleration: RadPerSec2::new(alpha),
                speed: RadPerSec::ZERO,
                at: Micros(0),
                standard_uncertainty: RadPerSec2::new(u),
                from_residuals: RadPerSec2::ZERO,
                from_quantisation: RadPerSec2::new(u),
                degrees_of_freedom: DegreesOfFreedom::INFINITE,
                samples: 50,
                duration: Seconds::new(0.05),
                turns: Turns::new(1.0),
            });
        let (plus_command, minus_command) = (Volts::new(1.0), Volts::new(-1.0));
        Cycle { plus_forward, minus_forward, plus_backward, minus_backward, plus_command, minus_command }
    }

    #[test]
    fn four_accelerations_are_taken_apart_into_command_offset_and_drag() {
        // Worked by hand: command 400, offset 10, drag 40 rad/s²: α₁ = 400+10−40, α₂ = −400+10−40, α₃ = 400+10+40,
        // α₄ = −400+10+40.
        let c = cycle([370.0, -430.0, 450.0, -350.0], 1.0);
        let got = [c.gain_forward(), c.gain_backward(), c.gain(), c.offset(), c.drag()].map(RadPerSec2::get);
        assert_eq!(got, [400.0, 400.0, 400.0, 10.0, 40.0]);
    }

    #[test]
    fn the_larger_of_scatter_and_fits_is_stated_with_its_degrees_of_freedom() {
        // Closed form: four fits of u each give u/2 for their mean of four, u/(2·√n) over n cycles; scatter s/√n.
        let alike = vec![cycle([370.0, -430.0, 450.0, -350.0], 2.0); 4];
        let mean = CycleMean::of(&alike, Cycle::gain, 1.0);
        assert!((mean.standard_uncertainty.get() - 0.5).abs() < 1e-12);
        assert_eq!(mean.degrees_of_freedom, DegreesOfFreedom::INFINITE);
        let spread: Vec<Cycle> = [380.0, 400.0, 420.0].iter().map(|g| cycle([*g, -g, *g, -g], 2.0)).collect();
        let mean = CycleMean::of(&spread, Cycle::gain, 1.0);
        assert!((mean.standard_uncertainty.get() - 20.0 / 3.0_f64.sqrt()).abs() < 1e-12);
        assert_eq!((mean.mean.get(), mean.degrees_of_freedom.finite()), (400.0, Some(2.0)));
        // Sixteen fits of ten degrees of freedom each, all alike: 160 together (Welch-Satterthwaite).
        let mut fitted = alike;
        for c in &mut fitted {
            for a in [&mut c.plus_forward, &mut c.minus_forward, &mut c.plus_backward, &mut c.minus_backward]
            {
                a.degrees_of_freedom = DegreesOfFreedom::of_fit(14, 4);
            }
        }
        let nu = CycleMean::of(&fitted, Cycle::gain, 1.0).degrees_of_freedom.finite().unwrap();
        assert!((nu - 160.0).abs() < 1e-9, "{nu}");
        // One cycle has no scatter: the fits stand for it.
        let one = CycleMean::of(&spread[..1], Cycle::gain, 1.0);
        assert!((one.standard_uncertainty.get() - 1.0).abs() < 1e-12);
    }

    #[test]
    fn the_inertia_counts_with_the_acceleration_in_the_budget() {
        let mean = CycleMean {
            mean: RadPerSec2::new(400.0),
            standard_uncertainty: RadPerSec2::new(2.0),
            degrees_of_freedom: DegreesOfFreedom::of_fit(5, 1),
        };
        let parts =
            mean.torque_contributions(KilogramSquareMetres::new(1e-3), KilogramSquareMetres::new(1e-5));
        let budget =
            crate::metrology::Budget::new(mean.torque(KilogramSquareMetres::new(1e-3))).with_all(parts);
        // Closed form: u² = (J·u(α))² + (α·u(J))² = 0.002² + 0.004².
        let u = budget.combined().standard_uncertainty.get();
        assert!((u - 20e-6_f64.sqrt()).abs() < 1e-12, "{u}");
    }
}
