//! The fixture behind a port: bytes and ticks in, bytes and outputs out.

use crate::fixture::{Fixture, Inputs, Outputs};

/// A fixture, its frame decoder and its outgoing queue.
#[derive(Debug)]
pub struct Session {
    fixture: Fixture,
}

impl Session {
    /// A session over a fixture that starts.
    pub fn new(fixture: Fixture) -> Self {
        Self { fixture }
    }

    /// The fixture behind it.
    pub fn fixture(&mut self) -> &mut Fixture {
        &mut self.fixture
    }

    /// Bytes that came from the host.
    pub fn on_bytes(&mut self, bytes: &[u8]) {
        let _ = bytes;
    }

    /// One tick, at 1 kHz.
    pub fn on_tick(&mut self, inputs: &Inputs<'_>) -> Outputs {
        self.fixture.on_tick(inputs)
    }

    /// Takes bytes for the host, as many as there are and fit. Returns how many.
    pub fn transmit(&mut self, buffer: &mut [u8]) -> usize {
        let _ = buffer;
        0
    }
}
