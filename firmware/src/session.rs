//! The fixture behind a port: bytes and ticks in, bytes and outputs out.
//!
//! Answers go before events, events before samples: a host that asks is never kept waiting by its own stream. Nothing
//! is queued twice; what cannot be sent in time is dropped where dropping can be seen (samples are counted, events are
//! numbered, a request without answer is sent again by the host under the same id).

mod requests;

use heapless::Deque;
use proofstand_protocol::frame::{
    Damage, Decoder, Kind, MAX_FRAME, Payload, decode_message, encode_fixture_hello, encode_message,
};
use proofstand_protocol::message::{Answer, FixtureMessage, HostMessage, Request};
use proofstand_protocol::version::{FINGERPRINT, FixtureHello, HostHello, UnixDay, VERSION};

use crate::fixture::{Fixture, Inputs, Outputs};

use requests::{Requests, Verdict};

/// Answers that may wait for the port. While they do, new requests are not taken.
const ANSWERS: usize = 4;

/// A fixture, its frame decoder and its outgoing queue.
#[derive(Debug)]
pub struct Session {
    fixture: Fixture,
    decoder: Decoder,
    /// Session number of the host, once one has greeted that can be understood.
    host: Option<u32>,
    requests: Requests,
    /// A request of this session whose answer takes time.
    deferred: Option<u32>,
    greeting: Option<u32>,
    answers: Deque<(u32, Answer), ANSWERS>,
    /// Intact frames that were no message of this protocol, or not one for now.
    not_understood: u32,
    frame: [u8; MAX_FRAME],
    sent: usize,
    length: usize,
    /// The frame is an answer.
    answering: bool,
}

impl Session {
    /// A session over a fixture that starts. Nothing is sent before a host has greeted.
    pub fn new(fixture: Fixture) -> Self {
        Self {
            fixture,
            decoder: Decoder::new(),
            host: None,
            requests: Requests::default(),
            deferred: None,
            greeting: None,
            answers: Deque::new(),
            not_understood: 0,
            frame: [0; MAX_FRAME],
            sent: 0,
            length: 0,
            answering: false,
        }
    }

    /// The fixture behind it.
    pub fn fixture(&self) -> &Fixture {
        &self.fixture
    }

    /// The fixture behind it, for the board: bursts, a stored calibration, a fault it found.
    pub fn fixture_mut(&mut self) -> &mut Fixture {
        &mut self.fixture
    }

    /// Damaged frames so far.
    pub fn damage(&self) -> Damage {
        self.decoder.damage()
    }

    /// Intact frames so far that were no message of this protocol, or not one that could be taken.
    pub fn not_understood(&self) -> u32 {
        self.not_understood
    }

    /// The port was closed or opened: whatever was under way is lost. The fixture itself goes on; without a beat it
    /// trips if it is armed.
    pub fn on_port_reset(&mut self) {
        self.decoder.reset();
        (self.host, self.greeting, self.deferred) = (None, None, None);
        (self.sent, self.length) = (0, 0);
        self.answers.clear();
        self.fixture.on_session();
    }

    /// Bytes that came from the host.
    pub fn on_bytes(&mut self, bytes: &[u8]) {
        for &byte in bytes {
            self.on_byte(byte);
        }
    }

    /// One tick, at 1 kHz.
    pub fn on_tick(&mut self, inputs: &Inputs<'_>) -> Outputs {
        let outputs = self.fixture.on_tick(inputs);
        self.collect_answer();
        outputs
    }

    /// Takes bytes for the host, as many as there are and fit; after an answer's last byte no more, so that it can leave
    /// at once and need not wait until a packet behind it is full. Returns how many; 0: there are none.
    pub fn transmit(&mut self, buffer: &mut [u8]) -> usize {
        let mut filled = 0;
        while filled < buffer.len() {
            if self.sent >= self.length && !self.next_frame() {
                break;
            }
            let waiting = self.frame.get(self.sent..self.length).unwrap_or(&[]);
            let room = buffer.get_mut(filled..).unwrap_or(&mut []);
            let count = waiting.len().min(room.len());
            for (place, byte) in room.iter_mut().zip(waiting) {
                *place = *byte;
            }
            self.sent += count;
            filled += count;
            if self.answering && self.sent >= self.length {
                break;
            }
        }
        filled
    }

