//! Where the calibration survives the power, and the loss of it at any moment.
//!
//! Two slots take turns. A new record goes into the slot that does not hold the latest one, and its header, with the
//! next sequence number and a checksum, is written last: until the header is whole, the old record is the calibration.
//!
//! Slot: header in the first [`PAGE_BYTES`] bytes, record behind it. Header: magic `PSSL`, sequence number, length of
//! the record, CRC-32/ISO-HDLC of the record, CRC-32/ISO-HDLC of these 16 bytes; all little-endian.

use embedded_storage::nor_flash::NorFlash;

use super::layout::{RECORD_BYTES, checksum};
use super::{BoardIdentity, Calibration, CalibrationState, RecordError, decode, encode};

/// Everything is read and written in pieces of so many bytes, at multiples of it; each only once after an erasure.
pub const PAGE_BYTES: usize = 256;

const PAGE: u32 = PAGE_BYTES as u32;
const RECORD_PAGES: u32 = RECORD_BYTES.div_ceil(PAGE_BYTES) as u32;
const SLOT_BYTES: u32 = PAGE * (1 + RECORD_PAGES);
const MAGIC: [u8; 4] = *b"PSSL";
const ERASED: u8 = 0xff;

/// Why the store could not do what it was asked.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum StoreError<E> {
    /// The flash itself reports an error.
    Flash(E),
    /// The place given is too small or not on erase boundaries, or the flash's word does not divide a page.
    Geometry,
    /// The calibration is not fit to be kept.
    Record(RecordError),
    /// What was written reads back otherwise. The old record is still the calibration.
    Verify,
}

impl<E> From<E> for StoreError<E> {
    fn from(error: E) -> Self {
        Self::Flash(error)
    }
}

/// What the store holds.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Loaded {
    /// Whether there is a calibration that may be used.
    pub state: CalibrationState,
    /// The record, if it holds together: with [`CalibrationState::ForeignBoard`] to look at, not to use.
    pub calibration: Option<Calibration>,
}

/// A slot's header that holds together.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Header {
    sequence: u32,
    length: u32,
    crc: u32,
}

/// Two slots in a flash.
#[derive(Debug)]
pub struct CalibrationStore<F> {
    flash: F,
    start: u32,
    slot: u32,
}

impl<F: NorFlash> CalibrationStore<F> {
    /// Bytes of flash that the two slots take from `start` on.
    pub const fn size() -> u32 {
        2 * Self::slot_size()
    }

    /// Takes the flash from `start` on, which must lie on an erase boundary.
    ///
    /// # Errors
    /// [`StoreError::Geometry`].
    pub fn new(flash: F, start: u32) -> Result<Self, StoreError<F::Error>> {
        let slot = Self::slot_size();
        let capacity = u32::try_from(flash.capacity()).unwrap_or(u32::MAX);
        let fits = start.checked_add(Self::size()).is_some_and(|end| end <= capacity);
        let words = F::WRITE_SIZE != 0
            && F::READ_SIZE != 0
            && PAGE_BYTES.is_multiple_of(F::WRITE_SIZE)
            && PAGE_BYTES.is_multiple_of(F::READ_SIZE);
        // Erase blocks may be smaller than a page, as long as slots begin on both.
        let aligned = start.is_multiple_of(F::ERASE_SIZE as u32) && start.is_multiple_of(PAGE);
        if fits && words && aligned && slot.is_multiple_of(PAGE) {
            Ok(Self { flash, start, slot })
        } else {
            Err(StoreError::Geometry)
        }
    }

    /// Finds the calibration and says whether it may be used on this board.
    ///
    /// A record whose header is whole was complete once. If it is damaged now, an older one is not taken in its
    /// place: that would be a superseded calibration, and nobody would know.
    ///
    /// # Errors
    /// [`StoreError::Flash`].
    pub fn load(&mut self, board: BoardIdentity) -> Result<Loaded, StoreError<F::Error>> {
        let Some((slot, header)) = self.latest()? else {
            let blank = self.is_blank(0)? && self.is_blank(1)?;
            let state = if blank { CalibrationState::None } else { CalibrationState::Corrupt };
            return Ok(Loaded { state, calibration: None });
        };
        let Some(calibration) = self.record(slot, header)? else {
            return Ok(Loaded { state: CalibrationState::Corrupt, calibration: None });
        };
        let state = match calibration.check_board(board) {
            Ok(()) => CalibrationState::Valid,
            Err(_) => CalibrationState::ForeignBoard,
        };
        Ok(Loaded { state, calibration: Some(calibration) })
    }

