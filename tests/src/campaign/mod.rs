//! Many rehearsals: faults put into axes, and what came out.
//!
//! The classes of faults that look alike, the sizes that must be caught and the axes are fixed in tables before a campaign
//! is made. Every run is a REHEARSAL; what it shows is the tool, never an axis.

pub mod axes;
pub mod borderline;
pub mod faults;
pub mod figures;
pub mod page;
mod patience;
pub mod plan;
mod run;
pub mod score;
mod trial;

pub use run::{CAME, run};
pub use trial::{Came, Gain, Trial};
