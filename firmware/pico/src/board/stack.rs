//! How much of the stack has been used, and by whom. The start-up code paints it (`paint-stack` of cortex-m-rt).

use core::sync::atomic::{AtomicU32, Ordering};

use cortex_m_rt::STACK_PAINT_VALUE;

unsafe extern "C" {
    /// Set by the linker script: lowest word of the stack, and the word above its highest.
    static _stack_end: u32;
    static _stack_start: u32;
    /// Set by the linker script: the code in flash, and the word behind it.
    static __stext: u32;
    static __etext: u32;
}

/// Lowest word of the stack that was seen used; 0: none has been looked for.
static LOWEST: AtomicU32 = AtomicU32::new(0);
/// So many painted bytes in a row are taken for the end of what was used: no frame leaves out more.
const GAP: u32 = 4_096;

/// Bytes of stack that have ever been used, and that there are. Looks on from where it came to the last time, so that it
/// takes less than a tenth of a tick.
pub(crate) fn used() -> (u32, u32) {
    let (end, start) = (&raw const _stack_end as u32, &raw const _stack_start as u32);
    let known = LOWEST.load(Ordering::Relaxed);
    let mut lowest = if known == 0 { cortex_m::register::msp::read() } else { known };
    let mut at = lowest;
    while at > end && lowest - at < GAP {
        at -= 4;
        // SAFETY: within the stack, word-aligned; nothing below the stack pointer is written meanwhile but by handlers,
        // whose words are read whole.
        let word = unsafe { (at as *const u32).read_volatile() };
        if word != STACK_PAINT_VALUE {
            lowest = at;
        }
    }
    LOWEST.store(lowest, Ordering::Relaxed);
    (start.saturating_sub(lowest), start.saturating_sub(end))
}

/// The two latest return addresses on the stack, 0 for none. What lies there is taken for one if it leads into the code,
/// right behind a call.
pub(super) fn callers() -> (u32, u32) {
    let (code, end) = (&raw const __stext as u32, &raw const __etext as u32);
    let top = &raw const _stack_start as u32;
    let mut at = cortex_m::register::msp::read();
    let mut found = [0; 2];
    for place in &mut found {
        while at < top && *place == 0 {
            // SAFETY: within the stack, word-aligned.
            let word = unsafe { (at as *const u32).read_volatile() };
            if word & 1 == 1 && word > code + 4 && word < end && is_behind_call(word & !1) {
                *place = word & !1;
            }
            at += 4;
        }
    }
    let [latest, before] = found;
    (latest, before)
}

/// Whether a call ends here: `BL`, or `BLX` by a register (Armv6-M Architecture Reference Manual, A6.7.13 and A6.7.14).
fn is_behind_call(address: u32) -> bool {
    // SAFETY: the caller has seen that it lies in the code, which is mapped, and that there are four bytes before it.
    let half = |back: u32| unsafe { ((address - back) as *const u16).read_volatile() };
    let (first, second) = (half(4), half(2));
    (first >> 11 == 0b11110 && second & 0xd000 == 0xd000) || second & 0xff87 == 0x4780
}
