//! The virtual bench: board, wires and plant on one clock.

use core::time::Duration;
use std::collections::VecDeque;

use proofstand_firmware::capture::{BurstJob, BurstPoint};
use proofstand_firmware::fixture::{
    AdcCodes, Fixture, Identity, IndexLatch, Inputs, OUTPUT_AFTER_TICK_US, Outputs, Start,
};
use proofstand_firmware::flags::{FlagEdge, FlagTiming};
use proofstand_firmware::session::Session;
use proofstand_plant::{
    CalibrationFound, DisplayReader, Drive, FixtureSetup, Plant, PlantSetup, PlantTime, Random,
};
use proofstand_protocol::message::{BurstKind, Chain, ResetCause, State, Trip};
use proofstand_protocol::units::Micros;
use proofstand_protocol::version::{Capabilities, FirmwareVersion};
use proofstand_units::{Percent, Rpm, Volts};

use super::board::{Board, COUPLER_OFF_US, COUPLER_ON_US};
use super::{Before, Fault, RehearsalError, axis};
use crate::sheet::AxisSheet;

/// The command's own output, and the inputs of the read-outs, are so late, in microseconds: as the board's filters.
const OUTPUT_LAG_US: u32 = 10;
const READ_OUT_LAG_US: u32 = 15;
/// The first point of a burst comes so long after an output, in microseconds.
const BURST_AFTER_OUTPUT_US: u32 = 27;
/// Ticks that a relay takes to follow.
const CONTACT_TICKS: u8 = 3;
/// Bytes that the fixture may have waiting in its port before it is asked to hold back, as USB would.
const PORT_BYTES: usize = 4096;

/// A contact that takes its time.
#[derive(Debug, Clone, Copy, Default)]
struct Relay {
    closed: bool,
    moving: u8,
}

impl Relay {
    fn drive(&mut self, closed: bool) -> bool {
        if closed == self.closed {
            self.moving = 0;
        } else {
            self.moving += 1;
            if self.moving >= CONTACT_TICKS {
                self.closed = closed;
                self.moving = 0;
            }
        }
        self.closed
    }
}

/// Days since the due date of a calibration that is out of date: two due periods back, whatever the period.
const EXPIRED_FOR: u32 = 800;
/// A byte of the command's table.
const DAMAGED: usize = 100;

/// How the virtual fixture starts.
const fn start(reset: ResetCause) -> Start {
    Start {
        reset,
        latched: None,
        epoch: 0,
        flags: FlagTiming { debounce_us: 0, on_delay_us: COUPLER_ON_US, off_delay_us: COUPLER_OFF_US },
    }
}

/// Board, wires and plant.
pub struct Bench {
    plant: Plant,
    board: Board,
    session: Session,
    outputs: Outputs,
    enable: Relay,
    connect: Relay,
    ticks: u64,
    time: PlantTime,
    for_host: Vec<u8>,
    flags: u8,
    chain: Chain,
    terminal: Volts,
    under_way: VecDeque<FlagEdge>,
    edges: Vec<FlagEdge>,
    burst: Option<Burst>,
    broken: FixtureSetup,
    /// What a restart needs: who it is, and what is in its flash.
    identity: Identity,
    record: Option<Vec<u8>>,
    /// Ticks with enable closed until it restarts.
    restarts_in: Option<u64>,
    /// What a person who looks at the amplifier's display has read of it.
    display: DisplayReader,
}

/// A rehearsal's board and axis for a seed, faults put in.
pub(super) fn drawn(
    sheet: &AxisSheet,
    faults: &[Fault],
    seed: u64,
) -> Result<(Board, PlantSetup), RehearsalError> {
    let mut random = Random::new(seed);
    let board = Board::drawn(&mut random, seed);
    let mut setup = axis::setup(sheet, &mut random);
    for fault in faults {
        fault.apply(&mut setup)?;
    }
    Ok((board, setup))
}

impl Bench {
    /// A bench by itself, to be ticked by whoever holds it.
    ///
    /// # Errors
    /// [`RehearsalError`] if no such axis can be simulated.
    pub fn new(sheet: &AxisSheet, faults: &[Fault], seed: u64, today: u32) -> Result<Self, RehearsalError> {
        Self::found(sheet, faults, seed, today, Before::Own)
    }

