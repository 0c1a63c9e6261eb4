//! The record as the fixture keeps it: bytes of the firmware's layout, there and back.
//!
//! The layout is the firmware's own and is used as it is: a second description of the same bytes would drift from it.

use proofstand_firmware::calibration::{
    self as firmware, BoardIdentity, ChannelTable, CommandTable, MilliCelsius, Point, RECORD_BYTES,
    RecordError, Statement, UnixDay,
};
use proofstand_firmware::command::{output_code, output_voltage};
use proofstand_protocol::units::Microvolts;
use proofstand_units::{Celsius, Kelvins, PartsPerMillion, PerKelvin, Volts, VoltsPerKelvin};

use super::assumed::{CONTACT_AND_LOAD, INPUT_STEP, RANGE};
use super::fit::{Accuracy, CorrectionPoint, Fitted};
use crate::metrology::VoltageUncertainty;

/// A calibration that a fixture holds.
#[derive(Debug, Clone, PartialEq)]
pub struct Known {
    /// The analog board it was made on.
    pub board: [u8; 8],
    /// Days since 1970-01-01.
    pub calibrated: u32,
    /// Days since 1970-01-01.
    pub due: u32,
    /// Temperature it was made at.
    pub temperature: Celsius,
    /// Stated uncertainty of the command, k = 2, until the due date.
    pub stated: Volts,
    /// The meter, as entered.
    pub meter: String,
    /// Its stated accuracy; none in a record that does not state it.
    pub meter_accuracy: Option<StatedAccuracy>,
    /// The command's points.
    pub command: Vec<CorrectionPoint>,
    /// The command's uncertainty by level, age and temperature.
    pub uncertainty: VoltageUncertainty,
    /// The inputs' uncertainties, in the order of [`super::reading::INPUTS`]; none for an input without a table, or of which
    /// the record states none.
    pub inputs: [Option<VoltageUncertainty>; 4],
}

/// A meter's accuracy as a record keeps it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StatedAccuracy {
    /// Half-width that grows with the reading.
    pub of_reading: PartsPerMillion,
    /// Half-width whatever the reading.
    pub floor: Volts,
}

/// What a new record is made of, beside the fit.
#[derive(Debug, Clone, PartialEq)]
pub struct Particulars<'a> {
    /// The analog board.
    pub board: [u8; 8],
    /// Days since 1970-01-01.
    pub calibrated: u32,
    /// Days since 1970-01-01.
    pub due: u32,
    /// Temperature of the board.
    pub temperature: Celsius,
    /// Command's expanded uncertainty, k = 2, on the due date.
    pub stated: Volts,
    /// The meter in words; shortened to what the fixture keeps.
    pub meter: &'a str,
    /// Its stated accuracy.
    pub accuracy: Accuracy,
    /// Each input's standard uncertainty on the due date.
    pub channels: [Volts; 4],
}

/// A record that no fixture would take, and why.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("these readings make no calibration that a fixture takes ({why:?}); look at board, plug and meter")]
pub struct Unfit {
    /// The firmware's reason.
    pub why: RecordError,
}

impl From<RecordError> for Unfit {
    fn from(why: RecordError) -> Self {
        Self { why }
    }
}

/// A new record: the firmware's, checked by the firmware's own rules.
#[derive(Debug, Clone, PartialEq)]
pub struct Image {
    record: firmware::Calibration,
    bytes: [u8; RECORD_BYTES],
}

