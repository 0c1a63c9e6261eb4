//! What a laboratory found out about one analog board, and how the firmware keeps and uses it.
//!
//! A [`Calibration`] belongs to an analog board, not to the controller that happens to be plugged on: it carries the
//! board's identity, and [`Calibration::check_board`] refuses it on any other. It has a fixed byte layout of its own
//! ([`layout`]) that no message format touches, tables in integers ([`table`]), and a store that survives a power
//! cut at any moment ([`store`]).

pub mod layout;
pub mod staging;
pub mod store;
pub mod table;

use heapless::String;
use proofstand_protocol::units::Microvolts;

pub use proofstand_protocol::version::{CalibrationState, UnixDay};

pub use layout::{RECORD_BYTES, decode, encode};
pub use staging::Staging;
pub use table::{Point, Table};

/// Most points of the command table.
pub const COMMAND_POINTS: usize = 33;
/// Most points of a read-back channel's table.
pub const CHANNEL_POINTS: usize = 9;
/// Longest text naming the meter, in bytes of printable ASCII.
pub const METER_BYTES: usize = 64;

/// The command's table: nominal is what was commanded, actual what the meter showed at the terminal.
pub type CommandTable = Table<COMMAND_POINTS>;
/// A read-back channel's table: nominal is what the converter's ideal line gives, actual what the meter showed.
pub type ChannelTable = Table<CHANNEL_POINTS>;

/// A table must reach at least so far on both sides: outside its points it would only be a guess.
const COVERAGE: i32 = 9_000_000;
/// Farthest that nominal and actual may lie apart. Common practice, no source: ten times the worst uncalibrated
/// error of the design; anything beyond is a broken board or a swapped wire, not something to correct.
const DEVIATION_MAX: i32 = 250_000;
/// Closest that neighbouring points may lie. Closer ones would turn the meter's noise into slope.
const SEPARATION_MIN: i32 = 100_000;
/// Steepest and flattest segment, in percent of the ideal slope.
const SLOPE_PERCENT: (i64, i64) = (90, 110);
/// First plausible day: 2020-01-01.
const DAY_MIN: u32 = 18_262;
/// Last plausible day: 2099-12-31.
const DAY_MAX: u32 = 47_481;
/// Longest time to the due date: five years. Common practice, no source: references drift, nobody can vouch longer.
const DUE_DAYS_MAX: u32 = 1_826;
/// Plausible temperature of a calibration, in thousandths of a degree Celsius.
const TEMPERATURE: (i32, i32) = (0, 50_000);
/// Largest uncertainty worth writing down.
const UNCERTAINTY_MAX: i32 = 100_000;

/// Identity of an analog board, from its own memory.
#[derive(Debug, Default, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct BoardIdentity(pub [u8; 8]);

impl BoardIdentity {
    /// False for the two patterns that an absent or blank memory gives: all zeros, all ones.
    pub fn is_present(self) -> bool {
        self.0 != [0; 8] && self.0 != [0xff; 8]
    }
}

/// A temperature in thousandths of a degree Celsius.
#[derive(Debug, Default, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct MilliCelsius(pub i32);

/// The analog inputs that a calibration can hold a table for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Channel {
    /// The command as it stands at the terminal.
    Terminal,
    /// The command as it leaves the converter, before the change-over contact.
    Converter,
    /// The amplifier's torque read-out.
    Torque,
    /// The amplifier's speed read-out.
    Speed,
}

impl Channel {
    /// All, in the order of the layout and of [`Calibration::channels`].
    pub const ALL: [Self; 4] = [Self::Terminal, Self::Converter, Self::Torque, Self::Speed];

    /// Place in [`Self::ALL`].
    pub const fn index(self) -> usize {
        self as usize
    }
}

/// What the calibration knows of its own uncertainty, beside the one number of [`Calibration::uncertainty`]. The fixture
/// keeps it and does not use it: it is for the host. All zero: nothing is stated.
#[derive(Debug, Default, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Statement {
    /// Standard uncertainty of the corrected command at 0 V, in nanovolts.
    pub offset_nv: u32,
    /// Standard uncertainty of its gain, in parts per billion.
    pub gain_ppb: u32,
    /// Correlation coefficient of the two, in thousandths.
    pub correlation_permille: i32,
    /// Standard uncertainty at any level that neither explains (curve, step of the converter, scatter), in nanovolts.
    pub residual_nv: u32,
    /// Drift of the reference: half-width in parts per billion of reading in 1000 h.
    pub drift_ppb: u32,
    /// Temperature coefficient of the gain: half-width in parts per billion per kelvin.
    pub gain_per_kelvin_ppb: u32,
    /// Temperature coefficient of the offset: half-width in nanovolts per kelvin.
    pub offset_per_kelvin_nv: u32,
    /// How far the temperature may be from that of the calibration, in thousandths of a kelvin.
    pub temperature_range_mk: u32,
    /// Stated accuracy of the meter: half-width in parts per billion of reading.
    pub meter_reading_ppb: u32,
    /// Stated accuracy of the meter: half-width in nanovolts at any reading.
    pub meter_range_nv: u32,
    /// Standard uncertainty of each read-back channel, corrected, at any voltage, on the due date, in nanovolts.
    /// 0: the channel has no table.
    pub channels_nv: [u32; 4],
}

