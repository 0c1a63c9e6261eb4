//! How sure a calibrated voltage is, put out or read: by level, by age of the calibration, by temperature.

use proofstand_units::{Kelvins, PerKelvin, Percent, Volts, VoltsPerKelvin};
use serde::{Deserialize, Serialize};

use super::contribution::{Contribution, Sensitivity};
use super::error::MetrologyError;
use super::group::{Group, Pair};
use super::quantity::Quantity;

/// Hours in a day over a thousand hours: the unit that drift is stated in.
const KILOHOURS_A_DAY: f64 = 0.024;

/// Uncertainty of a calibrated voltage, the command at the terminals or one that an input reads, as its calibration states
/// it. An error at level V is taken as `offset + gain·V + rest`, plus what time and temperature have added since.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct VoltageUncertainty {
    /// Standard uncertainty at 0 V, in volts.
    pub offset: Volts,
    /// Standard uncertainty of the gain, relative.
    pub gain: f64,
    /// Correlation coefficient of the two.
    pub correlation: f64,
    /// Standard uncertainty at any level that neither explains, in volts: curve, step of the converter, scatter.
    pub residual: Volts,
    /// Drift: half-width, relative, after 1000 h. It grows with the square root of time.
    pub drift: f64,
    /// Temperature coefficient of the gain: half-width, relative, per kelvin.
    pub gain_per_kelvin: PerKelvin,
    /// Temperature coefficient of the offset: half-width, volts per kelvin.
    pub offset_per_kelvin: VoltsPerKelvin,
    /// How far the temperature may be from that of the calibration, in kelvin.
    pub temperature_range: Kelvins,
    /// What contacts and the load at the terminals change of the gain beside the calibration, whose meter hardly loads them:
    /// half-width, relative. Zero for what an input reads.
    #[serde(default)]
    pub contact_and_load: f64,
}

impl VoltageUncertainty {
    /// A voltage of which only an expanded uncertainty (k = 2) at any level is known.
    #[must_use]
    pub const fn flat(expanded: Volts) -> Self {
        Self {
            offset: Volts::new(expanded.get() / 2.0),
            gain: 0.0,
            correlation: 0.0,
            residual: Volts::ZERO,
            drift: 0.0,
            gain_per_kelvin: PerKelvin::ZERO,
            offset_per_kelvin: VoltsPerKelvin::ZERO,
            temperature_range: Kelvins::ZERO,
            contact_and_load: 0.0,
        }
    }

    /// Only one number is known for all levels: nothing can be said of gain and curve apart.
    #[must_use]
    pub const fn is_flat(&self) -> bool {
        self.gain == 0.0
            && self.residual.get() == 0.0
            && self.drift == 0.0
            && self.gain_per_kelvin.get() == 0.0
    }

    /// Relative drift since the calibration: half-width.
    pub(super) fn drifted(&self, age_days: f64) -> f64 {
        self.drift * (age_days.max(0.0) * KILOHOURS_A_DAY).sqrt()
    }

    /// Standard uncertainty of the gain so many days after the calibration, temperature and load included: relative. What
    /// a slope between two levels rests on.
    #[must_use]
    pub fn gain_after(&self, age_days: f64) -> f64 {
        let temperature = self.gain_per_kelvin * self.temperature_range;
        let bounds = [self.drifted(age_days), temperature, self.contact_and_load];
        (self.gain.powi(2) + bounds.iter().map(|half| half.powi(2)).sum::<f64>() / 3.0).sqrt()
    }

    /// Standard uncertainty of the offset, temperature included.
    #[must_use]
    pub fn offset_after(&self) -> Volts {
        let temperature = self.offset_per_kelvin * self.temperature_range;
        Volts::new((self.offset.get().powi(2) + temperature.get().powi(2) / 3.0).sqrt())
    }

    /// Covariance of offset and gain: what the points of the calibration had in common.
    #[must_use]
    pub const fn covariance(&self) -> Volts {
        Volts::new(self.correlation * self.offset.get() * self.gain)
    }

    /// Standard uncertainty at a level, so many days after the calibration.
    #[must_use]
    pub fn standard(&self, level: Volts, age_days: f64) -> Volts {
        let v = level.get();
        let variance = self.offset_after().get().powi(2)
            + (self.gain_after(age_days) * v).powi(2)
            + 2.0 * self.covariance().get() * v
            + self.residual.get().powi(2);
        Volts::new(variance.max(0.0).sqrt())
    }

