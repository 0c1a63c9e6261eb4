//! The order of things: which step when, who is asked, what is kept. Drives a client; decides nothing about results.

mod attendant;
mod mover;
mod progress;
mod run;

pub use attendant::Attendant;
pub use progress::{Progress, Quiet, Terminal};
pub use run::{Conducted, conduct};
