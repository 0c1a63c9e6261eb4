//! Where what a calibration states holds, in words.

use proofstand_units::Kelvins;

use crate::calibration::Known;
use crate::calibration::assumed::TEMPERATURE;

/// The temperatures at which what a calibration states holds: those at which a fixture may be used, as far as the record
/// reaches from the temperature it was made at.
pub(super) fn conditions(known: &Known) -> String {
    let range = known.uncertainty.temperature_range;
    if range > Kelvins::ZERO {
        let (middle, most) = TEMPERATURE;
        let low = (known.temperature - range).max(middle - most);
        let high = (known.temperature + range).min(middle + most);
        format!(", from {:.0} °C to {:.0} °C", low.get(), high.get())
    } else {
        format!(" (made at {:.0} °C; it states no range)", known.temperature.get())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proofstand_units::{Celsius, Volts};

    use crate::calibration::assumed::{board, temperature_range};

    #[test]
    fn the_temperatures_are_those_of_the_certificate_wherever_the_calibration_was_made() {
        let at = |temperature: f64, range: Kelvins| {
            let mut uncertainty = board(Volts::new(3e-5), 2e-5, 0.0, Volts::new(9e-5));
            uncertainty.temperature_range = range;
            conditions(&Known {
                board: *b"board-01",
                calibrated: 20_000,
                due: 20_300,
                temperature: Celsius::new(temperature),
                stated: Volts::new(1e-3),
                meter: "invented".into(),
                meter_accuracy: None,
                command: Vec::new(),
                uncertainty,
                inputs: [None; 4],
            })
        };
        for temperature in [18.0, 21.3, 23.0, 28.0] {
            assert_eq!(
                at(temperature, temperature_range(Celsius::new(temperature))),
                ", from 18 °C to 28 °C"
            );
        }
        // A record that reaches 5 K from its own temperature holds no farther.
        assert_eq!(at(28.0, Kelvins::new(5.0)), ", from 23 °C to 28 °C");
        assert!(at(28.0, Kelvins::ZERO).contains("it states no range"));
    }
}