impl Image {
    /// Puts a fit into a record.
    ///
    /// # Errors
    /// [`Unfit`] with what the firmware would refuse.
    pub fn new(fitted: &Fitted, about: &Particulars<'_>) -> Result<Self, Unfit> {
        let points =
            |points: &[CorrectionPoint]| -> Vec<Point> { points.iter().copied().map(to_point).collect() };
        let mut channels = [None, None, None, None];
        for (channel, points_of) in channels.iter_mut().zip(&fitted.channels) {
            *channel = Some(ChannelTable::new(&points(points_of))?);
        }
        let record = firmware::Calibration {
            board: BoardIdentity(about.board),
            calibrated: UnixDay(about.calibrated),
            due: UnixDay(about.due),
            temperature: MilliCelsius(whole(about.temperature.get() * 1e3)),
            uncertainty: Microvolts(whole((about.stated.get() * 1e6).ceil())),
            meter: meter_text(about.meter).as_str().try_into().map_err(|_| RecordError::Meter)?,
            command: CommandTable::new(&points(&fitted.command))?,
            channels,
            statement: statement(&fitted.uncertainty, about),
        };
        let bytes = firmware::encode(&record)?;
        Ok(Self { record, bytes })
    }

    /// The bytes for the fixture.
    #[must_use]
    pub fn bytes(&self) -> &[u8] {
        &self.bytes
    }

    /// CRC-32/ISO-HDLC of the bytes, as a commit states it.
    #[must_use]
    pub fn crc(&self) -> u32 {
        firmware::layout::checksum(&self.bytes)
    }

    /// The level by the converter's ideal line that the fixture would put out for a wanted one, with this record in
    /// force: the firmware's own arithmetic.
    #[must_use]
    pub fn ideal_level(&self, wanted: Volts) -> Volts {
        volts(output_voltage(output_code(self.record.command.nominal(microvolts(wanted)))))
    }
}

/// Reads a record that a fixture holds; none if the bytes are none.
#[must_use]
pub fn read(bytes: &[u8]) -> Option<Known> {
    let record = firmware::decode(bytes).ok()?;
    let stated = volts(record.uncertainty);
    let command = uncertainty(&record.statement, stated);
    let due_after = f64::from(record.due.0.saturating_sub(record.calibrated.0));
    let input = |n: usize| {
        record.channels.get(n)?.as_ref()?;
        let standard = Volts::new(f64::from(*record.statement.channels_nv.get(n)?) * 1e-9);
        input(&command, standard, due_after)
    };
    Some(Known {
        board: record.board.0,
        calibrated: record.calibrated.0,
        due: record.due.0,
        temperature: Celsius::new(f64::from(record.temperature.0) * 1e-3),
        stated,
        meter: record.meter.as_str().to_owned(),
        meter_accuracy: meter_accuracy(&record.statement),
        command: record.command.points().iter().copied().map(from_point).collect(),
        uncertainty: command,
        inputs: core::array::from_fn(input),
    })
}

fn to_point(point: CorrectionPoint) -> Point {
    Point { nominal: microvolts(point.nominal), actual: microvolts(point.actual) }
}

fn from_point(point: Point) -> CorrectionPoint {
    CorrectionPoint { nominal: volts(point.nominal), actual: volts(point.actual) }
}

fn microvolts(volts: Volts) -> Microvolts {
    Microvolts(whole(volts.get() * 1e6))
}

pub(super) fn volts(microvolts: Microvolts) -> Volts {
    Volts::new(f64::from(microvolts.0) * 1e-6)
}

fn whole(value: f64) -> i32 {
    value.round() as i32
}

fn parts(value: f64, unit: f64) -> u32 {
    // Up: an uncertainty is never stated smaller than it is.
    (value / unit).ceil() as u32
}

fn statement(u: &VoltageUncertainty, about: &Particulars<'_>) -> Statement {
    Statement {
        offset_nv: parts(u.offset.get(), 1e-9),
        gain_ppb: parts(u.gain, 1e-9),
        correlation_permille: whole(u.correlation * 1e3),
        residual_nv: parts(u.residual.get(), 1e-9),
        drift_ppb: parts(u.drift, 1e-9),
        gain_per_kelvin_ppb: parts(u.gain_per_kelvin.get(), 1e-9),
        offset_per_kelvin_nv: parts(u.offset_per_kelvin.get(), 1e-9),
        temperature_range_mk: parts(u.temperature_range.get(), 1e-3),
        meter_reading_ppb: parts(about.accuracy.of_reading_ppm.get(), 1e-3),
        meter_range_nv: parts(about.accuracy.of_range_ppm.get() * about.accuracy.range.get(), 1e-3),
        channels_nv: about.channels.map(|c| parts(c.get(), 1e-9)),
    }
}

