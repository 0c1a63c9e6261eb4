//! The fixture's error budget: `hardware/error-budget.toml`, read when the program is built.
//!
//! What the hardware was designed to and what the host takes for granted is one file. A key that is missing or is no
//! number keeps the program from being built.

use proofstand_units::{Kelvins, PartsPerMillion, PerKelvin, Volts, VoltsPerKelvin};

const BUDGET: &[u8] = include_bytes!("../../hardware/error-budget.toml");

/// Expanded uncertainty (k = 2) of the command at the terminals without a calibration.
pub const UNCALIBRATED: Volts = Volts::new(claim("uncalibrated"));
/// Expanded uncertainty (k = 2) of the command at the terminals that a calibration aims at.
pub const CALIBRATED: Volts = Volts::new(claim("calibrated"));
/// The fixture's clock: within ± this, anywhere alike. The error budget's expanded uncertainty (k = 2) is taken for bounds, which
/// is a little more: u = 29 ppm in the place of 25 ppm.
pub const CLOCK: PartsPerMillion = PartsPerMillion::new(claim("clock_ppm"));
/// Long-term drift of the reference: half-width of the gain in the first 1000 h.
pub const REFERENCE_DRIFT: f64 = half_width("reference_drift");
/// Half-width of the gain by temperature.
pub const GAIN_PER_KELVIN: PerKelvin = PerKelvin::new(half_width("gain_per_kelvin"));
/// Half-width of the offset by temperature.
pub const OFFSET_PER_KELVIN: VoltsPerKelvin = VoltsPerKelvin::new(half_width("offset_per_kelvin"));
/// What contacts and an amplifier's load of 20 kΩ change of the gain, half-width: the meter of a calibration loads far less.
pub const CONTACT_AND_LOAD: f64 = half_width("contact_and_load");
/// Around 23 °C so far the claims hold.
pub const TEMPERATURE_RANGE: Kelvins = Kelvins::new(claim("temperature_range"));

/// A number of the table `[claims]`.
const fn claim(key: &str) -> f64 {
    let mut at = after(b"\n[claims]", 0);
    loop {
        at = after(b"\n", at);
        if starts(key.as_bytes(), at) && starts(b" = ", at + key.len()) {
            return number(at + key.len() + 3);
        }
    }
}

/// A contribution's half-width.
const fn half_width(key: &str) -> f64 {
    let mut at = 0;
    loop {
        at = after(b"\nkey = \"", at);
        if starts(key.as_bytes(), at) && starts(b"\"", at + key.len()) {
            return number(after(b"\nhalf_width = ", at));
        }
    }
}

const fn starts(word: &[u8], at: usize) -> bool {
    let mut index = 0;
    while index < word.len() {
        if at + index >= BUDGET.len() || BUDGET[at + index] != word[index] {
            return false;
        }
        index += 1;
    }
    true
}

/// The place after a word's next occurrence.
const fn after(word: &[u8], from: usize) -> usize {
    let mut at = from;
    while !starts(word, at) {
        at += 1;
        assert!(at < BUDGET.len(), "hardware/error-budget.toml lacks a key");
    }
    at + word.len()
}

/// A number such as `25e-3`, `5.0` or `152.6e-6`, to the end of its line.
const fn number(from: usize) -> f64 {
    let (mut at, mut digits, mut shift, mut fraction) = (from, 0.0, 0, false);
    while BUDGET[at] != b'e' && BUDGET[at] != b'\n' {
        if BUDGET[at] == b'.' {
            fraction = true;
        } else {
            assert!(BUDGET[at].is_ascii_digit(), "a figure of hardware/error-budget.toml is no number");
            digits = digits * 10.0 + (BUDGET[at] - b'0') as f64;
            shift += fraction as i32;
        }
        at += 1;
    }
    if BUDGET[at] == b'e' {
        assert!(BUDGET[at + 1] == b'-', "a figure of hardware/error-budget.toml has no negative exponent");
        shift += (BUDGET[at + 2] - b'0') as i32;
        assert!(BUDGET[at + 3] == b'\n', "a figure of hardware/error-budget.toml has a long exponent");
    }
    let mut scale = 1.0;
    while shift > 0 {
        scale *= 10.0;
        shift -= 1;
    }
    digits / scale
}

#[cfg(test)]
mod tests {
    use super::*;

    fn budget() -> toml::Table {
        core::str::from_utf8(BUDGET).unwrap().parse().unwrap()
    }

    /// The reader for TOML reads the same file.
    #[test]
    fn what_is_built_in_is_what_the_file_says() {
        let table = budget();
        let claims = &table["claims"];
        for (key, built_in) in [
            ("uncalibrated", UNCALIBRATED.get()),
            ("calibrated", CALIBRATED.get()),
            ("clock_ppm", CLOCK.get()),
            ("temperature_range", TEMPERATURE_RANGE.get()),
        ] {
            assert_eq!(claims[key].as_float(), Some(built_in), "{key}");
        }
        for (key, built_in) in [
            ("reference_drift", REFERENCE_DRIFT),
            ("gain_per_kelvin", GAIN_PER_KELVIN.get()),
            ("offset_per_kelvin", OFFSET_PER_KELVIN.get()),
            ("contact_and_load", CONTACT_AND_LOAD),
        ] {
            let rows = table["contribution"].as_array().unwrap();
            let row = rows.iter().find(|row| row["key"].as_str() == Some(key)).unwrap();
            assert_eq!(row["half_width"].as_float(), Some(built_in), "{key}");
        }
    }

    /// Rectangular contributions, root of the sum of squares, k = 2 (JCGM 100:2008, 4.3.7 and 5.1.2).
    fn expanded(state: &str, volts: f64) -> f64 {
        let table = budget();
        let range = TEMPERATURE_RANGE.get();
        let counted =
            |row: &&toml::Value| row["in"].as_array().unwrap().iter().any(|s| s.as_str() == Some(state));
        let part = |row: &toml::Value| {
            let factor = match row["unit"].as_str().unwrap() {
                "V" | "ppm" => 1.0,
                "of reading" => volts,
                "1/K" => volts * range,
                "V/K" => range,
                unit => panic!("{unit}"),
            };
            row["half_width"].as_float().unwrap() * factor / 3_f64.sqrt()
        };
        let parts: Vec<f64> =
            table["contribution"].as_array().unwrap().iter().filter(counted).map(part).collect();
        assert!(parts.len() >= 3, "{state}: {parts:?}");
        2.0 * parts.iter().map(|u| u * u).sum::<f64>().sqrt()
    }

    #[test]
    fn the_contributions_add_up_to_less_than_each_claim_and_to_no_less_than_half_of_it() {
        let claims = budget()["claims"].clone();
        for (state, volts) in
            [("uncalibrated", 10.0), ("two_point", 10.0), ("calibrated", 10.0), ("clock_ppm", 1.0)]
        {
            let (claimed, sum) = (claims[state].as_float().unwrap(), expanded(state, volts));
            assert!(sum <= claimed && sum >= claimed / 2.0, "{state}: {sum:e}, claimed {claimed:e}");
            let zero = expanded(state, 0.0);
            assert!(zero <= sum, "{state}: {zero:e} at 0 V");
        }
    }

    #[test]
    fn each_figure_says_where_it_is_from() {
        for row in budget()["contribution"].as_array().unwrap() {
            let basis = row["basis"].as_str().unwrap();
            assert!(["datasheet", "calculated", "memory"].contains(&basis), "{basis}");
            assert!(!row["source"].as_str().unwrap().is_empty() && !row["name"].as_str().unwrap().is_empty());
        }
    }
}
