//! What the board image shares with a computer: the pin map, and the file for the Pico's USB drive. The image itself is
//! the binary of this crate, and is built for the chip only.
#![no_std]

pub mod pins;
#[cfg(not(target_os = "none"))]
pub mod uf2;
