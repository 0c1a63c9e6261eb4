//! How the board image looks after itself: keep-alive, watchdog, panic, log, light, sleep, stack, memory.
#![allow(clippy::unwrap_used, clippy::panic, reason = "a test that cannot go on fails")]

use core::time::Duration;
use std::cell::RefCell;
use std::path::Path;
use std::rc::Rc;

use proofstand::fixture::Client;
use proofstand_protocol::message::{Answer, BurstKind, Event, Request, ResetCause, State, TripCause};
use proofstand_protocol::units::{MilliRpm, Ticks};
use proofstand_tests::bench::Failure;
use proofstand_tests::emulator::rig::{Rig, hold_speed, open_limits};
use proofstand_tests::emulator::{
    Axis, BenchSetup, EmulatedFixture, Emulator, EmulatorError, Lockstep, Nobody, TraceEntry,
};
use serde_json::json;

const MS: Duration = Duration::from_millis(1);

fn board() -> Emulator {
    let mut board = Emulator::start(&BenchSetup::default()).unwrap();
    // Enumerated and idle.
    board.run(300 * MS).unwrap();
    board
}

fn turning() -> Result<Rig, Failure> {
    let sheet = Path::new(env!("CARGO_MANIFEST_DIR")).join("sheets/feed-roller.toml");
    let mut rig = Rig::new(EmulatedFixture::start(Axis::read(&sheet, &[], 1)?)?)?;
    rig.start(open_limits(), hold_speed(MilliRpm(300_000), Ticks(20_000)))?;
    rig.attend(300 * MS)?;
    assert!(rig.board(Emulator::state)?.rpm.abs() > 200.0, "it turns");
    Ok(rig)
}

fn when(trace: &[TraceEntry], what: &str) -> Vec<Duration> {
    trace.iter().filter(|entry| entry.what == what).map(|entry| entry.at).collect()
}

/// What a start after a stop of its own, or the watchdog's, must report: the cause, and a trip that is latched.
fn start_after(board: Emulator) -> Result<(ResetCause, State, Option<TripCause>, Vec<String>), Failure> {
    let board = Rc::new(RefCell::new(board));
    let mut client = Client::connect(Lockstep::new(Rc::clone(&board)), &mut Nobody)?;
    let status = client.status(&mut Nobody)?;
    let log = board.borrow_mut().log()?;
    Ok((status.reset, status.state, status.trip.map(|trip| trip.cause), log))
}

#[test]
fn the_keep_alive_changes_once_a_tick_and_stops_with_the_main_loop_though_interrupts_go_on() {
    let mut rig = turning().unwrap();
    rig.board(|board| board.trace(&["keep-alive", "trigger"])).unwrap();
    rig.attend(200 * MS).unwrap();
    let healthy = when(&rig.board(|board| board.trace(&[])).unwrap(), "keep-alive");
    assert!((199..=201).contains(&healthy.len()), "{} changes in 200 ticks", healthy.len());
    let longest = healthy.windows(2).map(|pair| pair[1] - pair[0]).max().unwrap();
    assert!(longest < 2 * MS, "{longest:?}");

    let hung = rig.board(Emulator::state).unwrap().now;
    rig.board(|board| board.tell(&json!({"order": "hang"}))).unwrap();
    rig.board(|board| board.run(4 * MS)).unwrap();
    let trace = rig.board(|board| board.trace(&[])).unwrap();
    assert!(when(&trace, "keep-alive").is_empty(), "nobody else may change it");
    assert!(when(&trace, "trigger").len() >= 6, "the handlers go on: {trace:?}");
    rig.board(|board| board.run(6 * MS)).unwrap();
    let trace = rig.board(|board| board.trace(&[])).unwrap();
    let reset = trace.iter().find(|entry| entry.what == "reset").unwrap();
    // The firmware gives the watchdog 5 ms; its counter runs in steps of half a microsecond.
    assert!(reset.at - hung <= 6 * MS, "{:?}", reset.at - hung);
    // The pin lets go with the reset, the relay's contact takes 3 ms.
    let open = trace.iter().find(|entry| entry.what == "relay" && entry.value == 0).unwrap();
    assert!(open.at - hung <= 10 * MS, "{:?}", open.at - hung);
    let state = rig.board(Emulator::state).unwrap();
    assert!(!state.enable && !state.relay && state.terminal.abs() < 0.01, "{state:?}");
    drop(rig.client);
    let (cause, state, trip, _) = start_after(rig.fixture.into_board().unwrap()).unwrap();
    assert_eq!((cause, state, trip), (ResetCause::Watchdog, State::Tripped, Some(TripCause::FirmwareFault)));
}

