//! Time, and what happens at its appointed microsecond: the tick's sample, and the command's output later in the tick.
//!
//! The sample's handler has the highest priority and lies in RAM: it comes always so many cycles after the microsecond,
//! whatever flash, USB or the main loop are doing. The readings follow it, then the main loop decides, and what it
//! decided is put out by a second alarm, so that the command also moves at a constant distance from the sample.

use core::sync::atomic::{AtomicU32, Ordering};

use proofstand_firmware::fixture::{IndexLatch, OUTPUT_AFTER_TICK_US};
use proofstand_pico::pins;
use proofstand_protocol::units::Micros;
use rp2040_hal::pac::{Interrupt, NVIC, interrupt};

use super::gpio::{Levels, drive};
use super::registers::{put, timer};
use super::{analog, burst, encoder};

/// Time from tick to tick.
pub(crate) const TICK_US: u32 = 1_000;
/// Time from a tick's sample to the output of what was decided on it.
pub(crate) const OUTPUT_US: u32 = OUTPUT_AFTER_TICK_US;

const ALARM_TICK: u32 = 1 << 0;
const ALARM_OUTPUT: u32 = 1 << 2;

static TICKS: AtomicU32 = AtomicU32::new(0);
static SAMPLED_AT: AtomicU32 = AtomicU32::new(0);
static LEVELS: AtomicU32 = AtomicU32::new(0);
static COUNT: AtomicU32 = AtomicU32::new(0);
static EDGE: AtomicU32 = AtomicU32::new(0);
static INDEX_COUNT: AtomicU32 = AtomicU32::new(0);
static INDEX_AT: AtomicU32 = AtomicU32::new(0);
/// The tick that a latch came with.
static INDEX_TICK: AtomicU32 = AtomicU32::new(0);
static OUTPUT_AT: AtomicU32 = AtomicU32::new(0);
/// The tick whose readings are there.
static READ: AtomicU32 = AtomicU32::new(0);
/// The tick that has been decided on, and outputs that came without.
static DECIDED: AtomicU32 = AtomicU32::new(0);
static LATE: AtomicU32 = AtomicU32::new(0);
/// 1: a converter that does not answer may be started again.
static IDLE: AtomicU32 = AtomicU32::new(1);

/// What the tick's handler saw.
#[derive(Clone, Copy)]
pub(crate) struct Snapshot {
    /// Number of the tick.
    pub(crate) tick: u32,
    /// When, in microseconds since the start.
    pub(crate) at: u64,
    /// All pins.
    pub(crate) levels: Levels,
    /// Position, in counts; wraps.
    pub(crate) count: u32,
    /// The index, if it was latched since the last tick.
    pub(crate) index: Option<IndexLatch>,
    /// Low 32 bits of the last edge's time.
    pub(crate) edge: u32,
}

/// Microseconds since the start.
pub(crate) fn now() -> u64 {
    let timer = timer();
    loop {
        let (high, low) = (timer.timerawh().read().bits(), timer.timerawl().read().bits());
        if timer.timerawh().read().bits() == high {
            return u64::from(high) << 32 | u64::from(low);
        }
    }
}

/// Microseconds since the start at a moment near now, from its low 32 bits.
pub(crate) fn whole(low: u32) -> u64 {
    let now = now();
    now.wrapping_add_signed(i64::from(low.wrapping_sub(now as u32).cast_signed()))
}

/// Number of the latest tick.
pub(crate) fn tick() -> u32 {
    TICKS.load(Ordering::Acquire)
}

/// What the latest tick saw.
pub(crate) fn snapshot() -> Snapshot {
    loop {
        let tick = tick();
        let load = |cell: &AtomicU32| cell.load(Ordering::Acquire);
        let at32 = load(&SAMPLED_AT);
        let now = now();
        let at = now - u64::from((now as u32).wrapping_sub(at32));
        let index = (load(&INDEX_TICK) == tick).then(|| IndexLatch {
            counter: load(&INDEX_COUNT),
            // It may have risen between the tick's time and the look at the latch: that is then at the tick's time.
            at: Micros(at.saturating_sub(
                u64::try_from(at32.wrapping_sub(load(&INDEX_AT)).cast_signed()).unwrap_or(0),
            )),
        });
        let levels = Levels::from_bits(load(&LEVELS));
        let snapshot = Snapshot { tick, at, levels, count: load(&COUNT), index, edge: load(&EDGE) };
        // Again, if another tick came in between.
        if tick == self::tick() {
            return snapshot;
        }
    }
}

