//! How much of the stack has been used. The start-up code paints it (`paint-stack` of cortex-m-rt).

use cortex_m_rt::STACK_PAINT_VALUE;

unsafe extern "C" {
    /// Set by the linker script: lowest word of the stack, and the word above its highest.
    static _stack_end: u32;
    static _stack_start: u32;
}

/// Bytes of stack that have ever been used, and that there are.
pub(crate) fn used() -> (u32, u32) {
    let lowest = &raw const _stack_end;
    let bytes = (&raw const _stack_start as u32).saturating_sub(lowest as u32);
    let mut untouched = 0;
    while untouched < bytes {
        // SAFETY: within the stack, word-aligned; nothing below the stack pointer is written meanwhile but by handlers,
        // whose words are read whole.
        let word = unsafe { lowest.byte_add(untouched as usize).read_volatile() };
        if word != STACK_PAINT_VALUE {
            break;
        }
        untouched += 4;
    }
    (bytes - untouched, bytes)
}
