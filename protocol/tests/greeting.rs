//! The greeting: its frozen bytes, and who may talk to whom.
#![allow(clippy::expect_used, clippy::panic, reason = "a test file, its functions without #[test] too")]

mod common;

use std::collections::BTreeSet;

use common::samples::{self, FIXTURE_HELLO, HOST_HELLO, LIMITS};
use common::to_hex;
use proofstand_protocol::message::{HostMessage, Limits, Request};
use proofstand_protocol::units::Microvolts;
use proofstand_protocol::version::*;
use proptest::prelude::*;

#[test]
fn the_layouts_are_frozen() {
    assert_eq!(
        to_hex(&HOST_HELLO.to_bytes()),
        concat!("50465354", "0100", "0000", "44332211", "01000000"),
        "magic, major, minor, session, first request"
    );
    assert_eq!(
        to_hex(&FIXTURE_HELLO.to_bytes()),
        concat!(
            "50465354",
            "0100",
            "0000",
            "44332211",
            "ff010000",
            "0000",
            "0100",
            "0000",
            "01",
            "01",
            "494e56454e544544",
            "4d4144452d555031",
            "e64f0000",
            "53510000",
            "f0f1f2f3f4f5f6f7"
        ),
        "magic, major, minor, session, capabilities, firmware, flags, calibration, serials, days, fingerprint"
    );
}

#[test]
fn a_longer_greeting_is_read_and_a_shorter_or_foreign_one_refused() {
    let longer = [&FIXTURE_HELLO.to_bytes()[..], &[1, 2, 3]].concat();
    assert_eq!(FixtureHello::from_bytes(&longer), Ok(FIXTURE_HELLO));
    for length in 0..FixtureHello::LENGTH {
        let short = HelloError::TooShort { length, needed: FixtureHello::LENGTH };
        assert_eq!(FixtureHello::from_bytes(&longer[..length]), Err(short));
    }
    for length in 0..HostHello::LENGTH {
        let short = HelloError::TooShort { length, needed: HostHello::LENGTH };
        assert_eq!(HostHello::from_bytes(&HOST_HELLO.to_bytes()[..length]), Err(short));
    }
    let mut foreign = FIXTURE_HELLO.to_bytes();
    foreign[0] = b'Q';
    assert_eq!(FixtureHello::from_bytes(&foreign), Err(HelloError::BadMagic(*b"QFST")));
}

#[test]
fn flags_of_a_later_minor_do_not_make_a_fixture_simulated() {
    let mut bytes = FixtureHello { simulated: false, ..FIXTURE_HELLO }.to_bytes();
    bytes[22] = 0b1111_1110;
    assert_eq!(FixtureHello::from_bytes(&bytes).map(|hello| hello.simulated), Ok(false));
    bytes[22] = 0b1111_1111;
    assert_eq!(FixtureHello::from_bytes(&bytes).map(|hello| hello.simulated), Ok(true));
}

#[test]
fn an_unknown_calibration_state_is_never_valid() {
    for byte in 0..=255 {
        let state = CalibrationState::from_byte(byte);
        assert_eq!(state.to_byte(), byte);
        assert_eq!(state == CalibrationState::Valid, byte == 1);
    }
}

#[test]
fn the_same_major_is_required_and_the_lower_minor_decides() {
    let fixture = |major, minor| FixtureHello { version: Version { major, minor }, ..FIXTURE_HELLO };
    let host = Version { major: 1, minor: 4 };
    let spoken = |minor| agree(host, &fixture(1, minor)).map(|agreement| agreement.version.minor);
    assert_eq!([spoken(0), spoken(4), spoken(9)], [Ok(0), Ok(4), Ok(4)]);
    for major in [0, 2, u16::MAX] {
        let fixture = fixture(major, 4);
        assert_eq!(agree(host, &fixture), Err(Incompatible { host, fixture: fixture.version }));
    }
    let text = agree(host, &fixture(2, 0)).expect_err("another major").to_string();
    assert!(text.contains("1.4") && text.contains("2.0") && text.contains("update the program"), "{text}");
}

