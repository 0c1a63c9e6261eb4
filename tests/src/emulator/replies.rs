//! How long every request takes to be answered: asked when safe, with a level for a meter, armed, live, in motion, tripped.

use core::time::Duration;
use std::collections::BTreeMap;

use proofstand::fixture::FixtureError;
use proofstand_firmware::calibration::layout::checksum;
use proofstand_protocol::message::{BurstKind, CHUNK_BYTES, Contacts, Request, State};
use proofstand_protocol::units::{Microvolts, MilliRpm, Ticks};
use serde_json::json;

use super::measure::sheet;
use super::rig::{Rig, hold_speed, open_limits};
use super::{Axis, EmulatedFixture, Emulator};
use crate::bench::{Failure, TODAY};

/// Requests that there are.
pub const REQUESTS: usize = 21;
/// Rounds, each at other places within the tick.
const ROUNDS: u64 = 2;
/// From one request to the next: a place within the tick that changes, so that all have their turn.
const APART: Duration = Duration::from_micros(3_370);

struct Asking {
    rig: Rig,
    longest: BTreeMap<&'static str, Duration>,
}

/// The longest time from a request to its answer, by request.
///
/// # Errors
/// If the board fails, refuses what it should do, or does what it should refuse.
pub fn replies() -> Result<BTreeMap<&'static str, Duration>, Failure> {
    let rig = Rig::new(EmulatedFixture::start(Axis::read(&sheet(), &[], 1)?)?)?;
    let mut asking = Asking { rig, longest: BTreeMap::new() };
    for round in 0..ROUNDS {
        asking.rig.attend(Duration::from_micros(130 * round))?;
        asking.at_any_time()?;
        asking.safe()?;
        asking.meter()?;
        asking.live()?;
        asking.tripped()?;
    }
    Ok(asking.longest)
}

impl Asking {
    fn done(&mut self, request: Request) -> Result<(), Failure> {
        self.ask(request, false)
    }

    fn refused(&mut self, request: Request) -> Result<(), Failure> {
        self.ask(request, true)
    }

    fn ask(&mut self, request: Request, refused: bool) -> Result<(), Failure> {
        self.rig.attend(APART)?;
        let (name, asked) = (name(&request), self.rig.client.now());
        let answer = match self.rig.client.request(request, &mut self.rig.kept) {
            Ok(answer) => (false, format!("{answer:?}")),
            Err(FixtureError::Refused { refusal, .. }) => (true, format!("{refusal:?}")),
            Err(other) => return Err(other.into()),
        };
        let took = self.rig.client.now() - asked;
        if answer.0 != refused {
            return Err(format!("{name}: {}", answer.1).into());
        }
        let longest = self.longest.entry(name).or_default();
        *longest = took.max(*longest);
        Ok(())
    }

    fn epoch(&mut self) -> Result<u32, Failure> {
        self.rig.attend(APART)?;
        Ok(self.rig.client.status(&mut self.rig.kept)?.epoch)
    }

    /// What is answered in every state.
    fn at_any_time(&mut self) -> Result<(), Failure> {
        for _ in 0..8 {
            self.done(Request::Status)?;
            self.done(Request::EncoderLines)?;
            self.done(Request::SetContacts(Contacts::default()))?;
            self.done(Request::Stream { decimation: 1 })?;
            self.done(Request::RepeatEvents { from: 0 })?;
            self.done(Request::ReadCalibration { offset: 0 })?;
        }
        for kind in [BurstKind::Position, BurstKind::ReadOuts, BurstKind::Lines] {
            self.done(Request::StartBurst { kind, period_us: 40, points: 500 })?;
            self.done(Request::Status)?;
            self.refused(Request::ReadBurst { offset: 0 })?;
            self.rig.attend(Duration::from_millis(40))?;
            self.done(Request::ReadBurst { offset: 0 })?;
        }
        Ok(())
    }

