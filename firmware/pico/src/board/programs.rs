//! The PIO programs as words. Their text is `programs.rs` beside the build script, which assembles it.

/// A program that begins at slot 0; [`super::state_machine::place`] moves it.
pub(super) struct Program {
    /// Its instructions.
    pub(super) code: &'static [u16],
    /// First and last slot of the loop.
    pub(super) wrap: (u8, u8),
}

include!(concat!(env!("OUT_DIR"), "/programs.rs"));
