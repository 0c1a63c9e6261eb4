//! Everything that knows the chip. This module and those below it are the only ones with `unsafe` code: registers,
//! memory that a reset spares, the boot ROM's flash routines. Each use says why it is sound.
#![allow(unsafe_code)]

pub(crate) mod analog;
mod arithmetic;
mod boot;
mod burst;
pub(crate) mod clock;
mod critical;
mod dma;
pub(crate) mod encoder;
mod exclusive;
mod fault;
pub(crate) mod flags;
mod flash;
mod gpio;
mod identity;
mod memory;
mod programs;
mod registers;
pub(crate) mod retained;
mod spi;
pub(crate) mod stack;
mod state_machine;
pub(crate) mod usb;
mod watchdog;

use defmt_rtt as _;
use proofstand_firmware::fixture::Identity;
use proofstand_protocol::version::{Capabilities, FirmwareVersion};
use rp2040_hal::clocks::init_clocks_and_plls;
use rp2040_hal::pac::{self, Interrupt};

pub(crate) use burst::Burst;
pub(crate) use flash::CalibrationFlash;
pub(crate) use gpio::Gpio;
pub(crate) use usb::Port;
pub(crate) use watchdog::Watchdog;

/// The Pico's crystal (Raspberry Pi Pico datasheet, 2.1).
const CRYSTAL_HZ: u32 = 12_000_000;

/// Bits of the reset controller (RP2040 datasheet, 2.14.3).
const RESET_DMA: u32 = 1 << 2;
const RESET_IO_BANK: u32 = 1 << 5;
const RESET_PADS: u32 = 1 << 8;
const RESET_PIO0: u32 = 1 << 10;
const RESET_PIO1: u32 = 1 << 11;
const RESET_SPI0: u32 = 1 << 16;
const RESET_TIMER: u32 = 1 << 21;

/// Priorities, a smaller number first: the two top bits count. Handlers of one priority do not interrupt each other.
const PRIORITIES: [(Interrupt, u8); 7] = [
    (Interrupt::TIMER_IRQ_0, 0x00),
    (Interrupt::TIMER_IRQ_1, 0x00),
    (Interrupt::IO_IRQ_BANK0, 0x40),
    (Interrupt::TIMER_IRQ_2, 0x80),
    (Interrupt::TIMER_IRQ_3, 0x80),
    (Interrupt::SW0_IRQ, 0x80),
    (Interrupt::USBCTRL_IRQ, 0xc0),
];

/// The board, set up and safe: 0 V, enable open, contacts open.
pub(crate) struct Board {
    pub(crate) gpio: Gpio,
    pub(crate) port: Port,
    pub(crate) watchdog: Watchdog,
    pub(crate) burst: Burst,
    pub(crate) flash: CalibrationFlash,
    pub(crate) identity: Identity,
    pub(crate) found: retained::Found,
}

/// There is no board to run on: outputs safe, reset.
pub(crate) fn stop() -> ! {
    fault::stop(fault::Reason::NoBoard)
}

/// Sets the board up. If something fails there is no board to run on.
pub(crate) fn start() -> Board {
    let (Some(mut chip), Some(mut core)) = (pac::Peripherals::take(), cortex_m::Peripherals::take()) else {
        stop()
    };
    restart(&chip.RESETS, RESET_IO_BANK | RESET_PADS);
    let gpio = Gpio::new();
    let mut watchdog = Watchdog::new(chip.WATCHDOG);
    let found = retained::find();
    let Ok(clocks) = init_clocks_and_plls(
        CRYSTAL_HZ,
        chip.XOSC,
        chip.CLOCKS,
        chip.PLL_SYS,
        chip.PLL_USB,
        &mut chip.RESETS,
        watchdog.inner(),
    ) else {
        stop()
    };
    restart(&chip.RESETS, RESET_TIMER | RESET_DMA | RESET_PIO0 | RESET_PIO1 | RESET_SPI0);
    let serial = flash::unique_id();
    let port = Port::new(chip.USBCTRL_REGS, chip.USBCTRL_DPRAM, clocks.usb_clock, &mut chip.RESETS, &serial);
    analog::start();
    encoder::start();
    for (interrupt, priority) in PRIORITIES {
        // SAFETY: no code relies on an order of handlers that is not this one.
        unsafe { core.NVIC.set_priority(interrupt, priority) };
    }
    flags::start();
    clock::start();
    let flash = CalibrationFlash::new();
    Board { gpio, port, watchdog, burst: Burst::default(), flash, identity: identity(serial), found }
}

/// Without an answer from the analog board's memory the controller's number stands for both.
fn identity(serial: [u8; 8]) -> Identity {
    Identity {
        capabilities: Capabilities::POSITION_BURSTS
            | Capabilities::READOUT_BURSTS
            | Capabilities::LINE_BURSTS
            | Capabilities::SELF_CHECK
            | Capabilities::CALIBRATION_STORE
            | Capabilities::GUARD_CONTACT
            | Capabilities::SPEED_READOUT
            | Capabilities::TORQUE_READOUT
            | Capabilities::ENCODER_LINE_FAULT
            | Capabilities::METER_LEVELS,
        firmware: version(),
        simulated: false,
        controller_serial: serial,
        analog_serial: identity::read().unwrap_or(serial),
    }
}

const fn version() -> FirmwareVersion {
    const fn number(text: &str) -> u16 {
        let bytes = text.as_bytes();
        let (mut value, mut index) = (0, 0);
        while index < bytes.len() {
            value = value * 10 + (bytes[index] - b'0') as u16;
            index += 1;
        }
        value
    }
    FirmwareVersion {
        major: number(env!("CARGO_PKG_VERSION_MAJOR")),
        minor: number(env!("CARGO_PKG_VERSION_MINOR")),
        patch: number(env!("CARGO_PKG_VERSION_PATCH")),
    }
}

/// Resets blocks of the chip, and waits until they are there again.
fn restart(resets: &pac::RESETS, blocks: u32) {
    // SAFETY: nothing uses these blocks yet.
    resets.reset().modify(|read, w| unsafe { w.bits(read.bits() | blocks) });
    // SAFETY: as above.
    resets.reset().modify(|read, w| unsafe { w.bits(read.bits() & !blocks) });
    while resets.reset_done().read().bits() & blocks != blocks {}
}
