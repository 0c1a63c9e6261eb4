//! A bench for calibrating: the fixture's firmware, a simulated board, a calibration plug and a reference meter, on one
//! virtual clock. No amplifier.

use core::time::Duration;
use std::cell::RefCell;
use std::collections::VecDeque;
use std::rc::Rc;

use proofstand_firmware::calibration::{CommandTable, Point, decode, encode};
use proofstand_firmware::command::output_voltage;
use proofstand_firmware::fixture::{AdcCodes, Fixture, Identity, Inputs, Outputs, Start};
use proofstand_firmware::flags::FlagTiming;
use proofstand_firmware::session::Session;
use proofstand_plant::Random;
use proofstand_protocol::message::{Chain, ResetCause, State};
use proofstand_protocol::units::{Micros, Microvolts};
use proofstand_protocol::version::{Capabilities, FirmwareVersion};
use proofstand_units::Volts;

use super::board::Board;
use super::meter::{MeterFault, SimulatedMeter};
use crate::link::{Link, LinkError};

/// Bytes that the fixture may have waiting in its port.
const PORT_BYTES: usize = 4096;
/// Height of the converter's curve, volts: about a step (integral non-linearity of ±2 steps by its data sheet).
const CURVE: f64 = 0.3e-3;
/// So long the fixture has been under power when a host comes.
const POWERED_TICKS: u32 = 500;
/// Scatter of the inputs, volts.
const INPUT_NOISE: f64 = 0.2e-3;

/// What calibration the simulated fixture comes with.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Before {
    /// None.
    Nothing,
    /// Its own, forty days old.
    Own,
    /// Its own, without tables for the inputs of the amplifier's read-outs: a board that was calibrated before they were fitted.
    WithoutReadOuts,
    /// Its own, as `calibrate` states one: less for the day it was made on, and drift since.
    Drifting,
    /// Another board's, under this board's name: a board was exchanged behind the same controller.
    Others,
}

/// The bench.
pub struct MeterBench {
    board: Board,
    curve: [(f64, f64); 2],
    random: Random,
    session: Session,
    outputs: Outputs,
    chain: Chain,
    ticks: u64,
    connected: bool,
    terminal: Volts,
    for_host: VecDeque<u8>,
    meter: SimulatedMeter,
    stored: Option<Vec<u8>>,
    amplifier: bool,
    broken_pair: bool,
}

impl MeterBench {
    /// A bench whose fixture can't tell whether encoder pairs are driven.
    #[must_use]
    pub fn that_can_not_tell(seed: u64, today: u32) -> Self {
        Self::with(seed, today, Before::Own, None, None, Capabilities::default())
    }

    /// A bench drawn from a seed. `record`: what the fixture's flash holds, instead of what `before` says.
    #[must_use]
    pub fn new(
        seed: u64,
        today: u32,
        before: Before,
        fault: Option<MeterFault>,
        record: Option<Vec<u8>>,
    ) -> Self {
        Self::with(seed, today, before, fault, record, Capabilities::ENCODER_LINE_FAULT)
    }

