//! The encoder: two counters, a latch at the index, the time of the last edge, and the illegal steps. None of it needs
//! the processor while the shaft turns; the tick's handler fetches what is there.

use core::sync::atomic::{AtomicBool, AtomicU32, Ordering};

use proofstand_pico::pins::{ENCODER_A, ENCODER_INDEX};

use super::dma::Stamp;
use super::gpio::bit;
use super::programs;
use super::registers::{pio0, pio1, put};
use super::state_machine::{
    self, IN_PINS_2, MOV_ISR_NULL, MOV_OSR_PINS, MOV_X_ALL_ONES, MOV_Y_ALL_ONES, MOV_Y_ISR, Placed, Setting,
    StateMachine,
};

/// Slots of the programs in PIO 0 behind the counter's 23, and in PIO 1 behind the latch's 27, which then is full.
const EDGE_SLOT: u8 = 23;
pub(super) const LINES_SLOT: u8 = 29;
const RISING_SLOT: u8 = 27;
/// DMA requests (RP2040 datasheet, 2.5.3.1), and the channels: each stamp takes two.
const EDGE_REQUEST: u8 = 6;
const RISING_REQUEST: u8 = 13;
const EDGE_CHANNEL: u8 = 0;
const RISING_CHANNEL: u8 = 2;
/// PIO flag of an illegal step.
const ILLEGAL_FLAG: u32 = 1 << 0;
/// The second counter runs slower by 1/256, so that it looks at other moments than the first: whatever one only just
/// sees, the other misses.
const WITNESS_DIVISOR: u32 = 257;
/// Edges after which the latch's counter is started anew, at the next rest on the index: it can slip by one in 2^32.
const RENEW_AFTER: u32 = 1 << 30;
/// How often starting the latch is tried, when the board starts and later: each try fails if an edge falls into its few
/// microseconds.
const TRIES_AT_START: u32 = 1_000;
const TRIES_AT_REST: u32 = 3;

static EDGE: Stamp = Stamp::new();
static RISING: Stamp = Stamp::new();
static COUNT: AtomicU32 = AtomicU32::new(0);
static TRAVELLED: AtomicU32 = AtomicU32::new(0);
static WITNESS_OFFSET: AtomicU32 = AtomicU32::new(0);
static LATCH_OFFSET: AtomicU32 = AtomicU32::new(0);
/// Number and time of the rising that was looked at last. Numbers fall.
static RISING_TAKEN: AtomicU32 = AtomicU32::new(0);
static RISING_TIME: AtomicU32 = AtomicU32::new(0);
static STALE: AtomicBool = AtomicBool::new(false);
static ILLEGAL: AtomicU32 = AtomicU32::new(0);
static LOST: AtomicU32 = AtomicU32::new(0);
static DEAD: AtomicBool = AtomicBool::new(false);

/// What the tick's handler found.
#[derive(Clone, Copy)]
pub(super) struct Seen {
    /// Position, in counts; wraps.
    pub(super) count: u32,
    /// Time of the last edge.
    pub(super) edge: u32,
    /// Count and time of a rising of the index since the last tick.
    pub(super) index: Option<(u32, u32)>,
}

fn counter() -> StateMachine {
    StateMachine::new(pio0(), 0)
}

fn witness() -> StateMachine {
    StateMachine::new(pio0(), 1)
}

fn latch() -> StateMachine {
    StateMachine::new(pio1(), 0)
}

