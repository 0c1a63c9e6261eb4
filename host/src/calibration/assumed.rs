//! What a calibration has to take on trust about the analog board, and what it aims at.

use proofstand_units::{Celsius, Kelvins, PerKelvin, Volts, VoltsPerKelvin};

use crate::error_budget;
use crate::metrology::VoltageUncertainty;

/// One ideal step of the command's converter: 20 V over 65 536 codes.
pub const STEP: Volts = Volts::new(20.0 / 65_536.0);
/// One step of the input converter: 20.48 V over 65 536 codes.
pub const INPUT_STEP: Volts = Volts::new(20.48 / 65_536.0);
/// The command is calibrated between ± this.
pub const RANGE: Volts = Volts::new(10.0);
/// Temperatures at which a calibration is made and at which the fixture may be used: 23 ± 5 °C.
pub const TEMPERATURE: (Celsius, Kelvins) = (Celsius::new(23.0), error_budget::TEMPERATURE_RANGE);
/// What a calibrated command is to hold at the terminals, k = 2, until the due date.
pub const AIM: Volts = error_budget::CALIBRATED;
/// Longest time to the due date. Common practice, no source: a year.
pub const DUE_DAYS_MOST: u32 = 365;
/// A due date nearer than this is no use to anybody: then the wider uncertainty is stated, for the longest time.
pub const DUE_DAYS_LEAST: u32 = 30;

/// Long-term drift of the reference: half-width after 1000 h, growing with the square root of time.
pub const DRIFT: f64 = error_budget::REFERENCE_DRIFT;
/// Temperature coefficient of the gain: half-width per kelvin.
pub const GAIN_PER_KELVIN: PerKelvin = error_budget::GAIN_PER_KELVIN;
/// Temperature coefficient of the offset: half-width.
pub const OFFSET_PER_KELVIN: VoltsPerKelvin = error_budget::OFFSET_PER_KELVIN;

/// What contacts and the amplifier's load change of the gain beside the calibration: half-width.
pub const CONTACT_AND_LOAD: f64 = error_budget::CONTACT_AND_LOAD;

/// How far from the calibration's own temperature the fixture is when it is used at the farther end of [`TEMPERATURE`]. A
/// calibration made at 28 °C holds at 18 °C only with the 10 K between them.
#[must_use]
pub const fn temperature_range(calibrated_at: Celsius) -> Kelvins {
    Kelvins::new(TEMPERATURE.1.get() + calibrated_at.away_from(TEMPERATURE.0).get())
}

/// The part of a command's uncertainty that comes from the board and not from the calibration. `gain` is relative,
/// `correlation` that of offset and gain.
#[must_use]
pub const fn board(offset: Volts, gain: f64, correlation: f64, residual: Volts) -> VoltageUncertainty {
    VoltageUncertainty {
        offset,
        gain,
        correlation,
        residual,
        drift: DRIFT,
        gain_per_kelvin: GAIN_PER_KELVIN,
        offset_per_kelvin: OFFSET_PER_KELVIN,
        temperature_range: TEMPERATURE.1,
        contact_and_load: CONTACT_AND_LOAD,
    }
}
