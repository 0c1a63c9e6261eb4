//! The byte layout of a calibration record. Fixed, little-endian, all offsets written down here.
//!
//! | offset | bytes | content |
//! | --- | --- | --- |
//! | 0 | 4 | magic `PSCR` |
//! | 4 | 2 | layout version, 2 |
//! | 6 | 2 | zero |
//! | 8 | 4 | length of the record with its checksum, 732 |
//! | 12 | 8 | identity of the analog board |
//! | 20 | 4 | day of calibration, days since 1970-01-01 |
//! | 24 | 4 | day on which it is due |
//! | 28 | 4 | temperature, 0.001 °C, signed |
//! | 32 | 4 | uncertainty of the command, k = 2, µV, signed |
//! | 36 | 64 | meter, printable ASCII, rest zero |
//! | 100 | 4 + 33 × 8 | command: number of points (1 byte, 3 zero), then nominal and actual, µV, signed; rest zero |
//! | 368 | 4 × (4 + 9 × 8) | terminal, converter, torque, speed: as the command; 0 points: no table |
//! | 672 | 14 × 4 | the numbers of [`Statement`], in the order of its fields |
//! | 728 | 4 | CRC-32/ISO-HDLC of bytes 0 to 727 |
//!
//! There is one byte image for each calibration: whatever is unused must be zero, or the record is refused.

use crc::{CRC_32_ISO_HDLC, Crc, NoTable};
use heapless::{String, Vec};
use proofstand_protocol::units::Microvolts;

use super::{
    BoardIdentity, CHANNEL_POINTS, COMMAND_POINTS, Calibration, ChannelTable, METER_BYTES, MilliCelsius,
    Point, RecordError, Statement, Table, UnixDay,
};

/// First bytes of every record.
pub const MAGIC: [u8; 4] = *b"PSCR";
/// The layout described here.
pub const LAYOUT_VERSION: u16 = 2;
/// Length of a record.
pub const RECORD_BYTES: usize = CHECKSUM_AT + 4;

const VERSION_AT: usize = 4;
const RESERVED_AT: usize = 6;
const LENGTH_AT: usize = 8;
const BOARD_AT: usize = 12;
const CALIBRATED_AT: usize = 20;
const DUE_AT: usize = 24;
const TEMPERATURE_AT: usize = 28;
const UNCERTAINTY_AT: usize = 32;
const METER_AT: usize = 36;
const COMMAND_AT: usize = METER_AT + METER_BYTES;
const CHANNELS_AT: usize = COMMAND_AT + table_bytes(COMMAND_POINTS);
const STATEMENT_AT: usize = CHANNELS_AT + 4 * table_bytes(CHANNEL_POINTS);
const CHECKSUM_AT: usize = STATEMENT_AT + 4 * Statement::FIELDS;

const fn table_bytes(points: usize) -> usize {
    4 + 8 * points
}

/// CRC-32/ISO-HDLC of some bytes. Computed without a lookup table: it is rarely wanted, flash is not for free.
pub fn checksum(bytes: &[u8]) -> u32 {
    CRC.checksum(bytes)
}

const CRC: Crc<u32, NoTable> = Crc::<u32, NoTable>::new(&CRC_32_ISO_HDLC);

