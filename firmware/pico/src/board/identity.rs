//! The analog board's number, from the memory that it carries (24AA025E64 class): the calibration belongs to it, not to
//! the controller module that is plugged in.
//!
//! Read once, before anything runs, by a few lines of I2C in software.

use proofstand_pico::pins::{IDENTITY_CLOCK, IDENTITY_DATA};

use super::gpio::{is_high, pull_low};

/// Address of the memory, both address pins low (its datasheet: 1010 and the pins; from memory).
const MEMORY: u8 = 0x50;
/// Where the number of 64 bits lies (from memory).
const NUMBER_AT: u8 = 0xf8;
/// Half a bit at 50 kHz, in cycles of the processor at 125 MHz.
const HALF_BIT: u32 = 1_250;

/// The number; none if no memory answers or if it holds nothing but zeros or ones.
pub(super) fn read() -> Option<[u8; 8]> {
    let mut number = [0; 8];
    start();
    let mut there = write(MEMORY << 1) && write(NUMBER_AT);
    start();
    there = there && write(MEMORY << 1 | 1);
    if there {
        let last = number.len() - 1;
        for (index, byte) in number.iter_mut().enumerate() {
            *byte = take(index == last);
        }
    }
    stop();
    (there && number != [0; 8] && number != [0xff; 8]).then_some(number)
}

fn data(high: bool) {
    pull_low(IDENTITY_DATA, !high);
    cortex_m::asm::delay(HALF_BIT);
}

fn clock(high: bool) {
    pull_low(IDENTITY_CLOCK, !high);
    cortex_m::asm::delay(HALF_BIT);
}

/// Also after a transfer: both lines are let go first.
fn start() {
    data(true);
    clock(true);
    data(false);
    clock(false);
}

fn stop() {
    data(false);
    clock(true);
    data(true);
}

/// One bit out; the line's level while it lasts.
fn bit(out: bool) -> bool {
    data(out);
    clock(true);
    let level = is_high(IDENTITY_DATA);
    clock(false);
    level
}

/// True: acknowledged.
fn write(byte: u8) -> bool {
    for shift in (0..8).rev() {
        bit(byte >> shift & 1 != 0);
    }
    !bit(true)
}

fn take(last: bool) -> u8 {
    let byte = (0..8).fold(0, |byte, _| byte << 1 | u8::from(bit(true)));
    bit(last);
    byte
}
