//! Frames over a bad line: what is lost, what is told, what never gets through.
#![allow(clippy::expect_used, clippy::panic, reason = "a test file, its functions without #[test] too")]

mod common;

use common::samples;
use proofstand_protocol::frame::{
    Damage, Decoder, FRAME_OVERHEAD, FrameBuffer, FrameError, Kind, MAX_FRAME, MAX_PAYLOAD, decode_message,
    encode_raw,
};
use proofstand_protocol::message::{FixtureMessage, HostMessage};
use proptest::prelude::*;

type Outcome = Result<(Kind, Vec<u8>), FrameError>;

fn frame(kind: Kind, body: &[u8]) -> Vec<u8> {
    let mut out = [0; MAX_FRAME];
    let len = encode_raw(kind, body, &mut out).expect("the body fits");
    out[..len].to_vec()
}

fn outcomes(decoder: &mut Decoder, mut bytes: &[u8]) -> Vec<Outcome> {
    let mut all = Vec::new();
    while let Some(result) = decoder.feed(&mut bytes) {
        all.push(result.map(|payload| (payload.kind, payload.body.to_vec())));
    }
    all
}

fn decode(bytes: &[u8]) -> Vec<Outcome> {
    outcomes(&mut Decoder::new(), bytes)
}

fn sample_frames() -> Vec<Vec<u8>> {
    let mut buffer = FrameBuffer::new();
    let mut frames = Vec::new();
    for (_, message) in samples::host() {
        frames.push(buffer.message(&message).expect("fits").to_vec());
    }
    for (_, message) in samples::fixture() {
        frames.push(buffer.message(&message).expect("fits").to_vec());
    }
    frames.push(buffer.host_hello(&samples::HOST_HELLO).expect("fits").to_vec());
    frames.push(buffer.fixture_hello(&samples::FIXTURE_HELLO).expect("fits").to_vec());
    frames
}

#[test]
fn every_message_comes_back_and_is_seven_bytes_longer_as_a_frame() {
    let mut buffer = FrameBuffer::new();
    let mut decoder = Decoder::new();
    for (name, message) in samples::host() {
        let mut bytes = buffer.message(&message).expect("fits");
        assert!(!bytes[1..bytes.len() - 1].contains(&0), "{name}: a delimiter within the frame");
        let length = bytes.len();
        let payload = decoder.feed(&mut bytes).expect("a frame").expect("intact");
        assert_eq!(length, 1 + payload.body.len() + FRAME_OVERHEAD, "{name}");
        assert_eq!(decode_message::<HostMessage>(payload).as_ref(), Ok(&message), "{name}");
    }
    for (name, message) in samples::fixture() {
        let mut bytes = buffer.message(&message).expect("fits");
        let payload = decoder.feed(&mut bytes).expect("a frame").expect("intact");
        assert_eq!(decode_message::<FixtureMessage>(payload).as_ref(), Ok(&message), "{name}");
    }
    assert_eq!(decoder.damage(), Damage::default());
}

#[test]
fn a_body_with_bytes_left_over_or_missing_is_no_message() {
    let mut body = [0u8; 64];
    let message = HostMessage::Beat { sample: 300 };
    let len = postcard::to_slice(&message, &mut body).expect("fits").len();
    let read = |body: &[u8]| {
        let bytes = frame(Kind::Message, body);
        let mut decoder = Decoder::new();
        decode_message::<HostMessage>(decoder.feed(&mut &*bytes).expect("a frame").expect("intact"))
    };
    assert_eq!(read(&body[..len]), Ok(message));
    assert_eq!(read(&body[..=len]), Err(FrameError::TrailingBytes));
    assert_eq!(read(&body[..len - 1]), Err(FrameError::BadBody));
    assert_eq!(read(&[]), Err(FrameError::BadBody));
    assert_eq!(read(&[0x7f]), Err(FrameError::BadBody), "an unknown variant");
    // A chunk that says it is longer than chunks may be.
    assert_eq!(
        read(&[&[0x00, 0x01, 0x0f, 0x00, 0x81, 0x01][..], &[5; 129]].concat()),
        Err(FrameError::BadBody)
    );
}

#[test]
fn a_greeting_is_never_taken_for_a_message() {
    let bytes = frame(Kind::HostHello, &samples::HOST_HELLO.to_bytes());
    let mut decoder = Decoder::new();
    let payload = decoder.feed(&mut &*bytes).expect("a frame").expect("intact");
    assert_eq!(decode_message::<HostMessage>(payload), Err(FrameError::WrongKind(Kind::HostHello)));
}

