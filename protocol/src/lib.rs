//! The wire between a Proofstand fixture and its host.
//!
//! One table of messages ([`message`]), one way to put them into bytes ([`frame`]), one frozen greeting
//! ([`version`]). `no_std`, no allocation, no I/O and no clock. `PROTOCOL.md` describes the same wire in prose.
#![cfg_attr(not(test), no_std)]

pub mod frame;
pub mod message;
pub mod program;
pub mod units;
pub mod version;
