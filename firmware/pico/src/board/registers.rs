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
    /// Written by `clock` and `burst`: each alarm by one handler, once it runs.
    timer: TIMER as pac::timer::RegisterBlock;
    /// Written by `watchdog`; its scratch registers by `retained`; and, for the last time, by `fault`.
    watchdog: WATCHDOG as pac::watchdog::RegisterBlock;
    /// Written by `state_machine` and `encoder`.
    pio0: PIO0 as pac::pio0::RegisterBlock;
    /// Written by `state_machine`.
    pio1: PIO1 as pac::pio0::RegisterBlock;
    /// Written by `dma`.
    dma: DMA as pac::dma::RegisterBlock;
    /// Written by `spi`.
    spi: SPI0 as pac::spi0::RegisterBlock;
    /// Only read.
    rosc: ROSC as pac::rosc::RegisterBlock;
    /// Written by `flash`, with interrupts off.
    qspi: IO_QSPI as pac::io_qspi::RegisterBlock;
    /// Written by `flash`, with interrupts off.
    ssi: XIP_SSI as pac::xip_ssi::RegisterBlock;
}

/// Writes a whole register.
macro_rules! put {
    ($register:expr, $value:expr) => {{
        // SAFETY: no register of this chip can harm memory safety but those of DMA and flash, which have modules of
        // their own that say why their writes are sound.
        #[allow(unused_unsafe, reason = "some callers are unsafe themselves")]
        $register.write(|w| unsafe { w.bits($value) })
    }};
}
pub(super) use put;
