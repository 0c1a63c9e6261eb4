//! Output converter of the AD5761R class: 16 bits, ±10 V, offset binary, one channel.
//!
//! Frames of 24 bits: four bits that do not matter, a four-bit address, 16 bits of data; most significant first. A
//! register is read by a frame with its read address; its contents come with the frame after that.

use embedded_hal::spi::{MODE_1, Mode, SpiDevice};

use crate::command::CODE_ZERO;

/// Data are taken on the falling edge of the clock (from memory).
pub const MODE: Mode = MODE_1;

const NO_OPERATION: u8 = 0x0;
const WRITE_AND_UPDATE: u8 = 0x3;
const WRITE_CONTROL: u8 = 0x4;
const READ_DAC: u8 = 0xb;
const READ_CONTROL: u8 = 0xc;
const FULL_RESET: u8 = 0xf;

/// The frame that puts out 0 V, for a board that stops itself and has no driver at hand.
pub const ZERO_FRAME: [u8; 3] = {
    let [high, low] = CODE_ZERO.to_be_bytes();
    [WRITE_AND_UPDATE, high, low]
};

/// Range ±10 V in bits 2–0 (the kernel's first range is ±10 V).
const RANGE_PLUS_MINUS_10_V: u16 = 0b000;
/// Output after power-up at mid-scale, 0 V: bits 4–3 (from memory).
const POWER_UP_MID_SCALE: u16 = 0b01 << 3;
/// Internal reference on.
const INTERNAL_REFERENCE: u16 = 1 << 5;
/// Shut down when too hot.
const THERMAL_SHUTDOWN: u16 = 1 << 6;
/// The clear input leads to mid-scale, 0 V: bits 10–9 (from memory). Bits 8 (5 % over-range) and 7 (twos complement)
/// stay 0 (from memory).
const CLEAR_TO_MID_SCALE: u16 = 0b01 << 9;
const CONTROL: u16 =
    RANGE_PLUS_MINUS_10_V | POWER_UP_MID_SCALE | INTERNAL_REFERENCE | THERMAL_SHUTDOWN | CLEAR_TO_MID_SCALE;
/// Bits that can be written; those above report conditions (from memory).
const CONTROL_MASK: u16 = 0x07ff;

/// Why the converter can't be used.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum DacError<E> {
    /// The bus reports an error.
    Bus(E),
    /// The control register reads back otherwise than written: absent, unpowered, or reset by itself.
    Control {
        /// What it reads.
        read: u16,
    },
    /// The output register reads back otherwise than written.
    Code {
        /// What was written.
        written: u16,
        /// What it reads.
        read: u16,
    },
}

impl<E> From<E> for DacError<E> {
    fn from(error: E) -> Self {
        Self::Bus(error)
    }
}

/// The output converter.
#[derive(Debug)]
pub struct Dac<SPI> {
    spi: SPI,
}

impl<SPI: SpiDevice> Dac<SPI> {
    /// Resets the converter, sets it up and puts it on 0 V, and reads both back.
    ///
    /// # Errors
    /// [`DacError`]; the output must then be taken for anything within ±10 V.
    pub fn start(spi: SPI) -> Result<Self, DacError<SPI::Error>> {
        let mut dac = Self { spi };
        dac.frame(FULL_RESET, 0)?;
        dac.frame(WRITE_CONTROL, CONTROL)?;
        dac.write(CODE_ZERO)?;
        dac.check(CODE_ZERO)?;
        Ok(dac)
    }

    /// Puts out a code at once.
    ///
    /// # Errors
    /// [`DacError::Bus`].
    pub fn write(&mut self, code: u16) -> Result<(), DacError<SPI::Error>> {
        Ok(self.frame(WRITE_AND_UPDATE, code)?)
    }

    /// Reads the output register.
    ///
    /// # Errors
    /// [`DacError::Bus`].
    pub fn read(&mut self) -> Result<u16, DacError<SPI::Error>> {
        Ok(self.register(READ_DAC)?)
    }