    /// The same with a fixture that comes without its calibration, or with one that names another board.
    ///
    /// # Errors
    /// As [`Self::new`].
    pub fn found(
        sheet: &AxisSheet,
        faults: &[Fault],
        seed: u64,
        today: u32,
        before: Before,
    ) -> Result<Self, RehearsalError> {
        let (board, setup) = drawn(sheet, faults, seed)?;
        let broken = setup.fixture;
        let mut plant = Plant::new(setup, seed)?;
        // The bench begins with the switch of control power: the encoder output comes alive when its start-up is over.
        plant.operator().control_power(false);
        plant.operator().control_power(true);
        let identity = Identity {
            capabilities: Capabilities::POSITION_BURSTS
                .union(Capabilities::READOUT_BURSTS)
                .union(Capabilities::LINE_BURSTS)
                .union(Capabilities::SELF_CHECK)
                .union(Capabilities::CALIBRATION_STORE)
                .union(Capabilities::GUARD_CONTACT)
                .union(Capabilities::SPEED_READOUT)
                .union(Capabilities::TORQUE_READOUT)
                .union(Capabilities::ENCODER_LINE_FAULT),
            firmware: FirmwareVersion { major: 0, minor: 1, patch: 0 },
            simulated: true,
            controller_serial: *b"VIRTUAL1",
            analog_serial: board.serial(),
        };
        let start = Start { epoch: seed as u32 ^ 0x5eed_0001, ..start(ResetCause::PowerUp) };
        let before = match broken.calibration {
            CalibrationFound::Foreign => Before::Others,
            _ => before,
        };
        let calibrated = match broken.calibration {
            CalibrationFound::Expired => today.saturating_sub(EXPIRED_FOR),
            _ => today,
        };
        let mut record = match before {
            Before::Own => board.calibration(calibrated),
            Before::WithoutReadOuts => board.calibration_without_read_outs(calibrated),
            Before::Drifting => board.drifting_calibration(calibrated),
            Before::Nothing => None,
            Before::Others => Board::drawn(&mut Random::new(!seed), !seed).calibration(today),
        };
        if broken.calibration == CalibrationFound::Corrupt
            && let Some(byte) = record.as_mut().and_then(|bytes| bytes.get_mut(DAMAGED))
        {
            *byte ^= 0x10;
        }
        let fixture = Fixture::new(identity, start, record.as_deref());
        Ok(Self {
            plant,
            board,
            session: Session::new(fixture),
            outputs: Outputs::AT_START,
            enable: Relay::default(),
            connect: Relay::default(),
            ticks: 0,
            time: PlantTime::ZERO,
            for_host: Vec::new(),
            flags: 0,
            chain: Chain { stop: true, hold: true, guard: true, relay: false },
            terminal: Volts::ZERO,
            under_way: VecDeque::new(),
            edges: Vec::new(),
            burst: None,
            broken,
            identity,
            record,
            restarts_in: broken.restarts_after.map(|after| (after.get() * 1e3) as u64),
            display: DisplayReader::default(),
        })
    }

    /// True time since the bench was set up; the host's clock.
    #[must_use]
    pub fn now(&self) -> Duration {
        Duration::from_nanos(self.time.nanos())
    }

    /// The simulated axis, for its operator.
    pub fn plant_mut(&mut self) -> &mut Plant {
        &mut self.plant
    }

    /// The fixture's own stop button, hold-to-run control and guard contact, for who stands at the bench. `true` is
    /// closed; the relay's contact is the bench's own.
    pub const fn chain_mut(&mut self) -> &mut Chain {
        &mut self.chain
    }

    /// The fixture's state.
    #[must_use]
    pub fn state(&self) -> State {
        self.session.fixture().state()
    }

    /// The trip that is latched.
    #[must_use]
    pub fn latched(&self) -> Option<Trip> {
        self.session.fixture().latched()
    }

    /// Voltage at the command terminals, and whether the enable contact is closed.
    #[must_use]
    pub const fn at_the_terminals(&self) -> (Volts, bool) {
        (self.terminal, self.enable.closed)
    }

    /// True speed of the shaft, clockwise positive.
    pub(super) fn speed(&self) -> Rpm {
        self.plant.truth().speed
    }

