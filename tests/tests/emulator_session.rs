//! The board image behind its USB port, on an emulated RP2040: greeting, garbage, resets, calibration.

use core::time::Duration;
use std::cell::RefCell;
use std::rc::Rc;

use proofstand::fixture::{Client, FixtureError, identify};
use proofstand_protocol::frame::{MAX_FRAME, encode_host_hello};
use proofstand_protocol::message::{Answer, Refusal, Request, ResetCause, State, Status, TripCause};
use proofstand_protocol::units::Microvolts;
use proofstand_protocol::version::{CalibrationState, HostHello, VERSION, Version};
use proofstand_tests::bench::{Failure, TODAY};
use proofstand_tests::emulator::rig::{Kept, attend};
use proofstand_tests::emulator::{
    Analog, BenchSetup, Emulator, Lockstep, Nobody, store_calibration, store_record,
};
use serde_json::json;

type Board = Rc<RefCell<Emulator>>;

/// A board with nothing at its encoder.
fn board() -> Result<Board, Failure> {
    Ok(Rc::new(RefCell::new(Emulator::start(&BenchSetup::default())?)))
}

fn connect(board: &Board) -> Result<Client<Lockstep>, Failure> {
    Ok(Client::connect(Lockstep::new(Rc::clone(board)), &mut Nobody)?)
}

fn status(board: &Board) -> Result<Status, Failure> {
    Ok(connect(board)?.status(&mut Nobody)?)
}

#[test]
fn the_image_greets_and_says_who_it_is() {
    let board = board().unwrap();
    let hello = identify(Lockstep::new(Rc::clone(&board))).unwrap();
    assert_eq!(hello.version, VERSION);
    // The flash's unique number as the emulated flash gives it.
    assert_eq!(hello.controller_serial, [0xe6, 0x61, 0x41, 0x04, 0x03, 0x2b, 0x5a, 0x2f]);
    assert_eq!(hello.calibration, CalibrationState::None);
    let status = status(&board).unwrap();
    assert_eq!((status.state, status.reset, status.trip), (State::Safe, ResetCause::PowerUp, None));
    let state = board.borrow_mut().state().unwrap();
    assert!(!state.enable && !state.relay && state.terminal == 0.0, "{state:?}");
    assert!(state.faults.is_empty(), "{state:?}");
}

#[test]
fn the_usb_device_has_strings_of_its_own_and_the_flashs_number_for_its_serial_number() {
    let board = board().unwrap();
    board.borrow_mut().run(Duration::from_millis(300)).unwrap();
    // Indexes as `usb-device` gives them: manufacturer, product, serial number.
    let strings = [1, 2, 3].map(|index| {
        let order = json!({"order": "usb-string", "index": index});
        board.borrow_mut().tell(&order).unwrap()["text"].as_str().unwrap().to_owned()
    });
    assert_eq!(strings, ["Proofstand project", "Proofstand fixture", "E6614104032B5A2F"]);
    // It still serves its port.
    assert_eq!(status(&board).unwrap().state, State::Safe);
}

#[test]
fn another_major_version_gets_a_greeting_and_nothing_more() {
    let board = board().unwrap();
    let mut hello = HostHello::new(7, 1);
    hello.version = Version { major: VERSION.major + 1, ..VERSION };
    let mut frame = [0; MAX_FRAME];
    let length = encode_host_hello(&hello, &mut frame).unwrap();
    let second = Duration::from_secs(1);
    board.borrow_mut().run(second).unwrap();
    let greeting = board.borrow_mut().exchange(&frame[..length], second, true).unwrap();
    assert!(!greeting.is_empty(), "even then it says who it is");
    let mut client_frame = [0; MAX_FRAME];
    let message = proofstand_protocol::message::HostMessage::Request { id: 1, body: Request::Status };
    let length = proofstand_protocol::frame::encode_message(&message, &mut client_frame).unwrap();
    board.borrow_mut().run(Duration::from_millis(5)).unwrap();
    let answer = board.borrow_mut().exchange(&client_frame[..length], second, true).unwrap();
    assert!(answer.is_empty(), "a request of a session that there is not is not answered");
    // A host of its own version is served afterwards.
    assert_eq!(status(&board).unwrap().state, State::Safe);
}

#[test]
fn garbage_on_the_wire_costs_nothing_but_itself() {
    let board = board().unwrap();
    let mut client = connect(&board).unwrap();
    // A linear congruence (Numerical Recipes): every byte value, zeros that end frames included.
    let mut seed = 1_u32;
    let noise: Vec<u8> = (0..20_000)
        .map(|_| {
            seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (seed >> 24) as u8
        })
        .collect();
    board.borrow_mut().exchange(&noise, Duration::from_millis(300), false).unwrap();
    let status = client.status(&mut Nobody).unwrap();
    assert_eq!((status.state, status.reset), (State::Safe, ResetCause::PowerUp));
    assert_eq!(board.borrow_mut().state().unwrap().resets, 0);
}