/// Starts everything. Interrupts that call [`see`] must not run yet.
pub(super) fn start() {
    let phases = Setting { pin: ENCODER_A, ..Setting::default() };
    let count = state_machine::place(pio0(), 0, &programs::COUNT);
    let edge = state_machine::place(pio0(), EDGE_SLOT, &programs::EDGE);
    for sm in [counter(), witness()] {
        start_counting(sm, count, phases);
    }
    witness().divide(WITNESS_DIVISOR);
    let edges = StateMachine::new(pio0(), 2);
    edges.set_up(edge, phases);
    [MOV_ISR_NULL, IN_PINS_2, MOV_Y_ISR].into_iter().for_each(|instruction| edges.execute(instruction));
    EDGE.start(EDGE_CHANNEL, edges.fifo(), EDGE_REQUEST);
    edges.enable(true);

    let rising = state_machine::place(pio1(), RISING_SLOT, &programs::RISING);
    let risings = StateMachine::new(pio1(), 1);
    risings.set_up(rising, Setting { pin: ENCODER_INDEX, ..Setting::default() });
    RISING.start(RISING_CHANNEL, risings.fifo(), RISING_REQUEST);
    risings.enable(true);

    let offset = witness_count().wrapping_sub(count_now());
    WITNESS_OFFSET.store(u32::from(offset as u16), Ordering::Relaxed);
    start_latch(TRIES_AT_START);
    RISING_TAKEN.store(RISING.word(), Ordering::Relaxed);
    RISING_TIME.store(RISING.at(), Ordering::Relaxed);
}

/// Starts the latch's counter, and notes where the main counter stands then. Not while [`see`] may run.
fn start_latch(tries: u32) {
    let program = state_machine::place(pio1(), 0, &programs::LATCH);
    let setting = Setting { pin: ENCODER_A, jump_pin: ENCODER_INDEX, ..Setting::default() };
    for _ in 0..tries {
        let before = count_now();
        start_counting(latch(), program, setting);
        if count_now() == before {
            LATCH_OFFSET.store(before, Ordering::Relaxed);
            break;
        }
    }
    TRAVELLED.store(0, Ordering::Relaxed);
    STALE.store(true, Ordering::Relaxed);
}

/// Starts a counting program at zero, from the present state of the phases.
fn start_counting(sm: StateMachine, program: Placed, setting: Setting) {
    sm.set_up(program, setting);
    [MOV_X_ALL_ONES, MOV_Y_ALL_ONES, MOV_OSR_PINS]
        .into_iter()
        .for_each(|instruction| sm.execute(instruction));
    sm.enable(true);
}

/// Position now; wraps. Only from the handlers of the highest priority, which do not interrupt each other.
#[inline(always)]
pub(super) fn count_now() -> u32 {
    let old = COUNT.load(Ordering::Relaxed);
    let Some(word) = counter().fresh() else {
        DEAD.store(true, Ordering::Relaxed);
        return old;
    };
    let moved = steps(word).wrapping_sub(old as u16).cast_signed();
    let count = old.wrapping_add_signed(i32::from(moved));
    COUNT.store(count, Ordering::Relaxed);
    count
}

#[inline(always)]
fn witness_count() -> u32 {
    witness().fresh().map_or(0, |word| u32::from(steps(word)))
}

/// Up less down, as the counting programs pack them: both fell from all ones.
#[inline(always)]
const fn steps(word: u32) -> u16 {
    (word as u16).wrapping_sub((word >> 16) as u16)
}

/// One tick's look. Only from the tick's handler.
#[inline(always)]
pub(super) fn see(index_high: bool) -> Seen {
    let before = COUNT.load(Ordering::Relaxed);
    let mut edge = EDGE.at();
    let mut count = count_now();
    if EDGE.at() != edge {
        edge = EDGE.at();
        count = count_now();
    }
    let travelled = count.wrapping_sub(before).cast_signed().unsigned_abs();
    TRAVELLED.store(TRAVELLED.load(Ordering::Relaxed).saturating_add(travelled), Ordering::Relaxed);
    if pio0().irq().read().bits() & ILLEGAL_FLAG != 0 {
        put!(pio0().irq(), ILLEGAL_FLAG);
        ILLEGAL.store(ILLEGAL.load(Ordering::Relaxed).wrapping_add(1), Ordering::Relaxed);
    }
    hear_witness(count);
    Seen { count, edge, index: look_at_index(count, index_high) }
}