#[test]
fn a_different_fingerprint_warns_and_decides_nothing() {
    let same = FixtureHello { fingerprint: FINGERPRINT, ..FIXTURE_HELLO };
    let (same, other) =
        (agree(VERSION, &same).expect("same major"), agree(VERSION, &FIXTURE_HELLO).expect("same"));
    assert!(!same.fingerprint_differs && other.fingerprint_differs);
    assert_eq!(Agreement { fingerprint_differs: false, ..other }, same);
}

#[test]
fn capability_bits_are_single_and_distinct() {
    let bits = [
        Capabilities::POSITION_BURSTS,
        Capabilities::READOUT_BURSTS,
        Capabilities::LINE_BURSTS,
        Capabilities::SELF_CHECK,
        Capabilities::CALIBRATION_STORE,
        Capabilities::GUARD_CONTACT,
        Capabilities::SPEED_READOUT,
        Capabilities::TORQUE_READOUT,
        Capabilities::ENCODER_LINE_FAULT,
    ];
    // Frozen: bit n is the n-th.
    for (n, bit) in bits.iter().enumerate() {
        assert_eq!(bit.0, 1 << n);
    }
}

#[test]
fn a_fixture_without_a_function_is_not_asked_for_it() {
    let bare = Agreement { version: VERSION, capabilities: Capabilities::NONE, fingerprint_differs: false };
    let refused: BTreeSet<_> = samples::host()
        .into_iter()
        .filter_map(|(name, message)| match message {
            HostMessage::Request { body, .. } if !bare.allows(&body) => Some(name),
            _ => None,
        })
        .collect();
    let expected = [
        "request/arm-speed",
        "request/arm-torque",
        "request/burst-lines",
        "request/burst-position",
        "request/burst-readouts",
        "request/commit-calibration",
        "request/encoder-lines",
        "request/meter-level",
        "request/meter-readings",
        "request/read-calibration",
        "request/self-check",
        "request/write-calibration",
        "request/write-calibration-full",
    ];
    // The sample limits use a speed read-out.
    assert_eq!(refused.iter().map(String::as_str).collect::<Vec<_>>(), expected);

    let arm = |limits| Request::Arm { epoch: 1, limits };
    let blind = Limits { speed_readout: Microvolts(0), ..LIMITS };
    assert!(bare.allows(&arm(blind)));
    let guarded = arm(Limits { guard_required: true, ..blind });
    assert!(!bare.allows(&guarded));
    assert!(Agreement { capabilities: Capabilities::GUARD_CONTACT, ..bare }.allows(&guarded));
}

proptest! {
    #[test]
    fn greetings_come_back(bytes in prop::array::uniform32(any::<u8>()), more in prop::array::uniform32(any::<u8>())) {
        let mut layout = [bytes, more].concat();
        layout[..4].copy_from_slice(&MAGIC);
        layout[22] &= 1;
        let host = HostHello::from_bytes(&layout).expect("long enough");
        prop_assert_eq!(&host.to_bytes()[..], &layout[..HostHello::LENGTH]);
        let fixture = FixtureHello::from_bytes(&layout).expect("long enough");
        prop_assert_eq!(&fixture.to_bytes()[..], &layout[..FixtureHello::LENGTH]);
    }
}

#[test]
fn a_request_of_a_later_minor_is_not_sent_to_a_fixture_that_cannot_know_it() {
    use proofstand_protocol::message::Request;
    use proofstand_protocol::units::Ticks;
    let open = Request::OpenEnable { epoch: 1, keep: Ticks(50) };
    let with =
        |minor| agree(VERSION, &FixtureHello { version: Version { major: 1, minor }, ..FIXTURE_HELLO });
    assert!(!with(0).expect("same major").allows(&open));
    assert!(with(1).expect("same major").allows(&open));
    assert!(with(0).expect("same major").allows(&Request::Disarm));
}