    /// Keeps a calibration. Until this has returned `Ok`, a cut leaves either the old one or this one.
    ///
    /// Erases and writes flash, which takes long: only when safe.
    ///
    /// # Errors
    /// [`StoreError::Record`] before anything is touched; [`StoreError::Flash`] and [`StoreError::Verify`].
    pub fn save(&mut self, calibration: &Calibration) -> Result<(), StoreError<F::Error>> {
        let record = encode(calibration).map_err(StoreError::Record)?;
        let (slot, sequence) = match self.latest()? {
            Some((slot, header)) => (1 - slot, header.sequence.wrapping_add(1)),
            None => (0, 1),
        };
        let base = self.base(slot);
        self.flash.erase(base, base + self.slot)?;
        for (index, bytes) in record.chunks(PAGE_BYTES).enumerate() {
            self.put(base + PAGE * (1 + index as u32), bytes)?;
        }
        let header = Header { sequence, length: RECORD_BYTES as u32, crc: checksum(&record) };
        if self.bytes(slot, header)? != Some(record) {
            return Err(StoreError::Verify);
        }
        self.put(base, &header.to_bytes())?;
        if self.header(slot)? == Some(header) { Ok(()) } else { Err(StoreError::Verify) }
    }

    /// Gives the flash back.
    pub fn release(self) -> F {
        self.flash
    }

    const fn slot_size() -> u32 {
        SLOT_BYTES.next_multiple_of(if F::ERASE_SIZE == 0 { 1 } else { F::ERASE_SIZE as u32 })
    }

    fn base(&self, slot: u32) -> u32 {
        self.start + slot * self.slot
    }

    fn put(&mut self, at: u32, bytes: &[u8]) -> Result<(), F::Error> {
        let mut page = [ERASED; PAGE_BYTES];
        page.iter_mut().zip(bytes).for_each(|(to, from)| *to = *from);
        self.flash.write(at, &page)
    }

    fn page(&mut self, at: u32) -> Result<[u8; PAGE_BYTES], F::Error> {
        let mut page = [0; PAGE_BYTES];
        self.flash.read(at, &mut page)?;
        Ok(page)
    }

    fn header(&mut self, slot: u32) -> Result<Option<Header>, F::Error> {
        Ok(Header::from_bytes(&self.page(self.base(slot))?))
    }

    fn is_blank(&mut self, slot: u32) -> Result<bool, F::Error> {
        Ok(self.page(self.base(slot))?.iter().all(|byte| *byte == ERASED))
    }

    fn latest(&mut self) -> Result<Option<(u32, Header)>, F::Error> {
        Ok(match (self.header(0)?, self.header(1)?) {
            // The sequence wraps: the later one is less than half the circle ahead.
            (Some(a), Some(b)) if b.sequence.wrapping_sub(a.sequence).cast_signed() > 0 => Some((1, b)),
            (Some(a), _) => Some((0, a)),
            (None, Some(b)) => Some((1, b)),
            (None, None) => None,
        })
    }

    fn record(&mut self, slot: u32, header: Header) -> Result<Option<Calibration>, F::Error> {
        Ok(self.bytes(slot, header)?.and_then(|record| decode(&record).ok()))
    }

    fn bytes(&mut self, slot: u32, header: Header) -> Result<Option<[u8; RECORD_BYTES]>, F::Error> {
        if header.length as usize != RECORD_BYTES {
            return Ok(None);
        }
        let mut record = [0; RECORD_BYTES];
        for (index, piece) in record.chunks_mut(PAGE_BYTES).enumerate() {
            let page = self.page(self.base(slot) + PAGE * (1 + index as u32))?;
            piece.iter_mut().zip(page).for_each(|(to, from)| *to = from);
        }
        Ok((checksum(&record) == header.crc).then_some(record))
    }
}

impl Header {
    const BYTES: usize = 20;

    fn to_bytes(self) -> [u8; Self::BYTES] {
        let mut bytes = [0; Self::BYTES];
        let words = [u32::from_le_bytes(MAGIC), self.sequence, self.length, self.crc];
        for (to, word) in bytes.chunks_exact_mut(4).zip(words) {
            to.copy_from_slice(&word.to_le_bytes());
        }
        let (body, crc) = bytes.split_at_mut(16);
        crc.copy_from_slice(&checksum(body).to_le_bytes());
        bytes
    }

    fn from_bytes(page: &[u8; PAGE_BYTES]) -> Option<Self> {
        let bytes = page.first_chunk::<{ Self::BYTES }>()?;
        let mut words = bytes.chunks_exact(4).map(|word| word.try_into().map_or(0, u32::from_le_bytes));
        let magic = words.next()?;
        let header = Self { sequence: words.next()?, length: words.next()?, crc: words.next()? };
        (magic == u32::from_le_bytes(MAGIC) && header.to_bytes() == *bytes).then_some(header)
    }
}