impl Statement {
    /// Numbers in it, each of 4 bytes in the layout.
    pub const FIELDS: usize = 14;
    /// No uncertainty above a volt, no coefficient above one in a thousand, is worth writing down.
    const MOST: u32 = 1_000_000_000;

    /// The numbers, in the order of the layout.
    pub const fn to_words(self) -> [u32; Self::FIELDS] {
        let [terminal, converter, torque, speed] = self.channels_nv;
        [
            self.offset_nv,
            self.gain_ppb,
            self.correlation_permille.cast_unsigned(),
            self.residual_nv,
            self.drift_ppb,
            self.gain_per_kelvin_ppb,
            self.offset_per_kelvin_nv,
            self.temperature_range_mk,
            self.meter_reading_ppb,
            self.meter_range_nv,
            terminal,
            converter,
            torque,
            speed,
        ]
    }

    /// From the numbers in the order of the layout.
    pub const fn from_words(words: [u32; Self::FIELDS]) -> Self {
        let [offset, gain, correlation, residual, drift, gain_k, offset_k, range, reading, floor, a, b, c, d] =
            words;
        Self {
            offset_nv: offset,
            gain_ppb: gain,
            correlation_permille: correlation.cast_signed(),
            residual_nv: residual,
            drift_ppb: drift,
            gain_per_kelvin_ppb: gain_k,
            offset_per_kelvin_nv: offset_k,
            temperature_range_mk: range,
            meter_reading_ppb: reading,
            meter_range_nv: floor,
            channels_nv: [a, b, c, d],
        }
    }

    fn validate(&self) -> Result<(), RecordError> {
        let correlation = 2;
        let words = self.to_words();
        let mut sizes = words.iter().enumerate().filter(|(at, _)| *at != correlation);
        let sane =
            sizes.all(|(_, word)| *word <= Self::MOST) && self.correlation_permille.unsigned_abs() <= 1_000;
        if sane { Ok(()) } else { Err(RecordError::Uncertainty) }
    }
}

/// One calibration of one analog board.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Calibration {
    /// The board it was made on.
    pub board: BoardIdentity,
    /// The day it was made.
    pub calibrated: UnixDay,
    /// The day from which it must not be relied on.
    pub due: UnixDay,
    /// Temperature of the board meanwhile.
    pub temperature: MilliCelsius,
    /// Expanded uncertainty (k = 2) of the corrected command at the terminal.
    pub uncertainty: Microvolts,
    /// The meter: maker's name, model, serial number, as its user writes it. Printable ASCII.
    pub meter: String<METER_BYTES>,
    /// Commanded against actual.
    pub command: CommandTable,
    /// Read-back channels in the order of [`Channel::ALL`]; a channel without a table uses the converter's ideal line.
    pub channels: [Option<ChannelTable>; 4],
    /// Where the uncertainty comes from.
    pub statement: Statement,
}

/// Why a record was refused.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum RecordError {
    /// Not [`RECORD_BYTES`] long, or the length it states is another.
    Length,
    /// Does not begin like a calibration record.
    Magic,
    /// A layout that this firmware does not know.
    LayoutVersion(u16),
    /// The checksum is wrong.
    Checksum,
    /// Bytes that must be zero are not.
    Reserved,
    /// The identity is that of an absent or blank memory.
    NoIdentity,
    /// Whole, but made for another board.
    ForeignBoard,
    /// The dates cannot be, or the due date is too far off.
    Dates,
    /// The temperature cannot be.
    Temperature,
    /// The uncertainty is not positive or too large to be of use.
    Uncertainty,
    /// The meter's text is empty or not printable ASCII.
    Meter,
    /// A table has too few or too many points.
    PointCount,
    /// A table does not rise from point to point.
    NotRising,
    /// Neighbouring points are closer than 0.1 V.
    TooClose,
    /// A point deviates more, or a segment is steeper or flatter, than any working board can.
    Implausible,
    /// A table does not reach ±9 V.
    Coverage,
}

