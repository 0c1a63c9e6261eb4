//! Whole runs.
