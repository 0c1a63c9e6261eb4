//! Which pin does what: the numbers that the image uses, and the only place where it has them from.
//!
//! A test holds [`PINS`] against `hardware/pins.toml`.

/// Data line of the memory that holds the analog board's number (I2C, by software; driven low or let go).
pub const IDENTITY_DATA: u8 = 0;
/// Clock line of that memory.
pub const IDENTITY_CLOCK: u8 = 1;
/// Encoder phase A. B and index must follow it: the PIO reads three pins in a row.
pub const ENCODER_A: u8 = 2;
/// Encoder phase B.
pub const ENCODER_B: u8 = 3;
/// Encoder index.
pub const ENCODER_INDEX: u8 = 4;
/// Flag input 0; the other seven follow it. Low: the input conducts (its coupler pulls down).
pub const FLAG_0: u8 = 5;
/// The line receivers' alarm. High: a pair is open, shorted or unpowered.
pub const ENCODER_LINE_FAULT: u8 = 13;
/// For an oscilloscope: high from the tick's sample to the command's frame.
pub const TRIGGER: u8 = 14;
/// Latch of the contacts' shift registers: out on the rising edge, in while low.
pub const CONTACT_LATCH: u8 = 15;
/// SPI, from the converters and the shift register.
pub const SPI_RECEIVE: u8 = 16;
/// Select of the output converter; low selects.
pub const OUTPUT_CONVERTER_SELECT: u8 = 17;
/// SPI clock.
pub const SPI_CLOCK: u8 = 18;
/// SPI, to the converters and the shift register.
pub const SPI_TRANSMIT: u8 = 19;
/// Select of the input converter; low selects.
pub const INPUT_CONVERTER_SELECT: u8 = 20;
/// Enable relay. High asks to close it; the keep-alive pump must run as well.
pub const ENABLE_REQUEST: u8 = 21;
/// Keep-alive: the enable relay drops when it stops changing, at either level.
pub const KEEP_ALIVE: u8 = 22;
/// The board's own light.
pub const LIGHT: u8 = 25;
/// Fixture stop. High: closed, the button is not pressed. A broken wire reads as pressed.
pub const STOP_SENSE: u8 = 26;
/// Hold-to-run. High: held.
pub const HOLD_SENSE: u8 = 27;
/// A contact of the enable relay. High: the relay has really closed.
pub const RELAY_SENSE: u8 = 28;

/// Flag inputs.
pub const FLAGS: u8 = 8;

/// What a pin is used with.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Function {
    /// A PIO block.
    Pio,
    /// SPI 0.
    Spi,
    /// The processor itself.
    Gpio,
}

/// Which way a pin goes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Direction {
    /// Into the board.
    In,
    /// Out of the board.
    Out,
}

/// The level of an output that is safe, and that it has from the start.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Safe {
    /// Either will do.
    Any,
    /// Low.
    Low,
    /// High.
    High,
    /// Whichever, as long as it does not change.
    Static,
}

/// One line of the pin map.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Pin {
    /// GPIO number.
    pub gpio: u8,
    /// What it does.
    pub role: &'static str,
    /// What it is used with.
    pub function: Function,
    /// Which way.
    pub direction: Direction,
    /// Its safe level, if it is an output.
    pub safe: Safe,
}

const fn input(gpio: u8, role: &'static str, function: Function) -> Pin {
    Pin { gpio, role, function, direction: Direction::In, safe: Safe::Any }
}

const fn output(gpio: u8, role: &'static str, function: Function, safe: Safe) -> Pin {
    Pin { gpio, role, function, direction: Direction::Out, safe }
}

/// The whole pin map. The board sets its pins up from this table.
pub const PINS: [Pin; 27] = [
    input(IDENTITY_DATA, "identity data", Function::Gpio),
    input(IDENTITY_CLOCK, "identity clock", Function::Gpio),
    input(ENCODER_A, "encoder A", Function::Pio),
    input(ENCODER_B, "encoder B", Function::Pio),
    input(ENCODER_INDEX, "encoder index", Function::Pio),
    input(FLAG_0, "flag 0", Function::Gpio),
    input(FLAG_0 + 1, "flag 1", Function::Gpio),
    input(FLAG_0 + 2, "flag 2", Function::Gpio),
    input(FLAG_0 + 3, "flag 3", Function::Gpio),
    input(FLAG_0 + 4, "flag 4", Function::Gpio),
    input(FLAG_0 + 5, "flag 5", Function::Gpio),
    input(FLAG_0 + 6, "flag 6", Function::Gpio),
    input(FLAG_0 + 7, "flag 7", Function::Gpio),
    input(ENCODER_LINE_FAULT, "encoder line fault", Function::Gpio),
    output(TRIGGER, "trigger", Function::Gpio, Safe::Low),
    output(CONTACT_LATCH, "contact latch", Function::Gpio, Safe::Low),
    input(SPI_RECEIVE, "spi receive", Function::Spi),
    output(OUTPUT_CONVERTER_SELECT, "output converter select", Function::Gpio, Safe::High),
    output(SPI_CLOCK, "spi clock", Function::Spi, Safe::Any),
    output(SPI_TRANSMIT, "spi transmit", Function::Spi, Safe::Any),
    output(INPUT_CONVERTER_SELECT, "input converter select", Function::Gpio, Safe::High),
    output(ENABLE_REQUEST, "enable request", Function::Gpio, Safe::Low),
    output(KEEP_ALIVE, "keep-alive", Function::Gpio, Safe::Static),
    output(LIGHT, "light", Function::Gpio, Safe::Any),
    input(STOP_SENSE, "stop sense", Function::Gpio),
    input(HOLD_SENSE, "hold-to-run sense", Function::Gpio),
    input(RELAY_SENSE, "enable relay sense", Function::Gpio),
];