#[cfg(test)]
mod tests {
    use embedded_storage::nor_flash::{
        ErrorType, NorFlashErrorKind, ReadNorFlash, check_erase, check_read, check_write,
    };

    use super::*;
    use crate::calibration::tests::invented;

    const BOARD: BoardIdentity = BoardIdentity(*b"board-01");

    /// A flash that is stricter than a part: words are written once after an erasure, whole and aligned; power can
    /// go away at any byte, leaving that byte half done.
    #[derive(Clone)]
    struct Flash<const WRITE: usize, const ERASE: usize> {
        bytes: std::vec::Vec<u8>,
        written: std::vec::Vec<bool>,
        /// Bytes that can still be erased or written before the power goes.
        fuel: Option<usize>,
        noise: u32,
        used: usize,
    }

    impl<const WRITE: usize, const ERASE: usize> Flash<WRITE, ERASE> {
        fn new(content: u8) -> Self {
            let size = 2 * ERASE.max(1_024) + 2 * ERASE;
            let (bytes, written) = (vec![content; size], vec![content != ERASED; size]);
            Self { bytes, written, fuel: None, noise: 1, used: 0 }
        }

        fn random(&mut self) -> u8 {
            self.noise = self.noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (self.noise >> 24) as u8
        }

        /// False: the power goes in the middle of this byte.
        fn burn(&mut self) -> bool {
            self.used += 1;
            match &mut self.fuel {
                None => true,
                Some(0) => false,
                Some(left) => {
                    *left -= 1;
                    true
                }
            }
        }
    }

    impl<const WRITE: usize, const ERASE: usize> ErrorType for Flash<WRITE, ERASE> {
        type Error = NorFlashErrorKind;
    }

    impl<const WRITE: usize, const ERASE: usize> ReadNorFlash for Flash<WRITE, ERASE> {
        const READ_SIZE: usize = WRITE;

        fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), Self::Error> {
            check_read(self, offset, bytes.len())?;
            bytes.copy_from_slice(&self.bytes[offset as usize..][..bytes.len()]);
            Ok(())
        }

