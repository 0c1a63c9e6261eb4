//! The fixture's own hardware, as it may be broken.

use proofstand_units::{Percent, Seconds, Volts};
use serde::{Deserialize, Serialize};

/// The calibration that the fixture is found with.
#[derive(Debug, Default, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum CalibrationFound {
    /// Its own, in date.
    #[default]
    Own,
    /// Its own, past its due date.
    Expired,
    /// A record with damaged bytes.
    Corrupt,
    /// Another board's.
    Foreign,
}

/// What may be wrong with the fixture itself. The default is a whole one.
#[derive(Debug, Default, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct FixtureSetup {
    /// Its calibration.
    pub calibration: CalibrationFound,
    /// The output converter stands at this voltage.
    pub converter_stuck: Option<Volts>,
    /// The output's change-over contact never cuts it off.
    pub output_welded: bool,
    /// The enable contact never opens again once it has closed.
    pub enable_welded: bool,
    /// The read-back at the terminal shows less than there is, by this share.
    pub read_back_less: Percent,
    /// The firmware starts anew once enable was closed for so long, all together.
    pub restarts_after: Option<Seconds>,
}
