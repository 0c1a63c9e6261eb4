//! Messages that between them go through every variant. All values are invented.

use heapless::Vec as Bounded;
use proofstand_protocol::message::*;
use proofstand_protocol::program::{Drive, End, Next, Segment};
use proofstand_protocol::units::*;
use proofstand_protocol::version::*;

pub const LIMITS: Limits = Limits {
    command: Microvolts(5_000_000),
    slew: MicrovoltsPerTick(200_000),
    trip_speed: MilliRpm(3_600_000),
    counts_per_rev: CountsPerRev(10_000),
    travel: Counts(2_000_000),
    armed_time: Ticks(60_000),
    beat: Ticks(100),
    mode: CommandMode::Torque,
    counts_up_on_positive: true,
    wrong_way: Counts(200),
    runaway: MilliRpm(100_000),
    runaway_delay: Ticks(6),
    breakaway: Microvolts(400_000),
    no_counts: Ticks(250),
    readback: Microvolts(20_000),
    readback_dwell: Ticks(5),
    speed_disagreement_percent: 10,
    speed_readout: Microvolts(-2_000_000),
    torque_on_input: 2,
    torque_on_conducting: true,
    enable_delay: Ticks(300),
    fault_input: 255,
    fault_conducting: false,
    guard_required: false,
};

pub const SAMPLE: Sample = Sample {
    sequence: 123_456,
    at: Micros(123_456_789),
    position: Counts(-98_765),
    speed: MilliRpm(-1_500_250),
    command: Microvolts(-1_250_000),
    readback: Microvolts(-1_250_312),
    torque: Microvolts(-2_501_000),
    speed_readout: Microvolts(3_000_500),
    flags: 0b0000_0101,
    segment: 3,
    state: State::Live,
};

/// The longest sample: every integer as far out as it goes.
pub const LONGEST_SAMPLE: Sample = Sample {
    sequence: u32::MAX,
    at: Micros(u64::MAX),
    position: Counts(i64::MIN),
    speed: MilliRpm(i32::MIN),
    command: Microvolts(i32::MIN),
    readback: Microvolts(i32::MIN),
    torque: Microvolts(i32::MIN),
    speed_readout: Microvolts(i32::MIN),
    flags: 255,
    segment: 255,
    state: State::Tripped,
};

pub const TRIP: Trip = Trip {
    number: 2,
    cause: TripCause::OverspeedCounts,
    at: Micros(5_000_123),
    position: Counts(40_960),
    speed: MilliRpm(3_700_000),
    command: Microvolts(1_000_000),
    acknowledged: false,
};

pub const STATUS: Status = Status {
    epoch: 7,
    state: State::Safe,
    now: Micros(1_000_000),
    trip: None,
    segment: None,
    position: Counts(-3),
    flags: 0b0000_0010,
    chain: Chain { stop: true, hold: true, guard: false, relay: false },
    illegal_transitions: 0,
    last_event: 4,
    reset: ResetCause::PowerUp,
};

pub const HOST_HELLO: HostHello =
    HostHello { version: Version { major: 1, minor: 0 }, session: 0x1122_3344, first_request: 1 };

pub const FIXTURE_HELLO: FixtureHello = FixtureHello {
    version: Version { major: 1, minor: 0 },
    session: 0x1122_3344,
    capabilities: Capabilities(0x01ff),
    firmware: FirmwareVersion { major: 0, minor: 1, patch: 0 },
    simulated: true,
    calibration: CalibrationState::Valid,
    controller_serial: *b"INVENTED",
    analog_serial: *b"MADE-UP1",
    calibrated: UnixDay(20_454),
    calibration_due: UnixDay(20_819),
    // Any eight bytes: the true ones change whenever a message is added, and a sample must not.
    fingerprint: [0xf0, 0xf1, 0xf2, 0xf3, 0xf4, 0xf5, 0xf6, 0xf7],
};

pub const TRIP_CAUSES: [TripCause; 20] = [
    TripCause::BeatLost,
    TripCause::FixtureStop,
    TripCause::HoldReleased,
    TripCause::GuardOpen,
    TripCause::ReadbackMismatch,
    TripCause::EncoderLine,
    TripCause::OverspeedCounts,
    TripCause::OverspeedIndex,
    TripCause::OverspeedReadout,
    TripCause::SpeedDisagreement,
    TripCause::Runaway,
    TripCause::WrongWay,
    TripCause::NoCounts,
    TripCause::Travel,
    TripCause::ArmedTime,
    TripCause::RelayMismatch,
    TripCause::TorqueOff,
    TripCause::AmplifierFault,
    TripCause::FirmwareFault,
    TripCause::AmplifierConnected,
];