    fn with(
        seed: u64,
        today: u32,
        before: Before,
        fault: Option<MeterFault>,
        record: Option<Vec<u8>>,
        more: Capabilities,
    ) -> Self {
        let board = Board::drawn(&mut Random::new(seed), seed);
        let mut random = Random::new(seed ^ 0x6375_7276_6500_0001);
        let curve = [
            (CURVE * random.normal(), core::f64::consts::TAU * random.uniform()),
            (0.3 * CURVE * random.normal(), core::f64::consts::TAU * random.uniform()),
        ];
        let stored = record.or_else(|| match before {
            Before::Nothing => None,
            Before::Own => own_record(&board, curve, &mut random, today),
            Before::WithoutReadOuts => board.calibration_without_read_outs(today),
            Before::Drifting => board.drifting_calibration(today),
            Before::Others => Board::drawn(&mut Random::new(seed ^ 0x0bad_b0a2), seed).calibration(today),
        });
        let identity = Identity {
            capabilities: Capabilities::CALIBRATION_STORE.union(Capabilities::METER_LEVELS).union(more),
            firmware: FirmwareVersion { major: 0, minor: 1, patch: 0 },
            simulated: true,
            controller_serial: *b"VIRTUAL1",
            analog_serial: board.serial(),
        };
        let start = Start {
            reset: ResetCause::PowerUp,
            latched: None,
            epoch: seed as u32 ^ 0x5eed_0002,
            flags: FlagTiming { debounce_us: 0, on_delay_us: 0, off_delay_us: 0 },
        };
        let session = Session::new(Fixture::new(identity, start, stored.as_deref()));
        let mut bench = Self {
            board,
            curve,
            random,
            session,
            outputs: Outputs::AT_START,
            chain: Chain { stop: true, hold: true, guard: true, relay: false },
            ticks: 0,
            connected: false,
            terminal: Volts::ZERO,
            for_host: VecDeque::new(),
            meter: SimulatedMeter::new(seed, fault),
            stored,
            amplifier: false,
            broken_pair: false,
        };
        (0..POWERED_TICKS).for_each(|_| bench.tick());
        bench
    }

    /// True time since the bench was set up.
    #[must_use]
    pub fn now(&self) -> Duration {
        Duration::from_millis(self.ticks)
    }

    /// Voltage at the command terminals, and whether the enable contact is closed.
    #[must_use]
    pub const fn at_the_terminals(&self) -> (Volts, bool) {
        (self.terminal, self.outputs.enable)
    }

    /// Voltage at the terminals, in truth, for a code. What no calibration can know.
    #[must_use]
    pub fn truth(&self, code: u16) -> Volts {
        real(&self.board, self.curve, code)
    }

    /// What the fixture's flash holds.
    #[must_use]
    pub fn stored(&self) -> Option<&[u8]> {
        self.stored.as_deref()
    }

    /// The fixture's state.
    #[must_use]
    pub fn state(&self) -> State {
        self.session.fixture().state()
    }

    /// The fixture's own stop button and hold-to-run control. `true` is closed.
    pub const fn chain_mut(&mut self) -> &mut Chain {
        &mut self.chain
    }

    /// One encoder pair of the cable breaks.
    pub const fn break_a_pair(&mut self) {
        self.broken_pair = true;
    }

    /// Somebody plugs a powered amplifier in.
    pub const fn plug_amplifier(&mut self, plugged: bool) {
        self.amplifier = plugged;
    }

    /// Bytes from the host to the fixture.
    pub fn bytes_from_host(&mut self, bytes: &[u8]) {
        self.session.on_bytes(bytes);
    }

    /// Bytes from the fixture to the host, as many as there are and fit.
    pub fn bytes_for_host(&mut self, buffer: &mut [u8]) -> usize {
        let mut chunk = [0; 512];
        while self.for_host.len() < PORT_BYTES {
            let got = self.session.transmit(&mut chunk);
            if got == 0 {
                break;
            }
            self.for_host.extend(chunk.iter().take(got));
        }
        let count = buffer.len().min(self.for_host.len());
        buffer.iter_mut().zip(self.for_host.drain(..count)).for_each(|(place, byte)| *place = byte);
        count
    }

    /// Bytes from the host to the meter.
    pub fn bytes_to_meter(&mut self, bytes: &[u8]) {
        let now = self.now();
        self.meter.on_bytes(bytes, self.terminal, now);
    }

    /// Bytes from the meter to the host.
    pub fn bytes_from_meter(&mut self) -> Vec<u8> {
        let now = self.now();
        self.meter.take(now)
    }

