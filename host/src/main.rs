//! `proofstand`.
fn main() {}
