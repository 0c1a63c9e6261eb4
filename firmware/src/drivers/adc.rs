//! Input converter of the ADS8684/ADS8688 class: 16 bits, ±10.24 V, offset binary, several channels in turn.
//!
//! Frames of 32 bits: a 16-bit command, then the 16-bit result of the channel that the frame *before* selected.
//! Program registers are written by frames of 24 bits: seven-bit address, write bit, data, and a byte in which the
//! converter repeats the data (the repetition is from memory).

use embedded_hal::spi::{MODE_1, Mode, SpiDevice};

/// Clock idle low, data on the falling edge (the kernel's driver asks for it).
pub const MODE: Mode = MODE_1;

/// Channels in use: terminal, converter, torque, speed, in the order of [`crate::calibration::Channel`].
pub const CHANNELS: u8 = 4;

const NO_OPERATION: u8 = 0x00;
const RESET: u8 = 0x85;
const SELECT: u8 = 0xc0;
const RANGE_OF_CHANNEL_0: u8 = 0x05;
const WRITE: u8 = 1;
/// ±2.5 times the reference of 4.096 V: ±10.24 V.
const RANGE_PLUS_MINUS_10_24_V: u8 = 0;
/// ±1.25 times the reference. Written first, since a line that is stuck low would repeat the 0 that is wanted.
const RANGE_PLUS_MINUS_5_12_V: u8 = 1;

/// Why the converter can't be used.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum AdcError<E> {
    /// The bus reports an error.
    Bus(E),
    /// A range register does not repeat what was written: absent, unpowered, or wired wrongly.
    Range {
        /// The channel.
        channel: u8,
        /// What was repeated.
        read: u8,
    },
    /// There is no such channel.
    Channel(u8),
}

impl<E> From<E> for AdcError<E> {
    fn from(error: E) -> Self {
        Self::Bus(error)
    }
}

/// The input converter.
#[derive(Debug)]
pub struct Adc<SPI> {
    spi: SPI,
}

impl<SPI: SpiDevice> Adc<SPI> {
    /// Resets the converter and sets all channels in use to ±10.24 V.
    ///
    /// # Errors
    /// [`AdcError`].
    pub fn start(spi: SPI) -> Result<Self, AdcError<SPI::Error>> {
        let mut adc = Self { spi };
        adc.command(RESET)?;
        for channel in 0..CHANNELS {
            let address = (RANGE_OF_CHANNEL_0 + channel) << 1;
            for range in [RANGE_PLUS_MINUS_5_12_V, RANGE_PLUS_MINUS_10_24_V] {
                let mut frame = [address | WRITE, range, 0];
                adc.spi.transfer_in_place(&mut frame)?;
                let [_, _, read] = frame;
                if read != range {
                    return Err(AdcError::Range { channel, read });
                }
            }
        }
        Ok(adc)
    }

    /// Converts some channels in the given order: one frame more than there are channels, since each result comes
    /// one frame late. The first frame's result is of whatever was selected before, and is not used.
    ///
    /// # Errors
    /// [`AdcError::Channel`] before anything is sent; [`AdcError::Bus`].
    pub fn read<const N: usize>(&mut self, channels: [u8; N]) -> Result<[u16; N], AdcError<SPI::Error>> {
        if let Some(channel) = channels.iter().find(|channel| **channel >= CHANNELS) {
            return Err(AdcError::Channel(*channel));
        }
        let select = |channel: &u8| SELECT | (channel << 2);
        let mut codes = [0; N];
        self.command(channels.first().map_or(NO_OPERATION, select))?;
        for (index, code) in codes.iter_mut().enumerate() {
            *code = self.command(channels.get(index + 1).map_or(NO_OPERATION, select))?;
        }
        Ok(codes)
    }

    /// Converts all channels in use.
    ///
    /// # Errors
    /// [`AdcError::Bus`].
    pub fn scan(&mut self) -> Result<[u16; CHANNELS as usize], AdcError<SPI::Error>> {
        self.read([0, 1, 2, 3])
    }