    /// One millisecond.
    pub fn tick(&mut self) {
        self.ticks += 1;
        let converter = self.truth(self.outputs.dac_code);
        self.connected = self.outputs.connect;
        self.terminal = if self.connected { converter } else { Volts::ZERO };
        let mut input = |channel: usize, volts: Volts| {
            let noisy = volts + Volts::new(INPUT_NOISE * self.random.normal());
            self.board.input(channel, noisy)
        };
        // The plug takes the command to the meter and to both read-out inputs.
        let adc = AdcCodes {
            terminal: input(0, self.terminal),
            converter: input(1, converter),
            torque: input(2, self.terminal),
            speed: input(3, self.terminal),
        };
        let inputs = Inputs {
            now: Micros(self.ticks * 1000),
            counter: 0,
            last_edge: None,
            index: None,
            flags: 0,
            flag_edges: &[],
            adc,
            chain: Chain { relay: self.outputs.enable, ..self.chain },
            encoder_fault: !self.amplifier || self.broken_pair,
            pairs_open: !self.amplifier,
            illegal_transitions: 0,
        };
        self.outputs = self.session.on_tick(&inputs);
        if let Some(record) = self.session.fixture().calibration_to_store() {
            self.stored = Some(record.to_vec());
            self.session.fixture_mut().calibration_stored(true);
        }
    }
}

/// What a board gives for a code, its curve included.
fn real(board: &Board, curve: [(f64, f64); 2], code: u16) -> Volts {
    let straight = board.output(code).get();
    let [(slow, at), (fast, from)] = curve;
    Volts::new(straight + slow * (0.35 * straight + at).sin() + fast * (1.1 * straight + from).sin())
}

/// The board's own record, forty days old: another meter's error and a little drift are in it.
fn own_record(board: &Board, curve: [(f64, f64); 2], random: &mut Random, today: u32) -> Option<Vec<u8>> {
    let mut record = decode(&board.calibration(today)?).ok()?;
    let (gain, zero) = (20e-6 * random.normal(), 50e-6 * random.normal());
    let codes = (0..17_u32).map(|n| (1 + n * 65_534 / 16) as u16);
    let points: Vec<Point> = codes
        .map(|code| {
            let volts = real(board, curve, code).get();
            let shown = volts * (1.0 + gain) + zero;
            Point { nominal: output_voltage(code), actual: Microvolts((shown * 1e6).round() as i32) }
        })
        .collect();
    record.command = CommandTable::new(&points).ok()?;
    encode(&record).ok().map(|bytes| bytes.to_vec())
}

/// A bench that several ends share.
pub type SharedBench = Rc<RefCell<MeterBench>>;

/// The host's end of the cable to the fixture: waiting on it makes the bench's time pass.
pub struct FixtureEnd(pub SharedBench);

impl Link for FixtureEnd {
    fn send(&mut self, bytes: &[u8]) -> Result<(), LinkError> {
        self.0.borrow_mut().bytes_from_host(bytes);
        Ok(())
    }

    fn receive(&mut self, buffer: &mut [u8], wait: Duration) -> Result<usize, LinkError> {
        let mut bench = self.0.borrow_mut();
        let until = bench.now() + wait;
        loop {
            let got = bench.bytes_for_host(buffer);
            if got > 0 || bench.now() >= until {
                return Ok(got);
            }
            bench.tick();
        }
    }

    fn now(&self) -> Duration {
        self.0.borrow().now()
    }

    fn name(&self) -> String {
        "the virtual fixture".to_owned()
    }
}

/// The host's end of the cable to the meter. Time passes at the fixture's end only.
pub struct MeterEnd {
    bench: SharedBench,
    waiting: VecDeque<u8>,
}

impl MeterEnd {
    /// The other end of the meter's cable.
    #[must_use]
    pub const fn new(bench: SharedBench) -> Self {
        Self { bench, waiting: VecDeque::new() }
    }
}

impl Link for MeterEnd {
    fn send(&mut self, bytes: &[u8]) -> Result<(), LinkError> {
        self.bench.borrow_mut().bytes_to_meter(bytes);
        Ok(())
    }

    fn receive(&mut self, buffer: &mut [u8], _wait: Duration) -> Result<usize, LinkError> {
        self.waiting.extend(self.bench.borrow_mut().bytes_from_meter());
        let count = buffer.len().min(self.waiting.len());
        buffer.iter_mut().zip(self.waiting.drain(..count)).for_each(|(place, byte)| *place = byte);
        Ok(count)
    }

    fn now(&self) -> Duration {
        self.bench.borrow().now()
    }

    fn name(&self) -> String {
        "the simulated meter".to_owned()
    }
}