#[test]
fn a_request_is_answered_within_two_milliseconds() {
    let board = board().unwrap();
    let mut client = connect(&board).unwrap();
    let mut longest = Duration::ZERO;
    for _ in 0..100 {
        let asked = client.now();
        client.status(&mut Nobody).unwrap();
        longest = longest.max(client.now() - asked);
        board.borrow_mut().run(Duration::from_micros(1_370)).unwrap();
    }
    assert!(longest <= Duration::from_millis(2), "{longest:?}");
}

#[test]
fn a_core_that_hangs_is_reset_by_the_watchdog_and_says_so() {
    let board = board().unwrap();
    assert_eq!(status(&board).unwrap().reset, ResetCause::PowerUp);
    let hung = board.borrow_mut().state().unwrap().now;
    board.borrow_mut().tell(&json!({"order": "stall", "nanos": 20_000_000})).unwrap();
    let trace = board.borrow_mut().trace(&[]).unwrap();
    let reset = trace.iter().find(|entry| entry.what == "reset").unwrap();
    // Reason 1: the timer ran out (RP2040 datasheet, 4.7.6). The firmware gives it 5 ms.
    assert_eq!(reset.value, 1);
    assert!(reset.at - hung <= Duration::from_millis(6), "{:?}", reset.at - hung);
    assert_eq!(status(&board).unwrap().reset, ResetCause::Watchdog);
}

#[test]
fn a_fault_of_the_processor_resets_it_and_the_cause_is_kept() {
    let board = board().unwrap();
    status(&board).unwrap();
    board.borrow_mut().tell(&json!({"order": "hard-fault"})).unwrap();
    board.borrow_mut().run(Duration::from_millis(2)).unwrap();
    let state = board.borrow_mut().state().unwrap();
    assert_eq!(state.resets, 1);
    assert!(!state.enable, "{state:?}");
    assert_eq!(status(&board).unwrap().reset, ResetCause::Panic);
}

#[test]
fn a_converter_that_does_not_answer_keeps_the_board_safe_and_talking() {
    let board = board().unwrap();
    board.borrow_mut().tell(&json!({"order": "parts", "dac": false})).unwrap();
    board.borrow_mut().run(Duration::from_millis(300)).unwrap();
    assert_eq!(status(&board).unwrap().state, State::Safe);
    let mut client = connect(&board).unwrap();
    let check = Request::SelfCheck { level: Microvolts(1_000_000) };
    match client.request(check, &mut Nobody) {
        Ok(Answer::SelfCheck { converter, .. }) => {
            assert!((converter.0 - 1_000_000).abs() > 100_000, "a dead converter passed: {converter:?}");
        }
        Ok(other) => panic!("{other:?}"),
        Err(_) => {}
    }
}

/// A level for a meter goes out only while the alarms of all three pairs stand, with enable open.
#[test]
fn a_level_for_a_meter_wants_every_encoder_pair_open() {
    let board = board().unwrap();
    let mut kept = Kept::default();
    let mut client = connect(&board).unwrap();
    client.done(Request::Stream { decimation: 1 }, &mut kept).unwrap();
    let pairs = |open: u8| board.borrow_mut().tell(&json!({"order": "chain", "openPairs": open})).unwrap();
    let level = |kept: &mut Kept, client: &mut Client<Lockstep>| {
        attend(client, Duration::from_millis(150), kept).unwrap();
        let epoch = client.status(kept).unwrap().epoch;
        let level = Request::MeterLevel { epoch, level: Microvolts(5_000_000), corrected: false };
        client.request(level, kept)
    };
    let refused = |answer: Result<Answer, FixtureError>| {
        let not_ready = Refusal::NotReady(TripCause::AmplifierConnected);
        matches!(answer, Err(FixtureError::Refused { refusal, .. }) if refusal == not_ready)
    };
    for open in [0b000, 0b001, 0b010, 0b100, 0b110, 0b101, 0b011] {
        pairs(open);
        assert!(refused(level(&mut kept, &mut client)), "{open:#05b}");
    }
    pairs(0b111);
    assert_eq!(level(&mut kept, &mut client).unwrap(), Answer::Done);
    attend(&mut client, Duration::from_millis(200), &mut kept).unwrap();
    let state = board.borrow_mut().state().unwrap();
    assert!((state.terminal - 5.0).abs() < 0.05 && !state.enable && !state.relay, "{state:?}");
    // One wire makes contact.
    pairs(0b110);
    attend(&mut client, Duration::from_millis(20), &mut kept).unwrap();
    assert_eq!(kept.trip().map(|trip| trip.cause), Some(TripCause::AmplifierConnected));
    assert!(board.borrow_mut().state().unwrap().terminal.abs() < 0.01);
}

