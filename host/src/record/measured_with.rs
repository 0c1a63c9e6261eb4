//! With which fixture, and by which calibration, a record was measured.

use serde::{Deserialize, Serialize};

use super::model::{Follows, Provenance};

/// The equipment behind a record.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct MeasuredWith {
    /// Fixture firmware version.
    pub firmware: String,
    /// Serial number of the fixture's controller, hex.
    pub controller_serial: String,
    /// Serial number of the analog board, hex.
    pub analog_serial: String,
    /// State of its calibration, in words with dates.
    pub calibration: String,
}

impl MeasuredWith {
    /// What a run of this provenance measures with.
    #[must_use]
    pub fn of(provenance: &Provenance) -> Self {
        Self {
            firmware: provenance.firmware.clone(),
            controller_serial: provenance.controller_serial.clone(),
            analog_serial: provenance.analog_serial.clone(),
            calibration: provenance.calibration.clone(),
        }
    }

    /// In words, for a reader.
    #[must_use]
    pub fn words(&self) -> String {
        format!(
            "fixture {}, analog board {}, firmware {}, calibration {}",
            self.controller_serial, self.analog_serial, self.firmware, self.calibration
        )
    }
}

impl Follows {
    /// Runs whose results were taken over and were measured with other equipment than `provenance` names, each once, with
    /// that equipment in words.
    #[must_use]
    pub fn measured_otherwise(&self, provenance: &Provenance) -> Vec<(&str, String)> {
        let now = MeasuredWith::of(provenance);
        let mut all: Vec<(&str, String)> = Vec::new();
        for taken in &self.taken_over {
            if let Some(with) = taken.measured_with.as_ref().filter(|with| **with != now)
                && !all.iter().any(|(run, _)| *run == taken.run)
            {
                all.push((&taken.run, with.words()));
            }
        }
        all
    }
}