/// Puts a calibration into bytes.
///
/// # Errors
/// Whatever [`Calibration::validate`] refuses: a record that could not be read back is never made.
pub fn encode(calibration: &Calibration) -> Result<[u8; RECORD_BYTES], RecordError> {
    calibration.validate()?;
    let mut record = [0; RECORD_BYTES];
    put(&mut record, 0, &MAGIC);
    put(&mut record, VERSION_AT, &LAYOUT_VERSION.to_le_bytes());
    put(&mut record, LENGTH_AT, &(RECORD_BYTES as u32).to_le_bytes());
    put(&mut record, BOARD_AT, &calibration.board.0);
    put(&mut record, CALIBRATED_AT, &calibration.calibrated.0.to_le_bytes());
    put(&mut record, DUE_AT, &calibration.due.0.to_le_bytes());
    put(&mut record, TEMPERATURE_AT, &calibration.temperature.0.to_le_bytes());
    put(&mut record, UNCERTAINTY_AT, &calibration.uncertainty.0.to_le_bytes());
    put(&mut record, METER_AT, calibration.meter.as_bytes());
    put_table(&mut record, COMMAND_AT, calibration.command.points());
    for (index, table) in calibration.channels.iter().enumerate() {
        let points = table.as_ref().map_or(&[][..], ChannelTable::points);
        put_table(&mut record, channel_at(index), points);
    }
    for (index, number) in calibration.statement.to_words().iter().enumerate() {
        put(&mut record, STATEMENT_AT + 4 * index, &number.to_le_bytes());
    }
    let crc = checksum(part(&record, 0, CHECKSUM_AT));
    put(&mut record, CHECKSUM_AT, &crc.to_le_bytes());
    Ok(record)
}

/// Reads a calibration from bytes and validates it. Does not ask which board it is for.
///
/// # Errors
/// The first fault found: length, magic, checksum, layout version, then the contents.
pub fn decode(record: &[u8]) -> Result<Calibration, RecordError> {
    if record.len() != RECORD_BYTES {
        return Err(RecordError::Length);
    }
    if part(record, 0, 4) != MAGIC {
        return Err(RecordError::Magic);
    }
    if word(record, CHECKSUM_AT) != checksum(part(record, 0, CHECKSUM_AT)) {
        return Err(RecordError::Checksum);
    }
    let version = u16::from_le_bytes(bytes(record, VERSION_AT));
    if version != LAYOUT_VERSION {
        return Err(RecordError::LayoutVersion(version));
    }
    if word(record, LENGTH_AT) as usize != RECORD_BYTES {
        return Err(RecordError::Length);
    }
    if bytes(record, RESERVED_AT) != [0, 0] {
        return Err(RecordError::Reserved);
    }
    let mut channels = [None, None, None, None];
    for (index, channel) in channels.iter_mut().enumerate() {
        *channel = take_table::<CHANNEL_POINTS>(record, channel_at(index))?;
    }
    let calibration = Calibration {
        board: BoardIdentity(bytes(record, BOARD_AT)),
        calibrated: UnixDay(word(record, CALIBRATED_AT)),
        due: UnixDay(word(record, DUE_AT)),
        temperature: MilliCelsius(word(record, TEMPERATURE_AT).cast_signed()),
        uncertainty: Microvolts(word(record, UNCERTAINTY_AT).cast_signed()),
        meter: take_text(part(record, METER_AT, METER_BYTES))?,
        command: take_table::<COMMAND_POINTS>(record, COMMAND_AT)?.ok_or(RecordError::PointCount)?,
        channels,
        statement: Statement::from_words(core::array::from_fn(|index| {
            word(record, STATEMENT_AT + 4 * index)
        })),
    };
    calibration.validate()?;
    Ok(calibration)
}

const fn channel_at(index: usize) -> usize {
    CHANNELS_AT + index * table_bytes(CHANNEL_POINTS)
}

fn put(record: &mut [u8], at: usize, bytes: &[u8]) {
    record.iter_mut().skip(at).zip(bytes).for_each(|(to, from)| *to = *from);
}

fn put_table(record: &mut [u8], at: usize, points: &[Point]) {
    put(record, at, &[points.len() as u8]);
    for (index, point) in points.iter().enumerate() {
        put(record, at + 4 + 8 * index, &point.nominal.0.to_le_bytes());
        put(record, at + 8 + 8 * index, &point.actual.0.to_le_bytes());
    }
}

/// `length` bytes from `at`; empty where the record is too short, which it never is after the check of its length.
fn part(record: &[u8], at: usize, length: usize) -> &[u8] {
    record.get(at..at.saturating_add(length)).unwrap_or(&[])
}

