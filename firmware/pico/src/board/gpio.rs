//! Pins: set up from the pin map, outputs on their safe levels before they drive anything.

use proofstand_pico::pins::{self, Direction, Function, PINS, Safe};
use proofstand_protocol::message::Chain;

use super::registers::{io_bank, pads, put, sio};

/// Functions of a pin (RP2040 datasheet, table 2 in 1.4.3 and 2.19.6.1).
const FUNCTION_SPI: u32 = 1;
const FUNCTION_SIO: u32 = 5;
/// Pad bits (RP2040 datasheet, 2.19.6.3): input enable, 4 mA, pull-up, pull-down, Schmitt trigger.
const PAD_INPUT: u32 = 1 << 6;
const PAD_4_MA: u32 = 1 << 4;
const PAD_PULL_UP: u32 = 1 << 3;
const PAD_PULL_DOWN: u32 = 1 << 2;
const PAD_SCHMITT: u32 = 1 << 1;

/// The pins that the main loop reads and drives.
pub(crate) struct Gpio {
    _set_up: (),
}

/// All levels at one instant.
#[derive(Clone, Copy)]
pub(crate) struct Levels(u32);

impl Gpio {
    /// Sets every pin of the map up.
    pub(super) fn new() -> Self {
        SET_UPS.iter().for_each(set_up);
        Self { _set_up: () }
    }

    /// Asks the enable relay to close or to open.
    pub(crate) fn enable(&mut self, closed: bool) {
        drive(pins::ENABLE_REQUEST, closed);
    }

    /// Changes the keep-alive pin's level once.
    pub(crate) fn keep_alive(&mut self) {
        put!(sio().gpio_out_xor(), bit(pins::KEEP_ALIVE));
    }

    /// The board's own light.
    pub(crate) fn light(&mut self, on: bool) {
        drive(pins::LIGHT, on);
    }
}

impl Levels {
    /// All levels now.
    #[inline(always)]
    pub(crate) fn now() -> Self {
        Self(sio().gpio_in().read().bits())
    }

    /// As stored by [`Self::bits`].
    #[inline(always)]
    pub(crate) const fn from_bits(bits: u32) -> Self {
        Self(bits)
    }

    /// To store them.
    #[inline(always)]
    pub(crate) const fn bits(self) -> u32 {
        self.0
    }

    /// Flag inputs, bit n = input n conducts.
    pub(crate) const fn flags(self) -> u8 {
        !(self.0 >> pins::FLAG_0) as u8
    }

    /// The stop chain, but for the guard, which does not come to a pin of the chip.
    pub(crate) const fn chain(self, guard: bool) -> Chain {
        Chain {
            stop: self.high(pins::STOP_SENSE),
            hold: self.high(pins::HOLD_SENSE),
            guard,
            relay: self.high(pins::RELAY_SENSE),
        }
    }

    /// The line receivers' alarm.
    pub(crate) const fn encoder_fault(self) -> bool {
        self.high(pins::ENCODER_LINE_FAULT)
    }

    /// The encoder's index.
    pub(crate) const fn index_high(self) -> bool {
        self.high(pins::ENCODER_INDEX)
    }

    const fn high(self, pin: u8) -> bool {
        self.0 & bit(pin) != 0
    }
}

/// Enable open. The keep-alive rests by itself.
#[inline(always)]
pub(super) fn make_safe() {
    drive(pins::ENABLE_REQUEST, false);
}

/// Drives an output pin.
#[inline(always)]
pub(super) fn drive(pin: u8, high: bool) {
    if high {
        put!(sio().gpio_out_set(), bit(pin));
    } else {
        put!(sio().gpio_out_clr(), bit(pin));
    }
}

/// Pulls an open-drain line low, or lets it go. Its output level is low from the start.
pub(super) fn pull_low(pin: u8, low: bool) {
    if low {
        put!(sio().gpio_oe_set(), bit(pin));
    } else {
        put!(sio().gpio_oe_clr(), bit(pin));
    }
}

/// A pin's level now.
pub(super) fn is_high(pin: u8) -> bool {
    Levels::now().high(pin)
}

/// The mask of a pin.
#[inline(always)]
pub(super) const fn bit(pin: u8) -> u32 {
    1 << pin
}

/// One pin's set-up: number, pad, function, whether it drives, and at which level it begins.
struct SetUp {
    gpio: u8,
    pad: u8,
    function: u8,
    drives: bool,
    high: bool,
}

/// The pin map as registers want it: worked out when the image is built, so that its words stay out of flash.
static SET_UPS: [SetUp; PINS.len()] = {
    let mut set_ups =
        [const { SetUp { gpio: 0, pad: 0, function: 0, drives: false, high: false } }; PINS.len()];
    let mut index = 0;
    while index < PINS.len() {
        let pin = &PINS[index];
        set_ups[index] = SetUp {
            gpio: pin.gpio,
            pad: (PAD_INPUT | PAD_4_MA | PAD_SCHMITT | pull(pin.gpio)) as u8,
            function: match pin.function {
                Function::Spi => FUNCTION_SPI,
                // A PIO block reads its pins whatever their function is.
                Function::Pio | Function::Gpio => FUNCTION_SIO,
            } as u8,
            drives: matches!(pin.direction, Direction::Out) && matches!(pin.function, Function::Gpio),
            high: matches!(pin.safe, Safe::High),
        };
        index += 1;
    }
    set_ups
};

/// What is not plugged in must read as not conducting, as open, or as a fault.
const fn pull(gpio: u8) -> u32 {
    match gpio {
        pins::ENCODER_LINE_FAULT | pins::SPI_RECEIVE | pins::IDENTITY_DATA | pins::IDENTITY_CLOCK => {
            PAD_PULL_UP
        }
        pins::STOP_SENSE | pins::HOLD_SENSE | pins::RELAY_SENSE => PAD_PULL_DOWN,
        flag if flag >= pins::FLAG_0 && flag < pins::FLAG_0 + pins::FLAGS => PAD_PULL_UP,
        _ => 0,
    }
}

fn set_up(pin: &SetUp) {
    let SetUp { gpio, pad, function, drives, high } = *pin;
    drive(gpio, high);
    put!(pads().gpio(usize::from(gpio)), u32::from(pad));
    if drives {
        put!(sio().gpio_oe_set(), bit(gpio));
    } else {
        put!(sio().gpio_oe_clr(), bit(gpio));
    }
    put!(io_bank().gpio(usize::from(gpio)).gpio_ctrl(), u32::from(function));
}
