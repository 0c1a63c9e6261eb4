//! Whole runs.

pub mod bench;
