//! The emulated analog board: converters with errors of their own, and a calibration that knows them. Invented.

use proofstand_firmware::calibration::{
    BoardIdentity, Calibration, ChannelTable, CommandTable, MilliCelsius, Point, RECORD_BYTES, Statement,
    UnixDay, encode,
};
use proofstand_protocol::units::Microvolts;
use serde_json::{Value, json};

use super::EmulatorError;

/// Points of the command's table, from −10 V to 10 V.
const POINTS: i32 = 17;
/// Days from calibration to its due date.
const DUE_AFTER: u32 = 365;

/// What the invented record states of the command, and of each input by itself.
const STATEMENT: Statement = Statement {
    offset_nv: 60_000,
    gain_ppb: 20_000,
    correlation_permille: 0,
    residual_nv: 120_000,
    drift_ppb: 25_000,
    gain_per_kelvin_ppb: 3_000,
    offset_per_kelvin_nv: 5_000,
    temperature_range_mk: 5_000,
    meter_reading_ppb: 35_000,
    meter_range_nv: 50_000,
    channels_nv: [550_000, 550_000, 560_000, 560_000],
};

/// A converter with a linear error.
#[derive(Debug, Clone, Copy)]
struct Converter {
    gain: f64,
    offset: f64,
}

impl Converter {
    fn describe(self) -> Value {
        json!({"gain": self.gain, "offset": self.offset})
    }
}

/// The analog board's truth.
#[derive(Debug, Clone, Copy)]
pub struct Analog {
    output: Converter,
    inputs: [Converter; 4],
}

impl Analog {
    /// A board with errors as the hardware's budget lets expect: some 10⁻⁴ of gain, some millivolts of offset.
    #[must_use]
    pub const fn typical() -> Self {
        Self {
            output: Converter { gain: 1.000_35, offset: 0.003_1 },
            inputs: [
                Converter { gain: 0.999_8, offset: -0.001_2 },
                Converter { gain: 1.000_2, offset: 0.002_0 },
                Converter { gain: 1.000_5, offset: -0.002_6 },
                Converter { gain: 0.999_6, offset: 0.000_9 },
            ],
        }
    }

    /// Volts at the output converter for a code: offset binary over ±10 V.
    #[must_use]
    pub fn volts(&self, code: u16) -> f64 {
        (f64::from(code) - 32_768.0) * 20.0 / 65_536.0 * self.output.gain + self.output.offset
    }

    pub(super) fn output(&self) -> Value {
        self.output.describe()
    }

    pub(super) fn inputs(&self) -> Value {
        self.inputs.iter().map(|input| input.describe()).collect()
    }

    /// The record that a laboratory would write for this board.
    ///
    /// # Errors
    /// [`EmulatorError::Calibration`] if it does not hold together.
    pub fn record(&self, board: [u8; 8], today: u32) -> Result<[u8; RECORD_BYTES], EmulatorError> {
        let wrong = |what: &str| EmulatorError::Calibration(what.to_owned());
        let microvolts = |volts: f64| Microvolts((volts * 1e6).round() as i32);
        let point = |nominal: f64, converter: Converter| Point {
            nominal: microvolts(nominal),
            actual: microvolts(nominal * converter.gain + converter.offset),
        };
        let command: Vec<Point> = (0..POINTS)
            .map(|n| point(20.0 * f64::from(n) / f64::from(POINTS - 1) - 10.0, self.output))
            .collect();
        let channel =
            |converter: Converter| ChannelTable::new(&[-10.0, 0.0, 10.0].map(|v| point(v, converter))).ok();
        let record = Calibration {
            board: BoardIdentity(board),
            calibrated: UnixDay(today),
            due: UnixDay(today + DUE_AFTER),
            temperature: MilliCelsius(23_000),
            uncertainty: Microvolts(1_000),
            meter: "invented for an emulated board"
                .try_into()
                .map_err(|_| wrong("the meter's name is too long"))?,
            command: CommandTable::new(&command).map_err(|e| wrong(&format!("{e:?}")))?,
            channels: self.inputs.map(channel),
            statement: STATEMENT,
        };
        encode(&record).map_err(|e| wrong(&format!("{e:?}")))
    }
}
