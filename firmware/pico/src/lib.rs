//! What the board image shares with the tests that run on a computer: the pin map. The image itself is the binary of
//! this crate, and is built for the chip only.
#![no_std]

pub mod pins;
