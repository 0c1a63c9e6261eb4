//! What a reader gets from a run: a page for people, a list for build servers, the model for scripts.
//!
//! Every function here is a pure function of one [`Run`](crate::record::model::Run). A report decides nothing: verdicts,
//! sentences and diagnoses are shown as the model has them.

mod certificate;
mod error;
mod frame;
mod inertia;
mod json;
mod junit;
mod kind;
mod number;
mod page;
mod palette;
mod plot;
mod ruler;
mod style;
mod symbol;
mod text;

pub use certificate::certificate;
pub use error::ReportError;
pub use inertia::inertia;
pub use json::{json, json_schema};
pub use junit::junit;
pub use kind::is_rehearsal;
pub use page::html;
pub use palette::{Contrast, Pair, Rgb, Use, contrast_ratio, pairs, relative_luminance};
