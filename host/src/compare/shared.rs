//! What two runs share, and so what cancels in the difference of their values.

use proofstand_units::Celsius;

use super::line::InRowUnit;
use crate::error_budget::{CLOCK, GAIN_PER_KELVIN, OFFSET_PER_KELVIN, REFERENCE_DRIFT, TEMPERATURE_RANGE};
use crate::estimate::scale::BUILDING_UP;
use crate::metrology::voltage::{
    GAIN, GAIN_BY_DRIFT, GAIN_BY_LOAD, GAIN_BY_TEMPERATURE, OFFSET, OFFSET_BY_TEMPERATURE,
};
use crate::metrology::{Contribution, DegreesOfFreedom, Sensitivity};
use crate::record::model::{ContributionRow, ResultRow, Run};
use crate::sheet::AxisSheet;

/// Torque per kelvin: magnets lose 0.1 to 0.2 % in a kelvin (from memory).
const TORQUE_PER_KELVIN: f64 = 2e-3;
/// Hours in a day over the thousand that drift is stated for.
const KILOHOURS_A_DAY: f64 = 0.024;
/// The crystal is as long as it is: what its temperature and a year make of it (half-widths of the error budget, ppm).
const CLOCK_BETWEEN: f64 = 35e-6;

/// What the two runs were made with alike.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Shared {
    /// Amplifier and motor.
    unit: bool,
    /// The inertia that is stated.
    inertia: bool,
    /// The standard uncertainty that the later sheet states of it, as a share of it.
    inertia_share: f64,
    /// The fixture's clock.
    clock: bool,
    /// The calibration of one analog board.
    calibration: bool,
    /// Both calibrations were in force.
    pub(super) in_force: bool,
    /// Days between them.
    days: f64,
    /// Kelvin that the motor may have been apart.
    kelvin: f64,
}

/// A contribution's part in the difference.
pub(super) enum Part {
    /// Each run has its own.
    Own,
    /// Both runs have the same, and this is left of it: half-width, in result units.
    Common(Option<Contribution>),
}

impl Shared {
    pub(super) fn of(before: &Run, after: &Run, sheets: &[AxisSheet; 2], unit: bool, apart: Celsius) -> Self {
        let (was, is) = (&before.provenance, &after.provenance);
        let same_board = was.analog_serial == is.analog_serial;
        Self {
            unit,
            inertia: unit && sheets[0].disc == sheets[1].disc,
            // Stated with k = 2, in percent.
            inertia_share: sheets[1].inertia().relative().get() / 200.0,
            clock: was.controller_serial == is.controller_serial,
            calibration: same_board
                && was.calibration == is.calibration
                && was.calibration_valid
                && is.calibration_valid,
            in_force: was.calibration_valid && is.calibration_valid,
            // Without a day the longest that a calibration lasts.
            days: days_between(before, after).unwrap_or(365.0),
            kelvin: apart.get().abs(),
        }
    }

    pub(super) fn notes(&self, apart: Celsius) -> Vec<String> {
        let mut notes = vec![format!(
            "The motor may have been {} K warmer or colder in one of the runs, by what was said: its torque changes by up to \
             {:.1} % a kelvin.",
            apart.get(),
            100.0 * TORQUE_PER_KELVIN
        )];
        let mut say = |alike: bool, cancels: &str, stays: &str| {
            notes.push(if alike { cancels } else { stays }.to_owned());
        };
        say(
            self.inertia,
            "Same unit, same stated inertia: its uncertainty cancels.",
            "Serial numbers are not noted alike in both runs, or the disc is another: the inertia's uncertainty does not cancel.",
        );
        say(
            self.calibration,
            "Same analog board, same calibration: it cancels but for drift and temperature since.",
            "Other board or calibration, or none in force: calibration does not cancel.",
        );
        notes
    }

