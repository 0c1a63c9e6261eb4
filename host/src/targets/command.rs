//! Scale and resolution of the command and of the read-outs.

use proofstand_units::{NewtonMetresPerVolt, Percent, PercentPerVolt, Rpm, RpmPerVolt, Volts};
use serde::Serialize;

use super::fixture::Fixture;
use crate::sheet::{AxisSheet, CommandPair};

/// Scale and resolution of the command.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(tag = "mode", rename_all = "snake_case")]
pub enum CommandTargets {
    /// Volts ask for torque.
    Torque {
        /// Percent of rated torque per volt.
        #[serde(rename = "gain_percent_per_volt")]
        gain: PercentPerVolt,
        /// Torque per volt.
        #[serde(rename = "gain_newton_metres_per_volt")]
        torque_per_volt: NewtonMetresPerVolt,
        /// Volts at 100 % of rated torque.
        #[serde(rename = "volts_at_rated_torque")]
        at_rated: Volts,
        /// Volts at peak torque; may be more than can be put out.
        #[serde(rename = "volts_at_peak_torque")]
        at_peak: Volts,
        /// The largest torque that fixture and amplifier range can ask for.
        #[serde(rename = "largest_percent_of_rated_torque")]
        largest: Percent,
        /// One code of the command converter, in percent of rated torque.
        #[serde(rename = "resolution_percent_of_rated_torque")]
        resolution: Percent,
        /// Standard uncertainty of one code: resolution/√12.
        #[serde(rename = "quantisation_percent_of_rated_torque")]
        quantisation: Percent,
    },
    /// Volts ask for speed.
    Speed {
        /// Speed per volt.
        #[serde(rename = "gain_rpm_per_volt")]
        gain: RpmPerVolt,
        /// Volts at rated speed; may be more than can be put out.
        #[serde(rename = "volts_at_rated_speed")]
        at_rated: Volts,
        /// Volts at the cap; may be more than can be put out.
        #[serde(rename = "volts_at_cap")]
        at_cap: Volts,
        /// The largest speed that fixture and amplifier range can ask for.
        #[serde(rename = "largest_rpm")]
        largest: Rpm,
        /// One code of the command converter, in rpm.
        #[serde(rename = "resolution_rpm")]
        resolution: Rpm,
        /// Standard uncertainty of one code: resolution/√12.
        #[serde(rename = "quantisation_rpm")]
        quantisation: Rpm,
    },
}

impl CommandTargets {
    pub(super) fn compute(sheet: &AxisSheet, fixture: &Fixture) -> Self {
        let lsb = fixture.command_lsb().get();
        let range = command_range(sheet, fixture).get();
        match sheet.command.pair {
            CommandPair::Torque { volts, percent_of_rated } => {
                let gain = percent_of_rated.get() / volts.get();
                let peak_percent = 100.0 * (sheet.motor.peak_torque / sheet.motor.rated_torque);
                Self::Torque {
                    gain: PercentPerVolt::new(gain),
                    torque_per_volt: NewtonMetresPerVolt::new(sheet.motor.rated_torque.get() * gain / 100.0),
                    at_rated: Volts::new(100.0 / gain),
                    at_peak: Volts::new(peak_percent / gain),
                    largest: Percent::new(range * gain),
                    resolution: Percent::new(lsb * gain),
                    quantisation: Percent::new(lsb * gain / 12f64.sqrt()),
                }
            }
            CommandPair::Speed { volts, speed } => {
                let gain = speed.get() / volts.get();
                Self::Speed {
                    gain: RpmPerVolt::new(gain),
                    at_rated: Volts::new(sheet.motor.rated_speed.get() / gain),
                    at_cap: Volts::new(sheet.cap.speed.get() / gain),
                    largest: Rpm::new(range * gain),
                    resolution: Rpm::new(lsb * gain),
                    quantisation: Rpm::new(lsb * gain / 12f64.sqrt()),
                }
            }
        }
    }
}

/// The command can be within ± this: the narrower of fixture and amplifier.
pub(super) fn command_range(sheet: &AxisSheet, fixture: &Fixture) -> Volts {
    fixture.command_range.min(sheet.command.input_range)
}

/// Scales of the read-outs the axis has.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct ReadOuts {
    /// Torque read-out: volts at rated torque.
    #[serde(rename = "torque_volts_at_rated_torque")]
    pub torque_at_rated: Option<Volts>,
    /// Torque read-out: volts at peak torque; may be more than can be read.
    #[serde(rename = "torque_volts_at_peak_torque")]
    pub torque_at_peak: Option<Volts>,
    /// Speed read-out: volts at the cap.
    #[serde(rename = "speed_volts_at_cap")]
    pub speed_at_cap: Option<Volts>,
    /// Speed read-out: volts at the highest mechanical speed; may be more than can be read.
    #[serde(rename = "speed_volts_at_maximum_rpm")]
    pub speed_at_maximum: Option<Volts>,
}

impl ReadOuts {
    pub(super) fn compute(sheet: &AxisSheet) -> Self {
        let torque = sheet.torque_read_out.as_ref();
        let at_speed = |speed: Rpm| {
            sheet.speed_read_out.as_ref().map(|out| out.volts_per_thousand_rpm * (speed.get() / 1000.0))
        };
        Self {
            torque_at_rated: torque.map(|out| out.volts_at_rated),
            torque_at_peak: torque
                .map(|out| out.volts_at_rated * (sheet.motor.peak_torque / sheet.motor.rated_torque)),
            speed_at_cap: at_speed(sheet.cap.speed),
            speed_at_maximum: at_speed(sheet.maximum_speed()),
        }
    }
}
