//! The 1 kHz tick: an alarm whose handler takes the sample, always so many cycles after the microsecond.

use core::sync::atomic::{AtomicU32, Ordering};

use rp2040_hal::pac::interrupt;
use rp2040_hal::pac::{Interrupt, NVIC};

use super::gpio::Levels;
use super::registers::{put, timer};

/// Time from tick to tick.
pub(crate) const TICK_US: u32 = 1_000;

const ALARM_TICK: u32 = 1 << 0;

static TICKS: AtomicU32 = AtomicU32::new(0);
static SAMPLED_AT: AtomicU32 = AtomicU32::new(0);
static LEVELS: AtomicU32 = AtomicU32::new(0);

/// What the tick's handler saw.
#[derive(Clone, Copy)]
pub(crate) struct Snapshot {
    /// Number of the tick.
    pub(crate) tick: u32,
    /// When, in microseconds since the start.
    pub(crate) at: u64,
    /// All pins.
    pub(crate) levels: Levels,
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

/// Number of the latest tick.
pub(crate) fn tick() -> u32 {
    TICKS.load(Ordering::Acquire)
}

/// What the latest tick saw.
pub(crate) fn snapshot() -> Snapshot {
    loop {
        let tick = tick();
        let (at, levels) = (SAMPLED_AT.load(Ordering::Acquire), LEVELS.load(Ordering::Acquire));
        // Again, if another tick came in between.
        if tick == self::tick() {
            let now = now();
            let age = (now as u32).wrapping_sub(at);
            return Snapshot { tick, at: now - u64::from(age), levels: Levels::from_bits(levels) };
        }
    }
}

/// Lets the tick begin.
pub(super) fn start() {
    let timer = timer();
    put!(timer.alarm0(), timer.timerawl().read().bits().wrapping_add(TICK_US));
    put!(timer.inte(), ALARM_TICK);
    // SAFETY: its handler shares nothing with other code but atomics.
    unsafe { NVIC::unmask(Interrupt::TIMER_IRQ_0) };
}

#[interrupt]
#[unsafe(link_section = ".data.ram_text")]
fn TIMER_IRQ_0() {
    let timer = timer();
    let at = timer.timerawl().read().bits();
    let levels = Levels::now();
    put!(timer.intr(), ALARM_TICK);
    let mut next = timer.alarm0().read().bits().wrapping_add(TICK_US);
    if (next.wrapping_sub(at)).cast_signed() <= 1 {
        // Interrupts were off for longer than a tick (flash was erased): an alarm in the past would never come.
        next = at.wrapping_add(TICK_US);
    }
    put!(timer.alarm0(), next);
    SAMPLED_AT.store(at, Ordering::Release);
    LEVELS.store(levels.bits(), Ordering::Release);
    TICKS.store(TICKS.load(Ordering::Relaxed).wrapping_add(1), Ordering::Release);
}
