//! What must hold for every input. Used by the fuzz targets and, over the committed corpus, by an ordinary test.
#![allow(dead_code, reason = "each target calls one of them")]

#[path = "planted.rs"]
mod planted;

use proofstand_protocol::frame::{
    Decoder, FrameBuffer, FrameError, Kind, MAX_FRAME, MAX_PAYLOAD, Message, Payload, decode_message,
    encode_raw,
};
use proofstand_protocol::message::{FixtureMessage, HostMessage};
use proofstand_protocol::version::{FixtureHello, HostHello};

use planted::planted;

/// Any bytes into the decoder: never more than one result per delimiter, bodies bounded, damage counted, frames the same
/// however the bytes are cut, and every intact frame encodes to bytes that decode to it again.
pub fn decoder(input: &[u8]) {
    let mut whole = Decoder::new();
    let mut single = Decoder::new();
    let mut one_by_one = input.iter();
    let (mut results, mut damaged) = (0, 0);
    let mut rest = input;
    while let Some(result) = whole.feed(&mut rest) {
        results += 1;
        let same = loop {
            let byte = one_by_one.next().expect("byte by byte gives as many results");
            if let Some(result) = single.push(*byte) {
                break result;
            }
        };
        assert_eq!(result, same);
        match result {
            Ok(payload) => intact(payload),
            Err(error) => damaged += u32::from(error.is_damage()),
        }
    }
    assert!(one_by_one.all(|&byte| single.push(byte).is_none()));
    assert!(results <= input.iter().filter(|&&byte| byte == 0).count());
    assert_eq!(whole.damage().total(), damaged);
    planted(results == 5 && damaged == 3);

    // Whatever was before: a whole frame is read.
    let mut frame = [0; MAX_FRAME];
    let len = encode_raw(Kind::Message, b"next", &mut frame).expect("fits");
    let mut bytes = &frame[..len];
    let mut last = None;
    while let Some(result) = whole.feed(&mut bytes) {
        last = Some(result.map(|payload| payload.body == b"next"));
    }
    assert_eq!(last, Some(Ok(true)));
}

fn intact(payload: Payload<'_>) {
    assert!(payload.body.len() < MAX_PAYLOAD);
    let mut frame = [0; MAX_FRAME];
    let len = encode_raw(payload.kind, payload.body, &mut frame).expect("what came in a frame fits one");
    let mut decoder = Decoder::new();
    assert_eq!(decoder.feed(&mut &frame[..len]), Some(Ok(payload)));
    match payload.kind {
        Kind::Message => message(payload.body),
        Kind::HostHello => drop(HostHello::from_bytes(payload.body)),
        Kind::FixtureHello => drop(FixtureHello::from_bytes(payload.body)),
    }
}

/// Any bytes as the body of a message of either direction: refused, or a message that is framed and read again as itself.
pub fn message(body: &[u8]) {
    both_ways::<HostMessage>(body);
    both_ways::<FixtureMessage>(body);
}

fn both_ways<T: Message + PartialEq + std::fmt::Debug>(body: &[u8]) {
    match decode_message::<T>(Payload { kind: Kind::Message, body }) {
        Ok(message) => {
            let mut buffer = FrameBuffer::new();
            let mut frame = buffer.message(&message).expect("every message fits a frame");
            let mut decoder = Decoder::new();
            let payload = decoder.feed(&mut frame).expect("a frame").expect("intact");
            assert!(payload.body.len() <= body.len(), "the shortest encoding");
            assert_eq!(decode_message::<T>(payload), Ok(message));
            planted(body.len() > 30 && body.ends_with(b"7"));
        }
        Err(error) => assert!(matches!(error, FrameError::BadBody | FrameError::TrailingBytes)),
    }
}
