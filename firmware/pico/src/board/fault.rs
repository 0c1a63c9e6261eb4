//! The firmware found itself wrong: outputs safe, reason kept, reset. The start after it reports
//! [`proofstand_protocol::message::ResetCause::Panic`].

use core::panic::PanicInfo;

use cortex_m_rt::{ExceptionFrame, exception};

use super::registers::{put, watchdog};
use super::{analog, gpio, retained, stack};

/// Watchdog control: reset now (RP2040 datasheet, 4.7.6).
const TRIGGER: u32 = 1 << 31;

/// Why the firmware stopped itself.
#[derive(Clone, Copy)]
pub(super) enum Reason {
    /// A panic; the words are the two latest return addresses on the stack. The first may lie in the core library.
    Panic = 1,
    /// A fault of the processor; the words are the stacked program counter and link register.
    HardFault = 2,
    /// A handler entered a critical section.
    CriticalSection = 3,
    /// An interrupt without a handler.
    StrayInterrupt = 4,
    /// The chip did not set itself up.
    NoBoard = 5,
}

/// Outputs safe, reason kept, reset.
pub(super) fn stop(reason: Reason) -> ! {
    stop_with(reason, (0, 0))
}

fn stop_with(reason: Reason, detail: (u32, u32)) -> ! {
    cortex_m::interrupt::disable();
    gpio::make_safe();
    retained::note_stop(reason as u32, detail);
    // Last, since it is the longest, and the reset comes even if it does not end: nobody feeds the watchdog.
    analog::make_safe();
    loop {
        put!(watchdog().ctrl(), TRIGGER);
    }
}

/// The message and its place are not looked at: the linker then leaves all of them out, a tenth of the image. Two
/// return addresses say the same to whoever has the image (`addr2line -fie proofstand-pico ADDRESS`).
#[panic_handler]
fn panic(_: &PanicInfo) -> ! {
    stop_with(Reason::Panic, stack::callers())
}

/// A stray address, an instruction that is none.
// SAFETY: it does not return, and touches only registers, atomics and the SPI bus, which it takes from whoever held it.
#[exception]
unsafe fn HardFault(frame: &ExceptionFrame) -> ! {
    stop_with(Reason::HardFault, (frame.pc(), frame.lr()))
}

// SAFETY: as `HardFault`: it does not return.
#[exception]
unsafe fn DefaultHandler(_number: i16) {
    stop(Reason::StrayInterrupt)
}
