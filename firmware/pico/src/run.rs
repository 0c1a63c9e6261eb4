//! The main loop: ticks and bytes into the session, outputs and bytes out of it, and sleep.

use proofstand_firmware::calibration::store::{CalibrationStore, StoreError};
use proofstand_firmware::calibration::{BoardIdentity, RECORD_BYTES, decode, encode};
use proofstand_firmware::fixture::{Fixture, Inputs, Outputs, Start};
use proofstand_firmware::flags::FlagTiming;
use proofstand_firmware::session::Session;
use proofstand_protocol::message::State;
use proofstand_protocol::units::Micros;

use crate::board::clock::Snapshot;
use crate::board::{
    self, Board, Burst, CalibrationFlash, Gpio, Port, Watchdog, analog, clock, encoder, flags, retained,
    stack, usb,
};

/// The couplers' delays as designed, and no more debounce than they need: 15 µs on, 50 µs off.
const FLAGS: FlagTiming = FlagTiming { debounce_us: 100, on_delay_us: 15, off_delay_us: 50 };
/// How often the state of the firmware is logged.
const LOG_TICKS: u32 = 5_000;
/// The shaft rests when the last edge is so old.
const REST_US: u64 = 5_000;
/// Longest wait for a tick's readings. Later than this the output time would be missed.
const READINGS_US: u64 = 200;

/// Everything that the main loop owns.
struct Loop {
    gpio: Gpio,
    port: Port,
    watchdog: Watchdog,
    burst: Burst,
    store: Option<CalibrationStore<CalibrationFlash>>,
    session: Session,
    /// The tick that was decided on last.
    done: u32,
    /// Number of the trip that is kept through a reset.
    kept: Option<u32>,
    edge: EdgeTime,
    outgoing: Outgoing,
}

/// Runs the session on the board.
pub(crate) fn forever(board: Board) -> ! {
    // In static memory: what it takes is then known when the image is built.
    let Some(runner) = cortex_m::singleton!(: Loop = Loop::new(board)) else { board::stop() };
    runner.watchdog.strict();
    loop {
        let mut busy = runner.tick();
        runner.serve_port();
        runner.burst.hand_over(runner.session.fixture_mut());
        busy |= runner.store_calibration();
        cortex_m::interrupt::free(|_| {
            if !busy && clock::tick() == runner.done && !runner.port.wanted() {
                cortex_m::asm::wfi();
            }
        });
    }
}

impl Loop {
    #[inline(never)]
    fn new(board: Board) -> Self {
        let Board { gpio, port, watchdog, burst, flash, identity, found } = board;
        if let Some((reason, first, second)) = found.stopped {
            defmt::error!("stopped itself: reason {=u32}, {=u32:#x} {=u32:#x}", reason, first, second);
        }
        let mut store = CalibrationStore::new(flash, 0).ok();
        let loaded = store.as_mut().and_then(|store| store.load(BoardIdentity(identity.analog_serial)).ok());
        let record: Option<[u8; RECORD_BYTES]> =
            loaded.and_then(|loaded| loaded.calibration).and_then(|calibration| encode(&calibration).ok());
        let start = Start { reset: found.cause, latched: found.trip, epoch: found.epoch, flags: FLAGS };
        let fixture = Fixture::new(identity, start, record.as_ref().map(|record| &record[..]));
        Self {
            gpio,
            port,
            watchdog,
            burst,
            store,
            session: Session::new(fixture),
            done: clock::tick(),
            kept: found.trip.map(|trip| trip.number),
            edge: EdgeTime::new(),
            outgoing: Outgoing::default(),
        }
    }

    /// Decides on a tick, if there is a new one whose readings are there. True: there is one, and they are not.
    #[inline(never)]
    fn tick(&mut self) -> bool {
        let snapshot = clock::snapshot();
        if snapshot.tick == self.done {
            return false;
        }
        if !clock::has_read(snapshot.tick) && clock::now() < snapshot.at + READINGS_US {
            return true;
        }
        self.done = snapshot.tick;
        let last_edge = self.edge.at(&snapshot);
        let edges = flags::take(snapshot.at);
        let inputs = Inputs {
            now: Micros(snapshot.at),
            counter: snapshot.count,
            last_edge,
            index: snapshot.index,
            flags: snapshot.levels.flags(),
            flag_edges: &edges,
            adc: analog::codes(),
            chain: snapshot.levels.chain(analog::guard_closed()),
            encoder_fault: snapshot.levels.encoder_fault(),
            pairs_open: analog::pairs_open(),
            illegal_transitions: encoder::illegal(),
        };
        if encoder::is_dead() {
            self.session.fixture_mut().firmware_fault();
        }
        let outputs = self.session.on_tick(&inputs);
        self.put_out(&snapshot, &outputs);
        encoder::keep_latch(
            snapshot.levels.index_high(),
            last_edge.is_none_or(|edge| snapshot.at - edge.0 > REST_US),
        );
        // Never while the axis may move.
        if snapshot.tick.is_multiple_of(LOG_TICKS) && self.session.fixture().state() == State::Safe {
            let (used, bytes) = stack::used();
            defmt::info!(
                "tick {=u32}, stack {=u32} of {=u32} bytes, late {=u32}",
                snapshot.tick,
                used,
                bytes,
                clock::late()
            );
        }
        false
    }

