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

use core::fmt;

use cobs::{DecodeResult, DecoderState};
use crc::{CRC_32_ISO_HDLC, Crc};
use serde::Serialize;
use serde::de::DeserializeOwned;

use crate::message::{FixtureMessage, HostMessage};
use crate::version::{FixtureHello, HostHello};

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
const STUFFED_FROM: usize = 1;
const PAYLOAD_FROM: usize = 2;

// In a static, so that the 1 KiB table is there once and not at every use.
static CRC: Crc<u32> = Crc::<u32>::new(&CRC_32_ISO_HDLC);

/// What the body of a payload is, from its first byte.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[repr(u8)]
pub enum Kind {
    /// `H`: the greeting of a host, fixed layout, see [`HostHello`].
    HostHello = 0x48,
    /// `h`: the greeting of a fixture, fixed layout, see [`FixtureHello`].
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

/// Writes a message as a frame to the start of `out` and gives the frame's length.
///
/// # Errors
/// [`FrameError::NoRoom`] where `out` is too short; [`MAX_FRAME`] bytes are always enough.
pub fn encode_message<T: Message>(message: &T, out: &mut [u8]) -> Result<usize, FrameError> {
    encode(Kind::Message, out, |body| {
        postcard::to_slice(message, body).map(|used| used.len()).map_err(|_| FrameError::NoRoom)
    })
}

/// Writes the greeting of a host as a frame to the start of `out` and gives the frame's length.
///
/// # Errors
/// [`FrameError::NoRoom`] where `out` is too short.
pub fn encode_host_hello(hello: &HostHello, out: &mut [u8]) -> Result<usize, FrameError> {
    encode_raw(Kind::HostHello, &hello.to_bytes(), out)
}

/// Writes the greeting of a fixture as a frame to the start of `out` and gives the frame's length.
///
/// # Errors
/// [`FrameError::NoRoom`] where `out` is too short.
pub fn encode_fixture_hello(hello: &FixtureHello, out: &mut [u8]) -> Result<usize, FrameError> {
    encode_raw(Kind::FixtureHello, &hello.to_bytes(), out)
}

/// Writes any body as a frame of a kind: for greetings of other lengths, and to feed a peer bodies that no
/// [`Message`] makes.
///
/// # Errors
/// [`FrameError::NoRoom`] where `out` is too short or the body longer than [`MAX_PAYLOAD`] − 1.
pub fn encode_raw(kind: Kind, body: &[u8], out: &mut [u8]) -> Result<usize, FrameError> {
    encode(kind, out, |room| {
        room.get_mut(..body.len()).ok_or(FrameError::NoRoom)?.copy_from_slice(body);
        Ok(body.len())
    })
}

fn encode(
    kind: Kind,
    out: &mut [u8],
    write_body: impl FnOnce(&mut [u8]) -> Result<usize, FrameError>,
) -> Result<usize, FrameError> {
    let room = out.len().min(MAX_FRAME);
    let out = out.get_mut(..room).ok_or(FrameError::NoRoom)?;
    let payload_room = room.checked_sub(FRAME_OVERHEAD).filter(|&n| n > 0).ok_or(FrameError::NoRoom)?;
    let (head, rest) = out.split_at_mut_checked(PAYLOAD_FROM).ok_or(FrameError::NoRoom)?;
    head.fill(0);

    let payload = rest.get_mut(..payload_room).ok_or(FrameError::NoRoom)?;
    let (first, body) = payload.split_first_mut().ok_or(FrameError::NoRoom)?;
    *first = kind as u8;
    let payload_len = 1 + write_body(body)?;

    let (payload, tail) = rest.split_at_mut_checked(payload_len).ok_or(FrameError::NoRoom)?;
    let crc = CRC.checksum(payload).to_le_bytes();
    tail.get_mut(..CRC_BYTES).ok_or(FrameError::NoRoom)?.copy_from_slice(&crc);
    *tail.get_mut(CRC_BYTES).ok_or(FrameError::NoRoom)? = DELIMITER;

    let end = PAYLOAD_FROM + payload_len + CRC_BYTES;
    stuff(out.get_mut(STUFFED_FROM..end).ok_or(FrameError::NoRoom)?);
    Ok(end + 1)
}

/// COBS in place. The first byte is 0 and becomes the first code; every 0 becomes the distance to the next one, or to
/// the end. For 254 bytes and fewer that is all there is to COBS: no block is long enough to need a code of its own.
fn stuff(block: &mut [u8]) {
    let mut distance: u8 = 1;
    for byte in block.iter_mut().rev() {
        if *byte == 0 {
            *byte = distance;
            distance = 1;
        } else {
            // At most 255, at the first byte of the longest block.
            distance = distance.wrapping_add(1);
        }
    }
}

/// Room for one frame, for callers that want no slice of their own.
#[derive(Debug, Clone)]
pub struct FrameBuffer {
    bytes: [u8; MAX_FRAME],
}

impl Default for FrameBuffer {
    fn default() -> Self {
        Self::new()
    }
}

impl FrameBuffer {
    /// An empty buffer.
    pub const fn new() -> Self {
        Self { bytes: [0; MAX_FRAME] }
    }

