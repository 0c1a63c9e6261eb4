//! Whole runs.

pub mod bench;
pub mod pty;