#[test]
fn a_panic_in_motion_puts_out_0_v_at_once_and_the_next_start_says_where_it_was() {
    let rig = turning().unwrap();
    rig.board(|board| board.trace(&[])).unwrap();
    rig.board(Emulator::log).unwrap();
    let before = rig.board(Emulator::state).unwrap().now;
    rig.board(|board| board.tell(&json!({"order": "panic"}))).unwrap();
    rig.board(|board| board.run(20 * MS)).unwrap();
    let trace = rig.board(|board| board.trace(&[])).unwrap();
    let opened = trace.iter().position(|entry| entry.what == "enable").unwrap();
    let first = |what: &str| trace[opened..].iter().find(|entry| entry.what == what).unwrap();
    let (enable, command, reset) = (first("enable"), first("frame"), first("reset"));
    assert!(enable.value == 0 && enable.at - before < MS, "{trace:?}");
    // 0x8000 is 0 V by the converter's ideal line (offset binary).
    assert!(command.value == 0x8000 && command.at < reset.at, "{trace:?}");
    assert!(reset.at - before < 2 * MS, "{:?}", reset.at - before);
    drop(rig.client);
    let (cause, state, trip, log) = start_after(rig.fixture.into_board().unwrap()).unwrap();
    assert_eq!((cause, state, trip), (ResetCause::Panic, State::Tripped, Some(TripCause::FirmwareFault)));
    let told = log
        .iter()
        .find(|line| line.contains("stopped itself: reason 1"))
        .unwrap_or_else(|| panic!("{log:?}"));
    // Two return addresses into the code, for addr2line.
    assert_eq!(told.matches(" 0x1000").count(), 2, "{told}");
}

#[test]
fn a_counter_that_stops_is_found_and_trips() {
    let rig = turning().unwrap();
    rig.board(|board| board.tell(&json!({"order": "stop-counter"}))).unwrap();
    rig.board(|board| board.run(20 * MS)).unwrap();
    let state = rig.board(Emulator::state).unwrap();
    assert!(!state.enable && state.terminal.abs() < 0.01, "{state:?}");
    // What found itself wrong no longer feeds its watchdog either.
    assert!(state.resets >= 1, "{state:?}");
}

#[test]
fn the_log_comes_through_rtt_and_says_how_much_stack_was_used_and_how_many_outputs_were_late() {
    let mut board = board();
    board.run(10_000 * MS).unwrap();
    let log = board.log().unwrap();
    let numbers = |start: &str| -> Vec<u64> {
        let line = log.iter().find(|line| line.starts_with(start)).unwrap_or_else(|| panic!("{log:?}"));
        line.split(|c: char| !c.is_ascii_digit()).filter_map(|word| word.parse().ok()).collect()
    };
    let (first, words) = (numbers("info: tick 5000, stack "), numbers("info: tick 10000, stack "));
    // While the port enumerates the main loop can be late; nothing moves then.
    assert!(first[3] <= 3 && words[3] == first[3], "{log:?}");
    let stack = board.tell(&json!({"order": "stack"})).unwrap();
    let (used, bytes) = (stack["used"].as_u64().unwrap(), stack["bytes"].as_u64().unwrap());
    assert!(words[1] == used && words[2] == bytes, "{log:?} against {stack}");
}