    fn safe(&mut self) -> Result<(), Failure> {
        let segment = hold_speed(MilliRpm(300_000), Ticks(20_000));
        for slot in 0..4 {
            self.done(Request::LoadSegment { slot, segment })?;
        }
        self.done(Request::StopProgram)?;
        self.done(Request::Disarm)?;
        self.refused(Request::MeterReadings)?;
        self.done(Request::SelfCheck { level: Microvolts(1_000_000) })?;
        let serial = self.rig.client.hello().analog_serial;
        let record = self.rig.fixture.analog.record(serial, TODAY)?;
        for (index, bytes) in record.chunks(CHUNK_BYTES).enumerate() {
            let offset = (index * CHUNK_BYTES) as u32;
            self.done(Request::WriteCalibration { offset, bytes: bytes.iter().copied().collect() })?;
        }
        self.done(Request::CommitCalibration { length: record.len() as u32, crc: checksum(&record) })
    }

    /// Nothing drives the encoder pairs.
    fn meter(&mut self) -> Result<(), Failure> {
        self.rig.board(|board| board.tell(&json!({"order": "chain", "openPairs": 0b111})))?;
        self.rig.attend(Duration::from_millis(150))?;
        let level = Microvolts(1_000_000);
        for _ in 0..4 {
            let epoch = self.epoch()?;
            self.done(Request::MeterLevel { epoch, level, corrected: true })?;
            self.rig.attend(Duration::from_millis(50))?;
            self.done(Request::MeterReadings)?;
        }
        self.done(Request::Disarm)?;
        self.rig.board(|board| board.tell(&json!({"order": "chain", "openPairs": 0})))?;
        Ok(self.rig.attend(Duration::from_millis(20))?)
    }

    /// Armed, live, turning, and open again.
    fn live(&mut self) -> Result<(), Failure> {
        let epoch = self.epoch()?;
        self.done(Request::Arm { epoch, limits: open_limits() })?;
        let epoch = self.epoch()?;
        self.done(Request::Enable { epoch })?;
        self.rig.attend(Duration::from_millis(400))?;
        let last = self.rig.kept.samples.last().map(|sample| sample.state);
        if last != Some(State::Live) {
            return Err(format!("not live: {last:?}").into());
        }
        let epoch = self.epoch()?;
        self.done(Request::StartProgram { epoch, first: 0, timeout: Ticks(60_000) })?;
        self.rig.attend(Duration::from_millis(300))?;
        self.at_any_time()?;
        self.refused(Request::SelfCheck { level: Microvolts(0) })?;
        let rpm = self.rig.board(Emulator::state)?.rpm;
        if rpm.abs() < 200.0 {
            return Err(format!("it does not turn: {rpm} rpm").into());
        }
        self.done(Request::StopProgram)?;
        let epoch = self.epoch()?;
        self.done(Request::OpenEnable { epoch, keep: Ticks(20) })?;
        self.rig.attend(Duration::from_millis(60))?;
        self.done(Request::Disarm)?;
        self.rig.recover()
    }

    fn tripped(&mut self) -> Result<(), Failure> {
        let epoch = self.epoch()?;
        self.done(Request::Arm { epoch, limits: open_limits() })?;
        self.rig.board(|board| board.tell(&json!({"order": "chain", "stop": false})))?;
        self.rig.attend(Duration::from_millis(20))?;
        self.at_any_time()?;
        self.rig.board(|board| board.tell(&json!({"order": "chain", "stop": true})))?;
        let trip = self.rig.kept.trip().ok_or("no trip came")?.number;
        self.done(Request::Acknowledge { trip })?;
        self.rig.recover()
    }
}

const fn name(request: &Request) -> &'static str {
    match request {
        Request::Status => "status",
        Request::Arm { .. } => "arm",
        Request::Enable { .. } => "enable",
        Request::Disarm => "disarm",
        Request::Acknowledge { .. } => "acknowledge",
        Request::LoadSegment { .. } => "load segment",
        Request::StartProgram { .. } => "start program",
        Request::StopProgram => "stop program",
        Request::SetContacts(_) => "set contacts",
        Request::Stream { .. } => "stream",
        Request::StartBurst { .. } => "start burst",
        Request::ReadBurst { .. } => "read burst",
        Request::RepeatEvents { .. } => "repeat events",
        Request::SelfCheck { .. } => "self-check",
        Request::ReadCalibration { .. } => "read calibration",
        Request::WriteCalibration { .. } => "write calibration",
        Request::CommitCalibration { .. } => "commit calibration",
        Request::MeterLevel { .. } => "meter level",
        Request::MeterReadings => "meter readings",
        Request::OpenEnable { .. } => "open enable",
        Request::EncoderLines => "encoder lines",
    }
}