pub const FIELDS: [Field; 24] = [
    Field::Command,
    Field::Slew,
    Field::TripSpeed,
    Field::CountsPerRev,
    Field::Travel,
    Field::ArmedTime,
    Field::Beat,
    Field::WrongWay,
    Field::Runaway,
    Field::NoCounts,
    Field::Readback,
    Field::EnableDelay,
    Field::Input,
    Field::Slot,
    Field::Timeout,
    Field::Speed,
    Field::Gain,
    Field::Period,
    Field::Points,
    Field::Offset,
    Field::RunawayDelay,
    Field::ReadbackDwell,
    Field::SpeedDisagreement,
    Field::Keep,
];

pub fn bytes(len: usize) -> Bounded<u8, CHUNK_BYTES> {
    (0..len).map(|i| (i * 37) as u8).collect()
}

fn segment(drive: Drive, end: End, next: Next) -> Segment {
    Segment { drive, end, next, timeout: Ticks(2_000) }
}

/// Every request, and every variant that can be in one. Names are for ever.
pub fn host() -> Vec<(String, HostMessage)> {
    let ramp = Drive::Command { target: Microvolts(1_000_000), slew: MicrovoltsPerTick(50_000) };
    let hold = Drive::HoldSpeed {
        speed: MilliRpm(-120_000),
        bound: Microvolts(600_000),
        proportional: MicrovoltsPerRpm(900),
        integral: MicrovoltsPerRpmSecond(4_500),
    };
    let load = |segment| Request::LoadSegment { slot: 5, segment };
    let requests: Vec<(&str, Request)> = vec![
        ("status", Request::Status),
        ("arm-torque", Request::Arm { epoch: 7, limits: LIMITS }),
        ("arm-speed", Request::Arm { epoch: 7, limits: Limits { mode: CommandMode::Speed, ..LIMITS } }),
        ("enable", Request::Enable { epoch: 8 }),
        ("disarm", Request::Disarm),
        ("acknowledge", Request::Acknowledge { trip: 2 }),
        ("load-time", load(segment(ramp, End::Time(Ticks(500)), Next::Segment(6)))),
        ("load-speed-at-least", load(segment(ramp, End::SpeedAtLeast(MilliRpm(900_000)), Next::Segment(0)))),
        ("load-speed-at-most", load(segment(ramp, End::SpeedAtMost(MilliRpm(-900_000)), Next::Finish))),
        ("load-travel", load(segment(hold, End::Travel(Counts(12_000)), Next::Finish))),
        ("load-index-count", load(segment(hold, End::IndexCount(100), Next::Finish))),
        ("load-flag", load(segment(hold, End::Flag { input: 4, conducting: true }, Next::Finish))),
        ("load-standstill", load(segment(ramp, End::Standstill(Ticks(200)), Next::Finish))),
        ("start-program", Request::StartProgram { epoch: 9, first: 5, timeout: Ticks(10_000) }),
        ("stop-program", Request::StopProgram),
        (
            "set-contacts",
            Request::SetContacts(Contacts { clear_fault: false, end_plus: true, end_minus: true }),
        ),
        ("stream", Request::Stream { decimation: 1 }),
        ("burst-position", Request::StartBurst { kind: BurstKind::Position, period_us: 100, points: 2_000 }),
        ("burst-readouts", Request::StartBurst { kind: BurstKind::ReadOuts, period_us: 50, points: 400 }),
        ("burst-lines", Request::StartBurst { kind: BurstKind::Lines, period_us: 1, points: 8_000 }),
        ("read-burst", Request::ReadBurst { offset: 128 }),
        ("repeat-events", Request::RepeatEvents { from: 11 }),
        ("self-check", Request::SelfCheck { level: Microvolts(-10_000_000) }),
        ("read-calibration", Request::ReadCalibration { offset: 0 }),
        ("write-calibration", Request::WriteCalibration { offset: 256, bytes: bytes(5) }),
        ("write-calibration-full", Request::WriteCalibration { offset: u32::MAX, bytes: bytes(128) }),
        ("commit-calibration", Request::CommitCalibration { length: 261, crc: 0xcbf4_3926 }),
        ("meter-level", Request::MeterLevel { epoch: 10, level: Microvolts(-6_250_000), corrected: true }),
        ("meter-readings", Request::MeterReadings),
        ("open-enable", Request::OpenEnable { epoch: 10, keep: Ticks(100) }),
        ("encoder-lines", Request::EncoderLines),
    ];
    let mut all: Vec<_> = requests
        .into_iter()
        .zip(300u32..)
        .map(|((name, body), id)| (format!("request/{name}"), HostMessage::Request { id, body }))
        .collect();
    all.push(("beat".into(), HostMessage::Beat { sample: 123_456 }));
    all
}

