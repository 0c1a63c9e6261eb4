//! First-order lags, stepped exactly for an input that is held over the step.

/// What one step of a given length does to a lag `y' = (u − y)/τ`.
#[derive(Debug, Clone, Copy)]
pub(crate) struct LagStep {
    /// `exp(−h/τ)`: what is left of the distance to the input.
    remains: f64,
    /// `(τ/h)·(1 − exp(−h/τ))`: what is left of it on average over the step.
    remains_on_average: f64,
}

impl LagStep {
    pub(crate) fn new(step: f64, time_constant: f64) -> Self {
        if time_constant <= 0.0 {
            return Self { remains: 0.0, remains_on_average: 0.0 };
        }
        let x = step / time_constant;
        Self { remains: (-x).exp(), remains_on_average: -(-x).exp_m1() / x }
    }

    /// Steps `state` toward `input`; returns the mean over the step.
    #[inline]
    pub(crate) fn step(self, state: &mut f64, input: f64) -> f64 {
        let distance = *state - input;
        *state = input + distance * self.remains;
        input + distance * self.remains_on_average
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::path::Path;

    #[test]
    fn a_stepped_lag_follows_the_closed_form_of_the_step_response_to_rounding() {
        // tests/reference/first-order-step.csv: closed form at 40 digits.
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/reference/first-order-step.csv");
        let mut rows = 0;
        for row in csv::Reader::from_path(path).unwrap().records() {
            let row = row.unwrap();
            let (t, want): (f64, f64) = (row[0].parse().unwrap(), row[1].parse().unwrap());
            let n = 64;
            let lag = LagStep::new(t * 0.5e-3 / f64::from(n), 0.5e-3);
            let mut y = 0.0;
            if t > 0.0 {
                (0..n).for_each(|_| {
                    lag.step(&mut y, 1.0);
                });
            }
            assert!((y - want).abs() < 1e-14, "t/τ = {t}: {y} against {want}");
            rows += 1;
        }
        assert!(rows >= 7);
    }

    #[test]
    fn the_mean_over_a_step_is_the_integral_of_the_response() {
        // ∫(1 − e^{−t/τ})dt over one τ is τ·e⁻¹ (closed form).
        let mut y = 0.0;
        let mean = LagStep::new(2.0, 2.0).step(&mut y, 1.0);
        assert!((mean - (-1.0f64).exp()).abs() < 1e-15);
        assert_eq!(LagStep::new(1e-3, 0.0).step(&mut y, 4.0), 4.0);
        assert_eq!(y, 4.0);
    }
}
