//! Bytes to frames and back.
//!
//! A frame is `00`, then COBS of (payload and its CRC-32/ISO-HDLC, little-endian), then `00`. The payload is one
//! kind byte and a body. The payload is so bounded that payload and CRC fit one COBS block: a frame is always exactly
//! seven bytes longer than its payload, and encoding needs no second buffer.
//!
//! Sans-I/O: the encoder writes into a slice, the decoder takes bytes as they come. Neither allocates, waits or
//! panics, whatever the bytes.
//!
//! COBS: S. Cheshire, M. Baker, *Consistent Overhead Byte Stuffing*, IEEE/ACM Transactions on Networking 7(2), 1999.
//! CRC: CRC RevEng catalogue, CRC-32/ISO-HDLC. Bodies: postcard wire format 1.

mod decode;
mod encode;

use core::fmt;

use crc::{CRC_32_ISO_HDLC, Crc};
use serde::Serialize;
use serde::de::DeserializeOwned;

use crate::message::{FixtureMessage, HostMessage};

pub use decode::{Damage, Decoder, Payload, decode_message};
pub use encode::{FrameBuffer, encode_fixture_hello, encode_host_hello, encode_message, encode_raw};

/// Most bytes in a payload, the kind byte included. With the CRC that makes 254, the most that COBS carries behind
/// one code byte.
pub const MAX_PAYLOAD: usize = 250;
/// Most bytes in a frame, both delimiters included.
pub const MAX_FRAME: usize = MAX_PAYLOAD + FRAME_OVERHEAD;
/// Bytes a frame adds to its payload: two delimiters, one COBS code, four of CRC.
pub const FRAME_OVERHEAD: usize = 3 + CRC_BYTES;

/// The byte that parts frames and occurs nowhere inside one.
pub const DELIMITER: u8 = 0x00;

const CRC_BYTES: usize = 4;

/// On the board without a lookup table: it would be a kilobyte of flash, and a frame takes some 15 µs without. A host has the
/// room, and takes in thousands of frames for each second of a rehearsal.
#[cfg(target_os = "none")]
type Table = crc::NoTable;
#[cfg(not(target_os = "none"))]
type Table = crc::Table<16>;

// In a static, so that a table is there once and not at every use.
static CRC: Crc<u32, Table> = Crc::<u32, Table>::new(&CRC_32_ISO_HDLC);

/// What the body of a payload is, from its first byte.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[repr(u8)]
pub enum Kind {
    /// `H`: the greeting of a host, fixed layout, see [`HostHello`](crate::version::HostHello).
    HostHello = 0x48,
    /// `h`: the greeting of a fixture, fixed layout, see [`FixtureHello`](crate::version::FixtureHello).
    FixtureHello = 0x68,
    /// `M`: a [`HostMessage`] or [`FixtureMessage`] in postcard.
    Message = 0x4D,
}

impl Kind {
    /// The kind with this byte, if there is one.
    pub const fn from_byte(byte: u8) -> Option<Self> {
        match byte {
            0x48 => Some(Self::HostHello),
            0x68 => Some(Self::FixtureHello),
            0x4D => Some(Self::Message),
            _ => None,
        }
    }
}

/// Why bytes are no frame, a frame no message, or a message no frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum FrameError {
    /// The stuffing does not hold together: bytes were lost, added or damaged.
    Malformed,
    /// More than [`MAX_PAYLOAD`] bytes of payload before a delimiter.
    TooLong,
    /// Too few bytes for a kind and a CRC.
    TooShort,
    /// The CRC disagrees.
    BadCrc,
    /// An intact frame of a kind that this side does not know.
    UnknownKind(u8),
    /// An intact frame of another kind than the one asked for.
    WrongKind(Kind),
    /// The body is no such message: unknown variant, wrong value, or it ends too early.
    BadBody,
    /// The body is a message with bytes left over.
    TrailingBytes,
    /// The slice given for the frame is too short for it.
    NoRoom,
}

impl FrameError {
    /// True where bytes were damaged under way; false where an intact frame was not understood or not made.
    pub const fn is_damage(self) -> bool {
        matches!(self, Self::Malformed | Self::TooLong | Self::TooShort | Self::BadCrc)
    }
}

impl fmt::Display for FrameError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Malformed => f.write_str("damaged frame: the byte stuffing does not hold together"),
            Self::TooLong => write!(f, "damaged frame: no delimiter within {MAX_PAYLOAD} bytes of payload"),
            Self::TooShort => f.write_str("damaged frame: too short for a kind and a checksum"),
            Self::BadCrc => f.write_str("damaged frame: the checksum disagrees"),
            Self::UnknownKind(kind) => write!(f, "intact frame of the unknown kind 0x{kind:02X}"),
            Self::WrongKind(kind) => {
                write!(f, "intact frame of the kind {kind:?}, which was not expected here")
            }
            Self::BadBody => f.write_str("intact frame whose body is not a message of this protocol"),
            Self::TrailingBytes => f.write_str("intact frame with bytes left over behind its message"),
            Self::NoRoom => {
                f.write_str("the buffer is too short for the frame, or the message for any frame")
            }
        }
    }
}

