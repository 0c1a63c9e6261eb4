//! A link whose clock is the board's: the host waits, and that is what lets the board run.

use core::time::Duration;
use std::cell::RefCell;
use std::rc::Rc;

use proofstand::link::{Link, LinkError};

use super::Emulator;

/// The host's end of the emulated board's USB cable.
#[derive(Debug, Clone)]
pub struct Lockstep {
    board: Rc<RefCell<Emulator>>,
    received: Vec<u8>,
    sending: Vec<u8>,
    /// Resets of the board when the link began to be used.
    resets: Option<u32>,
}

impl Lockstep {
    /// A link to a board that others look at as well.
    #[must_use]
    pub const fn new(board: Rc<RefCell<Emulator>>) -> Self {
        Self { board, received: Vec::new(), sending: Vec::new(), resets: None }
    }

    /// The board behind it.
    #[must_use]
    pub fn board(&self) -> Rc<RefCell<Emulator>> {
        Rc::clone(&self.board)
    }

    fn gone(error: &dyn core::fmt::Display) -> LinkError {
        LinkError::Gone { port: "the emulated board".to_owned(), why: error.to_string() }
    }
}

impl Link for Lockstep {
    fn send(&mut self, bytes: &[u8]) -> Result<(), LinkError> {
        // Sent with the next wait: no time passes on the board in between.
        self.sending.extend(bytes);
        Ok(())
    }

    fn receive(&mut self, buffer: &mut [u8], wait: Duration) -> Result<usize, LinkError> {
        if self.received.is_empty() {
            let sending = std::mem::take(&mut self.sending);
            let mut board = self.board.borrow_mut();
            self.received = board.exchange(&sending, wait, true).map_err(|e| Self::gone(&e))?;
            // A USB device that is reset goes away, and the port with it.
            if *self.resets.get_or_insert(board.resets()) != board.resets() {
                return Err(Self::gone(&"it was reset"));
            }
        }
        let count = buffer.len().min(self.received.len());
        for (place, byte) in buffer.iter_mut().zip(self.received.drain(..count)) {
            *place = byte;
        }
        Ok(count)
    }

    fn now(&self) -> Duration {
        self.board.borrow().now()
    }

    fn name(&self) -> String {
        "the emulated board".to_owned()
    }
}
