//! The chip's registers, for code that has no owner to borrow them from: interrupt handlers, and the panic handler.
//!
//! Each function gives a shared reference to one block. They are sound because register blocks live for ever at fixed
//! addresses and are accessed by volatile reads and writes only. That two places do not write the same register against
//! each other is kept by this crate: each block has one module that writes it, named beside it.

use rp2040_hal::pac;

macro_rules! blocks {
    ($($(#[$note:meta])* $name:ident: $block:ident as $kind:ty;)*) => {$(
        $(#[$note])*
        #[inline(always)]
        pub(super) fn $name() -> &'static $kind {
            // SAFETY: see the module.
            unsafe { &*pac::$block::PTR }
        }
    )*};
}

blocks! {
    /// Written by `gpio` and `fault` through its set, clear and toggle registers, each of which is atomic.
    sio: SIO as pac::sio::RegisterBlock;
    /// Written by `gpio`.
    io_bank: IO_BANK0 as pac::io_bank0::RegisterBlock;
    /// Written by `gpio`.
    pads: PADS_BANK0 as pac::pads_bank0::RegisterBlock;
    /// Written by `clock`: each alarm by its own handler alone.
    timer: TIMER as pac::timer::RegisterBlock;
    /// Written by `watchdog` and, for the last time, by `fault`.
    watchdog: WATCHDOG as pac::watchdog::RegisterBlock;
}

/// Writes a whole register.
macro_rules! put {
    ($register:expr, $value:expr) => {
        // SAFETY: no register of this chip can harm memory safety but those of DMA and flash, which have modules of
        // their own that say why their writes are sound.
        $register.write(|w| unsafe { w.bits($value) })
    };
}
pub(super) use put;