    /// Bytes that came down the cable.
    pub fn bytes_from_host(&mut self, bytes: &[u8]) {
        self.session.on_bytes(bytes);
    }

    /// Takes bytes for the cable, as many as there are and fit. Returns how many.
    pub fn bytes_for_host(&mut self, buffer: &mut [u8]) -> usize {
        let mut chunk = [0; 512];
        while self.for_host.len() < PORT_BYTES {
            let got = self.session.transmit(&mut chunk);
            if got == 0 {
                break;
            }
            self.for_host.extend_from_slice(chunk.get(..got).unwrap_or_default());
        }
        let count = buffer.len().min(self.for_host.len());
        for (place, byte) in buffer.iter_mut().zip(&self.for_host) {
            *place = *byte;
        }
        self.for_host.drain(..count);
        count
    }

    /// Forgets what was read of the display.
    pub(super) fn look_away(&mut self) {
        self.display = DisplayReader::default();
    }

    /// What was last read of the amplifier's display: under a command that stood still.
    pub(super) const fn display_read(&self) -> Option<Percent> {
        self.display.read()
    }

    /// True time as the board's crystal shows it.
    fn on_board_clock(&self, time: PlantTime) -> Micros {
        Micros((time.nanos() as f64 * 1e3 / self.board.tick_nanos()).round() as u64)
    }

    /// One millisecond of the board's crystal.
    pub fn tick(&mut self) {
        self.ticks += 1;
        let next = PlantTime::from_nanos((self.ticks as f64 * self.board.tick_nanos()).round() as u64);
        self.restart_if_due();
        let welded = self.broken.enable_welded && self.enable.closed;
        let enable = self.enable.drive(self.outputs.enable || welded);
        let connect = self.connect.drive(self.outputs.connect || self.broken.output_welded);
        let converter = self.broken.converter_stuck.unwrap_or(self.board.output(self.outputs.dac_code));
        let terminal = if connect { converter } else { Volts::ZERO };
        let before = self.terminal;
        self.terminal = terminal;
        // A drift of the output shows wherever it is read back; the plant adds it to what it is driven with.
        let read_back = |volts: Volts| volts * (1.0 + self.plant.output_drift());
        let kept = 1.0 - self.broken.read_back_less.get() / 100.0;
        let (terminal_read, converter_read) = (read_back(terminal) * kept, read_back(converter));
        let contacts = self.outputs.contacts;
        let drive = Drive {
            command: terminal,
            enable,
            clear_fault: contacts.clear_fault,
            end_plus_closed: contacts.end_plus,
            end_minus_closed: contacts.end_minus,
        };
        // The command moves later in the tick, at a constant distance from its sample.
        self.run_to(self.after(OUTPUT_AFTER_TICK_US + OUTPUT_LAG_US), &Drive { command: before, ..drive });
        self.run_to(next, &drive);
        self.time = next;
        self.display.look(&mut self.plant, terminal, enable);

        let index = self
            .plant
            .take_index_edges()
            .last()
            .map(|edge| IndexLatch { counter: edge.counter as u32, at: self.on_board_clock(edge.time) });
        let now = Micros(self.ticks * 1000);
        self.flag_edges(now);
        let last_edge = self.plant.last_edge_time().map(|t| self.on_board_clock(t));
        let inputs = Inputs {
            now,
            counter: self.plant.counter() as u32,
            last_edge,
            index,
            flags: self.flags,
            flag_edges: &self.edges,
            adc: AdcCodes {
                terminal: self.board.input(0, terminal_read),
                converter: self.board.input(1, converter_read),
                torque: self.board.input(2, self.plant.torque_readout()),
                speed: self.board.input(3, self.plant.speed_readout()),
            },
            chain: Chain { relay: enable, ..self.chain },
            encoder_fault: !self.plant.encoder_pairs_ok(),
            pairs_open: self.plant.encoder_silent(),
            illegal_transitions: self.plant.illegal_transitions(),
        };
        self.outputs = self.session.on_tick(&inputs);
        if self.session.fixture().calibration_to_store().is_some() {
            // A virtual board has no flash to fail; what is stored lasts as long as the bench.
            self.session.fixture_mut().calibration_stored(true);
        }
        if let Some(command) = self.outputs.burst {
            let first = self.after(OUTPUT_AFTER_TICK_US + BURST_AFTER_OUTPUT_US);
            let began = self.on_board_clock(first);
            self.session.fixture_mut().burst_began(began);
            self.burst = Some(Burst { command, done: 0, first: first.nanos() });
        }
    }

