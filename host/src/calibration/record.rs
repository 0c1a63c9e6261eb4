//! The calibration as a file: everything that was read, entered, assumed and made of it.

use proofstand_units::{Celsius, Volts};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::fit::{Accuracy, Choice, CorrectionPoint, LineRecord};
use super::found::AsFound;
use super::linearity::Linearity;
use super::reading::Level;
use crate::metrology::VoltageUncertainty;
use crate::record::model::ContributionRow;

/// Name of the format; a change that an old reader would misread gets another number.
pub const SCHEMA: &str = "proofstand-calibration-1";

/// Whether the record says anything about a real board.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum CalibrationKind {
    /// A fixture and a reference meter.
    Calibration,
    /// Simulated: it says nothing about a real board.
    Rehearsal,
}

/// What was done with the result.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Stored {
    /// Written before the fixture was told; if the file says this, the program was cut off, and the fixture holds either
    /// the old calibration or this one: `proofstand ports` says which.
    Unconfirmed,
    /// In the fixture, read back and compared.
    InFixture,
    /// Only looked at: the fixture keeps what it had.
    LookedAt,
}

/// The reference meter as it was entered or as it says itself.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct MeterRecord {
    /// Maker, model, serial number, as one line.
    pub name: String,
    /// `typed by a person` or `read by SCPI`.
    pub read: String,
    /// Its stated accuracy, half-widths.
    pub accuracy: Accuracy,
    /// Its own calibration, in the words of whoever entered it; none: nothing was entered.
    pub traceability: Option<String>,
    /// Readings taken of each level and direction.
    pub readings_each: u32,
}

/// One input's correction.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct InputRecord {
    /// Its name.
    pub name: String,
    /// Points of its table.
    pub points: Vec<CorrectionPoint>,
    /// Root mean square of what the table leaves, volts.
    pub leaves: Volts,
    /// Standard uncertainty at any voltage on the due date, volts.
    pub standard_uncertainty: Volts,
}

/// A level between the table's points, asked for through the new calibration.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Left {
    /// Volts asked for.
    pub asked: Volts,
    /// Volts by the ideal line that were put out for it.
    pub nominal: Volts,
    /// Meter less asked, volts: of the mean of its readings.
    pub error: Volts,
    /// Each reading as the meter gave it, in order, volts; empty in a file of before they were kept.
    #[serde(default)]
    pub readings: Vec<Volts>,
}

/// A budget's interval by propagation of distributions (JCGM 101:2008), beside k = 2.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct IntervalRecord {
    /// Combined standard uncertainty, volts.
    pub standard_uncertainty: Volts,
    /// Half-width that holds 95 % of the distribution, volts.
    pub half_width_95: Volts,
    /// Share of the distribution that ± two standard uncertainties hold, percent.
    pub within_two_percent: f64,
}

/// The calibration that was replaced, or found and kept.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Previous {
    /// Date.
    pub calibrated: String,
    /// Due date.
    pub due: String,
    /// Its meter.
    pub meter: String,
    /// Stated expanded uncertainty, volts.
    pub stated: Volts,
    /// The fixture's record, hexadecimal, as it was read.
    pub record: String,
}

/// A whole calibration.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CalibrationRecord {
    /// [`SCHEMA`].
    pub schema: String,
    /// Calibration or rehearsal.
    pub kind: CalibrationKind,
    /// Name of the folder.
    pub id: String,
    /// Whether it is in the fixture.
    pub stored: Stored,
    /// Begin, RFC 3339, UTC.
    pub started: String,
    /// End, RFC 3339, UTC.
    pub finished: String,
    /// Date of the calibration, UTC.
    pub calibrated: String,
    /// Date until which the stated uncertainty holds.
    pub due: String,
    /// Why that date.
    pub due_because: String,
    /// Who did it, as entered.
    pub operator: Option<String>,
    /// Temperature at the board, °C, as entered.
    pub temperature: Celsius,
    /// Temperatures at which the stated uncertainty holds, °C.
    pub temperature_range: [Celsius; 2],
    /// Serial number of the analog board, hexadecimal.
    pub analog_serial: String,
    /// Serial number of the controller, hexadecimal.
    pub controller_serial: String,
    /// Firmware of the fixture.
    pub firmware: String,
    /// This program.
    pub software: String,
    /// The meter.
    pub meter: MeterRecord,
    /// Every level, up and down.
    pub levels: Vec<Level>,
    /// Each level less the straight line, volts.
    pub residuals: Vec<Volts>,
    /// The straight line and its covariance matrix.
    pub line: LineRecord,
    /// Non-linearity against the least-squares line, in steps.
    pub best_fit: Linearity,
    /// Non-linearity against the line through the ends, in steps.
    pub end_points: Linearity,
    /// Line or table, and why.
    pub choice: Choice,
    /// The command's correction as it went into the fixture.
    pub command: Vec<CorrectionPoint>,
    /// The inputs' corrections.
    pub inputs: Vec<InputRecord>,
    /// The command's uncertainty by level, age and temperature.
    pub uncertainty: VoltageUncertainty,
    /// Expanded uncertainty (k = 2) at 0 V and at 10 V on the day, and at 10 V on the due date: volts.
    pub expanded: [Volts; 3],
    /// Contributions at +10 V on the due date, largest first.
    pub budget: Vec<ContributionRow>,
    /// What the distributions of that budget come to; none in a file of before it was computed.
    #[serde(default)]
    pub interval: Option<IntervalRecord>,
    /// As found.
    pub as_found: AsFound,
    /// As left, between the table's points. Empty where nothing was changed.
    pub as_left: Vec<Left>,
    /// What was found in the fixture.
    pub previous: Option<Previous>,
    /// The fixture's new record, hexadecimal. None where nothing was changed.
    pub record: Option<String>,
    /// What was assumed, not measured.
    pub assumed: Vec<String>,
}

impl CalibrationRecord {
    /// True for what says nothing about a real board.
    #[must_use]
    pub fn is_rehearsal(&self) -> bool {
        self.kind == CalibrationKind::Rehearsal
    }

    /// The file.
    ///
    /// # Errors
    /// If it can't be put into JSON, which only a number that is none could cause.
    pub fn to_json(&self) -> Result<String, serde_json::Error> {
        serde_json::to_string_pretty(self).map(|text| text + "\n")
    }

    /// Reads the file.
    ///
    /// # Errors
    /// If it is another format or damaged.
    pub fn from_json(text: &str) -> Result<Self, serde_json::Error> {
        let record: Self = serde_json::from_str(text)?;
        if record.schema == SCHEMA {
            Ok(record)
        } else {
            Err(serde::de::Error::custom(format!("this is {}, not {SCHEMA}", record.schema)))
        }
    }

    /// The JSON Schema of the file.
    #[must_use]
    pub fn json_schema() -> String {
        format!("{:#}\n", schemars::schema_for!(Self).to_value())
    }
}

/// Bytes in hexadecimal.
#[must_use]
pub fn hexadecimal(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02x}")).collect()
}
