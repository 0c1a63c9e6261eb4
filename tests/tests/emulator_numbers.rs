//! The board's hard numbers, held: counting, index latch, tick to command, reply, stream, bursts. `cargo bench -p
//! proofstand-tests --bench board` prints them.
#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

use core::time::Duration;

use proofstand_protocol::message::BurstKind;
use proofstand_tests::emulator::measure::{Counted, Lines, burst, count, flag_error, timing};
use proofstand_tests::emulator::replies::{REQUESTS, replies};

fn holds(counted: &Counted) {
    assert_eq!(counted.lost(), 0, "{counted:?}");
    assert_eq!(counted.illegal, 0, "{counted:?}");
    let [latched, wrong, missed] = counted.latches;
    assert!(latched > 0 && wrong == 0 && missed == 0, "{counted:?}");
    let [samples, dropped, gaps] = counted.samples;
    assert!(samples > 0 && dropped == 0 && gaps == 0, "{counted:?}");
}

#[test]
fn no_count_is_lost_at_edges_80_ns_apart_and_every_index_is_latched_exactly() {
    // An index every 4 ms: closer ones count as chatter of one.
    let lines = Lines { per_turn: 50_000, ..Lines::even(80.0) };
    let counted = count(lines, 500_000, None).unwrap();
    assert!((counted.closest - 80.0).abs() < 0.01, "{counted:?}");
    holds(&counted);
}

#[test]
fn no_count_is_lost_with_phase_duty_and_division_errors_while_the_closest_edges_are_80_ns_apart() {
    let lines = Lines { reverse_every: 49_999, per_turn: 50_000, ..Lines::worst(107.0) };
    let counted = count(lines, 400_000, None).unwrap();
    assert!((80.0..82.0).contains(&counted.closest), "{counted:?}");
    assert_eq!((counted.lost(), counted.illegal), (0, 0), "{counted:?}");
}

#[test]
fn the_index_is_latched_exactly_from_a_crawl_up() {
    for (spacing, edges) in [(100_000.0, 5_000), (7_919.0, 60_000), (997.0, 100_000), (211.0, 200_000)] {
        let per_turn = ((5e6 / spacing) as u32).max(40) / 4 * 4;
        let counted = count(Lines { per_turn, ..Lines::even(spacing) }, edges, None).unwrap();
        holds(&counted);
    }
}

/// The worst place for an index is right at the tick's look at it: each pass comes 48 ns later than the one before, from
/// well before the sample to well after the end of its handler.
#[test]
fn the_index_is_latched_exactly_when_it_comes_right_at_a_tick() {
    let lines = Lines { per_turn: 3_000, from_tick: Some(-9_000.0), ..Lines::even(1_000.016) };
    holds(&count(lines, 3_000 * 450, None).unwrap());
}

/// Each pass 4 µs later within its tick than the one before it, so that every place within a tick has its turn.
#[test]
fn the_index_is_latched_exactly_wherever_in_a_tick_it_comes() {
    let counted = count(Lines { per_turn: 3_004, ..Lines::even(1_000.0) }, 3_004 * 260, None).unwrap();
    holds(&counted);
}

/// What can't be counted must show, not be taken for a position.
#[test]
fn edges_that_come_too_fast_to_be_counted_are_reported() {
    let counted = count(Lines { per_turn: 50_000, ..Lines::even(60.0) }, 200_000, None).unwrap();
    assert_ne!(counted.lost(), 0, "{counted:?}");
    assert!(counted.illegal > 0, "{counted:?}");
}

#[test]
fn tick_and_command_are_constant_to_a_microsecond_while_the_axis_turns_streams_and_is_asked() {
    let timing = timing(1_000).unwrap();
    assert!(timing.ticks >= 990, "{timing:?}");
    assert!(timing.tick_jitter <= Duration::from_micros(1), "{timing:?}");
    assert!(timing.frame.1 - timing.frame.0 <= Duration::from_micros(1), "{timing:?}");
    // What is decided later than this waits for the next tick's output. Flash cache misses come on top on a real board.
    let output = Duration::from_micros(u64::from(proofstand_firmware::fixture::OUTPUT_AFTER_TICK_US));
    assert!(timing.decision <= output * 3 / 4, "{timing:?}");
}