/// A record without a statement keeps none of the meter's accuracy.
fn meter_accuracy(s: &Statement) -> Option<StatedAccuracy> {
    (s.meter_reading_ppb > 0 || s.meter_range_nv > 0).then(|| StatedAccuracy {
        of_reading: PartsPerMillion::new(f64::from(s.meter_reading_ppb) * 1e-3),
        floor: Volts::new(f64::from(s.meter_range_nv) * 1e-9),
    })
}

/// A record without a statement knows one number for all levels.
fn uncertainty(s: &Statement, stated: Volts) -> VoltageUncertainty {
    if *s == Statement::default() {
        return VoltageUncertainty::flat(stated);
    }
    let nano = |n: u32| f64::from(n) * 1e-9;
    VoltageUncertainty {
        offset: Volts::new(nano(s.offset_nv)),
        gain: nano(s.gain_ppb),
        correlation: f64::from(s.correlation_permille) * 1e-3,
        residual: Volts::new(nano(s.residual_nv)),
        drift: nano(s.drift_ppb),
        gain_per_kelvin: PerKelvin::new(nano(s.gain_per_kelvin_ppb)),
        offset_per_kelvin: VoltsPerKelvin::new(nano(s.offset_per_kelvin_nv)),
        temperature_range: Kelvins::new(f64::from(s.temperature_range_mk) * 1e-3),
        // The drawn board's, which no record states.
        contact_and_load: CONTACT_AND_LOAD,
    }
}

/// An input's uncertainty from what the record states of it: its standard uncertainty at the end of the range on the due
/// date. Meter, drift and temperature are in it as in the command's (one meter, one day); what is left is the input's own
/// curve, step and scatter. A number that is too small to hold these was come by otherwise, and is taken for all levels.
fn input(command: &VoltageUncertainty, standard: Volts, due_after: f64) -> Option<VoltageUncertainty> {
    if standard <= Volts::ZERO {
        return None;
    }
    let command = &VoltageUncertainty { contact_and_load: 0.0, ..*command };
    let shared = (command.gain_after(due_after) * RANGE.get()).hypot(command.offset_after().get());
    let own = standard.get().powi(2) - shared.powi(2);
    Some(if command.is_flat() || own < 0.0 {
        VoltageUncertainty::flat(standard * 2.0)
    } else {
        let residual = Volts::new(own.sqrt()).max(INPUT_STEP / 12.0_f64.sqrt());
        VoltageUncertainty { residual, ..*command }
    })
}

