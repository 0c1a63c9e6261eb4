//! Critical sections that leave the measuring handlers alone.
//!
//! Only the main loop enters critical sections (USB, logging, read-modify-write of atomics); the handlers share nothing
//! with it but single loads and stores. So nothing has to be switched off, and no tick or edge waits for a USB packet to
//! be copied. A handler that enters one all the same is a mistake, and is treated as a fault.

use critical_section::{Impl, RawRestoreState, set_impl};

struct MainLoopOnly;
set_impl!(MainLoopOnly);

// SAFETY: the module says why exclusion holds; `acquire` enforces its condition.
unsafe impl Impl for MainLoopOnly {
    // SAFETY: returns in the main loop only, which nothing that enters a critical section can interrupt.
    unsafe fn acquire() -> RawRestoreState {
        if !in_main_loop() {
            super::fault::stop(super::fault::Reason::CriticalSection);
        }
    }

    // SAFETY: nothing was switched off, so there is nothing to give back, in whatever order.
    unsafe fn release(_state: RawRestoreState) {}
}

/// Whether no handler runs.
pub(super) fn in_main_loop() -> bool {
    let ipsr: u32;
    // SAFETY: reads a register that says which handler runs; touches nothing else.
    unsafe { core::arch::asm!("mrs {}, IPSR", out(reg) ipsr, options(nomem, nostack, preserves_flags)) };
    ipsr & 0x3f == 0
}