impl RecordError {
    /// The state that a stored record with this fault has.
    pub const fn state(self) -> CalibrationState {
        match self {
            Self::ForeignBoard => CalibrationState::ForeignBoard,
            _ => CalibrationState::Corrupt,
        }
    }
}

impl Calibration {
    /// Refuses what cannot be the calibration of a working board.
    ///
    /// # Errors
    /// The first thing found.
    pub fn validate(&self) -> Result<(), RecordError> {
        if !self.board.is_present() {
            return Err(RecordError::NoIdentity);
        }
        let (from, due) = (self.calibrated.0, self.due.0);
        if !(DAY_MIN..=DAY_MAX).contains(&from) || due <= from || due - from > DUE_DAYS_MAX {
            return Err(RecordError::Dates);
        }
        if !(TEMPERATURE.0..=TEMPERATURE.1).contains(&self.temperature.0) {
            return Err(RecordError::Temperature);
        }
        if !(1..=UNCERTAINTY_MAX).contains(&self.uncertainty.0) {
            return Err(RecordError::Uncertainty);
        }
        if self.meter.is_empty() || !self.meter.bytes().all(|byte| (0x20..0x7f).contains(&byte)) {
            return Err(RecordError::Meter);
        }
        self.statement.validate()?;
        plausible(self.command.points())?;
        self.channels.iter().flatten().try_for_each(|table| plausible(table.points()))
    }

    /// Refuses a board that the calibration was not made on.
    ///
    /// # Errors
    /// [`RecordError::ForeignBoard`].
    pub fn check_board(&self, board: BoardIdentity) -> Result<(), RecordError> {
        if self.board == board && board.is_present() { Ok(()) } else { Err(RecordError::ForeignBoard) }
    }

    /// The table of one channel, if it has been calibrated.
    pub fn channel(&self, channel: Channel) -> Option<&ChannelTable> {
        self.channels.get(channel.index()).and_then(Option::as_ref)
    }
}

