//! Whether a quantity can be decided at all: the uncertainty to be expected against the tolerance.
//!
//! A forecast for planning, from the sheet and the fixture's design. What a run achieves is worked out from its samples.

use std::f64::consts::TAU;

use proofstand_units::Percent;
use serde::Serialize;

use super::command::{CommandTargets, command_range};
use super::encoder::EncoderTargets;
use super::fixture::Fixture;
use super::motion::Level;
use crate::metrology::{Capability, Limits, capability};
use crate::sheet::AxisSheet;

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
            }
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