    /// Expanded uncertainty, k = 2, at a level, so many days after the calibration.
    #[must_use]
    pub fn expanded(&self, level: Volts, age_days: f64) -> Volts {
        self.standard(level, age_days) * 2.0
    }

    /// The largest expanded uncertainty within ± a range: at one of its ends.
    #[must_use]
    pub fn worst(&self, range: Volts, age_days: f64) -> Volts {
        self.expanded(range, age_days).max(self.expanded(range * -1.0, age_days))
    }

    /// Days after which the worst expanded uncertainty within a range has grown to `aim`, at most `most`; none if it is
    /// above from the start.
    #[must_use]
    pub fn days_within(&self, aim: Volts, range: Volts, most: u32) -> Option<u32> {
        let within = |days: u32| self.worst(range, f64::from(days)) <= aim;
        if !within(0) {
            return None;
        }
        let (mut low, mut high) = (0, most);
        while low < high {
            let middle = low + (high - low).div_ceil(2);
            if within(middle) {
                low = middle;
            } else {
                high = middle - 1;
            }
        }
        Some(low)
    }

    /// The contributions to the command at a level, largest causes apart: offset and gain of the calibration as a group
    /// with their correlation, and drift, temperature and rest by themselves.
    ///
    /// # Errors
    /// [`MetrologyError::ImpossibleCorrelation`] if the record's coefficient is none.
    pub fn contributions(
        &self,
        level: Volts,
        age_days: f64,
    ) -> Result<(Group, Vec<Contribution>), MetrologyError> {
        let v = level.get();
        let members = vec![
            Contribution::normal("calibration: offset", self.offset),
            Contribution::normal("calibration: gain", Volts::new(self.gain))
                .with_sensitivity(Sensitivity::new(v)),
        ];
        let pair = Pair { first: 0, second: 1, coefficient: self.correlation };
        let group = Group::correlated("calibration of the command (meter)", members, vec![pair])?;
        let rest = vec![
            Contribution::rectangular(
                "drift since the calibration",
                Volts::new(self.drifted(age_days) * v.abs()),
            ),
            Contribution::rectangular(
                "temperature: gain",
                Volts::new(self.gain_per_kelvin * self.temperature_range * v.abs()),
            ),
            Contribution::rectangular("contacts and load", Volts::new(self.contact_and_load * v.abs())),
            Contribution::rectangular("temperature: offset", self.offset_per_kelvin * self.temperature_range),
            Contribution::normal("curve, step of the converter and scatter", self.residual),
        ];
        Ok((group, rest))
    }
}

/// How the contributions of a calibrated voltage are called, behind what it is.
pub(crate) const GAIN: &str = ": gain of the calibration";
pub(crate) const GAIN_BY_DRIFT: &str = ": gain by drift since the calibration";
pub(crate) const GAIN_BY_TEMPERATURE: &str = ": gain by temperature";
pub(crate) const GAIN_BY_LOAD: &str = ": gain by contacts and load";
pub(crate) const OFFSET: &str = ": offset of the calibration";
pub(crate) const OFFSET_BY_TEMPERATURE: &str = ": offset by temperature";

/// What a calibrated voltage makes uncertain about a slope.
#[derive(Debug, Clone, PartialEq)]
pub struct InSlope {
    /// What all levels have in common: gain of the calibration, its drift, temperature, load.
    pub shared: Vec<Contribution>,
    /// What each level has alone: curve and step. None where only one number is known for all levels.
    pub own: Option<Contribution>,
}

impl InSlope {
    /// All of it.
    pub fn all(self) -> impl Iterator<Item = Contribution> {
        self.shared.into_iter().chain(self.own)
    }
}

/// Half-widths as contributions; bounds of nothing are none.
fn bounded<Q: Quantity>(what: &str, bounds: &[(&str, Q)]) -> Vec<Contribution> {
    let real = bounds.iter().filter(|(_, half)| half.number() > 0.0);
    real.map(|(name, half)| Contribution::rectangular(&format!("{what}{name}"), *half)).collect()
}

