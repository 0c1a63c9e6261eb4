//! The order of things: which step when, who is asked, what is kept. Drives a client; decides nothing about results.

mod ask_number;
mod attendant;
mod mover;
mod observe;
mod progress;
mod rest;
mod run;
mod screen;
mod self_check;
mod settle;
mod undone;

pub use attendant::{Attendant, Done};
pub use progress::{Progress, Quiet, Terminal};
pub use run::{Conducted, conduct};
pub(crate) use undone::STOPPED_BEFORE;