    /// Checks that the converter is still set up and holds the code that was written. A converter that lost its
    /// supply for a moment shows here.
    ///
    /// # Errors
    /// [`DacError`].
    pub fn check(&mut self, written: u16) -> Result<(), DacError<SPI::Error>> {
        let control = self.register(READ_CONTROL)?;
        if control & CONTROL_MASK != CONTROL {
            return Err(DacError::Control { read: control });
        }
        let read = self.read()?;
        if read == written { Ok(()) } else { Err(DacError::Code { written, read }) }
    }

    /// Gives the bus back.
    pub fn release(self) -> SPI {
        self.spi
    }

    fn frame(&mut self, address: u8, data: u16) -> Result<(), SPI::Error> {
        let [high, low] = data.to_be_bytes();
        self.spi.write(&[address, high, low])
    }

    fn register(&mut self, address: u8) -> Result<u16, SPI::Error> {
        self.frame(address, 0)?;
        let mut frame = [NO_OPERATION, 0, 0];
        self.spi.transfer_in_place(&mut frame)?;
        let [_, high, low] = frame;
        Ok(u16::from_be_bytes([high, low]))
    }
}

#[cfg(test)]
mod tests {
    use embedded_hal::spi::ErrorKind;
    use embedded_hal_mock::eh1::spi::{Mock, Transaction};

    use super::*;

    fn write(bytes: [u8; 3]) -> [Transaction<u8>; 3] {
        [
            Transaction::transaction_start(),
            Transaction::write_vec(bytes.to_vec()),
            Transaction::transaction_end(),
        ]
    }

    fn read(address: u8, answer: [u8; 3]) -> [Transaction<u8>; 6] {
        let [a, b, c] = write([address, 0, 0]);
        let transfer = Transaction::transfer_in_place(vec![0, 0, 0], answer.to_vec());
        [a, b, c, Transaction::transaction_start(), transfer, Transaction::transaction_end()]
    }

    /// Reset, control word, mid-scale, both read back. Addresses: Linux `ad5761.c`; bits 3 and 9 from memory.
    fn healthy_start() -> std::vec::Vec<Transaction<u8>> {
        let mut all = std::vec::Vec::new();
        all.extend(write([0x0f, 0x00, 0x00]));
        all.extend(write([0x04, 0x02, 0x68]));
        all.extend(write([0x03, 0x80, 0x00]));
        all.extend(read(0x0c, [0x0c, 0x02, 0x68]));
        all.extend(read(0x0b, [0x0b, 0x80, 0x00]));
        all
    }

    #[test]
    fn the_start_resets_sets_up_goes_to_zero_and_reads_back() {
        let mut spi = Mock::new(&healthy_start());
        assert!(Dac::start(spi.clone()).is_ok());
        spi.done();
    }

    #[test]
    fn a_code_is_one_write_and_update_frame_and_a_check_reads_both_registers() {
        let mut expected = healthy_start();
        expected.extend(write([0x03, 0xc0, 0x01]));
        expected.extend(read(0x0c, [0x0c, 0x02, 0x68]));
        expected.extend(read(0x0b, [0x0b, 0xc0, 0x01]));
        expected.extend(read(0x0b, [0x0b, 0xc0, 0x01]));
        let mut spi = Mock::new(&expected);
        let mut dac = Dac::start(spi.clone()).unwrap();
        dac.write(0xc001).unwrap();
        assert_eq!(dac.check(0xc001), Ok(()));
        assert_eq!(dac.read(), Ok(0xc001));
        spi.done();
    }

    #[test]
    fn an_absent_converter_and_a_lost_code_are_named() {
        let mut expected = healthy_start();
        expected.truncate(9);
        expected.extend(read(0x0c, [0xff; 3]));
        let mut spi = Mock::new(&expected);
        assert_eq!(Dac::start(spi.clone()).err(), Some(DacError::<ErrorKind>::Control { read: 0xffff }));
        spi.done();

        let mut expected = healthy_start();
        expected.extend(read(0x0c, [0x0c, 0x12, 0x68]));
        expected.extend(read(0x0b, [0x0b, 0x00, 0x00]));
        let mut spi = Mock::new(&expected);
        let mut dac = Dac::start(spi.clone()).unwrap();
        let lost = dac.check(0x1234);
        assert_eq!(
            lost,
            Err(DacError::Code { written: 0x1234, read: 0 }),
            "conditions above bit 10 are ignored"
        );
        spi.done();
    }
}