/// The second counter must agree with the first: it lies within what the first passed through meanwhile.
#[inline(always)]
fn hear_witness(first: u32) {
    let offset = WITNESS_OFFSET.load(Ordering::Relaxed) as u16;
    let second = (witness_count() as u16).wrapping_sub(offset);
    let again = count_now();
    let ahead = second.wrapping_sub(first as u16).cast_signed();
    let span = again.wrapping_sub(first) as u16 as i16;
    let lost = if ahead < span.min(0) {
        ahead - span.min(0)
    } else if ahead > span.max(0) {
        ahead - span.max(0)
    } else {
        return;
    };
    // Noted once; from here on they agree again.
    WITNESS_OFFSET.store(u32::from(offset.wrapping_add_signed(lost)), Ordering::Relaxed);
    add_lost(lost);
}

fn add_lost(lost: i16) {
    let lost = u32::from(lost.unsigned_abs());
    LOST.store(LOST.load(Ordering::Relaxed).wrapping_add(lost), Ordering::Relaxed);
}

/// Fetches the latch.
///
/// While the index stays high the FIFO fills again at once with later counts. They are stale, and are told from a new
/// latch by the index having been high, or words having been there, when the FIFO had just been emptied. If the index
/// rose more than once within a tick, it bounced or the shaft turned round on it: the count is that of the first time,
/// the time that of the last.
#[inline(always)]
fn look_at_index(count: u32, index_high: bool) -> Option<(u32, u32)> {
    if latch().is_empty() {
        STALE.store(false, Ordering::Relaxed);
        return None;
    }
    let stale = STALE.load(Ordering::Relaxed);
    let (number, at) = (RISING.word(), RISING.at());
    let risings = RISING_TAKEN.load(Ordering::Relaxed).wrapping_sub(number);
    let stamped = at != RISING_TIME.load(Ordering::Relaxed);
    let complete = risings != 0 && stamped;
    if !stale && !complete {
        // The word is new, its time stamp still on the way: both are there at the next tick.
        return None;
    }
    let first = latch().take();
    latch().drain();
    RISING_TAKEN.store(number, Ordering::Relaxed);
    RISING_TIME.store(at, Ordering::Relaxed);
    STALE.store(index_high || !latch().is_empty(), Ordering::Relaxed);
    (risings != 0 && !stale).then(|| (near(first, count), at))
}

/// The count that a latch's word stands for, near to a count of the same tick.
#[inline(always)]
fn near(word: u32, count: u32) -> u32 {
    // X above 15 bits of Y; both fell from all ones.
    let latched = (word & 0x7fff).wrapping_sub(word >> 15);
    let ahead = LATCH_OFFSET.load(Ordering::Relaxed).wrapping_add(latched).wrapping_sub(count);
    // 15 bits of it are known.
    count.wrapping_add_signed((ahead << 17).cast_signed() >> 17)
}

/// The main loop's part, once a tick: compares main counter and latch while the shaft rests on the index, and starts the
/// latch anew when it is time.
pub(crate) fn keep_latch(index_high: bool, rested: bool) {
    if !index_high || !rested {
        return;
    }
    cortex_m::interrupt::free(|_| {
        if RISING.word() != RISING_TAKEN.load(Ordering::Relaxed) {
            // A latch waits for the next tick.
            return;
        }
        STALE.store(true, Ordering::Relaxed);
        let before = count_now();
        let Some(word) = latch().fresh() else { return };
        if count_now() != before {
            return;
        }
        let apart = near(word, before).wrapping_sub(before) as u16 as i16;
        if apart != 0 {
            add_lost(apart);
        }
        if apart != 0 || TRAVELLED.load(Ordering::Relaxed) > RENEW_AFTER {
            start_latch(TRIES_AT_REST);
        }
    });
}

/// Illegal steps since the start, of which at most one is seen a tick, and counts on which the counters disagreed.
pub(crate) fn illegal() -> u32 {
    ILLEGAL.load(Ordering::Relaxed).wrapping_add(LOST.load(Ordering::Relaxed))
}

/// Time stamp of the latest edge, as it stands.
pub(crate) fn edge_stamp() -> u32 {
    EDGE.at()
}

/// Whether a counter has stopped counting.
pub(crate) fn is_dead() -> bool {
    DEAD.load(Ordering::Relaxed)
}

/// Whether the index is high in these levels.
#[inline(always)]
pub(super) const fn index_high(levels: u32) -> bool {
    levels & bit(ENCODER_INDEX) != 0
}