/// Printable ASCII, as long as the fixture keeps.
fn meter_text(words: &str) -> String {
    let text: String = words.chars().map(|c| if matches!(c, ' '..='~') { c } else { '?' }).collect();
    text.trim().chars().take(firmware::METER_BYTES).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calibration::fit::tests::METER;
    use crate::calibration::fit::{fit, table_levels};
    use crate::calibration::reading::{Level, Reading};

    fn image() -> (Fitted, Image) {
        let levels: Vec<Level> = table_levels(17)
            .into_iter()
            .map(|nominal| {
                let v = nominal.get();
                let meter = Volts::new(0.003 + 1.000_4 * v + 4e-6 * v * v);
                let reading = Reading::of_one(meter, [Volts::new(v - 0.002); 4]);
                Level { nominal, up: reading.clone(), down: reading }
            })
            .collect();
        let fitted = fit(&levels, &METER).unwrap();
        let about = Particulars {
            board: *b"board-01",
            calibrated: 20_500,
            due: 20_800,
            temperature: Celsius::new(23.4),
            stated: Volts::new(0.98e-3),
            meter: "Example\u{1b}[2J Instruments, Model 6, no. 0042 with a name that is much too long for it",
            accuracy: METER,
            channels: [Volts::new(2e-4); 4],
        };
        let image = Image::new(&fitted, &about).unwrap();
        (fitted, image)
    }

    #[test]
    fn a_record_reads_back_with_dates_table_and_uncertainty() {
        let (fitted, image) = image();
        let known = read(image.bytes()).unwrap();
        assert_eq!((known.calibrated, known.due, known.board), (20_500, 20_800, *b"board-01"));
        assert_eq!(known.stated, Volts::new(980.0 * 1e-6));
        assert!(known.meter.len() <= 64 && known.meter.starts_with("Example?[2J Instruments"));
        assert_eq!(known.command.len(), 17);
        for (got, want) in known.command.iter().zip(&fitted.command) {
            let near = |got: Volts, want: Volts| (got - want).abs() < Volts::new(1e-6);
            assert!(near(got.actual, want.actual) && near(got.nominal, want.nominal));
        }
        for (level, age) in [(10.0, 0.0), (-10.0, 300.0), (0.0, 100.0)] {
            let (got, want) = (
                known.uncertainty.standard(Volts::new(level), age).get(),
                fitted.uncertainty.standard(Volts::new(level), age).get(),
            );
            assert!((got / want - 1.0).abs() < 1e-3, "{level} V: {got} against {want}");
        }
        assert_eq!(read(&image.bytes()[1..]), None);
    }

    #[test]
    fn each_input_reads_back_with_an_uncertainty_of_its_own() {
        let (fitted, image) = image();
        let volts = |v: f64| Volts::new(v);
        // 300 days to the due date: the command's share at 10 V, and 150 µV of the input's own, by root of squares.
        // Contacts and load are the command's alone.
        let line = VoltageUncertainty { contact_and_load: 0.0, ..fitted.uncertainty };
        let shared = (line.gain_after(300.0) * 10.0).hypot(line.offset_after().get());
        let record = |channels: [f64; 4]| {
            let mut record = image.record.clone();
            record.statement.channels_nv = channels.map(|c| parts(c, 1e-9));
            read(&firmware::encode(&record).unwrap()).unwrap()
        };
        let inputs = record([shared.hypot(150e-6), shared.hypot(400e-6), 0.0, 0.5e-6 * shared]).inputs;
        for (input, own) in inputs.iter().zip([150e-6, 400e-6]) {
            let input = input.unwrap();
            assert!((input.residual.get() / own - 1.0).abs() < 0.01, "{input:?}");
            let (at_zero, at_ten) =
                (input.standard(volts(0.0), 0.0).get(), input.standard(volts(10.0), 300.0).get());
            assert!(
                (at_zero / own.hypot(fitted.uncertainty.offset_after().get()) - 1.0).abs() < 0.01,
                "{at_zero}"
            );
            // Correlation of offset and gain is the command's and next to nothing here.
            assert!((at_ten / shared.hypot(own) - 1.0).abs() < 0.01, "{at_ten}");
        }
        assert_eq!(inputs[2], None, "nothing is stated of it");
        // Too small to hold what the command's record states of meter and drift: as it is, at every level.
        assert!(inputs[3].unwrap().is_flat());
        let mut without = image.record.clone();
        without.channels[2] = None;
        let known = read(&firmware::encode(&without).unwrap()).unwrap();
        assert!(known.inputs[2].is_none() && known.inputs[1].is_some(), "no table, no uncertainty");
    }

    #[test]
    fn the_level_put_out_for_a_wanted_one_gives_it_to_half_a_step_by_the_boards_own_curve() {
        let (_, image) = image();
        for wanted in [-9.9, -3.21, 0.0, 0.5, 7.77, 9.9] {
            let ideal = image.ideal_level(Volts::new(wanted)).get();
            let real = 0.003 + 1.000_4 * ideal + 4e-6 * ideal * ideal;
            assert!((real - wanted).abs() < 0.16e-3, "{wanted}: {real}");
        }
    }
}