        fn capacity(&self) -> usize {
            self.bytes.len()
        }
    }

    impl<const WRITE: usize, const ERASE: usize> NorFlash for Flash<WRITE, ERASE> {
        const WRITE_SIZE: usize = WRITE;
        const ERASE_SIZE: usize = ERASE;

        fn erase(&mut self, from: u32, to: u32) -> Result<(), Self::Error> {
            check_erase(self, from, to)?;
            for at in from as usize..to as usize {
                if !self.burn() {
                    // "If power is lost during erase, contents of the page are undefined": the rest of this block.
                    for torn in at..at.next_multiple_of(ERASE).max(at + 1) {
                        self.bytes[torn] |= self.random();
                        self.written[torn] = true;
                    }
                    return Err(NorFlashErrorKind::Other);
                }
                (self.bytes[at], self.written[at]) = (ERASED, false);
            }
            Ok(())
        }

        fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), Self::Error> {
            check_write(self, offset, bytes.len())?;
            for (at, value) in (offset as usize..).zip(bytes) {
                assert!(!self.written[at], "a word was written twice at {at}");
                self.written[at] = true;
                if !self.burn() {
                    self.bytes[at] &= value | self.random();
                    return Err(NorFlashErrorKind::Other);
                }
                // Bits only fall.
                self.bytes[at] &= value;
            }
            Ok(())
        }
    }

    type Small = Flash<4, 512>;
    type Pico = Flash<256, 4_096>;

    fn store<const W: usize, const E: usize>(flash: Flash<W, E>) -> CalibrationStore<Flash<W, E>> {
        CalibrationStore::new(flash, E as u32).unwrap()
    }

    #[test]
    fn a_blank_flash_has_none_and_noise_is_corrupt() {
        let state = |flash| store::<4, 512>(flash).load(BOARD).unwrap().state;
        assert_eq!(state(Small::new(ERASED)), CalibrationState::None);
        assert_eq!(state(Small::new(0x5a)), CalibrationState::Corrupt);
        assert_eq!(state(Small::new(0)), CalibrationState::Corrupt);
    }

    #[test]
    fn the_latest_of_many_is_loaded_and_is_of_this_board_or_foreign() {
        let mut store = store(Pico::new(ERASED));
        for uncertainty in 1..=9 {
            let calibration = invented(BOARD.0, uncertainty);
            store.save(&calibration).unwrap();
            let loaded = store.load(BOARD).unwrap();
            assert_eq!((loaded.state, loaded.calibration), (CalibrationState::Valid, Some(calibration)));
        }
        let loaded = store.load(BoardIdentity(*b"board-02")).unwrap();
        assert_eq!(loaded.state, CalibrationState::ForeignBoard);
    }

    #[test]
    fn the_sequence_number_may_wrap() {
        let mut store = store(Small::new(ERASED));
        store.save(&invented(BOARD.0, 1)).unwrap();
        // As if it had been written 2^32 - 1 times.
        let mut header = store.header(0).unwrap().unwrap();
        header.sequence = u32::MAX;
        store.flash.bytes[512..532].copy_from_slice(&header.to_bytes());
        for uncertainty in 2..5 {
            store.save(&invented(BOARD.0, uncertainty)).unwrap();
            let loaded = store.load(BOARD).unwrap().calibration.unwrap();
            assert_eq!(loaded.uncertainty.0, uncertainty);
        }
    }

    #[test]
    fn a_damaged_latest_record_is_corrupt_and_the_superseded_one_stays_superseded() {
        let mut store = store(Small::new(ERASED));
        store.save(&invented(BOARD.0, 1)).unwrap();
        store.save(&invented(BOARD.0, 2)).unwrap();
        let second = store.base(1) as usize;
        store.flash.bytes[second + 300] ^= 1;
        let loaded = store.load(BOARD).unwrap();
        assert_eq!((loaded.state, loaded.calibration), (CalibrationState::Corrupt, None));
        store.save(&invented(BOARD.0, 3)).unwrap();
        assert_eq!(store.load(BOARD).unwrap().calibration.unwrap().uncertainty.0, 3);
    }

    #[test]
    fn what_is_not_fit_to_be_kept_touches_nothing_and_a_bad_place_is_refused() {
        let mut kept = store(Small::new(ERASED));
        kept.save(&invented(BOARD.0, 1)).unwrap();
        let before = kept.flash.used;
        let unfit = kept.save(&invented([0; 8], 1));
        assert_eq!(unfit, Err(StoreError::Record(RecordError::NoIdentity)));
        assert_eq!(kept.flash.used, before);
        for start in [1, 256, 1_536, 1 << 20, u32::MAX - 511] {
            let flash = Small::new(ERASED);
            assert_eq!(CalibrationStore::new(flash, start).err(), Some(StoreError::Geometry), "{start}");
        }
        assert!(CalibrationStore::new(Flash::<512, 4_096>::new(ERASED), 0).is_err(), "a word above a page");
    }

    /// Cuts the power at every byte of a save, and again in the save that follows.
    fn cut_everywhere<const W: usize, const E: usize>(saved_before: i32, stride: usize) {
        let mut first = store(Flash::<W, E>::new(ERASED));
        for uncertainty in 1..=saved_before {
            first.save(&invented(BOARD.0, uncertainty)).unwrap();
        }
        let old = (saved_before > 0).then(|| invented(BOARD.0, saved_before));
        let new = invented(BOARD.0, saved_before + 1);
        let flash = first.release();
        let mut whole = store(Flash { used: 0, ..flash.clone() });
        whole.save(&new).unwrap();
        let total = whole.release().used;
        assert!(total >= 2_048);
        let (mut olds, mut news) = (0, 0);
        for fuel in (0..=total).step_by(stride) {
            let mut cut = store(Flash { fuel: Some(fuel), noise: fuel as u32, ..flash.clone() });
            let done = cut.save(&new).is_ok();
            assert_eq!(done, fuel == total);
            let mut after = store(Flash { fuel: None, ..cut.release() });
            let loaded = after.load(BOARD).unwrap().calibration;
            if loaded.as_ref() == Some(&new) {
                news += 1;
            } else {
                assert_eq!(loaded, old, "cut after {fuel} bytes");
                assert!(!done);
                olds += 1;
            }
            // Once more without a cut: nothing that the cut left stands in the way.
            let next = invented(BOARD.0, saved_before + 2);
            after.save(&next).unwrap();
            assert_eq!(after.load(BOARD).unwrap().calibration, Some(next));
        }
        assert!(olds > 0 && news > 0, "{olds} old, {news} new");
    }

    #[test]
    fn a_cut_at_any_byte_leaves_the_old_record_or_the_new_one() {
        cut_everywhere::<4, 512>(2, 1);
        cut_everywhere::<4, 512>(1, 1);
    }

    #[test]
    fn a_cut_in_the_first_save_leaves_nothing_or_the_record() {
        cut_everywhere::<4, 512>(0, 1);
    }

    #[test]
    fn the_same_holds_with_the_pages_and_sectors_of_a_pico() {
        cut_everywhere::<256, 4_096>(3, 1);
    }
}
