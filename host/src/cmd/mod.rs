//! The verbs, one file each. A verb reads its arguments, calls the library and prints; it computes nothing.

pub mod accept;
pub mod calibrate;
mod cite;
pub mod compare;
pub mod completions;
mod destination;
pub mod export;
mod follow;
pub mod handover;
pub(crate) mod identity;
pub mod inertia;
mod input;
pub mod loopback;
mod manual;
mod person;
pub mod ports;
pub mod rehearse;
pub mod report;
mod run_folder;
pub mod schema;
pub mod settings;
mod show;
mod stop;
pub mod targets;
mod typed_meter;
mod unit;
pub mod wiring;
