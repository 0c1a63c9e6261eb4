//! The verbs, one file each. A verb reads its arguments, calls the library and prints; it computes nothing.

pub mod schema;
pub mod targets;