/// Refuses a table that no working board gives.
fn plausible(points: &[Point]) -> Result<(), RecordError> {
    let (Some(first), Some(last)) = (points.first(), points.last()) else {
        return Err(RecordError::PointCount);
    };
    let out_of_reach = |point: &Point| {
        let deviation = i64::from(point.actual.0) - i64::from(point.nominal.0);
        point.nominal.0.unsigned_abs() > 10_240_000 || deviation.abs() > i64::from(DEVIATION_MAX)
    };
    if points.iter().any(out_of_reach) {
        return Err(RecordError::Implausible);
    }
    if first.nominal.0 > -COVERAGE || last.nominal.0 < COVERAGE {
        return Err(RecordError::Coverage);
    }
    for (low, high) in points.iter().zip(points.iter().skip(1)) {
        let run = i64::from(high.nominal.0) - i64::from(low.nominal.0);
        let rise = i64::from(high.actual.0) - i64::from(low.actual.0);
        if run < i64::from(SEPARATION_MIN) {
            return Err(RecordError::TooClose);
        }
        if rise * 100 < run * SLOPE_PERCENT.0 || rise * 100 > run * SLOPE_PERCENT.1 {
            return Err(RecordError::Implausible);
        }
    }
    Ok(())
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;

    /// An invented board: gain 1.0012, offset +3 mV, a little curved.
    pub(crate) fn invented(board: [u8; 8], uncertainty: i32) -> Calibration {
        let curve = |nominal: i32| {
            let x = i64::from(nominal);
            Point {
                nominal: Microvolts(nominal),
                actual: Microvolts((x + x * 12 / 10_000 + 3_000 + x * x / 100_000_000_000) as i32),
            }
        };
        let mut command = heapless::Vec::<Point, COMMAND_POINTS>::new();
        for step in -16..=16 {
            command.push(curve(step * 620_000)).unwrap();
        }
        let two = |low: i32, high: i32| {
            ChannelTable::new(&[
                Point { nominal: Microvolts(-10_000_000), actual: Microvolts(low) },
                Point { nominal: Microvolts(10_000_000), actual: Microvolts(high) },
            ])
            .unwrap()
        };
        Calibration {
            board: BoardIdentity(board),
            calibrated: UnixDay(20_500),
            due: UnixDay(20_865),
            temperature: MilliCelsius(23_400),
            uncertainty: Microvolts(uncertainty),
            meter: String::try_from("Bench meter 6.5 digits, no. 0042 (invented)").unwrap(),
            command: CommandTable::new(&command).unwrap(),
            channels: [
                Some(two(-10_001_200, 10_003_400)),
                Some(two(-9_998_000, 9_999_000)),
                Some(two(-10_000_000, 10_000_000)),
                None,
            ],
            statement: Statement {
                offset_nv: 90_000,
                gain_ppb: 21_000,
                correlation_permille: -120,
                residual_nv: 95_000,
                drift_ppb: 30_000,
                channels_nv: [180_000, 180_000, 200_000, 0],
                ..Statement::default()
            },
        }
    }

    const BOARD: [u8; 8] = *b"board-01";

    #[test]
    fn a_plausible_calibration_is_accepted_and_bound_to_its_board() {
        let calibration = invented(BOARD, 850);
        assert_eq!(calibration.validate(), Ok(()));
        assert_eq!(calibration.check_board(BoardIdentity(BOARD)), Ok(()));
        let other = calibration.check_board(BoardIdentity(*b"board-02"));
        assert_eq!(other, Err(RecordError::ForeignBoard));
        assert_eq!(RecordError::ForeignBoard.state(), CalibrationState::ForeignBoard);
        assert_eq!(RecordError::Checksum.state(), CalibrationState::Corrupt);
        assert!(calibration.channel(Channel::Converter).is_some());
        assert!(calibration.channel(Channel::Speed).is_none());
    }

    #[test]
    fn a_blank_identity_never_matches_even_another_blank_one() {
        for blank in [[0; 8], [0xff; 8]] {
            let calibration = invented(blank, 850);
            assert_eq!(calibration.validate(), Err(RecordError::NoIdentity));
            assert_eq!(calibration.check_board(BoardIdentity(blank)), Err(RecordError::ForeignBoard));
        }
    }

    #[test]
    fn every_impossible_value_is_refused_by_name() {
        let refused = |change: &dyn Fn(&mut Calibration)| {
            let mut calibration = invented(BOARD, 850);
            change(&mut calibration);
            calibration.validate()
        };
        let table = |points: &[(i32, i32)]| {
            let mut all = heapless::Vec::<Point, COMMAND_POINTS>::new();
            for &(nominal, actual) in points {
                all.push(Point { nominal: Microvolts(nominal), actual: Microvolts(actual) }).unwrap();
            }
            CommandTable::new(&all).unwrap()
        };
        assert_eq!(refused(&|c| c.due = c.calibrated), Err(RecordError::Dates));
        assert_eq!(refused(&|c| c.due = UnixDay(c.calibrated.0 + 4_000)), Err(RecordError::Dates));
        assert_eq!(refused(&|c| c.calibrated = UnixDay(0)), Err(RecordError::Dates));
        assert_eq!(refused(&|c| c.temperature = MilliCelsius(85_000)), Err(RecordError::Temperature));
        assert_eq!(refused(&|c| c.uncertainty = Microvolts(0)), Err(RecordError::Uncertainty));
        assert_eq!(refused(&|c| c.uncertainty = Microvolts(-850)), Err(RecordError::Uncertainty));
        assert_eq!(refused(&|c| c.statement.correlation_permille = -1_001), Err(RecordError::Uncertainty));
        assert_eq!(refused(&|c| c.statement.correlation_permille = i32::MIN), Err(RecordError::Uncertainty));
        assert_eq!(refused(&|c| c.statement.channels_nv[3] = u32::MAX), Err(RecordError::Uncertainty));
        assert_eq!(refused(&|c| c.meter.clear()), Err(RecordError::Meter));
        assert_eq!(refused(&|c| c.meter.push('\u{7f}').unwrap()), Err(RecordError::Meter));
        let short = table(&[(-5_000_000, -5_000_000), (5_000_000, 5_000_000)]);
        assert_eq!(refused(&|c| c.command = short.clone()), Err(RecordError::Coverage));
        let doubled = table(&[(-10_000_000, -20_000_000), (10_000_000, 20_000_000)]);
        assert_eq!(refused(&|c| c.command = doubled.clone()), Err(RecordError::Implausible));
        let kinked =
            table(&[(-10_000_000, -10_000_000), (0, 0), (200_000, 100_000), (10_000_000, 10_000_000)]);
        assert_eq!(refused(&|c| c.command = kinked.clone()), Err(RecordError::Implausible));
        let close = table(&[(-10_000_000, -10_000_000), (0, 0), (99_999, 99_999), (10_000_000, 10_000_000)]);
        assert_eq!(refused(&|c| c.command = close.clone()), Err(RecordError::TooClose));
    }
}