    /// The message as a frame.
    ///
    /// # Errors
    /// As [`encode_message`]; no message of this protocol is too long.
    pub fn message<T: Message>(&mut self, message: &T) -> Result<&[u8], FrameError> {
        let len = encode_message(message, &mut self.bytes)?;
        self.bytes.get(..len).ok_or(FrameError::NoRoom)
    }

    /// The greeting of a host as a frame.
    ///
    /// # Errors
    /// As [`encode_host_hello`]; the greeting always fits.
    pub fn host_hello(&mut self, hello: &HostHello) -> Result<&[u8], FrameError> {
        let len = encode_host_hello(hello, &mut self.bytes)?;
        self.bytes.get(..len).ok_or(FrameError::NoRoom)
    }

    /// The greeting of a fixture as a frame.
    ///
    /// # Errors
    /// As [`encode_fixture_hello`]; the greeting always fits.
    pub fn fixture_hello(&mut self, hello: &FixtureHello) -> Result<&[u8], FrameError> {
        let len = encode_fixture_hello(hello, &mut self.bytes)?;
        self.bytes.get(..len).ok_or(FrameError::NoRoom)
    }
}

/// The payload of an intact frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Payload<'a> {
    /// What the body is.
    pub kind: Kind,
    /// The bytes behind the kind byte.
    pub body: &'a [u8],
}

/// Reads the message that a payload carries.
///
/// # Errors
/// [`FrameError::WrongKind`] for a greeting, [`FrameError::BadBody`] for bytes that are no `T`,
/// [`FrameError::TrailingBytes`] for a `T` with bytes behind it.
pub fn decode_message<T: Message>(payload: Payload<'_>) -> Result<T, FrameError> {
    if payload.kind != Kind::Message {
        return Err(FrameError::WrongKind(payload.kind));
    }
    match postcard::take_from_bytes::<T>(payload.body) {
        Ok((message, [])) => Ok(message),
        Ok(_) => Err(FrameError::TrailingBytes),
        Err(_) => Err(FrameError::BadBody),
    }
}

/// How many frames a decoder found damaged, by what was wrong. Each stops at its largest value.
#[derive(Debug, Default, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Damage {
    /// [`FrameError::Malformed`].
    pub malformed: u32,
    /// [`FrameError::TooLong`].
    pub too_long: u32,
    /// [`FrameError::TooShort`].
    pub too_short: u32,
    /// [`FrameError::BadCrc`].
    pub bad_crc: u32,
}

impl Damage {
    /// All of them.
    pub const fn total(&self) -> u32 {
        self.malformed
            .saturating_add(self.too_long)
            .saturating_add(self.too_short)
            .saturating_add(self.bad_crc)
    }

    fn count(&mut self, error: FrameError) {
        let counter = match error {
            FrameError::Malformed => &mut self.malformed,
            FrameError::TooLong => &mut self.too_long,
            FrameError::TooShort => &mut self.too_short,
            FrameError::BadCrc => &mut self.bad_crc,
            _ => return,
        };
        *counter = counter.saturating_add(1);
    }
}