    /// Gives the bus back.
    pub fn release(self) -> SPI {
        self.spi
    }

    /// Sends a command; gives the result that comes with it.
    fn command(&mut self, command: u8) -> Result<u16, SPI::Error> {
        let mut frame = [command, 0, 0, 0];
        self.spi.transfer_in_place(&mut frame)?;
        let [_, _, high, low] = frame;
        Ok(u16::from_be_bytes([high, low]))
    }
}

#[cfg(test)]
mod tests {
    use embedded_hal::spi::ErrorKind;
    use embedded_hal_mock::eh1::spi::{Mock, Transaction};

    use super::*;
    use crate::command::input_voltage;

    fn frame(sent: &[u8], answer: &[u8]) -> [Transaction<u8>; 3] {
        [
            Transaction::transaction_start(),
            Transaction::transfer_in_place(sent.to_vec(), answer.to_vec()),
            Transaction::transaction_end(),
        ]
    }

    /// Reset and four range registers. Commands and addresses: Linux `ti-ads8688.c`.
    fn healthy_start() -> std::vec::Vec<Transaction<u8>> {
        let mut all = std::vec::Vec::from(frame(&[0x85, 0, 0, 0], &[0; 4]));
        for address in [0x0b, 0x0d, 0x0f, 0x11] {
            all.extend(frame(&[address, 1, 0], &[0, 0, 1]));
            all.extend(frame(&[address, 0, 0], &[0, 0, 0]));
        }
        all
    }

    #[test]
    fn a_scan_takes_five_frames_and_sorts_the_late_results() {
        let mut expected = healthy_start();
        expected.extend(frame(&[0xc0, 0, 0, 0], &[0, 0, 0xde, 0xad]));
        expected.extend(frame(&[0xc4, 0, 0, 0], &[0, 0, 0x80, 0x00]));
        expected.extend(frame(&[0xc8, 0, 0, 0], &[0, 0, 0x80, 0x02]));
        expected.extend(frame(&[0xcc, 0, 0, 0], &[0, 0, 0x00, 0x00]));
        expected.extend(frame(&[0x00, 0, 0, 0], &[0, 0, 0xff, 0xff]));
        let mut spi = Mock::new(&expected);
        let codes = Adc::start(spi.clone()).unwrap().scan().unwrap();
        assert_eq!(codes, [0x8000, 0x8002, 0x0000, 0xffff]);
        let volts = codes.map(|code| input_voltage(code).0);
        assert_eq!(volts, [0, 625, -10_240_000, 10_239_688]);
        spi.done();
    }

    #[test]
    fn a_choice_of_channels_is_read_in_its_order_and_a_channel_too_many_is_refused_unsent() {
        let mut expected = healthy_start();
        expected.extend(frame(&[0xcc, 0, 0, 0], &[0; 4]));
        expected.extend(frame(&[0xc8, 0, 0, 0], &[0, 0, 0x12, 0x34]));
        expected.extend(frame(&[0x00, 0, 0, 0], &[0, 0, 0x56, 0x78]));
        let mut spi = Mock::new(&expected);
        let mut adc = Adc::start(spi.clone()).unwrap();
        assert_eq!(adc.read([3, 2]), Ok([0x1234, 0x5678]));
        assert_eq!(adc.read([0, 4]), Err(AdcError::<ErrorKind>::Channel(4)));
        spi.done();
    }

    #[test]
    fn a_line_that_is_stuck_high_or_low_is_named() {
        for level in [0xff, 0x00] {
            let mut expected = std::vec::Vec::from(frame(&[0x85, 0, 0, 0], &[level; 4]));
            expected.extend(frame(&[0x0b, 1, 0], &[level; 3]));
            let mut spi = Mock::new(&expected);
            let error = Adc::start(spi.clone()).err();
            assert_eq!(error, Some(AdcError::<ErrorKind>::Range { channel: 0, read: level }));
            spi.done();
        }
    }
}
