//! The verbs, one file each. A verb reads its arguments, calls the library and prints; it computes nothing.

pub mod accept;
mod input;
pub mod ports;
pub mod rehearse;
pub mod report;
pub mod schema;
pub mod settings;
mod show;
pub mod targets;
pub mod wiring;