/// Whether a tick's readings are there.
pub(crate) fn has_read(tick: u32) -> bool {
    READ.load(Ordering::Acquire) == tick
}

/// A tick has been decided on. `idle`: the command is not on the terminal.
pub(crate) fn decided(tick: u32, idle: bool) {
    IDLE.store(u32::from(idle), Ordering::Release);
    DECIDED.store(tick, Ordering::Release);
}

/// Output times that came before the main loop had decided: they put out what was decided before.
pub(crate) fn late() -> u32 {
    LATE.load(Ordering::Acquire)
}

/// Low 32 bits of the time of the next output, or of the last if it has been.
#[inline(always)]
pub(super) fn output_at() -> u32 {
    OUTPUT_AT.load(Ordering::Acquire)
}

/// Lets the tick begin.
pub(super) fn start() {
    let timer = timer();
    put!(timer.alarm0(), timer.timerawl().read().bits().wrapping_add(TICK_US));
    put!(timer.inte(), ALARM_TICK | ALARM_OUTPUT | burst::ALARMS);
    for interrupt in [Interrupt::TIMER_IRQ_0, Interrupt::TIMER_IRQ_2, Interrupt::SW0_IRQ] {
        // SAFETY: their handlers share nothing with other code but atomics and what `Exclusive` guards.
        unsafe { NVIC::unmask(interrupt) };
    }
}

/// The tick's sample.
#[interrupt]
// SAFETY: the start-up code copies `.data` into RAM, which can be executed, before any interrupt is let in.
#[unsafe(link_section = ".data.ram_text")]
fn TIMER_IRQ_0() {
    let timer = timer();
    let at = timer.timerawl().read().bits();
    let levels = Levels::now();
    drive(pins::TRIGGER, true);
    let seen = encoder::see(encoder::index_high(levels.bits()));
    put!(timer.intr(), ALARM_TICK);
    let mut next = timer.alarm0().read().bits().wrapping_add(TICK_US);
    let mut output = next.wrapping_sub(TICK_US).wrapping_add(OUTPUT_US);
    if next.wrapping_sub(at).cast_signed() <= OUTPUT_US.cast_signed() {
        // Interrupts were off for long (flash was erased): an alarm in the past would never come.
        next = at.wrapping_add(TICK_US);
        output = at.wrapping_add(OUTPUT_US);
    }
    put!(timer.alarm0(), next);
    put!(timer.alarm2(), output);
    OUTPUT_AT.store(output, Ordering::Relaxed);
    let tick = TICKS.load(Ordering::Relaxed).wrapping_add(1);
    SAMPLED_AT.store(at, Ordering::Relaxed);
    LEVELS.store(levels.bits(), Ordering::Relaxed);
    COUNT.store(seen.count, Ordering::Relaxed);
    EDGE.store(seen.edge, Ordering::Relaxed);
    if let Some((count, rose)) = seen.index {
        INDEX_COUNT.store(count, Ordering::Relaxed);
        INDEX_AT.store(rose, Ordering::Relaxed);
        INDEX_TICK.store(tick, Ordering::Relaxed);
    }
    TICKS.store(tick, Ordering::Release);
    NVIC::pend(Interrupt::SW0_IRQ);
}

/// The readings, at once after the sample.
#[interrupt]
fn SW0_IRQ() {
    let tick = tick();
    if !burst::reads_outs() {
        analog::read(tick, IDLE.load(Ordering::Acquire) == 1);
    }
    READ.store(tick, Ordering::Release);
}

/// The command's output.
#[interrupt]
fn TIMER_IRQ_2() {
    put!(timer().intr(), ALARM_OUTPUT);
    analog::write();
    drive(pins::TRIGGER, false);
    analog::exchange_contacts();
    // Until the main loop has decided for the first time the board still sets itself up, and its outputs are at rest.
    let decided = DECIDED.load(Ordering::Acquire);
    if decided != 0 && decided != tick() {
        LATE.store(LATE.load(Ordering::Relaxed).wrapping_add(1), Ordering::Release);
    }
}