impl core::error::Error for FrameError {}

/// A message that may be framed as [`Kind::Message`]. Sealed: [`HostMessage`] and [`FixtureMessage`] only, so that a
/// part of a message is never sent for the whole.
pub trait Message: Serialize + DeserializeOwned + sealed::Sealed {}

impl Message for HostMessage {}
impl Message for FixtureMessage {}

mod sealed {
    pub trait Sealed {}
    impl Sealed for crate::message::HostMessage {}
    impl Sealed for crate::message::FixtureMessage {}
}

#[cfg(test)]
mod tests {
    use super::encode::stuff;
    use super::*;

    fn reference(name: &str) -> csv::Reader<std::fs::File> {
        csv::Reader::from_path(format!("{}/../tests/reference/{name}", env!("CARGO_MANIFEST_DIR"))).unwrap()
    }

    fn bytes(hex: &str) -> Vec<u8> {
        let digit = |c: u8| char::from(c).to_digit(16).unwrap() as u8;
        hex.as_bytes().chunks(2).map(|pair| digit(pair[0]) << 4 | digit(pair[1])).collect()
    }

    /// Cheshire and Baker 1999, and the worked examples that the COBS implementations share.
    #[test]
    fn stuffing_agrees_with_the_published_vectors_both_ways() {
        let (mut within, mut beyond) = (0, 0);
        for row in reference("framing-cobs.csv").records() {
            let row = row.unwrap();
            let (plain, stuffed) = (bytes(&row[3]), bytes(&row[4]));

            let mut decoder = Decoder::new();
            let mut ended: Vec<_> = stuffed.iter().chain(&[0]).filter_map(|&b| decoder.take(b)).collect();
            let ended = ended.pop().unwrap();

            if plain.len() <= MAX_PAYLOAD + CRC_BYTES {
                let mut block = vec![0];
                block.extend(&plain);
                stuff(&mut block);
                assert_eq!(block, stuffed, "{}", &row[0]);
                assert_eq!(
                    (ended, &decoder.buffer[..plain.len()]),
                    (Ok(plain.len()), &*plain),
                    "{}",
                    &row[0]
                );
                within += 1;
            } else {
                assert_eq!(ended, Err(FrameError::TooLong), "{}", &row[0]);
                beyond += 1;
            }
        }
        assert!(within >= 11 && beyond >= 4, "{within} vectors within a frame, {beyond} longer than one");
    }

    /// Cheshire and Baker 1999: an exact run of 254 may come with a last code 01 behind it; a decoder takes both.
    #[test]
    fn a_redundant_last_code_after_254_bytes_is_taken() {
        let mut decoder = Decoder::new();
        let stuffed = [0xff].into_iter().chain(1..=254).chain([0x01, 0x00]);
        let ended: Vec<_> = stuffed.filter_map(|b| decoder.take(b)).collect();
        assert_eq!(ended, [Ok(254)]);
    }

    /// CRC RevEng catalogue, entry CRC-32/ISO-HDLC: check value over `123456789`, and residue.
    #[test]
    fn the_checksum_has_the_check_value_and_the_residue_of_the_catalogue() {
        let rows: Vec<_> = reference("framing-crc-check.csv").records().map(Result::unwrap).collect();
        let row = rows.iter().find(|row| &row[0] == "CRC-32/ISO-HDLC").unwrap();
        let [xorout, check, residue] = [7, 8, 9].map(|i| u32::from_str_radix(&row[i], 16).unwrap());

        let mut codeword = b"123456789".to_vec();
        assert_eq!(CRC.checksum(&codeword), check);
        codeword.extend(check.to_le_bytes());
        assert_eq!(CRC.checksum(&codeword) ^ xorout, residue);
    }

    #[test]
    fn the_longest_payload_makes_the_longest_frame_and_one_byte_more_makes_none() {
        let mut out = [0xaa; MAX_FRAME + 8];
        let body = [7; MAX_PAYLOAD];
        assert_eq!(encode_raw(Kind::Message, &body[1..], &mut out), Ok(MAX_FRAME));
        assert_eq!(out[MAX_FRAME..], [0xaa; 8], "nothing is written behind the frame");
        assert_eq!(encode_raw(Kind::Message, &body, &mut out), Err(FrameError::NoRoom));
        for room in 0..MAX_FRAME {
            assert_eq!(
                encode_raw(Kind::Message, &body[1..], &mut out[..room]),
                Err(FrameError::NoRoom),
                "{room}"
            );
        }
        assert_eq!(encode_raw(Kind::Message, &[], &mut out[..FRAME_OVERHEAD + 1]), Ok(FRAME_OVERHEAD + 1));
        assert_eq!(encode_raw(Kind::Message, &[], &mut out[..FRAME_OVERHEAD]), Err(FrameError::NoRoom));
    }
}
