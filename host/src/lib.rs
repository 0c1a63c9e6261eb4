//! Proofstand host: from an axis sheet to verdicts and a report.
//!
//! [`sheet`] → [`targets`] → [`planner`] → [`checks`] → [`sequence`] → [`fixture`] → [`link`]; back come samples, that
//! [`estimate`] and [`metrology`] turn into results, which [`record`] keeps and [`report`] shows. [`rehearsal`] stands
//! at the far end of a link when there is no hardware; nothing but the verb that asks for it knows it.

pub mod acceptance;
pub mod calibration;
pub mod cautions;
pub mod checks;
pub mod cli;
pub mod cmd;
pub mod compare;
pub mod diagnosis;
pub mod error_budget;
pub mod estimate;
pub mod exit;
pub mod export;
pub mod fixture;
pub mod inertia;
pub mod link;
pub mod loopback;
pub mod metrology;
pub mod planner;
pub mod record;
pub mod rehearsal;
pub mod report;
pub mod scpi;
pub mod sequence;
pub mod settings;
pub mod sheet;
pub mod targets;
mod terminal;
pub mod wiring;