#[test]
fn a_calibration_outlives_reset_and_loss_of_power() {
    let board = board().unwrap();
    store_calibration(&mut connect(&board).unwrap(), &Analog::typical()).unwrap();
    let valid = |board: &Board| connect(board).map(|client| client.hello().calibration);
    assert_eq!(valid(&board).unwrap(), CalibrationState::Valid);
    board.borrow_mut().tell(&json!({"order": "stall", "nanos": 20_000_000})).unwrap();
    assert_eq!(valid(&board).unwrap(), CalibrationState::Valid, "after a reset");
    board.borrow_mut().tell(&json!({"order": "power-cut"})).unwrap();
    assert_eq!(valid(&board).unwrap(), CalibrationState::Valid, "after a loss of power");
    assert_eq!(status(&board).unwrap().reset, ResetCause::PowerUp);
}

/// The calibration record that the board has, byte for byte.
fn stored(board: &Board) -> Result<(CalibrationState, Vec<u8>), Failure> {
    let mut client = connect(board)?;
    let mut record = Vec::new();
    loop {
        match client.request(Request::ReadCalibration { offset: record.len() as u32 }, &mut Nobody)? {
            Answer::Chunk { bytes, .. } if bytes.is_empty() => break,
            Answer::Chunk { bytes, .. } => record.extend(bytes),
            other => return Err(format!("an unexpected answer: {other:?}").into()),
        }
    }
    Ok((client.hello().calibration, record))
}

/// Lets the power fail in an operation on flash, with so much of it done. Gives whether there was such an operation, and
/// whether the new record is what is found afterwards; anything but the old one and the new one is a failure.
fn cut_at(operation: u64, share: f64) -> Result<Option<bool>, Failure> {
    let board = board()?;
    store_calibration(&mut connect(&board)?, &Analog::typical())?;
    let old = stored(&board)?;
    let new = Analog::typical().record(connect(&board)?.hello().analog_serial, TODAY + 1)?.to_vec();
    assert!(old.0 == CalibrationState::Valid && old.1.len() == new.len() && old.1 != new);
    let before = board.borrow_mut().state()?;
    board.borrow_mut().tell(&json!({"order": "power-cut-at", "operation": operation, "share": share}))?;
    let saved = store_record(&mut connect(&board)?, &new);
    let after = board.borrow_mut().state()?;
    if after.resets == before.resets {
        saved?;
        assert_eq!(stored(&board)?, (CalibrationState::Valid, new));
        assert_eq!(after.flash - before.flash, operation, "every operation has been cut");
        return Ok(None);
    }
    let found = stored(&board)?;
    assert_eq!(found.0, CalibrationState::Valid, "cut at {operation}, {share} done");
    assert!(
        found.1 == old.1 || found.1 == new,
        "cut at {operation}, {share} done: neither the old nor the new record"
    );
    // It can be stored again, whatever the cut left.
    store_record(&mut connect(&board)?, &new)?;
    assert_eq!(stored(&board)?, (CalibrationState::Valid, new.clone()));
    Ok(Some(found.1 == new))
}

#[test]
fn power_that_fails_at_any_page_of_storing_leaves_the_old_calibration_or_the_new_one_and_nothing_else() {
    // How many operations storing takes is found out by doing it. Nothing done, half done, done but not told.
    let mut found = Vec::new();
    for operation in 0.. {
        let Some(new) = cut_at(operation, 0.5).unwrap() else { break };
        found.push(new);
        found.push(cut_at(operation, 1.0).unwrap().unwrap());
        assert!(operation < 100, "it never ends");
    }
    found.push(cut_at(0, 0.0).unwrap().unwrap());
    assert!(found.len() >= 7 && found.contains(&true) && found.contains(&false), "{found:?}");
}

#[test]
fn flash_that_takes_its_longest_to_erase_does_no_harm() {
    // W25Q16JV datasheet, 9.6: sector erase 400 ms at most.
    let setup = BenchSetup { erase: Duration::from_millis(400), ..BenchSetup::default() };
    let board = Rc::new(RefCell::new(Emulator::start(&setup).unwrap()));
    store_calibration(&mut connect(&board).unwrap(), &Analog::typical()).unwrap();
    store_calibration(&mut connect(&board).unwrap(), &Analog::typical()).unwrap();
    let state = board.borrow_mut().state().unwrap();
    assert_eq!(state.resets, 0);
    assert!(state.flash > 0);
    assert_eq!(connect(&board).unwrap().hello().calibration, CalibrationState::Valid);
}
