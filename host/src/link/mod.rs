//! Where the bytes go: a serial port, or a virtual fixture. No frames here, no messages, no decisions.

use core::time::Duration;

pub mod serial;

/// A byte pipe to a fixture, and the clock that belongs to it.
///
/// The clock is part of the link because a virtual fixture has a virtual one: waiting on the link *is* what makes
/// its time pass.
pub trait Link {
    /// Sends all bytes.
    ///
    /// # Errors
    /// [`LinkError`] if the pipe is broken.
    fn send(&mut self, bytes: &[u8]) -> Result<(), LinkError>;

    /// Waits at most `wait` for bytes and puts what came into `buffer`. Returns how many came; 0 if none did.
    ///
    /// # Errors
    /// [`LinkError`] if the pipe is broken.
    fn receive(&mut self, buffer: &mut [u8], wait: Duration) -> Result<usize, LinkError>;

    /// Time since the link was opened, on the host's monotonic clock.
    fn now(&self) -> Duration;

    /// What the link leads to, for messages: a port's name, or that it is virtual.
    fn name(&self) -> String;
}

impl<L: Link + ?Sized> Link for &mut L {
    fn send(&mut self, bytes: &[u8]) -> Result<(), LinkError> {
        (**self).send(bytes)
    }

    fn receive(&mut self, buffer: &mut [u8], wait: Duration) -> Result<usize, LinkError> {
        (**self).receive(buffer, wait)
    }

    fn now(&self) -> Duration {
        (**self).now()
    }

    fn name(&self) -> String {
        (**self).name()
    }
}

/// The pipe to the fixture failed.
#[derive(Debug, thiserror::Error)]
pub enum LinkError {
    /// It could not be opened.
    #[error("can't open {port}: {why}. {remedy}")]
    Open {
        /// The port asked for.
        port: String,
        /// The system's words.
        why: String,
        /// What to do.
        remedy: String,
    },
    /// It was open and is gone.
    #[error("{port} went away: {why}. The fixture goes to 0 V and opens enable by itself within 0.1 s")]
    Gone {
        /// The port.
        port: String,
        /// The system's words.
        why: String,
    },
}
