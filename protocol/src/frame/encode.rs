//! Messages and greetings to frames.

use super::{CRC, CRC_BYTES, DELIMITER, FRAME_OVERHEAD, FrameError, Kind, MAX_FRAME, Message};
use crate::version::{FixtureHello, HostHello};

const STUFFED_FROM: usize = 1;
const PAYLOAD_FROM: usize = 2;

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
/// [`FrameError::NoRoom`] where `out` is too short or the body longer than [`MAX_PAYLOAD`](super::MAX_PAYLOAD) − 1.
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
pub(super) fn stuff(block: &mut [u8]) {
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