    #[inline(never)]
    fn put_out(&mut self, snapshot: &Snapshot, outputs: &Outputs) {
        self.gpio.enable(outputs.enable);
        analog::set_command(outputs.dac_code);
        analog::set_contacts(outputs.contacts, outputs.connect);
        clock::decided(snapshot.tick, !outputs.connect);
        if let Some(job) = outputs.burst {
            let began = self.burst.start(job);
            self.session.fixture_mut().burst_began(Micros(began));
        }
        if outputs.keep_alive {
            self.gpio.keep_alive();
            self.watchdog.feed();
        }
        self.gpio.light(is_lit(self.session.fixture().state(), snapshot.tick));
        let latched = self.session.fixture().latched();
        let number = latched.map(|trip| trip.number);
        if number != self.kept {
            retained::keep_trip(latched.as_ref());
            self.kept = number;
        }
    }

    #[inline(never)]
    fn serve_port(&mut self) {
        if self.port.serve() {
            self.session.on_port_reset();
            self.outgoing = Outgoing::default();
        }
        let mut bytes = [0; 64];
        let count = self.port.read(&mut bytes);
        self.session.on_bytes(bytes.get(..count).unwrap_or(&[]));
        self.outgoing.pump(&mut self.session, &mut self.port);
    }

    /// Stores a calibration, if there is one to be stored. True: there was, and time has passed.
    #[inline(never)]
    fn store_calibration(&mut self) -> bool {
        let fixture = self.session.fixture_mut();
        let Some(record) = fixture.calibration_to_store() else { return false };
        // The relay may still be on its way; a command never is, in this state.
        let safe = fixture.state() == State::Safe;
        let calibration = decode(record).ok().filter(|_| safe);
        let stored = match (&mut self.store, calibration) {
            (Some(store), Some(calibration)) => {
                self.watchdog.patient();
                let saved = store.save(&calibration);
                self.watchdog.strict();
                if let Err(error) = &saved {
                    defmt::error!("calibration not stored: {=istr}", name(error));
                }
                saved.is_ok()
            }
            _ => false,
        };
        self.session.fixture_mut().calibration_stored(stored);
        true
    }
}

fn name<E>(error: &StoreError<E>) -> defmt::Str {
    match error {
        StoreError::Flash(_) => defmt::intern!("flash"),
        StoreError::Geometry => defmt::intern!("geometry"),
        StoreError::Record(_) => defmt::intern!("record"),
        StoreError::Verify => defmt::intern!("verify"),
    }
}

/// What the light says: a blink a second when safe, on when armed, fast when it may move, two blinks when tripped.
fn is_lit(state: State, tick: u32) -> bool {
    let within = tick % 1_000;
    match state {
        State::Safe => within < 50,
        State::Armed | State::Calibrating => true,
        State::Enabling | State::Live | State::Opened => tick % 100 < 50,
        State::Tripped => within < 100 || (200..300).contains(&within),
    }
}

/// Makes the time of the last edge whole: the chip stamps its low 32 bits.
struct EdgeTime {
    stamp: u32,
    at: Option<Micros>,
}

impl EdgeTime {
    fn new() -> Self {
        Self { stamp: encoder::edge_stamp(), at: None }
    }

    /// When the counter last changed, at or before the tick.
    fn at(&mut self, snapshot: &Snapshot) -> Option<Micros> {
        if snapshot.edge != self.stamp {
            self.stamp = snapshot.edge;
            // An edge that fell between the tick's time and the look at the counter is one at the tick's time.
            let ago = (snapshot.at as u32).wrapping_sub(snapshot.edge).cast_signed().max(0);
            self.at = Some(Micros(snapshot.at.saturating_sub(u64::from(ago.unsigned_abs()))));
        }
        self.at
    }
}

/// Bytes that the session has given and the port has not taken.
struct Outgoing {
    bytes: [u8; 64],
    sent: usize,
    length: usize,
}

impl Default for Outgoing {
    fn default() -> Self {
        Self { bytes: [0; 64], sent: 0, length: 0 }
    }
}

impl Outgoing {
    #[inline(never)]
    fn pump(&mut self, session: &mut Session, port: &mut Port) {
        loop {
            if self.sent >= self.length {
                (self.sent, self.length) = (0, session.transmit(&mut self.bytes));
                usb::made(self.length);
            }
            let waiting = self.bytes.get(self.sent..self.length).unwrap_or(&[]);
            let taken = if waiting.is_empty() { 0 } else { port.write(waiting) };
            if taken == 0 {
                break;
            }
            self.sent += taken;
        }
        port.flush();
    }
}