fn bytes<const N: usize>(record: &[u8], at: usize) -> [u8; N] {
    part(record, at, N).try_into().unwrap_or([0; N])
}

fn word(record: &[u8], at: usize) -> u32 {
    u32::from_le_bytes(bytes(record, at))
}

fn take_text(field: &[u8]) -> Result<String<METER_BYTES>, RecordError> {
    let length = field.iter().position(|byte| *byte == 0).unwrap_or(field.len());
    let (text, rest) = field.split_at_checked(length).ok_or(RecordError::Meter)?;
    if rest.iter().any(|byte| *byte != 0) {
        return Err(RecordError::Reserved);
    }
    let text = core::str::from_utf8(text).map_err(|_| RecordError::Meter)?;
    String::try_from(text).map_err(|_| RecordError::Meter)
}

fn take_table<const N: usize>(record: &[u8], at: usize) -> Result<Option<Table<N>>, RecordError> {
    let [count, padding @ ..] = bytes::<4>(record, at);
    let count = usize::from(count);
    if count > N {
        return Err(RecordError::PointCount);
    }
    let unused = part(record, at + 4 + 8 * count, 8 * (N - count));
    if padding != [0; 3] || unused.iter().any(|byte| *byte != 0) {
        return Err(RecordError::Reserved);
    }
    if count == 0 {
        return Ok(None);
    }
    let mut points = Vec::<Point, N>::new();
    for index in 0..count {
        let at = at + 4 + 8 * index;
        let nominal = Microvolts(word(record, at).cast_signed());
        let actual = Microvolts(word(record, at + 4).cast_signed());
        points.push(Point { nominal, actual }).map_err(|_| RecordError::PointCount)?;
    }
    Table::new(&points).map(Some)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::calibration::tests::invented;

    const BOARD: [u8; 8] = *b"board-01";

    fn sealed(mut record: [u8; RECORD_BYTES]) -> [u8; RECORD_BYTES] {
        let crc = checksum(&record[..CHECKSUM_AT]);
        record[CHECKSUM_AT..].copy_from_slice(&crc.to_le_bytes());
        record
    }

    /// Source: tests/reference/framing-crc-check.csv (CRC RevEng catalogue, check value of `123456789`).
    #[test]
    fn the_checksum_is_crc_32_iso_hdlc() {
        let table = include_str!("../../../tests/reference/framing-crc-check.csv");
        let row = table.lines().find(|line| line.contains("CRC-32/ISO-HDLC")).unwrap().to_lowercase();
        assert!(row.contains(&format!("{:08x}", checksum(b"123456789"))), "{row}");
    }

    #[test]
    fn the_offsets_are_those_of_the_table_above() {
        assert_eq!((COMMAND_AT, CHANNELS_AT, STATEMENT_AT, CHECKSUM_AT), (100, 368, 672, 728));
        let calibration = invented(BOARD, 850);
        let record = encode(&calibration).unwrap();
        assert_eq!(record[0..8], *b"PSCR\x02\x00\x00\x00");
        assert_eq!(record[8..12], 732_u32.to_le_bytes());
        assert_eq!(record[12..20], BOARD);
        assert_eq!(record[20..24], 20_500_u32.to_le_bytes());
        assert_eq!(record[24..28], 20_865_u32.to_le_bytes());
        assert_eq!(record[28..32], 23_400_i32.to_le_bytes());
        assert_eq!(record[32..36], 850_i32.to_le_bytes());
        assert_eq!(&record[36..47], b"Bench meter");
        assert_eq!(record[100..104], [33, 0, 0, 0]);
        assert_eq!(record[104..108], (-9_920_000_i32).to_le_bytes());
        assert_eq!(record[368..372], [2, 0, 0, 0]);
        assert_eq!(record[596..600], [0, 0, 0, 0], "the speed channel has no table");
        assert_eq!(record[672..676], 90_000_u32.to_le_bytes());
        assert_eq!(record[680..684], (-120_i32).to_le_bytes());
        assert_eq!(record[720..724], 200_000_u32.to_le_bytes());
    }

    #[test]
    fn a_record_reads_back_as_it_was_written() {
        let calibration = invented(BOARD, 850);
        assert_eq!(decode(&encode(&calibration).unwrap()), Ok(calibration));
    }

    #[test]
    fn every_single_flipped_bit_is_noticed() {
        let record = encode(&invented(BOARD, 850)).unwrap();
        for bit in 0..RECORD_BYTES * 8 {
            let mut bad = record;
            bad[bit / 8] ^= 1 << (bit % 8);
            assert!(matches!(decode(&bad), Err(RecordError::Checksum | RecordError::Magic)), "bit {bit}");
        }
    }

    #[test]
    fn other_lengths_layouts_and_used_padding_are_refused_by_name() {
        let record = encode(&invented(BOARD, 850)).unwrap();
        let with = |at: usize, value: u8| {
            let mut changed = record;
            changed[at] = value;
            decode(&sealed(changed))
        };
        assert_eq!(decode(&[]), Err(RecordError::Length));
        assert_eq!(decode(&record[..RECORD_BYTES - 1]), Err(RecordError::Length));
        assert_eq!(with(0, b'X'), Err(RecordError::Magic));
        assert_eq!(with(4, 1), Err(RecordError::LayoutVersion(1)));
        assert_eq!(with(8, 0), Err(RecordError::Length));
        assert_eq!(with(7, 1), Err(RecordError::Reserved));
        assert_eq!(with(METER_AT + METER_BYTES - 1, b'x'), Err(RecordError::Reserved));
        assert_eq!(with(METER_AT, 0xff), Err(RecordError::Meter));
        assert_eq!(with(COMMAND_AT, 34), Err(RecordError::PointCount));
        assert_eq!(with(COMMAND_AT + 1, 1), Err(RecordError::Reserved));
        assert_eq!(with(COMMAND_AT, 32), Err(RecordError::Reserved), "a point beyond the count");
        assert_eq!(with(channel_at(3), 1), Err(RecordError::PointCount));
        assert_eq!(with(channel_at(3) + 60, 1), Err(RecordError::Reserved));
    }

    #[test]
    fn what_validation_refuses_is_never_encoded() {
        assert_eq!(encode(&invented([0; 8], 850)), Err(RecordError::NoIdentity));
        assert_eq!(encode(&invented(BOARD, 0)), Err(RecordError::Uncertainty));
    }

    proptest! {
        #[test]
        fn decoding_any_bytes_never_panics(bytes in prop::collection::vec(any::<u8>(), 0..800)) {
            prop_assert!(decode(&bytes).is_err());
        }

        /// Bytes that pass the checksum reach the code behind it.
        #[test]
        fn decoding_any_sealed_change_gives_an_error_or_the_very_same_bytes_again(
            changes in prop::collection::vec((0..CHECKSUM_AT, any::<u8>()), 1..12),
        ) {
            let mut record = encode(&invented(BOARD, 850)).unwrap();
            for (at, value) in changes {
                record[at] = value;
            }
            let record = sealed(record);
            if let Ok(calibration) = decode(&record) {
                prop_assert_eq!(encode(&calibration), Ok(record));
            }
        }

        #[test]
        fn decoding_sealed_noise_never_panics(noise in prop::collection::vec(any::<u8>(), RECORD_BYTES)) {
            let mut record: [u8; RECORD_BYTES] = noise.try_into().unwrap();
            record[..4].copy_from_slice(&MAGIC);
            record[4..8].copy_from_slice(&[2, 0, 0, 0]);
            record[8..12].copy_from_slice(&(RECORD_BYTES as u32).to_le_bytes());
            prop_assert!(decode(&sealed(record)).is_err());
        }
    }
}