#[test]
fn half_of_the_stack_is_never_touched_by_a_motion_a_burst_and_a_stored_calibration() {
    // The calibration was stored before the motion.
    let mut rig = turning().unwrap();
    for kind in [BurstKind::Position, BurstKind::ReadOuts, BurstKind::Lines] {
        rig.kept.events.clear();
        rig.client.done(Request::StartBurst { kind, period_us: 40, points: 1_000 }, &mut rig.kept).unwrap();
        rig.attend(60 * MS).unwrap();
        let ready = rig.kept.events.iter().any(|event| matches!(event.event, Event::BurstReady { .. }));
        assert!(ready, "{kind:?}: {:?}", rig.kept.events);
        let read = rig.client.request(Request::ReadBurst { offset: 0 }, &mut rig.kept).unwrap();
        assert!(matches!(&read, Answer::Chunk { bytes, .. } if !bytes.is_empty()), "{read:?}");
    }
    assert!(rig.board(Emulator::state).unwrap().rpm.abs() > 200.0, "it still turns");
    let stack = rig.board(|board| board.tell(&json!({"order": "stack"}))).unwrap();
    let (used, bytes) = (stack["used"].as_u64().unwrap(), stack["bytes"].as_u64().unwrap());
    assert!(used > 500 && used < bytes / 2, "{used} of {bytes} bytes");
}

#[test]
fn the_light_blinks_once_a_second_when_safe_and_fast_when_it_may_move() {
    let mut board = board();
    board.trace(&["light"]).unwrap();
    board.run(3_000 * MS).unwrap();
    let on = |trace: &[TraceEntry]| trace.iter().filter(|e| e.what == "light" && e.value == 1).count();
    assert_eq!(on(&board.trace(&[]).unwrap()), 3);
    let mut rig = turning().unwrap();
    rig.board(|board| board.trace(&["light"])).unwrap();
    rig.attend(1_000 * MS).unwrap();
    assert!((9..=11).contains(&on(&rig.board(|board| board.trace(&[])).unwrap())));
    rig.board(|board| board.tell(&json!({"order": "chain", "stop": false}))).unwrap();
    rig.attend(20 * MS).unwrap();
    rig.board(|board| board.trace(&[])).unwrap();
    rig.attend(1_000 * MS).unwrap();
    assert_eq!(on(&rig.board(|board| board.trace(&[])).unwrap()), 2, "two blinks a second when tripped");
}

#[test]
fn an_idle_board_sleeps_most_of_the_time() {
    let mut board = board();
    let look = |board: &mut Emulator| -> Result<(f64, f64), EmulatorError> {
        let state = board.tell(&json!({"order": "state"}))?;
        Ok((state["nanos"].as_f64().unwrap_or(0.0), state["asleep"].as_f64().unwrap_or(0.0)))
    };
    let before = look(&mut board).unwrap();
    board.run(1_000 * MS).unwrap();
    let after = look(&mut board).unwrap();
    let share = (after.1 - before.1) / (after.0 - before.0);
    assert!(share > 0.5, "asleep {:.0} % of the time", 100.0 * share);
}

/// Against the standard library, for all small alignments and lengths, overlapping either way.
#[test]
fn copying_and_filling_memory_does_what_the_c_library_says() {
    const SPACE: usize = 96;
    let mut board = board();
    let stack = board.tell(&json!({"order": "symbol", "name": "_stack_end"})).unwrap();
    let base = stack["address"].as_u64().unwrap() + 256;
    let mut seed = 7_u32;
    let mut random = |below: usize| {
        // Numerical Recipes' congruence.
        seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        (seed >> 16) as usize % below
    };
    for case in 0..300 {
        let mut space: Vec<u8> = (0..SPACE).map(|_| random(256) as u8).collect();
        board.tell(&json!({"order": "write", "address": base, "bytes": space})).unwrap();
        let length = random(40);
        let (to, from) = (random(SPACE - length), random(SPACE - length));
        let apart = to >= from + length || from >= to + length;
        let at = |offset: usize| base + offset as u64;
        let fill = random(256) as u64;
        let (name, arguments) = match case % 5 {
            0 if apart => ("memcpy", [at(to), at(from), length as u64]),
            1 => ("memset", [at(to), 0xabcd_ef00 | fill, length as u64]),
            2 => ("__aeabi_memset", [at(to), length as u64, fill]),
            3 => ("__aeabi_memclr", [at(to), length as u64, 99]),
            _ => ("memmove", [at(to), at(from), length as u64]),
        };
        match name {
            "memset" | "__aeabi_memset" => space[to..to + length].fill(fill as u8),
            "__aeabi_memclr" => space[to..to + length].fill(0),
            _ => space.copy_within(from..from + length, to),
        }
        let answer = board.tell(&json!({"order": "call", "name": name, "arguments": arguments})).unwrap();
        assert_eq!(answer["stack"], true, "{name} {arguments:?}");
        if !name.starts_with("__") {
            assert_eq!(answer["result"], at(to), "{name} gives its destination");
        }
        let read = board.tell(&json!({"order": "read", "address": base, "length": SPACE})).unwrap();
        let read: Vec<u8> = serde_json::from_value(read["bytes"].clone()).unwrap();
        assert_eq!(read, space, "{name} to {to} from {from}, {length} bytes");
    }
}

