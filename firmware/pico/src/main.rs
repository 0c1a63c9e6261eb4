//! The fixture's board image for a Raspberry Pi Pico. See `README.md` beside the sources.
//!
//! It runs [`proofstand_firmware::session::Session`] and decides nothing itself: [`board`] knows the chip, [`run`] moves
//! what the chip saw into the session and what the session decided out of the chip.
#![cfg_attr(target_os = "none", no_std, no_main)]

#[cfg(target_os = "none")]
mod board;
#[cfg(target_os = "none")]
mod run;

#[cfg(target_os = "none")]
#[cortex_m_rt::entry]
fn main() -> ! {
    run::forever(board::start())
}

#[cfg(not(target_os = "none"))]
fn main() {
    eprintln!(
        "This is the fixture's board image; it does not run on a computer. Build it with `cargo fw`, and rehearse \
         without a board with the `proofstand` program."
    );
}