/// Every answer and event, and every variant that can be in one. Names are for ever.
pub fn fixture() -> Vec<(String, FixtureMessage)> {
    let mut answers: Vec<(String, Answer)> = vec![
        ("done".into(), Answer::Done),
        ("status".into(), Answer::Status(STATUS)),
        ("chunk".into(), Answer::Chunk { offset: 128, bytes: bytes(6) }),
        ("chunk-empty".into(), Answer::Chunk { offset: 512, bytes: bytes(0) }),
        ("chunk-full".into(), Answer::Chunk { offset: u32::MAX, bytes: bytes(128) }),
        (
            "self-check".into(),
            Answer::SelfCheck { converter: Microvolts(-9_999_800), terminal: Microvolts(-9_999_100) },
        ),
        (
            "meter-readings".into(),
            Answer::MeterReadings {
                ticks: 200,
                converter: Microvolts(-6_250_110),
                terminal: Microvolts(-6_249_870),
                torque: Microvolts(-6_251_000),
                speed: Microvolts(-6_248_500),
            },
        ),
    ];
    answers.push(("encoder-lines".into(), Answer::EncoderLines { driven: true }));
    for reset in [ResetCause::PowerUp, ResetCause::Watchdog, ResetCause::Panic, ResetCause::Requested] {
        let status = Status { trip: Some(TRIP), segment: Some(4), state: State::Tripped, reset, ..STATUS };
        answers.push((format!("status/reset/{reset:?}"), Answer::Status(status)));
    }
    let refusals = [
        Refusal::StaleId,
        Refusal::StaleEpoch,
        Refusal::WrongState,
        Refusal::MissingSegment(6),
        Refusal::NotCapable,
        Refusal::BadRecord,
    ];
    let refusals =
        refusals.into_iter().chain(FIELDS.map(Refusal::OutOfRange)).chain(TRIP_CAUSES.map(Refusal::NotReady));
    answers.extend(refusals.map(|refusal| (format!("refused/{refusal:?}"), Answer::Refused(refusal))));

    let mut all: Vec<_> = answers
        .into_iter()
        .map(|(name, body)| (format!("reply/{name}"), FixtureMessage::Reply { id: 300, body }))
        .collect();

    let block = |samples: &[Sample]| FixtureMessage::Samples {
        dropped: 17,
        samples: samples.iter().copied().collect(),
    };
    all.push(("samples/none".into(), block(&[])));
    all.push(("samples/one".into(), block(&[SAMPLE])));
    all.push(("samples/full".into(), block(&[SAMPLE; SAMPLES_PER_BLOCK])));
    all.push((
        "samples/longest".into(),
        FixtureMessage::Samples {
            dropped: u32::MAX,
            samples: [LONGEST_SAMPLE; SAMPLES_PER_BLOCK].into_iter().collect(),
        },
    ));

    let states = [
        State::Safe,
        State::Armed,
        State::Enabling,
        State::Live,
        State::Tripped,
        State::Calibrating,
        State::Opened,
    ];
    let mut events: Vec<(String, Event)> = states
        .into_iter()
        .map(|state| (format!("state/{state:?}"), Event::StateChanged { state, epoch: 8 }))
        .collect();
    events.extend([
        ("flag".into(), Event::Flag { input: 4, conducting: true }),
        ("index".into(), Event::Index { position: Counts(10_000) }),
        ("segment".into(), Event::Segment { slot: 6 }),
        ("ended/Finished".into(), Event::ProgramEnded(Ending::Finished)),
        ("ended/TimedOut".into(), Event::ProgramEnded(Ending::TimedOut { slot: 6 })),
        ("ended/Stopped".into(), Event::ProgramEnded(Ending::Stopped)),
        ("burst-ready".into(), Event::BurstReady { bytes: 8_000 }),
        ("enable-opened".into(), Event::EnableOpened),
    ]);
    for cause in TRIP_CAUSES {
        events.push((format!("tripped/{cause:?}"), Event::Tripped(Trip { cause, ..TRIP })));
    }
    all.extend(events.into_iter().map(|(name, body)| {
        (format!("event/{name}"), FixtureMessage::Event { number: 12, at: Micros(123_456_789), body })
    }));
    all
}
