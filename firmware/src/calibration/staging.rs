//! The waiting copy: a record that arrives in pieces, and is nothing until it has been committed.

use super::layout::{RECORD_BYTES, checksum};
use super::{BoardIdentity, Calibration, RecordError, decode};

/// Collects the bytes of a new record in memory.
#[derive(Debug, Clone)]
pub struct Staging {
    bytes: [u8; RECORD_BYTES],
}

impl Default for Staging {
    fn default() -> Self {
        Self::new()
    }
}

impl Staging {
    /// Nothing collected.
    pub const fn new() -> Self {
        Self { bytes: [0; RECORD_BYTES] }
    }

    /// Forgets what was collected.
    pub fn clear(&mut self) {
        *self = Self::new();
    }

    /// Puts bytes at an offset. Pieces may come in any order and more than once.
    ///
    /// # Errors
    /// [`RecordError::Length`] if they do not fit; nothing is changed then.
    pub fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), RecordError> {
        let from = usize::try_from(offset).map_err(|_| RecordError::Length)?;
        let to = from.checked_add(bytes.len()).ok_or(RecordError::Length)?;
        self.bytes.get_mut(from..to).ok_or(RecordError::Length)?.copy_from_slice(bytes);
        Ok(())
    }

    /// Checks the collected record: the length and checksum its sender states, its layout, its contents, its board.
    ///
    /// # Errors
    /// The first fault found. The collected bytes stay, so that a missing piece can be sent again.
    pub fn check(&self, length: u32, crc: u32, board: BoardIdentity) -> Result<Calibration, RecordError> {
        if usize::try_from(length) != Ok(RECORD_BYTES) {
            return Err(RecordError::Length);
        }
        if crc != checksum(&self.bytes) {
            return Err(RecordError::Checksum);
        }
        let calibration = decode(&self.bytes)?;
        calibration.check_board(board)?;
        Ok(calibration)
    }

    /// The collected bytes.
    pub fn bytes(&self) -> &[u8; RECORD_BYTES] {
        &self.bytes
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calibration::{encode, tests::invented};

    const BOARD: BoardIdentity = BoardIdentity(*b"board-01");

    #[test]
    fn pieces_in_any_order_make_a_record() {
        let calibration = invented(BOARD.0, 850);
        let record = encode(&calibration).unwrap();
        let mut staging = Staging::new();
        for (index, piece) in record.chunks(128).enumerate().rev() {
            staging.write(index as u32 * 128, piece).unwrap();
        }
        assert_eq!(staging.check(732, checksum(&record), BOARD), Ok(calibration));
    }

    #[test]
    fn a_missing_piece_a_wrong_length_and_another_board_are_refused() {
        let record = encode(&invented(BOARD.0, 850)).unwrap();
        let crc = checksum(&record);
        let mut staging = Staging::new();
        staging.write(0, &record[..600]).unwrap();
        assert_eq!(staging.check(732, crc, BOARD), Err(RecordError::Checksum));
        staging.write(600, &record[600..]).unwrap();
        assert_eq!(staging.check(731, crc, BOARD), Err(RecordError::Length));
        let other = BoardIdentity(*b"board-02");
        assert_eq!(staging.check(732, crc, other), Err(RecordError::ForeignBoard));
        assert!(staging.check(732, crc, BOARD).is_ok());
        staging.clear();
        assert_eq!(staging.check(732, crc, BOARD), Err(RecordError::Checksum));
    }

    #[test]
    fn bytes_beyond_the_end_are_refused_and_change_nothing() {
        let mut staging = Staging::new();
        for (offset, length) in [(732, 1), (600, 133), (u32::MAX, 1), (u32::MAX - 10, 128)] {
            let bytes = vec![0xaa; length];
            assert_eq!(staging.write(offset, &bytes), Err(RecordError::Length));
        }
        assert_eq!(staging.write(732, &[]), Ok(()));
        assert_eq!(staging.bytes(), Staging::new().bytes());
    }
}
