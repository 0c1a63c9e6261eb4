//! Whole runs.

pub mod bench;
pub mod emulator;
pub mod pty;