/// A calibrated voltage on a day: what its record states, how old that is, and whether it is in force.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct KnownVoltage {
    /// What the calibration states.
    pub stated: VoltageUncertainty,
    /// Days since the calibration: what drift is counted from.
    pub age_days: f64,
    /// There is a calibration of it, of this board, in date. If not, no result that rests on it is better than undecided.
    pub calibrated: bool,
}

impl KnownVoltage {
    /// Nothing but an expanded uncertainty (k = 2) of the bare board is known.
    #[must_use]
    pub const fn uncalibrated(expanded: Volts) -> Self {
        Self { stated: VoltageUncertainty::flat(expanded), age_days: 0.0, calibrated: false }
    }

    /// Standard uncertainty at a level.
    #[must_use]
    pub fn standard(&self, level: Volts) -> Volts {
        self.stated.standard(level, self.age_days)
    }

    /// What it makes uncertain about a slope over levels up to `highest`: what all levels share, and what each has alone.
    ///
    /// `slope` is in result units per volt. `spread` is by how many result units the slope moves if each level were off by
    /// one volt, independently: the root of the sum of the squares of the fit's weights. The gain of the calibration moves
    /// the slope as a whole, whatever the levels, and so do drift, temperature and load, which are known within bounds; its
    /// offset moves nothing. Where only one number is known for all levels it is taken at the highest level, as if all of it
    /// were gain.
    #[must_use]
    pub fn in_slope<Q: Quantity>(&self, what: &str, slope: Q, highest: Volts, spread: f64) -> InSlope {
        let slope = slope.number();
        if self.stated.is_flat() {
            let name = format!("{what}, one number for all levels");
            let all = Contribution::normal(&name, self.standard(highest));
            let all = all.with_sensitivity(Sensitivity::new(slope / highest.get()));
            return InSlope { shared: vec![all], own: None };
        }
        let percent = |relative: f64| Percent::new(100.0 * relative);
        let bounds = [
            (GAIN_BY_DRIFT, self.stated.drifted(self.age_days)),
            (GAIN_BY_TEMPERATURE, self.stated.gain_per_kelvin * self.stated.temperature_range),
            (GAIN_BY_LOAD, self.stated.contact_and_load),
        ];
        let gain = Contribution::normal(&format!("{what}{GAIN}"), percent(self.stated.gain));
        let shared = core::iter::once(gain)
            .chain(bounded(what, &bounds.map(|(name, half)| (name, percent(half)))))
            .map(|c| c.with_sensitivity(Sensitivity::new(slope / 100.0)))
            .collect();
        InSlope { shared, own: Some(self.curve(what, spread)) }
    }

    /// What it makes uncertain about a value at 0 V: the offset, and the curve of so many levels as `spread` (result units
    /// by one volt at each level independently) says. `per_volt` is in result units per volt.
    #[must_use]
    pub fn at_zero(&self, what: &str, per_volt: f64, spread: f64) -> Vec<Contribution> {
        let sensitivity = Sensitivity::new(per_volt);
        if self.stated.is_flat() {
            let name = format!("{what}, one number for all levels");
            return vec![
                Contribution::normal(&name, self.standard(Volts::ZERO)).with_sensitivity(sensitivity),
            ];
        }
        let temperature = self.stated.offset_per_kelvin * self.stated.temperature_range;
        let offset = Contribution::normal(&format!("{what}{OFFSET}"), self.stated.offset);
        core::iter::once(offset)
            .chain(bounded(what, &[(OFFSET_BY_TEMPERATURE, temperature)]))
            .map(|c| c.with_sensitivity(sensitivity))
            .chain([self.curve(what, spread)])
            .collect()
    }

