//! The decision rule that was agreed for a run.

use serde::{Deserialize, Serialize};

/// By what a measured value becomes a verdict: what the sheet chooses (JCGM 106:2012; ILAC-G8:09/2019, 4.2).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(tag = "name", rename_all = "snake_case")]
pub enum AgreedRule {
    /// Guard band w = U on either side of each limit.
    Guarded,
    /// Simple acceptance, no guard band.
    Simple,
    /// A specific risk that is put up with.
    SpecificRisk {
        /// Percent.
        risk_percent: f64,
    },
}

/// Two ways to one quantity that lie farther apart than so many standard uncertainties of their difference leave it undecided:
/// chance does that three times in a thousand.
pub const WAYS_DOUBTFUL: f64 = 3.0;
/// Farther apart than so many they can't both be right: chance does that seven times in a million.
pub const WAYS_IMPOSSIBLE: f64 = 4.5;
