//! Bytes to frames, frames to messages.

use cobs::{DecodeResult, DecoderState};

use super::{CRC, CRC_BYTES, DELIMITER, FrameError, Kind, MAX_PAYLOAD, Message};

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
    pub(super) buffer: [u8; MAX_PAYLOAD + CRC_BYTES],
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
    pub(super) fn take(&mut self, byte: u8) -> Option<Result<usize, FrameError>> {
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
