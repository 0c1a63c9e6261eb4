//! The simulated board: converters with errors of their own, a calibration that knows them nearly, a crystal that is
//! a little off, contacts that take their time.

use proofstand_firmware::calibration::{
    BoardIdentity, Calibration, ChannelTable, CommandTable, MilliCelsius, Point, Statement, UnixDay, encode,
};
use proofstand_firmware::command::output_voltage;
use proofstand_plant::Random;
use proofstand_protocol::units::Microvolts;
use proofstand_units::Volts;

/// Points of the invented calibration.
const POINTS: i32 = 17;
/// Days since the invented calibration, and its due date from then.
const CALIBRATED_AGO: u32 = 40;
const DUE_AFTER: u32 = 365;
/// Standard deviation of a converter's gain and offset error before calibration (hardware budget: calculated).
const GAIN_SIGMA: f64 = 4e-4;
const OFFSET_SIGMA_VOLTS: f64 = 4e-3;
/// Standard deviation of what calibration and drift since then leave, at any point: half of the stated ±1 mV (k = 2).
const RESIDUAL_SIGMA_VOLTS: f64 = 0.4e-3;
/// What the invented record states: what it really leaves, and each input by itself. The residual is the steps of the
/// converters, 305 µV and 312 µV over √12, and scatter.
const STATEMENT: Statement = Statement {
    offset_nv: 400_000,
    gain_ppb: 20_000,
    correlation_permille: 0,
    residual_nv: 120_000,
    drift_ppb: 0,
    gain_per_kelvin_ppb: 3_000,
    offset_per_kelvin_nv: 5_000,
    temperature_range_mk: 5_000,
    meter_reading_ppb: 35_000,
    meter_range_nv: 50_000,
    channels_nv: [520_000, 520_000, 530_000, 530_000],
};
/// How late a flag's coupler is when it begins to conduct and when it stops (input stage: calculated).
pub(super) const COUPLER_ON_US: u32 = 15;
pub(super) const COUPLER_OFF_US: u32 = 50;
/// Standard deviation of the crystal's error in parts per million.
const CLOCK_SIGMA_PPM: f64 = 12.0;

/// A converter with a linear error.
#[derive(Debug, Clone, Copy)]
struct Converter {
    gain: f64,
    offset: f64,
}

impl Converter {
    fn drawn(random: &mut Random) -> Self {
        Self { gain: 1.0 + GAIN_SIGMA * random.normal(), offset: OFFSET_SIGMA_VOLTS * random.normal() }
    }

    const fn real(self, ideal: f64) -> f64 {
        ideal * self.gain + self.offset
    }

    const fn ideal(self, real: f64) -> f64 {
        (real - self.offset) / self.gain
    }
}

/// The board's truth.
#[derive(Debug, Clone)]
pub(super) struct Board {
    output: Converter,
    inputs: [Converter; 4],
    /// What the calibration does not know: an offset and a gain error.
    residual: (f64, f64),
    clock_ppm: f64,
    /// How much later than the usual the couplers are, on and off, in microseconds.
    coupler: (f64, f64),
    serial: [u8; 8],
}

/// Full scale of the input converter.
const INPUT_SPAN: f64 = 10.24;

impl Board {
    pub(super) fn drawn(random: &mut Random, seed: u64) -> Self {
        Self {
            output: Converter::drawn(random),
            inputs: core::array::from_fn(|_| Converter::drawn(random)),
            residual: (RESIDUAL_SIGMA_VOLTS * random.normal(), RESIDUAL_SIGMA_VOLTS / 10.0 * random.normal()),
            clock_ppm: CLOCK_SIGMA_PPM * random.normal(),
            coupler: (3.0 * random.normal(), 8.0 * random.normal()),
            // Says what it is, also in a hex dump.
            serial: [
                b'V',
                b'I',
                b'R',
                b'T',
                (seed >> 24) as u8,
                (seed >> 16) as u8,
                (seed >> 8) as u8,
                seed as u8,
            ],
        }
    }

    pub(super) const fn serial(&self) -> [u8; 8] {
        self.serial
    }

