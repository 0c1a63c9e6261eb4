//! What follows from an axis sheet: scales, rates, motion, and what can't be measured and why.
//!
//! Pure: a sheet goes in, numbers and findings come out. Nothing here knows how a run is made.

mod capability;
mod command;
mod encoder;
mod finding;
mod fixture;
mod motion;
mod rows;

use proofstand_units::{Percent, PercentPerVolt, Rpm, Seconds};
use serde::Serialize;

pub use capability::Expected;
pub use command::{CommandTargets, ReadOuts};
pub use encoder::{Division, EncoderRate, EncoderTargets, Place};
pub use finding::{Finding, Severity};
pub use fixture::Fixture;
pub use motion::{
    Braking, LEVELS, Level, Reach, ReversalWindow, TURN_ROUND_SHARE, WINDOW_SAMPLES, WINDOW_TURNS, cap_levels,
};

use crate::sheet::{AxisSheet, Inertia};

/// Version of the printed form; rises when a field changes its meaning.
pub const TARGETS_SCHEMA: &str = "proofstand-targets/1";

/// Everything that follows from a sheet.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Targets {
    /// [`TARGETS_SCHEMA`].
    pub schema: &'static str,
    /// Scale and resolution of the command.
    pub command: CommandTargets,
    /// What a speed command may turn the shaft by at 0 V; zero for a torque command, which friction holds.
    #[serde(rename = "speed_offset_allowed_rpm")]
    pub speed_offset: Rpm,
    /// Scales of the read-outs the axis has.
    pub read_outs: ReadOuts,
    /// Pulses, counts, rates and edges.
    pub encoder: EncoderTargets,
    /// Inertia of all that turns.
    #[serde(rename = "inertia_kilogram_square_metres")]
    pub inertia: Inertia,
    /// The fixture takes command and enable away above this: the larger of 1.2 x cap and cap plus overshoot allowed.
    #[serde(rename = "trip_rpm")]
    pub trip_speed: Rpm,
    /// From the trip speed being reached to the torque being gone.
    #[serde(rename = "reaction_seconds")]
    pub reaction: Seconds,
    /// A reversal turns round at most at this speed, well below where a limiter tapers the torque.
    #[serde(rename = "turn_round_rpm")]
    pub turn_round_speed: Rpm,
    /// Motion at each torque level; empty for a speed command.
    pub levels: Vec<Level>,
    /// Energy of braking.
    pub braking: Braking,
    /// Uncertainty to be expected against the tolerance, for each quantity that has both.
    pub expected: Vec<Expected>,
    /// What to know before anything moves, gravest first.
    pub findings: Vec<Finding>,
}

impl Targets {
    /// Everything that follows from a sheet, with the fixture as it is designed.
    #[must_use]
    pub fn compute(sheet: &AxisSheet) -> Self {
        Self::compute_for(sheet, &Fixture::DESIGN)
    }

    /// Everything that follows from a sheet with a given fixture.
    #[must_use]
    pub fn compute_for(sheet: &AxisSheet, fixture: &Fixture) -> Self {
        let command = CommandTargets::compute(sheet, fixture);
        let trip_speed = motion::trip_speed(sheet);
        let encoder = EncoderTargets::compute(sheet, trip_speed);
        let reaction = motion::reaction(sheet, fixture);
        let turn_round_speed = sheet.cap.speed * TURN_ROUND_SHARE;
        let levels = motion::levels(sheet, fixture, &command, trip_speed, reaction);
        let braking = Braking::compute(sheet, trip_speed);
        let expected = capability::expected(sheet, fixture, &command, &encoder, &levels);
        let mut targets = Self {
            schema: TARGETS_SCHEMA,
            command,
            speed_offset: match command {
                CommandTargets::Speed { largest, .. } => {
                    largest * (sheet.tolerances.speed_offset.value.get() / 100.0)
                }
                CommandTargets::Torque { .. } => Rpm::ZERO,
            },
            read_outs: ReadOuts::compute(sheet),
            encoder,
            inertia: sheet.inertia(),
            trip_speed,
            reaction,
            turn_round_speed,
            levels,
            braking,
            expected,
            findings: Vec::new(),
        };
        targets.findings = finding::all(sheet, fixture, &targets);
        targets
    }

    /// Percent of rated torque per volt; `None` for a speed command.
    #[must_use]
    pub const fn torque_gain(&self) -> Option<PercentPerVolt> {
        match self.command {
            CommandTargets::Torque { gain, .. } => Some(gain),
            CommandTargets::Speed { .. } => None,
        }
    }

    /// What can't be decided whatever is measured, in sentences: the uncertainty to be expected is as large as the tolerance
    /// or larger.
    #[must_use]
    pub fn not_capable(&self) -> Vec<String> {
        let found = self.findings.iter().filter(|f| f.severity == Severity::NotCapable);
        found
            .map(|f| format!("Not capable, {}: {}. What would help: {}", f.subject, f.reason, f.remedy))
            .collect()
    }

    /// The level of a share of rated torque, if it is one of [`LEVELS`].
    #[must_use]
    pub fn level(&self, percent_of_rated: Percent) -> Option<&Level> {
        self.levels.iter().find(|level| level.percent_of_rated == percent_of_rated)
    }
}

#[cfg(test)]
mod tests;
