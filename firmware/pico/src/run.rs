//! The main loop: ticks and bytes into the session, outputs and bytes out of it, and sleep.

use proofstand_firmware::fixture::{AdcCodes, Fixture, Inputs};
use proofstand_firmware::session::Session;
use proofstand_protocol::units::Micros;

use crate::board::{Board, clock};

/// Runs the session on the board.
pub(crate) fn forever(board: Board) -> ! {
    let Board { mut gpio, mut port, mut watchdog, identity, start } = board;
    let mut session = Session::new(Fixture::new(identity, start, None));
    let mut done = clock::tick();
    let mut out = Outgoing::default();
    watchdog.strict();
    loop {
        let snapshot = clock::snapshot();
        if snapshot.tick != done {
            done = snapshot.tick;
            let inputs = Inputs {
                now: Micros(snapshot.at),
                counter: 0,
                last_edge: None,
                index: None,
                flags: snapshot.levels.flags(),
                flag_edges: &[],
                adc: AdcCodes::ZERO,
                chain: snapshot.levels.chain(false),
                encoder_fault: snapshot.levels.encoder_fault(),
                illegal_transitions: 0,
            };
            let outputs = session.on_tick(&inputs);
            gpio.enable(outputs.enable);
            if outputs.keep_alive {
                gpio.keep_alive();
                watchdog.feed();
            }
            gpio.light(done % 1_000 < 50);
        }
        if port.serve() {
            session.on_port_reset();
            out = Outgoing::default();
        }
        let mut bytes = [0; 64];
        let count = port.read(&mut bytes);
        session.on_bytes(bytes.get(..count).unwrap_or(&[]));
        out.pump(&mut session, &mut port);
        cortex_m::interrupt::free(|_| {
            if clock::tick() == done && !port.wanted() {
                cortex_m::asm::wfi();
            }
        });
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
    fn pump(&mut self, session: &mut Session, port: &mut crate::board::Port) {
        loop {
            if self.sent >= self.length {
                (self.sent, self.length) = (0, session.transmit(&mut self.bytes));
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