    /// Nanoseconds of true time in one 1 ms tick of the board's crystal.
    pub(super) fn tick_nanos(&self) -> f64 {
        1e6 * (1.0 + self.clock_ppm * 1e-6)
    }

    /// How late a coupler shows a change, in microseconds.
    pub(super) fn coupler_us(&self, conducting: bool) -> u64 {
        let late = if conducting {
            f64::from(COUPLER_ON_US) + self.coupler.0
        } else {
            f64::from(COUPLER_OFF_US) + self.coupler.1
        };
        late.max(0.0) as u64
    }

    /// Voltage at the converter's output for a code.
    pub(super) fn output(&self, code: u16) -> Volts {
        Volts::new(self.output.real(f64::from(output_voltage(code).0) * 1e-6))
    }

    /// Code that an input reads for a voltage. Channels: terminal, converter, torque, speed.
    pub(super) fn input(&self, channel: usize, volts: Volts) -> u16 {
        let converter = self.inputs.get(channel).copied().unwrap_or(Converter { gain: 1.0, offset: 0.0 });
        let ideal = converter.ideal(volts.get());
        ((ideal / INPUT_SPAN + 1.0) * 32_768.0).round().clamp(0.0, 65_535.0) as u16
    }

    /// The record that a laboratory wrote for this board. Invented; none if it could not be put into bytes.
    pub(super) fn calibration(&self, today: u32) -> Option<Vec<u8>> {
        let bytes = encode(&self.record(today)?).ok()?;
        Some(bytes.to_vec())
    }

    /// The same with drift: 25 ppm in 1000 h, and less for offset and gain, so that 1 mV (k = 2) holds until the due date all the
    /// same.
    pub(super) fn drifting_calibration(&self, today: u32) -> Option<Vec<u8>> {
        let mut record = self.record(today)?;
        record.statement = Statement { offset_nv: 180_000, gain_ppb: 10_000, drift_ppb: 25_000, ..STATEMENT };
        let bytes = encode(&record).ok()?;
        Some(bytes.to_vec())
    }

    /// The same from a laboratory that left the inputs of the read-outs out.
    pub(super) fn calibration_without_read_outs(&self, today: u32) -> Option<Vec<u8>> {
        let mut record = self.record(today)?;
        for n in [2, 3] {
            *record.channels.get_mut(n)? = None;
            *record.statement.channels_nv.get_mut(n)? = 0;
        }
        let bytes = encode(&record).ok()?;
        Some(bytes.to_vec())
    }

    fn record(&self, today: u32) -> Option<Calibration> {
        let microvolts = |volts: f64| Microvolts((volts * 1e6).round() as i32);
        let residual = |volts: f64| self.residual.0 + self.residual.1 * volts / 10.0;
        let point =
            |nominal: f64, actual: f64| Point { nominal: microvolts(nominal), actual: microvolts(actual) };
        let command: Vec<Point> = (0..POINTS)
            .map(|n| 20.0 * f64::from(n) / f64::from(POINTS - 1) - 10.0)
            .map(|v| point(v, self.output.real(v) + residual(v)))
            .collect();
        let channel = |converter: &Converter| {
            // Read-backs were compared with the same meter: they share its error.
            let points: Vec<Point> =
                [-10.0, 0.0, 10.0].map(|v| point(v, converter.real(v) + residual(v))).to_vec();
            ChannelTable::new(&points).ok()
        };
        Some(Calibration {
            board: BoardIdentity(self.serial),
            calibrated: UnixDay(today.saturating_sub(CALIBRATED_AGO)),
            due: UnixDay((today + DUE_AFTER).saturating_sub(CALIBRATED_AGO)),
            temperature: MilliCelsius(23_000),
            uncertainty: Microvolts(1_000),
            meter: "invented for a rehearsal".try_into().ok()?,
            command: CommandTable::new(&command).ok()?,
            channels: [0, 1, 2, 3].map(|n| self.inputs.get(n).and_then(channel)),
            statement: STATEMENT,
        })
    }
}
