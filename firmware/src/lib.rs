//! The fixture's logic: what stands between a host that may be wrong and a motor that may hurt somebody.
//!
//! [`session::Session`] takes the host's bytes and one [`fixture::Inputs`] per 1 kHz tick, and gives bytes and
//! [`fixture::Outputs`]. Below it, [`fixture::Fixture`] does the same with messages instead of bytes. Neither knows a
//! chip, a clock or a port: the board image and the rehearsal drive the same code.
//!
//! The fixture is a bench instrument and no safety component. Its hardware chain opens enable and command without this
//! code; opening enable is not removal of power.
//!
//! `no_std`, integers only, no allocation, no `unsafe`, and no panic that input could reach.
#![cfg_attr(not(test), no_std)]

pub mod calibration;
pub mod capture;
pub mod command;
pub mod drivers;
pub mod encoder;
pub mod fixture;
pub mod flags;
pub mod interlock;
pub mod program;
#[cfg(test)]
mod rotor;
pub mod session;
pub mod speed_hold;
