//! Proofstand host: from an axis sheet to verdicts and a report.

pub mod record;
pub mod sheet;