    fn on_byte(&mut self, byte: u8) {
        let message = match self.decoder.push(byte) {
            None | Some(Err(_)) => return,
            Some(Ok(Payload { kind: Kind::HostHello, body })) => match HostHello::from_bytes(body) {
                Ok(hello) => return self.on_hello(&hello),
                Err(_) => None,
            },
            Some(Ok(payload)) => decode_message::<HostMessage>(payload).ok(),
        };
        match message.filter(|_| self.host.is_some()) {
            Some(HostMessage::Beat { sample }) => self.fixture.on_beat(sample),
            Some(HostMessage::Request { id, body }) => self.on_request(id, &body),
            None => self.not_understood = self.not_understood.saturating_add(1),
        }
    }

    fn on_hello(&mut self, hello: &HostHello) {
        self.greeting = Some(hello.session);
        let repeated = self.host == Some(hello.session);
        if hello.version.major != VERSION.major {
            // It is told who is here, and no more: what it would ask cannot be understood.
            self.host = None;
        } else if !repeated {
            self.host = Some(hello.session);
            self.requests.open(hello.first_request);
            self.deferred = None;
            self.answers.clear();
            self.fixture.on_session();
        }
    }

    fn on_request(&mut self, id: u32, request: &Request) {
        self.collect_answer();
        if self.answers.is_full() {
            self.not_understood = self.not_understood.saturating_add(1);
            return;
        }
        let answer = match self.requests.judge(id) {
            Verdict::Pending => return,
            Verdict::Refused(answer) | Verdict::Repeated(answer) => answer,
            Verdict::New => {
                let Some(answer) = self.fixture.on_request(id, request) else {
                    self.deferred = Some(id);
                    return;
                };
                self.requests.answered(id, &answer);
                answer
            }
        };
        // There is room: it was looked at above.
        let _ = self.answers.push_back((id, answer));
    }

    fn collect_answer(&mut self) {
        if self.answers.is_full() {
            return;
        }
        // An answer to a session that is over is nobody's.
        if let Some((id, answer)) = self.fixture.poll_answer()
            && self.deferred.take_if(|deferred| *deferred == id).is_some()
        {
            self.requests.answered(id, &answer);
            let _ = self.answers.push_back((id, answer));
        }
    }

    /// Frames what comes next. False: there is nothing.
    fn next_frame(&mut self) -> bool {
        (self.sent, self.length, self.answering) = (0, 0, false);
        let length = if let Some(session) = self.greeting.take() {
            encode_fixture_hello(&self.hello(session), &mut self.frame)
        } else if self.host.is_none() {
            return false;
        } else if let Some((id, body)) = self.answers.pop_front() {
            self.answering = true;
            encode_message(&FixtureMessage::Reply { id, body }, &mut self.frame)
        } else if let Some(numbered) = self.fixture.poll_event() {
            let (number, at, body) = (numbered.number, numbered.at, numbered.event);
            encode_message(&FixtureMessage::Event { number, at, body }, &mut self.frame)
        } else if let Some(samples) = self.fixture.poll_samples() {
            encode_message(&samples, &mut self.frame)
        } else {
            return false;
        };
        // Every message fits a frame; the protocol's tests hold that. One that did not would be passed over.
        self.length = length.unwrap_or(0);
        self.length > 0
    }

    fn hello(&self, session: u32) -> FixtureHello {
        let identity = self.fixture.identity();
        let calibration = self.fixture.calibration();
        FixtureHello {
            version: VERSION,
            session,
            capabilities: identity.capabilities,
            firmware: identity.firmware,
            simulated: identity.simulated,
            calibration: self.fixture.calibration_state(),
            controller_serial: identity.controller_serial,
            analog_serial: identity.analog_serial,
            calibrated: calibration.map_or(UnixDay(0), |calibration| calibration.calibrated),
            calibration_due: calibration.map_or(UnixDay(0), |calibration| calibration.due),
            fingerprint: FINGERPRINT,
        }
    }
}

#[cfg(test)]
mod tests;
