//! The firmware found itself wrong: outputs safe, cause kept, reset.

use core::panic::PanicInfo;

use cortex_m_rt::{ExceptionFrame, exception};

use super::gpio::make_safe;
use super::registers::{put, watchdog};

/// Watchdog control: reset now (RP2040 datasheet, 4.7.6).
const TRIGGER: u32 = 1 << 31;

#[panic_handler]
fn panic(info: &PanicInfo) -> ! {
    cortex_m::interrupt::disable();
    make_safe();
    defmt::error!("{}", defmt::Display2Format(info));
    reset()
}

/// A fault of the processor: a stray address, an instruction that is none.
#[exception]
unsafe fn HardFault(_frame: &ExceptionFrame) -> ! {
    cortex_m::interrupt::disable();
    make_safe();
    reset()
}

fn reset() -> ! {
    put!(watchdog().ctrl(), TRIGGER);
    loop {
        cortex_m::asm::nop();
    }
}
