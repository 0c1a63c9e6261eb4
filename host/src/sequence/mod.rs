//! The order of things: which step when, who is asked, what is kept. Drives a client; decides nothing about results.

mod ask_number;
mod attendant;
mod mover;
mod observe;
mod progress;
mod rest;
mod run;
mod self_check;
mod settle;

pub use attendant::{Attendant, Done};
pub use progress::{Progress, Quiet, Terminal};
pub use run::{Conducted, conduct};