#[test]
fn an_intact_frame_of_an_unknown_kind_is_told_but_is_no_damage() {
    // Kind 0x51 and no body, made with the bare crates.
    let crc = crc::Crc::<u32>::new(&crc::CRC_32_ISO_HDLC).checksum(&[0x51]).to_le_bytes();
    let plain = [&[0x51][..], &crc].concat();
    let mut stuffed = [0; 16];
    let len = cobs::encode(&plain, &mut stuffed[1..]);
    let mut decoder = Decoder::new();
    assert_eq!(outcomes(&mut decoder, &stuffed[..len + 2]), [Err(FrameError::UnknownKind(0x51))]);
    assert_eq!(decoder.damage().total(), 0);
}

#[test]
fn nothing_between_delimiters_is_silent() {
    let mut decoder = Decoder::new();
    assert_eq!(outcomes(&mut decoder, &[0; 1000]), []);
    assert_eq!(decoder.damage().total(), 0);
}

#[test]
fn an_over_long_stretch_is_told_once_at_its_delimiter_and_the_next_frame_is_read() {
    let mut decoder = Decoder::new();
    for (length, code) in [(100_000, 0x02), (100_000, 0xff), (100_000, 0x01), (256, 0x01)] {
        assert_eq!(outcomes(&mut decoder, &vec![code; length]), []);
        let good = frame(Kind::Message, &[1, 2, 3]);
        assert_eq!(
            outcomes(&mut decoder, &good),
            [Err(FrameError::TooLong), Ok((Kind::Message, vec![1, 2, 3]))],
            "{length} bytes of {code:#04x}"
        );
    }
    assert_eq!(decoder.damage(), Damage { too_long: 4, ..Damage::default() });
}

#[test]
fn each_kind_of_damage_is_counted_as_such() {
    let good = frame(Kind::Message, &[9; 20]);
    let mut bad_crc = good.clone();
    bad_crc[12] ^= 0x10;
    let mut decoder = Decoder::new();
    let line = [&good[..10], &[0], &bad_crc, &[0x03, 0x05, 0x05, 0x00], &[0xff; 400], &good].concat();
    let told = outcomes(&mut decoder, &line);
    let expected = [
        Err(FrameError::Malformed),
        Err(FrameError::BadCrc),
        Err(FrameError::TooShort),
        Err(FrameError::TooLong),
        Ok((Kind::Message, vec![9; 20])),
    ];
    assert_eq!(told, expected);
    assert_eq!(decoder.damage(), Damage { malformed: 1, bad_crc: 1, too_short: 1, too_long: 1 });
    assert_eq!(decoder.damage().total(), 4);
}

#[test]
fn a_link_opened_anew_forgets_the_frame_begun() {
    let good = frame(Kind::Message, &[1, 2, 3]);
    let mut decoder = Decoder::new();
    assert_eq!(outcomes(&mut decoder, &good[..6]), []);
    decoder.reset();
    assert_eq!(outcomes(&mut decoder, &good), [Ok((Kind::Message, vec![1, 2, 3]))]);
}

/// Every byte of every sample frame, changed to every other value: 255 × some 3100 bytes. A COBS code that is damaged
/// moves zeros, so that this is more than a burst of eight bits and the guarantee of the CRC alone does not cover it.
#[test]
fn no_single_damaged_byte_ever_yields_another_message() {
    let mut tried = 0u32;
    for good in sample_frames() {
        let whole = decode(&good);
        assert!(matches!(whole[..], [Ok(_)]));
        for at in 0..good.len() {
            let mut bad = good.clone();
            for flip in 1..=255u8 {
                bad[at] = good[at] ^ flip;
                // A further delimiter, for frames whose own was hit.
                bad.push(0);
                for outcome in decode(&bad) {
                    assert!(
                        outcome.is_err() || outcome == whole[0],
                        "byte {at} ^ {flip:#04x} of {good:02x?}"
                    );
                }
                bad.pop();
                tried += 1;
            }
        }
    }
    assert!(tried > 750_000, "{tried}");
}

/// Both delimiters are sent, so a frame does not depend on what was before it.
#[test]
fn a_frame_cut_short_anywhere_costs_that_frame_and_none_after_it() {
    let (first, second) = (frame(Kind::Message, &[0, 1, 0, 2, 0]), frame(Kind::HostHello, &[3, 0, 4]));
    for cut in 2..first.len() - 1 {
        let told = decode(&[&first[..cut], &second[..]].concat());
        assert_eq!(told.len(), 2, "cut at {cut}: {told:?}");
        assert!(told[0].is_err());
        assert_eq!(told[1], Ok((Kind::HostHello, vec![3, 0, 4])));
    }
}

