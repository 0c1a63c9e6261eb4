//! What survives a reset, though not the loss of power: a latched trip, the number of starts, and why the firmware
//! stopped itself.
//!
//! The trip lies in RAM that the start-up code leaves alone, under a checksum. The reason lies in the watchdog's scratch
//! registers 0 to 3, which the boot ROM does not use (RP2040 datasheet, 2.8.1.1: it looks at 4 to 7).

use core::sync::atomic::{AtomicU32, Ordering};

use proofstand_firmware::calibration::layout::checksum;
use proofstand_protocol::message::{ResetCause, Trip};

use super::registers::{put, rosc, watchdog};

const MAGIC: u32 = u32::from_le_bytes(*b"PSRT");
/// In scratch register 0: the firmware stopped itself, for the reason in register 1.
const STOPPED: u32 = u32::from_le_bytes(*b"PSST");
/// Watchdog reason: its timer ran out.
const REASON_TIMER: u32 = 1 << 0;
/// Words of an encoded trip, and all words: magic, starts, length, trip, checksum.
const TRIP_WORDS: usize = 12;
const WORDS: usize = 3 + TRIP_WORDS + 1;

// SAFETY: RAM that the start-up code leaves as it is; whatever it holds is a valid `AtomicU32`, and the checksum judges it.
#[unsafe(link_section = ".uninit.retained")]
static RETAINED: [AtomicU32; WORDS] = [const { AtomicU32::new(0) }; WORDS];

/// What was there when the board started.
#[derive(Clone, Copy)]
pub(crate) struct Found {
    /// Why it started.
    pub(crate) cause: ResetCause,
    /// The trip that was latched.
    pub(crate) trip: Option<Trip>,
    /// Differs from start to start.
    pub(crate) epoch: u32,
    /// If the firmware stopped itself: the reason, and two words that go with it.
    pub(crate) stopped: Option<(u32, u32, u32)>,
}

/// Writes down why the firmware stops itself.
pub(super) fn note_stop(reason: u32, detail: (u32, u32)) {
    put!(watchdog().scratch0(), STOPPED);
    put!(watchdog().scratch1(), reason);
    put!(watchdog().scratch2(), detail.0);
    put!(watchdog().scratch3(), detail.1);
}

/// Looks at what was kept, and begins to keep for this start.
pub(super) fn find() -> Found {
    let stopped = (watchdog().scratch0().read().bits() == STOPPED).then(|| {
        let watchdog = watchdog();
        let (reason, first) = (watchdog.scratch1().read().bits(), watchdog.scratch2().read().bits());
        (reason, first, watchdog.scratch3().read().bits())
    });
    put!(watchdog().scratch0(), 0);
    let cause = if stopped.is_some() {
        ResetCause::Panic
    } else if watchdog().reason().read().bits() & REASON_TIMER != 0 {
        ResetCause::Watchdog
    } else {
        ResetCause::PowerUp
    };
    let bytes = load();
    let word = |index: usize| {
        bytes.get(index * 4..).and_then(<[u8]>::first_chunk).map_or(0, |w| u32::from_le_bytes(*w))
    };
    let (body, crc) = bytes.split_at(WORDS * 4 - 4);
    let whole = word(0) == MAGIC && crc == checksum(body).to_le_bytes();
    let starts = if whole { word(1).wrapping_add(1) } else { noise() };
    let trip =
        if whole && word(2) == 1 { postcard::from_bytes(body.get(12..).unwrap_or(&[])).ok() } else { None };
    keep(starts, trip.as_ref());
    // Room for so many changes of state between two starts before epochs meet again.
    Found { cause, trip, epoch: starts << 16, stopped }
}

/// Keeps a trip, or that there is none.
pub(crate) fn keep_trip(trip: Option<&Trip>) {
    let starts = RETAINED.get(1).map_or(0, |word| word.load(Ordering::Relaxed));
    keep(starts, trip);
}

fn keep(starts: u32, trip: Option<&Trip>) {
    let mut bytes = [0; WORDS * 4];
    let (body, crc) = bytes.split_at_mut(WORDS * 4 - 4);
    let (head, room) = body.split_at_mut(12);
    let kept = trip.is_some_and(|trip| postcard::to_slice(trip, room).is_ok());
    let words = [MAGIC, starts, u32::from(kept)];
    head.chunks_exact_mut(4).zip(words).for_each(|(to, word)| to.copy_from_slice(&word.to_le_bytes()));
    crc.copy_from_slice(&checksum(body).to_le_bytes());
    for (to, word) in RETAINED.iter().zip(bytes.chunks_exact(4)) {
        to.store(word.try_into().map_or(0, u32::from_le_bytes), Ordering::Release);
    }
}

fn load() -> [u8; WORDS * 4] {
    let mut bytes = [0; WORDS * 4];
    for (to, word) in bytes.chunks_exact_mut(4).zip(&RETAINED) {
        to.copy_from_slice(&word.load(Ordering::Acquire).to_le_bytes());
    }
    bytes
}

/// A number that differs from power-up to power-up, as well as the ring oscillator can make one.
fn noise() -> u32 {
    (0..32).fold(0, |bits, _| bits << 1 | rosc().randombit().read().bits() & 1)
}
