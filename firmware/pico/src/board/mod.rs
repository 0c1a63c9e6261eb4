//! Everything that knows the chip. This module and those below it are the only ones with `unsafe` code: registers,
//! memory that a reset spares, the boot ROM's flash routines. Each use says why it is sound.
#![allow(unsafe_code)]

use defmt_rtt as _;

mod boot;
pub(crate) mod clock;
mod fault;
mod gpio;
mod registers;
pub(crate) mod usb;
mod watchdog;

use proofstand_firmware::fixture::{Identity, Start};
use proofstand_protocol::version::{Capabilities, FirmwareVersion};
use rp2040_hal::clocks::init_clocks_and_plls;
use rp2040_hal::pac;

pub(crate) use gpio::Gpio;
pub(crate) use usb::Port;
pub(crate) use watchdog::Watchdog;

/// The Pico's crystal (Raspberry Pi Pico datasheet, 2.1).
const CRYSTAL_HZ: u32 = 12_000_000;

/// Bits of the reset controller (RP2040 datasheet, 2.14.3).
const RESET_IO_BANK: u32 = 1 << 5;
const RESET_PADS: u32 = 1 << 8;
const RESET_TIMER: u32 = 1 << 21;

/// The board, set up and safe: 0 V asked for, enable open, contacts open, nothing ticking yet.
pub(crate) struct Board {
    pub(crate) gpio: Gpio,
    pub(crate) port: Port,
    pub(crate) watchdog: Watchdog,
    pub(crate) identity: Identity,
    pub(crate) start: Start,
}

/// Sets the board up. Everything that can fail here panics, which leads to a reset with the outputs safe.
#[allow(clippy::expect_used, reason = "there is no board to run on without these")]
pub(crate) fn start() -> Board {
    let mut chip = pac::Peripherals::take().expect("taken once, here");
    restart(&chip.RESETS, RESET_IO_BANK | RESET_PADS);
    let gpio = Gpio::new();
    let start = Start { epoch: 1, ..Start::default() };
    let mut dog = rp2040_hal::Watchdog::new(chip.WATCHDOG);
    let clocks = init_clocks_and_plls(
        CRYSTAL_HZ,
        chip.XOSC,
        chip.CLOCKS,
        chip.PLL_SYS,
        chip.PLL_USB,
        &mut chip.RESETS,
        &mut dog,
    )
    .ok()
    .expect("the crystal and both PLLs run");
    let watchdog = Watchdog::start(dog);
    restart(&chip.RESETS, RESET_TIMER);
    let serial = [0; 8];
    let identity = Identity {
        capabilities: Capabilities::NONE,
        firmware: FirmwareVersion { major: 0, minor: 1, patch: 0 },
        simulated: false,
        controller_serial: serial,
        analog_serial: serial,
    };
    let port = Port::new(chip.USBCTRL_REGS, chip.USBCTRL_DPRAM, clocks.usb_clock, &mut chip.RESETS, &serial);
    clock::start();
    Board { gpio, port, watchdog, identity, start }
}

/// Resets blocks of the chip, and waits until they are there again.
fn restart(resets: &pac::RESETS, blocks: u32) {
    // SAFETY: nothing uses these blocks yet.
    resets.reset().modify(|read, w| unsafe { w.bits(read.bits() | blocks) });
    // SAFETY: as above.
    resets.reset().modify(|read, w| unsafe { w.bits(read.bits() & !blocks) });
    while resets.reset_done().read().bits() & blocks != blocks {}
}