/// Three take longer: to repeat events makes up to 64 of them anew, each with its checksum; a self-check waits until the
/// converters have settled, five ticks; a calibration is stored when the flash has erased its sector (up to 400 ms,
/// `firmware/pico/src/board/flash.rs`).
#[test]
fn every_request_but_three_is_answered_within_two_milliseconds_when_safe_in_motion_and_tripped() {
    let replies = replies().unwrap();
    assert_eq!(replies.len(), REQUESTS, "{replies:?}");
    for (request, took) in &replies {
        let most = match *request {
            "repeat events" => 4,
            "self-check" => 8,
            "commit calibration" => 500,
            _ => 2,
        };
        assert!(*took <= Duration::from_millis(most), "{request}: {took:?} of {most} ms; {replies:?}");
    }
}

#[test]
fn the_full_stream_is_lossless_for_ten_seconds_while_a_million_edges_a_second_are_counted() {
    let lines = Lines { per_turn: 5_000, ..Lines::worst(1_000.0) };
    let counted = count(Lines { reverse_every: 0, ..lines }, 10_000_000, None).unwrap();
    holds(&counted);
    let [samples, ..] = counted.samples;
    assert!(samples >= 10_000, "{counted:?}");
}

#[test]
fn flag_edges_are_timed_to_a_microsecond() {
    let error = flag_error(24).unwrap();
    assert!(error <= Duration::from_micros(1), "{error:?}");
}

#[test]
fn raw_lines_come_at_a_hundred_kilohertz_by_pio_and_dma_each_at_its_time() {
    // Ten points to an edge: the lines change every 100 µs, so that phases come in order and index and phase at once.
    let read =
        burst(Some(Lines { per_turn: 40, ..Lines::even(100_000.0) }), BurstKind::Lines, 10, 2_000).unwrap();
    assert_eq!(read.bytes.len(), 2_000);
    // A, B of the four states, A leading.
    let states = [0b00, 0b01, 0b11, 0b10];
    let place = |lines: u8| states.iter().position(|state| *state == lines & 0b11).unwrap();
    let mut last = 0;
    for (n, pair) in read.bytes.windows(2).enumerate() {
        let turned = (place(pair[1]) + 4 - place(pair[0])) % 4;
        assert!(turned <= 1, "point {n}");
        if turned == 1 {
            if last > 0 {
                assert_eq!(n - last, 10, "an edge every ten points");
            }
            last = n;
        }
        assert!(pair[1] < 8);
    }
    let index = read.bytes.iter().filter(|lines| **lines & 0b100 != 0).count();
    assert_eq!(index, 200, "a tenth of the turn");
    assert!(read.took < Duration::from_millis(60), "{:?}", read.took);
}

#[test]
fn read_outs_come_at_more_than_twenty_kilohertz() {
    // 40 µs: 25 kHz. Two channels of two bytes a point; nothing drives them, so they read the converter's 0 V.
    let read = burst(None, BurstKind::ReadOuts, 40, 1_000).unwrap();
    assert_eq!(read.bytes.len(), 4_000);
    assert_eq!(read.conversions.len(), 1_000);
    assert!(read.rate() > 20_000.0, "{} points a second", read.rate());
    // A point that meets the command's output, or its contacts, comes after them, the next as soon as can be; none is left out.
    assert!(read.longest_gap() < Duration::from_micros(80), "{:?}", read.longest_gap());
    for code in read.bytes.chunks(2).map(|code| u16::from_le_bytes([code[0], code[1]])) {
        // An offset of 2.6 mV at most, 0.3 mV a step.
        assert!(code.abs_diff(0x8000) < 12, "{code:#x}");
    }
}
