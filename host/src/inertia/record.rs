//! A measurement of a rotor's inertia as a file: which runs it rests on, what was measured in them, and what came of it.

use proofstand_units::{KilogramSquareMetres, Kilograms, Metres, Percent, RadPerSec2};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::record::model::{Fact, MeasuredWith, ResultRow};

/// Name of the format; a change that an old reader would misread gets another number.
pub const SCHEMA: &str = "proofstand-inertia-1";

/// Whether the record says anything about a real rotor.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum InertiaKind {
    /// On a fixture.
    Measurement,
    /// The runs were rehearsals: it says nothing about a real rotor.
    Rehearsal,
}

/// One of the three runs, and what it gave.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CitedRun {
    /// Its part: without the disc, with it, without it again.
    pub part: String,
    /// Its name, also of its folder.
    pub id: String,
    /// Start, RFC 3339.
    pub started: String,
    /// End, RFC 3339.
    pub finished: String,
    /// Its sheet's file name.
    pub sheet_file: String,
    /// CRC-32/ISO-HDLC of its sheet.
    pub sheet_crc32: String,
    /// Program that made it.
    pub software: String,
    /// Fixture, board, firmware and calibration.
    pub with: MeasuredWith,
    /// What was noted of amplifier and motor.
    pub identity: Vec<Fact>,
    /// Its acceleration by the command, summed over the levels that all three runs have.
    pub acceleration: RadPerSec2,
    /// Standard uncertainty of that from scatter.
    pub scatter: RadPerSec2,
    /// Degrees of freedom of the scatter; none: infinite.
    pub degrees_of_freedom: Option<f64>,
    /// How much of it may be missing at most, since the torque was still building up; none in runs of a program that did not
    /// state it.
    pub building_up: Option<RadPerSec2>,
}

/// The disc and its mounting, as stated.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct DiscUsed {
    /// Its inertia about its own axis.
    pub inertia: KilogramSquareMetres,
    /// Expanded uncertainty (k = 2) of that, as the sheet states it.
    pub expanded: KilogramSquareMetres,
    /// How its inertia is known.
    pub known_from: String,
    /// Its mass; none where the sheet gives an inertia.
    pub mass: Option<Kilograms>,
    /// Its axis lies within this of the shaft's.
    pub centring: Metres,
    /// Inertia of a hub that stays on in all three runs and does not belong to the rotor.
    pub hub: KilogramSquareMetres,
    /// Expanded uncertainty (k = 2) of that.
    pub hub_expanded: KilogramSquareMetres,
}

/// A whole measurement.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct InertiaRecord {
    /// [`SCHEMA`].
    pub schema: String,
    /// Measurement or rehearsal.
    pub kind: InertiaKind,
    /// Name of the folder.
    pub id: String,
    /// When it was worked out, RFC 3339, UTC.
    pub made: String,
    /// This program.
    pub software: String,
    /// The axis, from the sheet of the first run.
    pub axis: String,
    /// The three runs, in the order of time.
    pub runs: Vec<CitedRun>,
    /// The levels that all three runs have, by the names of their results.
    pub levels: Vec<String>,
    /// The disc.
    pub disc: DiscUsed,
    /// The rotor's inertia with its budget; nothing is judged, "accepted" means measured.
    pub result: ResultRow,
    /// How much the torque changed from the first run without the disc to the last.
    pub drift: Percent,
    /// The disc's inertia over that of all that turns without it.
    pub ratio: f64,
    /// By how much both ends of the interval lie higher, since the model is not linear; none where it does not show.
    pub higher: Option<KilogramSquareMetres>,
    /// The inertia that the sheet took from a catalogue.
    pub catalogue: KilogramSquareMetres,
    /// It contradicts what was measured (k = 2, both combined).
    pub catalogue_contradicts: bool,
    /// Under which conditions it was measured, as far as is known.
    pub conditions: Vec<String>,
    /// What to do better.
    pub advice: Option<String>,
    /// The section that a sheet takes.
    pub section: String,
}

impl InertiaRecord {
    /// True for what says nothing about a real rotor.
    #[must_use]
    pub fn is_rehearsal(&self) -> bool {
        self.kind == InertiaKind::Rehearsal
    }

    /// The file.
    ///
    /// # Errors
    /// If it can't be put into JSON, which only a number that is none could cause.
    pub fn to_json(&self) -> Result<String, serde_json::Error> {
        serde_json::to_string_pretty(self).map(|text| text + "\n")
    }

    /// The file's JSON Schema.
    #[must_use]
    pub fn json_schema() -> String {
        format!("{:#}\n", schemars::schema_for!(Self).to_value())
    }
}