    /// A dip of the fixture's supply: the firmware starts anew, with everything open, and its counters from 0.
    fn restart_if_due(&mut self) {
        let Some(left) = &mut self.restarts_in else { return };
        if *left > 0 {
            *left -= u64::from(self.enable.closed);
            return;
        }
        self.restarts_in = None;
        let start = Start { epoch: self.ticks as u32, ..start(ResetCause::PowerUp) };
        self.session = Session::new(Fixture::new(self.identity, start, self.record.as_deref()));
        self.outputs = Outputs::AT_START;
        self.burst = None;
        self.for_host.clear();
    }

    /// Flag edges behind the couplers up to now, and the state that they leave.
    fn flag_edges(&mut self, now: Micros) {
        if self.ticks == 1 {
            self.flags = self.plant.flags();
        }
        for edge in self.plant.take_flag_edges() {
            let late = self.board.coupler_us(edge.conducting);
            let at = Micros(self.on_board_clock(edge.time).0 + late);
            self.under_way.push_back(FlagEdge { input: edge.input, conducting: edge.conducting, at });
        }
        self.edges.clear();
        // A later edge of another input may arrive first; a tick is short, and order inside it means nothing.
        let mut waiting = VecDeque::new();
        for edge in self.under_way.drain(..) {
            if edge.at <= now {
                let bit = 1 << (edge.input & 7);
                self.flags = if edge.conducting { self.flags | bit } else { self.flags & !bit };
                self.edges.push(edge);
            } else {
                waiting.push_back(edge);
            }
        }
        self.under_way = waiting;
    }

    /// True time so many microseconds of the board's crystal after the tick.
    fn after(&self, micros: u32) -> PlantTime {
        let nanos = f64::from(micros) * self.board.tick_nanos() / 1e3;
        PlantTime::from_nanos(self.time.nanos() + nanos.round() as u64)
    }

    /// Lets time pass, and takes the points of a burst that fall into it.
    fn run_to(&mut self, until: PlantTime, drive: &Drive) {
        let Some(mut burst) = self.burst.take() else { return self.plant.advance(until, drive) };
        let period = f64::from(burst.command.period_us) * self.board.tick_nanos() / 1e3;
        // Read-outs are noisy and filtered: they are as they are now. Where the shaft was, the plant remembers.
        let now = burst.command.kind == BurstKind::ReadOuts;
        let lag = if now { u64::from(READ_OUT_LAG_US) * 1000 } else { 0 };
        if !now {
            self.plant.advance(until, drive);
        }
        while burst.done < burst.command.points {
            let time = burst.first + (f64::from(burst.done) * period).round() as u64;
            let time = time.saturating_sub(lag);
            if time > until.nanos() {
                break;
            }
            let time = PlantTime::from_nanos(time);
            if now {
                self.plant.advance(time, drive);
            }
            let point = self.point(burst.command.kind, time);
            self.session.fixture_mut().burst_point(point);
            burst.done += 1;
        }
        if now {
            self.plant.advance(until, drive);
        }
        if burst.done < burst.command.points {
            self.burst = Some(burst);
        }
    }

    fn point(&self, kind: BurstKind, time: PlantTime) -> BurstPoint {
        match kind {
            BurstKind::Position => BurstPoint::Position(
                self.plant.counter_at(time).unwrap_or_else(|_| self.plant.counter()) as u32,
            ),
            BurstKind::ReadOuts => BurstPoint::ReadOuts {
                torque: self.board.input(2, self.plant.torque_readout()),
                speed: self.board.input(3, self.plant.speed_readout()),
            },
            BurstKind::Lines => {
                let lines = self.plant.lines_at(time).unwrap_or_else(|_| self.plant.lines());
                BurstPoint::Lines(u8::from(lines.a) | u8::from(lines.b) << 1 | u8::from(lines.z) << 2)
            }
        }
    }
}

/// A burst under way.
#[derive(Debug, Clone, Copy)]
struct Burst {
    command: BurstJob,
    done: u16,
    /// True time of its first point, in nanoseconds.
    first: u64,
}
