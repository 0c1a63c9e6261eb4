//! Encoding and decoding of frames beside the bare crates (postcard, crc, cobs) put together by hand for the same work.
//!
//! `cargo bench -p proofstand-protocol` first takes turns between both, so that a change of clock or load meets both
//! alike, prints the ratio of the medians and fails above [`RATIO_MAX`]; then divan measures each message.
#![allow(clippy::expect_used, clippy::panic, reason = "a benchmark has nobody to report to but the terminal")]

#[path = "../tests/common/mod.rs"]
mod common;

use std::hint::black_box;
use std::time::{Duration, Instant};

use common::samples;
use divan::Bencher;
use proofstand_protocol::frame::{Decoder, MAX_FRAME, MAX_PAYLOAD, decode_message, encode_message};
use proofstand_protocol::message::FixtureMessage;

/// Encode and decode together may take this much of what the bare crates take.
const RATIO_MAX: f64 = 1.1;
const TURNS: usize = 2_001;
const ROUNDS_A_TURN: usize = 20;

static CRC: crc::Crc<u32> = crc::Crc::<u32>::new(&crc::CRC_32_ISO_HDLC);
const KIND: u8 = b'M';

const NAMES: [&str; 5] =
    ["samples/full", "samples/longest", "reply/status", "event/state/Live", "reply/chunk-full"];

fn messages() -> Vec<(String, FixtureMessage)> {
    samples::fixture().into_iter().filter(|(name, _)| NAMES.contains(&name.as_str())).collect()
}

fn ours(message: &FixtureMessage, decoder: &mut Decoder, frame: &mut [u8; MAX_FRAME]) -> FixtureMessage {
    let len = encode_message(black_box(message), frame).expect("fits");
    let mut bytes = black_box(&frame[..len]);
    let payload = decoder.feed(&mut bytes).expect("a frame").expect("intact");
    decode_message(payload).expect("a message")
}

fn by_hand(
    message: &FixtureMessage,
    plain: &mut [u8; MAX_PAYLOAD + 4],
    frame: &mut [u8; MAX_FRAME],
) -> FixtureMessage {
    plain[0] = KIND;
    let len = 1 + postcard::to_slice(black_box(message), &mut plain[1..MAX_PAYLOAD]).expect("fits").len();
    let crc = CRC.checksum(&plain[..len]).to_le_bytes();
    plain[len..len + 4].copy_from_slice(&crc);
    frame[0] = 0;
    let stuffed = cobs::encode(&plain[..len + 4], &mut frame[1..]);
    frame[1 + stuffed] = 0;

    let bytes = black_box(&frame[..stuffed + 2]);
    let len = cobs::decode(&bytes[1..], plain).expect("a frame").frame_size();
    let (payload, crc) = plain[..len].split_last_chunk::<4>().expect("long enough");
    assert!(CRC.checksum(payload) == u32::from_le_bytes(*crc) && payload[0] == KIND);
    let (message, rest) = postcard::take_from_bytes(&payload[1..]).expect("a message");
    assert!(rest.is_empty());
    message
}

fn time(mut work: impl FnMut()) -> Duration {
    let start = Instant::now();
    for _ in 0..ROUNDS_A_TURN {
        work();
    }
    start.elapsed()
}

fn median(mut times: Vec<Duration>) -> Duration {
    times.sort_unstable();
    times[times.len() / 2]
}

fn take_turns() -> f64 {
    let (mut plain, mut frame, mut decoder) = ([0; MAX_PAYLOAD + 4], [0; MAX_FRAME], Decoder::new());
    let mut total = [0.0; 2];
    for (name, message) in messages() {
        assert_eq!(ours(&message, &mut decoder, &mut frame), message);
        assert_eq!(by_hand(&message, &mut plain, &mut frame), message);
        let mut times = [Vec::new(), Vec::new()];
        for turn in 0..TURNS {
            // Who goes first changes too.
            for which in [turn % 2, 1 - turn % 2] {
                times[which].push(if which == 0 {
                    time(|| drop(black_box(ours(&message, &mut decoder, &mut frame))))
                } else {
                    time(|| drop(black_box(by_hand(&message, &mut plain, &mut frame))))
                });
            }
        }
        let [ours, by_hand] = times.map(|times| median(times).as_secs_f64() / ROUNDS_A_TURN as f64 * 1e9);
        println!(
            "{name:20} this crate {ours:7.0} ns, bare crates {by_hand:7.0} ns, ratio {:.2}",
            ours / by_hand
        );
        total = [total[0] + ours, total[1] + by_hand];
    }
    total[0] / total[1]
}

fn main() {
    // Under `cargo test` the harness asks with --test: one quick pass, no timing.
    if std::env::args().any(|argument| argument == "--bench") {
        let ratio = take_turns();
        println!("encode and decode, all together: {ratio:.2} of the bare crates (at most {RATIO_MAX})");
        if ratio > RATIO_MAX {
            std::process::exit(1);
        }
    }
    divan::main();
}

fn message(name: &str) -> FixtureMessage {
    messages().into_iter().find(|(known, _)| known == name).map(|(_, message)| message).expect("a known name")
}

#[divan::bench(args = NAMES)]
fn encode(bencher: Bencher<'_, '_>, name: &str) {
    let (message, mut frame) = (message(name), [0; MAX_FRAME]);
    bencher.bench_local(|| encode_message(black_box(&message), &mut frame));
}

#[divan::bench(args = NAMES)]
fn encode_and_decode(bencher: Bencher<'_, '_>, name: &str) {
    let (message, mut frame, mut decoder) = (message(name), [0; MAX_FRAME], Decoder::new());
    bencher.bench_local(|| ours(&message, &mut decoder, &mut frame));
}

#[divan::bench(args = NAMES)]
fn encode_and_decode_with_the_bare_crates(bencher: Bencher<'_, '_>, name: &str) {
    let (message, mut frame, mut plain) = (message(name), [0; MAX_FRAME], [0; MAX_PAYLOAD + 4]);
    bencher.bench_local(|| by_hand(&message, &mut plain, &mut frame));
}
