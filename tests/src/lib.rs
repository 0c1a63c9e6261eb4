//! Whole runs.

pub mod bench;
pub mod campaign;
pub mod emulator;
pub mod pty;
