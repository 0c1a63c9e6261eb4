//! SPI 0 with three devices on it, each with its own mode and speed.

use core::convert::Infallible;

use embedded_hal::spi::{ErrorType, Mode, Operation, Phase, Polarity, SpiDevice};

use super::gpio::drive;
use super::registers::{put, spi};

/// Fastest that all converters take: 125 MHz / 8 (ADS8688 datasheet: 17 MHz).
pub(super) const FAST: u32 = 3;
/// For the shift register, which answers through a resistor: 125 MHz / 64.
pub(super) const SLOW: u32 = 31;

const PRESCALE: u32 = 2;
const ENABLE: u32 = 1 << 1;
const EIGHT_BITS: u32 = 7;
const NOT_EMPTY: u32 = 1 << 2;
const BUSY: u32 = 1 << 4;
/// Bytes that fit into the FIFO; every frame on this bus is shorter.
const FIFO_BYTES: usize = 8;
/// Looks at a bus that is to come to rest: several times what a full FIFO takes at the slow speed.
const PATIENCE: u32 = 2_000;

/// Makes the bus ready.
pub(super) fn start() {
    put!(spi().sspcpsr(), PRESCALE);
    put!(spi().sspcr1(), ENABLE);
}

/// Lets go of whatever was under way, for a board that stops itself. False: the bus has never been started.
pub(super) fn abandon() -> bool {
    if spi().sspcr1().read().bits() & ENABLE == 0 {
        return false;
    }
    for _ in 0..PATIENCE {
        if spi().sspsr().read().bits() & (BUSY | NOT_EMPTY) == 0 {
            return true;
        }
        spi().sspdr().read();
    }
    false
}

/// A device that is selected by a pin, low.
pub(super) struct Selected {
    select: u8,
    control: u32,
}

impl Selected {
    pub(super) fn new(select: u8, mode: Mode, speed: u32) -> Self {
        Self { select, control: control(mode, speed) }
    }
}

/// Exchanges bytes with whatever takes part without being selected.
pub(super) fn exchange(mode: Mode, speed: u32, bytes: &mut [u8]) {
    set(control(mode, speed));
    transfer(bytes);
}

impl ErrorType for Selected {
    type Error = Infallible;
}

impl SpiDevice for Selected {
    fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), Infallible> {
        set(self.control);
        drive(self.select, false);
        for operation in operations {
            match operation {
                Operation::Read(bytes) => {
                    bytes.fill(0);
                    transfer(bytes);
                }
                Operation::Write(bytes) => {
                    for piece in bytes.chunks(FIFO_BYTES) {
                        piece.iter().for_each(|byte| send(*byte));
                        piece.iter().for_each(|_| {
                            receive();
                        });
                    }
                }
                Operation::Transfer(read, write) => {
                    let length = read.len().max(write.len());
                    for index in 0..length {
                        send(write.get(index).copied().unwrap_or(0));
                        let byte = receive();
                        if let Some(place) = read.get_mut(index) {
                            *place = byte;
                        }
                    }
                }
                Operation::TransferInPlace(bytes) => transfer(bytes),
                Operation::DelayNs(time) => cortex_m::asm::delay(time.div_ceil(8)),
            }
        }
        // The last bit has been taken; the clock is back at rest before the device is let go.
        while spi().sspsr().read().bits() & BUSY != 0 {}
        drive(self.select, true);
        Ok(())
    }
}

fn control(mode: Mode, speed: u32) -> u32 {
    let phase = u32::from(mode.phase == Phase::CaptureOnSecondTransition) << 7;
    let polarity = u32::from(mode.polarity == Polarity::IdleHigh) << 6;
    speed << 8 | phase | polarity | EIGHT_BITS
}

fn set(control: u32) {
    if spi().sspcr0().read().bits() != control {
        put!(spi().sspcr1(), 0);
        put!(spi().sspcr0(), control);
        put!(spi().sspcr1(), ENABLE);
    }
}

fn transfer(bytes: &mut [u8]) {
    for piece in bytes.chunks_mut(FIFO_BYTES) {
        piece.iter().for_each(|byte| send(*byte));
        piece.iter_mut().for_each(|byte| *byte = receive());
    }
}

/// There is always room: no more than a FIFO is sent before as much has been received.
#[inline]
fn send(byte: u8) {
    put!(spi().sspdr(), u32::from(byte));
}

#[inline]
fn receive() -> u8 {
    while spi().sspsr().read().bits() & NOT_EMPTY == 0 {}
    spi().sspdr().read().bits() as u8
}