/// Against this computer's arithmetic: corners, and numbers of every length.
#[test]
fn dividing_multiplying_and_shifting_give_what_whole_numbers_give() {
    let mut board = board();
    let mut call = |name: &str, arguments: &[u64]| -> Vec<u64> {
        let words: Vec<u32> = arguments.iter().flat_map(|n| [*n as u32, (*n >> 32) as u32]).collect();
        let words = if name.starts_with("__aeabi_ui") { vec![words[0], words[2]] } else { words };
        let order = json!({"order": "call", "name": name, "arguments": words});
        let answer = board.tell(&order).unwrap();
        assert_eq!((&answer["stack"], &answer["restored"]), (&json!(true), &json!(true)), "{name}");
        let word = |n: usize| answer["results"][n].as_u64().unwrap();
        let words = [0, 1, 2, 3].map(word);
        if name.starts_with("__aeabi_ui") {
            words[..2].to_vec()
        } else {
            vec![words[0] | words[1] << 32, words[2] | words[3] << 32]
        }
    };
    let mut corners: Vec<u64> = vec![0, 1, 2, 3, 7, 10, 255, 256, 1_000_000, 0xffff_ffff, 0x1_0000_0000];
    corners.extend([
        i64::MAX as u64,
        1 << 63,
        (1 << 63) + 1,
        u64::MAX - 1,
        u64::MAX,
        0x8000_0001,
        0x8000_0000,
    ]);
    let mut seed = 99_u64;
    let mut random = || {
        // Knuth, MMIX: the congruence's high bits; cut to a length, so that short ones come as often as long ones.
        seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (seed ^ seed << 29) >> (seed >> 58)
    };
    let pairs: Vec<(u64, u64)> = corners
        .iter()
        .flat_map(|a| corners.iter().map(|b| (*a, *b)))
        .chain((0..150).map(|_| (random(), random())))
        .collect();
    for (a, b) in pairs {
        assert_eq!(call("__aeabi_lmul", &[a, b])[0], a.wrapping_mul(b), "{a} * {b}");
        let shift = b % 64;
        assert_eq!(call("__aeabi_llsl", &[a, shift])[0], a << shift, "{a} << {shift}");
        assert_eq!(call("__aeabi_llsr", &[a, shift])[0], a >> shift, "{a} >> {shift}");
        if b == 0 {
            continue;
        }
        assert_eq!(call("__aeabi_uldivmod", &[a, b]), [a / b, a % b], "{a} / {b}");
        let (signed, by) = (a.cast_signed(), b.cast_signed());
        let wanted = [signed.wrapping_div(by), signed.wrapping_rem(by)].map(i64::cast_unsigned);
        assert_eq!(call("__aeabi_ldivmod", &[a, b]), wanted, "{signed} / {by}");
        let (short, by) = (a & 0xffff_ffff, b & 0xffff_ffff);
        if by != 0 {
            assert_eq!(call("__aeabi_uidivmod", &[short, by]), [short / by, short % by], "{short} / {by}");
        }
    }
}
