//! The axis sheet: TOML text to typed [`AxisSheet`].

mod model;

pub use model::*;
