//! An amplifier's settings: tables kept before and after, and what to enter.

pub mod delimited;
pub mod harmless;