    /// Which part a contribution to `row` has, by what it is called.
    pub(super) fn part(&self, c: &ContributionRow, row: &ResultRow) -> Part {
        let between = |what: &str, half: f64| {
            Part::Common(Some(Contribution::rectangular(
                &format!("{what} between the runs"),
                InRowUnit(half),
            )))
        };
        let time = REFERENCE_DRIFT * (self.days * KILOHOURS_A_DAY).sqrt();
        // One run at the cold end, the other at the warm one.
        let kelvin = TEMPERATURE_RANGE * 2.0;
        match of_its_way(row, &c.name) {
            _ if c.kind == "A" => Part::Own,
            "inertia" if self.inertia => Part::Common(None),
            "scale of the read-out" | BUILDING_UP if self.unit => Part::Common(None),
            "clock of the fixture" if self.clock => {
                // In whatever power of time: what it may change by is a part of what it is known to.
                let stated = c.standard_uncertainty * 3.0_f64.sqrt();
                between("clock of the fixture", stated * (CLOCK_BETWEEN / CLOCK.to_ratio()).min(1.0))
            }
            // What drift and temperature had done before cancels with the gain; what they do between is added once.
            name if self.calibration
                && [GAIN_BY_DRIFT, GAIN_BY_TEMPERATURE, GAIN_BY_LOAD].iter().any(|n| name.ends_with(n)) =>
            {
                Part::Common(None)
            }
            name if self.calibration && name.ends_with(OFFSET_BY_TEMPERATURE) => Part::Common(None),
            name if self.calibration && name.ends_with(GAIN) => {
                // By one of the gain; it is stated in percent.
                let by_gain =
                    c.sensitivity.map_or(row.measured.unwrap_or(0.0), |by_percent| 100.0 * by_percent);
                between("gain of the calibration", by_gain.abs() * (time + GAIN_PER_KELVIN * kelvin))
            }
            name if self.calibration && name.ends_with(OFFSET) => {
                let per_volt = c.sensitivity.unwrap_or(0.0).abs();
                between("offset of the calibration", per_volt * OFFSET_PER_KELVIN.get() * kelvin.get())
            }
            _ => Part::Own,
        }
    }

    /// What the motor's temperature does to a torque that is known by an inertia.
    pub(super) fn temperature(&self, row: &ResultRow) -> Option<Contribution> {
        let inertia = row.budget.iter().find(|c| of_its_way(row, &c.name) == "inertia")?;
        // A torque goes with the inertia: what it is uncertain by over the inertia's share is the torque itself.
        let torque = inertia.standard_uncertainty / self.inertia_share;
        let half = torque * TORQUE_PER_KELVIN * self.kelvin;
        (half.is_finite() && half > 0.0)
            .then(|| Contribution::rectangular("temperature of the motor between the runs", InRowUnit(half)))
    }
}

/// A contribution's name without the way it comes from: a row `…one-less-another` names each with its way in front.
fn of_its_way<'a>(row: &ResultRow, name: &'a str) -> &'a str {
    let ways = row.id.rsplit_once('.').and_then(|(_, quantity)| quantity.split_once("-less-"));
    let without = |way: &str| name.strip_prefix(way)?.strip_prefix(": ");
    ways.and_then(|(one, other)| without(one).or_else(|| without(other))).unwrap_or(name)
}

/// A row of a record as a contribution in the unit of its result, with its sign.
pub(super) fn contribution(c: &ContributionRow) -> Contribution {
    let u = |times: f64| InRowUnit(c.standard_uncertainty * times);
    let made = match c.distribution.as_str() {
        "rectangular" => Contribution::rectangular(&c.name, u(3.0_f64.sqrt())),
        "triangular" => Contribution::triangular(&c.name, u(6.0_f64.sqrt())),
        "U-shaped" => Contribution::u_shaped(&c.name, u(2.0_f64.sqrt())),
        _ if c.kind == "A" => Contribution::type_a(&c.name, u(1.0), DegreesOfFreedom::INFINITE),
        _ => Contribution::normal(&c.name, u(1.0)),
    };
    let nu = c.degrees_of_freedom.and_then(|nu| DegreesOfFreedom::new(nu).ok());
    made.with_degrees_of_freedom(nu.unwrap_or(DegreesOfFreedom::INFINITE))
        .with_sensitivity(Sensitivity::new(c.sensitivity.map_or(1.0, f64::signum)))
}

fn days_between(before: &Run, after: &Run) -> Option<f64> {
    let at = |run: &Run| run.started.parse::<jiff::Timestamp>().ok().map(|t| t.as_second() as f64);
    Some((at(after)? - at(before)?).abs() / 86_400.0)
}
