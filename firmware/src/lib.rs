//! The fixture's logic.
#![cfg_attr(not(test), no_std)]
