//! Gain, offset and integral non-linearity of a converter.
//!
//! Terms as in IEEE Std 1658 (DAC) and IEEE Std 1241 (ADC), from memory: the deviation of each level from a reference
//! line, in steps of the average size. Two lines are in use and give different numbers, so both are always named:
//! *best fit* (least squares) and *end points* (through the first and the last level).

use proofstand_units::Volts;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::fit::numbers;
use crate::metrology::MetrologyError;
use crate::metrology::line::{Weights, fit};

/// A converter's levels against one line.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Linearity {
    /// Measured volts at 0 V asked (best fit), or deviation of the first level (end points).
    pub offset: Volts,
    /// Measured volts per ideal volt, less 1: the relative error of the gain.
    pub gain_error: f64,
    /// Deviation of each level from the line, in average steps.
    pub inl: Vec<f64>,
    /// The largest magnitude of these.
    pub worst: f64,
}

impl Linearity {
    /// Against the least-squares line. `step`: the ideal step.
    ///
    /// # Errors
    /// As [`fit`].
    pub fn best_fit(ideal: &[Volts], measured: &[Volts], step: Volts) -> Result<Self, MetrologyError> {
        let line = fit(&numbers(ideal), &numbers(measured), Weights::Equal)?;
        let residuals: Vec<Volts> = line.residuals.into_iter().map(Volts::new).collect();
        Ok(Self::against(line.slope, Volts::new(line.intercept), &residuals, step))
    }

    /// Against the line through the first and the last level.
    ///
    /// # Errors
    /// As [`fit`].
    pub fn end_points(ideal: &[Volts], measured: &[Volts], step: Volts) -> Result<Self, MetrologyError> {
        let ends = |v: &[Volts]| Some((*v.first()?, *v.last()?));
        let too_few =
            MetrologyError::TooFewPoints { what: "line through end points", have: ideal.len(), need: 2 };
        let (Some((x0, x1)), Some((y0, y1))) = (ends(ideal), ends(measured)) else { return Err(too_few) };
        if ideal.len() != measured.len() || x0 >= x1 {
            return Err(MetrologyError::NoSpread { what: "line through end points" });
        }
        let slope = (y1 - y0) / (x1 - x0);
        let residuals: Vec<Volts> =
            ideal.iter().zip(measured).map(|(x, y)| (*y - y0) - (*x - x0) * slope).collect();
        Ok(Self::against(slope, y0 - x0, &residuals, step))
    }

    fn against(slope: f64, offset: Volts, residuals: &[Volts], step: Volts) -> Self {
        let inl: Vec<f64> = residuals.iter().map(|r| *r / (step * slope)).collect();
        let worst = inl.iter().fold(0.0_f64, |worst, i| worst.max(i.abs()));
        Self { offset, gain_error: slope - 1.0, inl, worst }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::metrology::reference::{number, rows, toml};

    #[test]
    fn a_three_bit_converter_made_up_here_has_the_gain_offset_and_non_linearity_worked_out_apart_from_this_code()
     {
        // tests/reference/adc-dac-linearity.toml, the 3-bit DAC example: our own data, its fit checked with numpy.polyfit; ideal
        // step 1 V.
        let file = toml("adc-dac-linearity.toml");
        let want = |key: &str| number(&file["dac_example"][key]);
        let rows = rows("adc-dac-linearity-example.csv");
        let column =
            |at: usize| -> Vec<Volts> { rows.iter().map(|r| Volts::new(r[at].parse().unwrap())).collect() };
        let (ideal, measured) = (column(1), column(2));
        let best = Linearity::best_fit(&ideal, &measured, Volts::new(1.0)).unwrap();
        let ends = Linearity::end_points(&ideal, &measured, Volts::new(1.0)).unwrap();
        for (got, key) in [
            (best.offset.get(), "best_fit_intercept_V"),
            (best.gain_error, "gain_error_best_fit_relative"),
            (best.worst, "inl_best_fit_max_abs_lsb"),
            (ends.offset.get(), "offset_error_endpoint_V"),
            (ends.gain_error, "gain_error_endpoint_relative"),
            (ends.worst, "inl_endpoint_max_abs_lsb"),
        ] {
            assert!((got - want(key)).abs() < 1e-12, "{key}: {got} against {}", want(key));
        }
        for ((best, ends), row) in best.inl.iter().zip(&ends.inl).zip(&rows) {
            assert!((ends - row[3].parse::<f64>().unwrap()).abs() < 1e-12, "{row:?}");
            assert!((best - row[4].parse::<f64>().unwrap()).abs() < 1e-12, "{row:?}");
        }
        assert!(best.worst > ends.worst, "least squares takes the root mean square down, not the peak");
    }

    #[test]
    fn a_published_exercise_s_histogram_has_the_non_linearity_that_its_hits_come_to() {
        // Data: Burns and Roberts, An Introduction to Mixed-Signal IC Test and Measurement, problem 7.9 (attribution from
        // memory; no published answer seen): hits of each code of a 3-bit ADC under a ramp. Answers: tests/reference, and the
        // hits themselves.
        let file = toml("adc-dac-linearity.toml");
        let exercise = &file["adc_histogram_exercise"];
        let hits: Vec<f64> = exercise["code_hits"]
            .as_array()
            .unwrap()
            .iter()
            .map(|h| h.as_integer().unwrap() as f64)
            .collect();
        let (first, last) =
            (exercise["first_edge_V"].as_float().unwrap(), exercise["last_edge_V"].as_float().unwrap());
        // The outermost codes have no end: edges lie between the six in the middle.
        let inner = &hits[1..hits.len() - 1];
        let all: f64 = inner.iter().sum();
        let mut below = vec![0.0];
        below.extend(inner.iter().scan(0.0, |sum, h| {
            *sum += h;
            Some(*sum)
        }));
        let edges: Vec<Volts> =
            below.iter().map(|hits| Volts::new(first + (last - first) * hits / all)).collect();
        let codes: Vec<Volts> = (0..edges.len()).map(|n| Volts::new(n as f64)).collect();
        let ends = Linearity::end_points(&codes, &edges, Volts::new(1.0)).unwrap();
        assert!((1.0 + ends.gain_error - number(&exercise["average_lsb_V"])).abs() < 1e-12);
        assert!((ends.offset.get() - first).abs() < 1e-12);
        let want = exercise["inl_endpoint_edges_1_to_7_lsb"].as_array().unwrap();
        assert_eq!(want.len(), ends.inl.len());
        for (n, (got, want)) in ends.inl.iter().zip(want).enumerate() {
            assert!((got - number(want)).abs() < 1e-12, "edge {n}: {got}");
            // Hits below the edge over hits to the average step.
            assert!(
                (got - (below[n] / (all / inner.len() as f64) - n as f64)).abs() < 1e-12,
                "edge {n}: {got}"
            );
        }
        assert!((ends.worst - 0.1875).abs() < 1e-12);
    }

    #[test]
    fn levels_that_span_nothing_are_refused() {
        let one = Volts::new(1.0);
        assert!(Linearity::end_points(&[one, one], &[one, Volts::new(2.0)], one).is_err());
        assert!(Linearity::end_points(&[], &[], one).is_err());
    }
}