/// Finds frames in a stream of bytes. A delimiter always ends whatever was before it, so one damaged stretch gives one
/// error and the next frame is read again. Nothing between two delimiters is nothing, and silent.
#[derive(Debug)]
pub struct Decoder {
    state: DecoderState,
    buffer: [u8; MAX_PAYLOAD + CRC_BYTES],
    len: usize,
    overlong: bool,
    damage: Damage,
}

impl Default for Decoder {
    fn default() -> Self {
        Self::new()
    }
}

impl Decoder {
    /// A decoder that has seen nothing yet.
    pub const fn new() -> Self {
        Self {
            state: DecoderState::Idle,
            buffer: [0; MAX_PAYLOAD + CRC_BYTES],
            len: 0,
            overlong: false,
            damage: Damage { malformed: 0, too_long: 0, too_short: 0, bad_crc: 0 },
        }
    }

    /// The damaged frames so far.
    pub const fn damage(&self) -> Damage {
        self.damage
    }

    /// Takes one byte. A result comes with a delimiter that ends a frame or a damaged stretch, else `None`.
    pub fn push(&mut self, byte: u8) -> Option<Result<Payload<'_>, FrameError>> {
        self.take(byte).map(|ended| self.finish(ended))
    }

    /// Takes bytes up to and with the delimiter that ends the next frame or damaged stretch, and moves `bytes` past
    /// them. `None`: all bytes are taken and no result came. Call it until then:
    ///
    /// ```
    /// # use proofstand_protocol::frame::{Decoder, decode_message};
    /// # use proofstand_protocol::message::FixtureMessage;
    /// # let (mut decoder, received) = (Decoder::new(), [0u8; 3]);
    /// let mut bytes: &[u8] = &received;
    /// while let Some(result) = decoder.feed(&mut bytes) {
    ///     let message = result.and_then(decode_message::<FixtureMessage>);
    /// }
    /// ```
    pub fn feed(&mut self, bytes: &mut &[u8]) -> Option<Result<Payload<'_>, FrameError>> {
        while let Some((&byte, rest)) = bytes.split_first() {
            *bytes = rest;
            if let Some(ended) = self.take(byte) {
                return Some(self.finish(ended));
            }
        }
        None
    }

    /// Forgets a frame begun, for a link that was opened anew. The damage counted stays.
    pub fn reset(&mut self) {
        self.state = DecoderState::Idle;
        self.len = 0;
        self.overlong = false;
    }

    /// `Some`: the byte ended a stretch, of that many bytes or with that error.
    #[inline]
    fn take(&mut self, byte: u8) -> Option<Result<usize, FrameError>> {
        if self.overlong {
            if byte != DELIMITER {
                return None;
            }
            self.reset();
            return Some(Err(FrameError::TooLong));
        }
        match self.state.feed(byte) {
            Ok(DecodeResult::NoData) => None,
            Ok(DecodeResult::DataStart) => {
                self.len = 0;
                None
            }
            Ok(DecodeResult::DataContinue(data)) => {
                match self.buffer.get_mut(self.len) {
                    Some(place) => {
                        *place = data;
                        self.len += 1;
                    }
                    None => self.overlong = true,
                }
                None
            }
            Ok(DecodeResult::DataComplete) => Some(Ok(self.len)),
            Err(_) => Some(Err(FrameError::Malformed)),
        }
    }

    fn finish(&mut self, ended: Result<usize, FrameError>) -> Result<Payload<'_>, FrameError> {
        let checked = ended.and_then(|len| check(self.buffer.get(..len).unwrap_or(&[])));
        if let Err(error) = checked {
            self.damage.count(error);
        }
        checked
    }
}

fn check(stretch: &[u8]) -> Result<Payload<'_>, FrameError> {
    let (payload, crc) = stretch.split_last_chunk::<CRC_BYTES>().ok_or(FrameError::TooShort)?;
    let (&kind, body) = payload.split_first().ok_or(FrameError::TooShort)?;
    if CRC.checksum(payload) != u32::from_le_bytes(*crc) {
        return Err(FrameError::BadCrc);
    }
    let kind = Kind::from_byte(kind).ok_or(FrameError::UnknownKind(kind))?;
    Ok(Payload { kind, body })
}

#[cfg(test)]
mod tests {
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
