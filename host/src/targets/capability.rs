//! Whether a quantity can be decided at all: the uncertainty to be expected against the tolerance.
//!
//! A forecast for planning, from the sheet and the fixture's design. What a run achieves is worked out from its samples.

use std::f64::consts::TAU;

use proofstand_units::{Percent, PercentPerVolt};
use serde::Serialize;

use super::command::{CommandTargets, command_range};
use super::encoder::EncoderTargets;
use super::fixture::Fixture;
use super::motion::{Level, cap_levels};
use crate::metrology::{Capability, Limits, capability};
use crate::sheet::{AxisSheet, DisplayShown};

/// Its share is named so in the forecast.
pub(super) const SCALE_OF_READ_OUT: &str = "scale of the read-out";
/// Its share likewise.
pub(super) const STEPS_OF_DISPLAY: &str = "steps of the display";

/// Uncertainty to be expected of one quantity, against its tolerance.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Expected {
    /// Which quantity.
    pub quantity: &'static str,
    /// Of what the percentages are.
    pub share_of: &'static str,
    /// Half-width of the tolerance.
    #[serde(rename = "tolerance_percent")]
    pub tolerance: Percent,
    /// Expanded uncertainty (k = 2) to be expected.
    #[serde(rename = "expanded_percent")]
    pub expanded: Percent,
    /// The contribution that matters most.
    pub largest: &'static str,
}

impl Expected {
    /// With a guard band of U something is left of the tolerance to be accepted in.
    #[must_use]
    pub fn decidable(&self) -> bool {
        matches!(self.capability(), Capability::Capable { .. })
    }

    /// The same with what is left, or with the uncertainty that would just do: for a value on its target.
    #[must_use]
    pub fn capability(&self) -> Capability<Percent> {
        let limits = Limits::Between { lower: self.tolerance * -1.0, upper: self.tolerance };
        capability(Percent::ZERO, self.expanded, &limits)
    }

    /// Root of the sum of squares of independent contributions (JCGM 100:2008, 5.1.2), each expanded with k = 2.
    fn of(
        quantity: &'static str,
        share_of: &'static str,
        tolerance: Percent,
        contributions: &[(&'static str, f64)],
    ) -> Self {
        let sum: f64 = contributions.iter().map(|(_, expanded)| expanded * expanded).sum();
        let largest = contributions.iter().max_by(|a, b| a.1.total_cmp(&b.1)).map_or("", |(name, _)| name);
        Self { quantity, share_of, tolerance, expanded: Percent::new(sum.sqrt()), largest }
    }
}

pub(super) fn expected(
    sheet: &AxisSheet,
    fixture: &Fixture,
    command: &CommandTargets,
    encoder: &EncoderTargets,
    levels: &[Level],
) -> Vec<Expected> {
    let tolerances = &sheet.tolerances;
    let volts = fixture.command_uncertainty.get();
    let at_zero = fixture.command_uncertainty_at_zero.get();
    let speed = 100.0 * fixture.speed_uncertainty;
    let mut all = Vec::new();
    match *command {
        CommandTargets::Torque { gain, resolution, .. } => {
            let usable: Vec<_> = levels.iter().filter(|level| level.usable_for_reversal()).collect();
            if let Some(highest) = usable.last() {
                let fit = usable.iter().map(|level| fit_percent(level, encoder)).fold(0.0, f64::max);
                let contributions = [
                    ("inertia", sheet.inertia().relative().get()),
                    ("calibration of the command", 100.0 * volts / highest.command.get()),
                    ("fit of the acceleration", fit),
                ];
                let tolerance = tolerances.torque_gain.value;
                all.push(Expected::of("torque gain by reversal", "target", tolerance, &contributions));
                all.extend(by_read_out(sheet, highest, volts));
            }
            all.extend(by_display(sheet, gain, volts));
            let code = 2.0 * resolution.get() / 12f64.sqrt();
            let zero = [("calibration of the command", at_zero * gain.get()), ("command resolution", code)];
            all.push(Expected::of("torque offset", "rated torque", tolerances.torque_offset.value, &zero));
            all.push(Expected::of("linearity", "rated torque", tolerances.linearity.value, &zero));
        }
        CommandTargets::Speed { gain, largest, resolution, .. } => {
            let full = largest.get();
            let top = command_range(sheet, fixture).get();
            let scale = [("calibration of the command", 100.0 * volts / top), ("speed", speed)];
            let code = 2.0 * resolution.get() / 12f64.sqrt();
            let zero = [
                ("calibration of the command", 100.0 * at_zero * gain.get() / full),
                ("command resolution", 100.0 * code / full),
            ];
            all.push(Expected::of("speed gain", "target", tolerances.speed_gain.value, &scale));
            all.push(Expected::of("speed offset", "full speed", tolerances.speed_offset.value, &zero));
            all.push(Expected::of("linearity", "full speed", tolerances.linearity.value, &zero));
        }
    }
    let cap = tolerances.cap.value.get().max(100.0 * (tolerances.cap_least.value / sheet.cap.speed));
    all.push(Expected::of("speed cap", "cap", Percent::new(cap), &[("speed", speed)]));
    all
}

/// The scale of the read-out is as its maker states it; its input is calibrated as the command is.
fn by_read_out(sheet: &AxisSheet, highest: &Level, volts: f64) -> Option<Expected> {
    let read_out = sheet.torque_read_out.as_ref()?;
    let shown = read_out.volts_at_rated.get() * highest.percent_of_rated.get() / 100.0;
    let contributions = [
        (SCALE_OF_READ_OUT, read_out.scale_uncertainty.value.get()),
        ("calibration of the command", 100.0 * volts / highest.command.get()),
        ("calibration of the read-out's input", 100.0 * Fixture::DESIGN.command_uncertainty.get() / shown),
    ];
    let tolerance = sheet.tolerances.torque_gain_read_out.value;
    Some(Expected::of("torque gain by read-out", "target", tolerance, &contributions))
}

/// Half the difference of two numbers right to half a step each is uncertain by step/√24; the slope through the levels by that
/// over the root of the sum of their squares about the mean.
fn by_display(sheet: &AxisSheet, gain: PercentPerVolt, volts: f64) -> Option<Expected> {
    let display = sheet.display.filter(|display| display.shows == DisplayShown::Command)?;
    let levels = cap_levels(sheet.motor.breakaway_bound).map(Percent::get);
    let mean = levels.iter().sum::<f64>() / levels.len() as f64;
    let spread = levels.iter().map(|level| (level - mean).powi(2)).sum::<f64>().sqrt();
    let contributions = [
        (STEPS_OF_DISPLAY, 200.0 * display.step.get() / 24f64.sqrt() / spread),
        ("calibration of the command", 100.0 * volts * gain.get() / levels[levels.len() - 1]),
    ];
    let tolerance = sheet.tolerances.torque_gain_display.value;
    Some(Expected::of("torque gain by display", "target", tolerance, &contributions))
}

/// Expanded uncertainty (k = 2) of one acceleration in the shortest window of a level, from counts alone, percent.
///
/// Curvature of a quadratic least-squares fit to n even samples over τ: `u(α) = u(θ)·√(720/n)/τ²` for large n, the
/// textbook variance of the orthogonal polynomial of degree two.
fn fit_percent(level: &Level, encoder: &EncoderTargets) -> f64 {
    let window = &level.window;
    let place = TAU / f64::from(encoder.counts.get()) / 12f64.sqrt();
    let fit = place * (720.0 / f64::from(window.samples.max(1))).sqrt() / window.time.get().powi(2);
    200.0 * fit / level.acceleration.get()
}