fn kind() -> impl Strategy<Value = Kind> {
    prop_oneof![Just(Kind::HostHello), Just(Kind::FixtureHello), Just(Kind::Message)]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2_000))]

    #[test]
    fn any_payload_comes_back(kind in kind(), body in prop::collection::vec(any::<u8>(), 0..MAX_PAYLOAD)) {
        prop_assert_eq!(decode(&frame(kind, &body)), [Ok((kind, body))]);
    }

    /// The library's own COBS encoder, over the same bytes, as the second opinion.
    #[test]
    fn frames_are_what_the_bare_crates_make(body in prop::collection::vec(0u8..4, 0..MAX_PAYLOAD)) {
        let mut plain = vec![Kind::Message as u8];
        plain.extend(&body);
        plain.extend(crc::Crc::<u32>::new(&crc::CRC_32_ISO_HDLC).checksum(&plain).to_le_bytes());
        let mut by_hand = vec![0; cobs::max_encoding_length(plain.len()) + 2];
        let len = cobs::encode(&plain, &mut by_hand[1..]);
        by_hand.truncate(len + 2);
        prop_assert_eq!(frame(Kind::Message, &body), by_hand);
    }

    #[test]
    fn rubbish_before_frames_costs_none_of_them(
        rubbish in prop::collection::vec(any::<u8>(), 0..600),
        bodies in prop::collection::vec(prop::collection::vec(any::<u8>(), 0..MAX_PAYLOAD), 1..4),
    ) {
        let mut line = rubbish.clone();
        bodies.iter().for_each(|body| line.extend(frame(Kind::Message, body)));
        let mut decoder = Decoder::new();
        let told = outcomes(&mut decoder, &line);
        let frames: Vec<_> = bodies.into_iter().map(|body| Ok((Kind::Message, body))).collect();
        prop_assert!(told.ends_with(&frames));
        let errors = told.len() - frames.len();
        let stretches = rubbish.split(|&byte| byte == 0).filter(|stretch| !stretch.is_empty()).count();
        prop_assert_eq!(errors, stretches, "one error for each stretch of rubbish");
        prop_assert_eq!(decoder.damage().total() as usize, errors);
    }

    #[test]
    fn lost_doubled_and_changed_bytes_cost_at_most_the_frames_they_touch(
        bodies in prop::collection::vec(prop::collection::vec(any::<u8>(), 0..60), 3..6),
        hit in 0usize..3,
        at in any::<prop::sample::Index>(),
        what in 0u8..3,
        byte in any::<u8>(),
    ) {
        let mut frames: Vec<_> = bodies.iter().map(|body| frame(Kind::Message, body)).collect();
        let at = at.index(frames[hit].len());
        match what {
            0 => drop(frames[hit].remove(at)),
            1 => frames[hit].insert(at, byte),
            _ => frames[hit][at] = byte,
        }
        let told: Vec<_> = decode(&frames.concat()).into_iter().flatten().map(|(_, body)| body).collect();
        // Only the frame that was hit may be missing: a lost delimiter has its twin in the neighbour's.
        let without: Vec<_> = bodies.iter().enumerate().filter(|(i, _)| *i != hit).map(|(_, b)| b.clone()).collect();
        prop_assert!(told == bodies || told == without, "{:?}", told);
    }

    #[test]
    fn random_bytes_never_panic_and_how_they_are_cut_changes_nothing(
        bytes in prop::collection::vec(prop_oneof![3 => any::<u8>(), 1 => Just(0)], 0..2_000),
        cut in 1usize..64,
    ) {
        let at_once = decode(&bytes);
        let mut decoder = Decoder::new();
        let in_pieces: Vec<_> = bytes.chunks(cut).flat_map(|piece| outcomes(&mut decoder, piece)).collect();
        prop_assert_eq!(&at_once, &in_pieces);

        let mut decoder = Decoder::new();
        let mut one_by_one = Vec::new();
        for &byte in &bytes {
            if let Some(result) = decoder.push(byte) {
                one_by_one.push(result.map(|payload| (payload.kind, payload.body.to_vec())));
            }
        }
        prop_assert_eq!(&at_once, &one_by_one);

        for (_, body) in at_once.into_iter().flatten() {
            prop_assert!(body.len() < MAX_PAYLOAD);
        }
    }

    #[test]
    fn any_body_is_a_message_or_refused_and_a_message_is_written_as_it_was_read(
        body in prop::collection::vec(any::<u8>(), 0..MAX_PAYLOAD),
    ) {
        let payload = proofstand_protocol::frame::Payload { kind: Kind::Message, body: &body };
        let mut out = [0; MAX_FRAME];
        if let Ok(message) = decode_message::<HostMessage>(payload) {
            let len = postcard::to_slice(&message, &mut out).expect("fits").len();
            let again = proofstand_protocol::frame::Payload { kind: Kind::Message, body: &out[..len] };
            prop_assert_eq!(decode_message::<HostMessage>(again), Ok(message));
        }
        if let Ok(message) = decode_message::<FixtureMessage>(payload) {
            let len = postcard::to_slice(&message, &mut out).expect("fits").len();
            let again = proofstand_protocol::frame::Payload { kind: Kind::Message, body: &out[..len] };
            prop_assert_eq!(decode_message::<FixtureMessage>(again), Ok(message));
        }
    }
}
