//! A reference meter spoken to by SCPI: what is sent, what may come back, and what can be wrong with it.
//!
//! Sources: IEEE 488.2 (common commands, numeric response data, error queue), SCPI-99 volume 1 (numbers that stand for
//! infinity and *not a number*, 7.2.1.4) and volume 2 (`CONFigure`, `READ?`, `SYSTem:ERRor?`).
//!
//! [`Dialogue`] is a pure state machine: bytes and time in, lines to send and events out. No port in it, and nothing that
//! a meter says reaches a terminal before [`shown`] has made it harmless.

mod dialogue;
mod error;
mod line;

pub use dialogue::{Dialogue, Event};
pub use error::ScpiError;
pub use line::{Lines, QueuedError, identity, queued_error, shown, volts};
