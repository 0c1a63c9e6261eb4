//! Flag inputs: every edge with its microsecond, into a bounded queue.

use core::sync::atomic::{AtomicU32, Ordering};

use proofstand_firmware::flags::FlagEdge;
use proofstand_pico::pins::{FLAG_0, FLAGS};
use proofstand_protocol::units::Micros;
use rp2040_hal::pac::{Interrupt, NVIC, interrupt};

use super::gpio::{Levels, bit};
use super::registers::{io_bank, put, timer};

/// Edges that are kept from tick to tick. When they are full, further edges are not looked at until the next tick, so
/// that a chattering input cannot take the processor away; the levels then have the last word.
pub(crate) const EDGES: usize = 32;

/// Bits of one pin in the interrupt registers, eight pins to a register (RP2040 datasheet, 2.19.6.1).
const EDGE_LOW: u32 = 1 << 2;
const EDGE_HIGH: u32 = 1 << 3;
const PINS_PER_REGISTER: u8 = 8;

/// Input number in the low bits, [`CONDUCTS`] for its new state.
static WHAT: [AtomicU32; EDGES] = [const { AtomicU32::new(0) }; EDGES];
static WHEN: [AtomicU32; EDGES] = [const { AtomicU32::new(0) }; EDGES];
static HELD: AtomicU32 = AtomicU32::new(0);
const CONDUCTS: u32 = 1 << 31;

/// Lets the edges in.
pub(super) fn start() {
    for (register, enable) in masks().into_iter().enumerate() {
        put!(io_bank().intr(register), enable);
        put!(io_bank().proc0_inte(register), enable);
    }
    unmask();
}

/// The edges up to a tick's time that have not been taken, oldest first. Later ones wait for the next tick, whose levels
/// they belong to.
pub(crate) fn take(until: u64) -> heapless::Vec<FlagEdge, EDGES> {
    NVIC::mask(Interrupt::IO_IRQ_BANK0);
    let mut edges = heapless::Vec::new();
    let mut kept = 0;
    for (what, when) in WHAT.iter().zip(&WHEN).take(HELD.load(Ordering::Acquire) as usize) {
        let (what, when) = (what.load(Ordering::Acquire), when.load(Ordering::Acquire));
        let ago = (until as u32).wrapping_sub(when).cast_signed();
        if let Ok(ago) = u64::try_from(ago) {
            let at = Micros(until.saturating_sub(ago));
            // There is room: as much as is ever held.
            let _ = edges.push(FlagEdge { input: what as u8, conducting: what & CONDUCTS != 0, at });
        } else {
            put_at(kept, what, when);
            kept += 1;
        }
    }
    HELD.store(kept, Ordering::Release);
    unmask();
    edges
}

fn put_at(index: u32, what: u32, when: u32) -> bool {
    let (Some(place), Some(time)) = (WHAT.get(index as usize), WHEN.get(index as usize)) else {
        return false;
    };
    place.store(what, Ordering::Release);
    time.store(when, Ordering::Release);
    true
}

/// Enable masks of the registers that the flags' pins lie in.
const fn masks() -> [u32; 2] {
    let mut masks = [0; 2];
    let mut pin = FLAG_0;
    while pin < FLAG_0 + FLAGS {
        masks[(pin / PINS_PER_REGISTER) as usize] |= (EDGE_LOW | EDGE_HIGH) << (pin % PINS_PER_REGISTER * 4);
        pin += 1;
    }
    masks
}

fn unmask() {
    // SAFETY: the handler shares nothing with other code but atomics, and `take` masks it while it empties the queue.
    unsafe { NVIC::unmask(Interrupt::IO_IRQ_BANK0) };
}

#[interrupt]
// SAFETY: the start-up code copies `.data` into RAM, which can be executed, before any interrupt is let in.
#[unsafe(link_section = ".data.ram_text")]
fn IO_IRQ_BANK0() {
    let at = timer().timerawl().read().bits();
    let seen = [io_bank().proc0_ints(0).read().bits(), io_bank().proc0_ints(1).read().bits()];
    put!(io_bank().intr(0), seen[0]);
    put!(io_bank().intr(1), seen[1]);
    let levels = Levels::now().bits();
    for input in 0..FLAGS {
        let pin = FLAG_0 + input;
        let register = if pin < PINS_PER_REGISTER { seen[0] } else { seen[1] };
        let edges = register >> (pin % PINS_PER_REGISTER * 4) & (EDGE_LOW | EDGE_HIGH);
        if edges == 0 {
            continue;
        }
        // Low conducts. Both edges at once: a pulse shorter than this handler.
        let conducts = levels & bit(pin) == 0;
        if edges == EDGE_LOW | EDGE_HIGH {
            keep(input, !conducts, at);
        }
        keep(input, conducts, at);
    }
}

#[inline(always)]
fn keep(input: u8, conducts: bool, at: u32) {
    let held = HELD.load(Ordering::Relaxed);
    if put_at(held, u32::from(input) | if conducts { CONDUCTS } else { 0 }, at) {
        HELD.store(held + 1, Ordering::Release);
    } else {
        NVIC::mask(Interrupt::IO_IRQ_BANK0);
    }
}
