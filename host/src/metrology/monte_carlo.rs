//! Monte Carlo by JCGM 101:2008, 7.9 (adaptive), to hold the intervals of the budgets against. For tests.

use super::budget::Budget;
use super::contribution::{Contribution, Distribution, whole};
use super::group::Group;
use super::propagation::tolerance;
use super::quantity::Quantity;

/// Trials of a batch: at least 10⁴ and 100/(1 − p) (JCGM 101:2008, 7.9.4).
const BATCH: usize = 10_000;
/// At least a million trials, at most so many.
const BATCHES: (usize, usize) = (100, 600);

/// A repeatable source (SplitMix64; Steele, Lea and Flood 2014).
pub(crate) struct Random(u64);

impl Random {
    pub(crate) const fn new(seed: u64) -> Self {
        Self(seed)
    }

    /// Above 0, below 1.
    pub(crate) fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64 + 5e-17
    }

    /// Normal (Box and Muller 1958).
    pub(crate) fn normal(&mut self) -> f64 {
        let (u, v) = (self.uniform(), self.uniform());
        (-2.0 * u.ln()).sqrt() * (core::f64::consts::TAU * v).cos()
    }

    /// Gamma of a shape of at least ½ (Marsaglia and Tsang 2000).
    fn gamma(&mut self, shape: f64) -> f64 {
        if shape < 1.0 {
            let boost = self.uniform().powf(1.0 / shape);
            return self.gamma(shape + 1.0) * boost;
        }
        let d = shape - 1.0 / 3.0;
        let c = 1.0 / (9.0 * d).sqrt();
        loop {
            let x = self.normal();
            let v = (1.0 + c * x).powi(3);
            if v > 0.0 && self.uniform().ln() < 0.5 * x * x + d - d * v + d * v.ln() {
                return d * v;
            }
        }
    }

    /// Of scale 1: the standard deviation, of a t distribution the scale.
    pub(crate) fn draw(&mut self, distribution: Distribution, nu: Option<f64>) -> f64 {
        match (distribution, nu) {
            (Distribution::Normal | Distribution::StudentT, None) => self.normal(),
            (Distribution::Normal | Distribution::StudentT, Some(nu)) => {
                // Whole degrees of freedom, rounded down (JCGM 100:2008, G.4.1).
                let nu = whole(nu).max(1.0);
                self.normal() / (2.0 * self.gamma(nu / 2.0) / nu).sqrt()
            }
            (Distribution::Rectangular, _) => 3.0_f64.sqrt() * (2.0 * self.uniform() - 1.0),
            (Distribution::Triangular, _) => 6.0_f64.sqrt() * (self.uniform() + self.uniform() - 1.0),
            (Distribution::UShaped, _) => {
                core::f64::consts::SQRT_2 * (core::f64::consts::PI * self.uniform()).cos()
            }
        }
    }
}

/// Half of the interval's width, twice the standard deviation of that, and the trials made.
pub(crate) struct Sampled {
    pub(crate) half_width: f64,
    pub(crate) twice_deviation: f64,
    pub(crate) trials: usize,
}

/// Runs batches until their mean half-width is known to the numerical tolerance of u.
pub(crate) fn sampled<Q: Quantity>(budget: &Budget<Q>, seed: u64) -> Sampled {
    let mut random = Random::new(seed);
    let delta = tolerance(budget.combined().standard_uncertainty.number());
    let mut widths: Vec<f64> = Vec::new();
    let mut batch = vec![0.0; BATCH];
    loop {
        for y in &mut batch {
            *y = trial(budget, &mut random);
        }
        batch.sort_by(f64::total_cmp);
        let at = |p: f64| batch[(p * BATCH as f64) as usize];
        widths.push((at(0.975) - at(0.025)) / 2.0);
        let h = widths.len() as f64;
        let mean = widths.iter().sum::<f64>() / h;
        let spread = widths.iter().map(|w| (w - mean).powi(2)).sum::<f64>() / (h - 1.0).max(1.0) / h;
        let twice_deviation = 2.0 * spread.sqrt();
        let enough = widths.len() >= BATCHES.0 && twice_deviation < 0.2 * delta;
        if enough || widths.len() >= BATCHES.1 {
            return Sampled { half_width: mean, twice_deviation, trials: widths.len() * BATCH };
        }
    }
}

/// One draw of a result's deviation from its value.
pub(crate) fn trial<Q: Quantity>(budget: &Budget<Q>, random: &mut Random) -> f64 {
    let alone: f64 = budget.independent().iter().map(|c| of(c, random)).sum();
    alone + budget.groups().iter().map(|g| of_group(g, random)).sum::<f64>()
}

fn of(c: &Contribution, random: &mut Random) -> f64 {
    c.signed() * random.draw(c.distribution, c.degrees_of_freedom().finite())
}

/// Members that move together share one draw.
fn of_group(group: &Group, random: &mut Random) -> f64 {
    let part = group.part();
    part.scale * random.draw(part.distribution, part.degrees_of_freedom.finite())
}

/// The interval that is reported is what Monte Carlo finds: within the numerical tolerance of two digits.
pub(crate) fn assert_interval<Q: Quantity>(what: &str, budget: &Budget<Q>, seed: u64) {
    let combined = budget.combined();
    let delta = tolerance(combined.standard_uncertainty.number());
    let got = sampled(budget, seed);
    let off = (combined.expanded.number() - got.half_width).abs();
    assert!(got.trials >= 1_000_000, "{what}");
    assert!(
        off <= delta + got.twice_deviation,
        "{what}: U = {}, Monte Carlo {} ± {} in {} trials, tolerance {delta}: {combined:?}",
        combined.expanded.number(),
        got.half_width,
        got.twice_deviation,
        got.trials
    );
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::metrology::DegreesOfFreedom;
    use proofstand_units::Volts;

    #[test]
    fn computed_and_sampled_distributions_agree_for_every_shape_and_mixture() {
        // JCGM 101:2008, 7.9 and 8: one of each, a mixture, one that rules, and few degrees of freedom.
        let v = Volts::new;
        let t = |u: f64, n: f64| Contribution::type_a("t", v(u), DegreesOfFreedom::new(n).unwrap());
        let of = |all: Vec<Contribution>| Budget::new(Volts::ZERO).with_all(all);
        let cases = [
            of(vec![Contribution::rectangular("r", v(1.0)), Contribution::normal("n", v(0.3))]),
            of(vec![Contribution::triangular("t", v(1.0)), Contribution::u_shaped("u", v(0.5))]),
            of(vec![t(1.0, 3.0), Contribution::rectangular("r", v(1.5))]),
            of(vec![t(0.5, 4.0), t(0.7, 9.0), Contribution::normal("n", v(0.4))]),
            of(vec![Contribution::rectangular("r", v(1.0)), Contribution::rectangular("s", v(0.2))]),
        ];
        for (i, budget) in cases.iter().enumerate() {
            assert_interval(&format!("case {i}"), budget, 7 + i as u64);
        }
    }
}