    /// What curve and step alone make uncertain, with the result units by one volt: where offset and gain cancel. Where only
    /// one number is known it stands here too.
    #[must_use]
    pub fn curve(&self, what: &str, per_volt: f64) -> Contribution {
        let (name, u) = if self.stated.is_flat() {
            (format!("{what}, one number for all levels"), self.standard(Volts::ZERO))
        } else {
            (format!("{what}: curve and step"), self.stated.residual)
        };
        Contribution::normal(&name, u).with_sensitivity(Sensitivity::new(per_volt))
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use crate::metrology::budget::Budget;
    use crate::metrology::contribution::Distribution;

    /// A command as a calibration may state it. Invented.
    pub(in crate::metrology) const STATED: VoltageUncertainty = VoltageUncertainty {
        offset: Volts::new(30e-6),
        gain: 20e-6,
        correlation: -0.3,
        residual: Volts::new(95e-6),
        drift: 25e-6,
        gain_per_kelvin: PerKelvin::new(3e-6),
        offset_per_kelvin: VoltsPerKelvin::new(5e-6),
        temperature_range: Kelvins::new(5.0),
        contact_and_load: 18.5e-6,
    };

    #[test]
    fn the_uncertainty_at_a_level_is_what_the_budget_of_its_contributions_comes_to() {
        // JCGM 100:2008, equation 16, by another way: the budget's own combination.
        for level in [-10.0, -3.0, 0.0, 0.5, 10.0] {
            for age in [0.0, 100.0, 365.0] {
                let (group, rest) = STATED.contributions(Volts::new(level), age).unwrap();
                let combined = Budget::new(Volts::ZERO).with_group(group).with_all(rest).combined();
                let direct = STATED.standard(Volts::new(level), age);
                let difference = (combined.standard_uncertainty.get() - direct.get()).abs();
                assert!(difference < 1e-12, "{level} V, {age} days: {difference}");
            }
        }
    }

    #[test]
    fn drift_and_temperature_are_bounds_of_their_own_beside_the_gain_and_the_offset_of_a_calibration() {
        // Closed form: 95 % of a rectangle is 0.95 of its half-width, here 25 ppm · √2.4 after 100 days, of 100 rpm/V.
        let drifting = VoltageUncertainty { drift: 25e-6, ..VoltageUncertainty::flat(Volts::ZERO) };
        let known = |stated| KnownVoltage { stated, age_days: 100.0, calibrated: true };
        let ten = Volts::new(10.0);
        let u = |parts: Vec<Contribution>| Budget::new(Volts::ZERO).with_all(parts).combined();
        let alone = known(drifting).in_slope("command", Volts::new(100.0), ten, 0.0).all().collect();
        let half = 100.0 * 25e-6 * 2.4_f64.sqrt();
        assert!((u(alone).expanded.get() / (0.95 * half) - 1.0).abs() < 1e-3);

        let parts = known(STATED).in_slope("command", Volts::new(100.0), ten, 0.0);
        let kinds: Vec<_> = parts.shared.iter().map(|c| c.distribution).collect();
        assert_eq!(
            kinds,
            [
                Distribution::Normal,
                Distribution::Rectangular,
                Distribution::Rectangular,
                Distribution::Rectangular
            ]
        );
        let all = u(parts.shared).standard_uncertainty.get();
        assert!((all - 100.0 * STATED.gain_after(100.0)).abs() < 1e-12, "{all}");

        let parts = known(STATED).at_zero("command", 1.0, 0.0);
        assert_eq!(parts[1].distribution, Distribution::Rectangular);
        let all = u(parts).standard_uncertainty.get();
        assert!((all - STATED.offset_after().get()).abs() < 1e-12, "{all}");
    }

    #[test]
    fn drift_grows_with_the_square_root_of_time_and_the_due_date_is_the_last_day_within_the_aim() {
        let drift_only = VoltageUncertainty { drift: 25e-6, ..VoltageUncertainty::flat(Volts::ZERO) };
        // By hand: 10 V · 25 ppm · √(8.76) / √3 · 2 after 8760 h.
        let year = drift_only.expanded(Volts::new(10.0), 365.0).get();
        assert!((year - 2.0 * 10.0 * 25e-6 * 8.76_f64.sqrt() / 3.0_f64.sqrt()).abs() < 1e-9);
        let aim = Volts::new(1e-3);
        let days = STATED.days_within(aim, Volts::new(10.0), 365).unwrap();
        assert!(days > 200, "{days}");
        assert!(STATED.worst(Volts::new(10.0), f64::from(days)) <= aim);
        if days < 365 {
            assert!(STATED.worst(Volts::new(10.0), f64::from(days + 1)) > aim);
        }
        assert_eq!(STATED.days_within(Volts::new(1e-4), Volts::new(10.0), 365), None);
        assert_eq!(VoltageUncertainty::flat(aim).days_within(aim, Volts::new(10.0), 365), Some(365));
    }
}
