//! Proofstand host: from an axis sheet to verdicts and a report.

pub mod cmd;
pub mod estimate;
pub mod exit;
pub mod metrology;
pub mod record;
pub mod report;
pub mod sheet;
pub mod targets;
