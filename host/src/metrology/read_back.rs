//! A command that the same fixture reads back: what the two may differ by.
//!
//! Output and input were calibrated on one day with one meter. Whatever that meter was off by is in both and cancels in
//! their difference (JCGM 100:2008, 5.2 and F.1.2.3, correlation +1), so that the limit is far narrower than the stated
//! uncertainties side by side. What is left is each converter's own: curve and step, drift, temperature.

use proofstand_units::Volts;

use super::budget::Budget;
use super::contribution::{Contribution, Sensitivity};
use super::group::Group;
use super::voltage::{KnownVoltage, VoltageUncertainty};

/// Action limit in standard uncertainties, as of a control chart (Shewhart; common practice): passed by chance three times
/// in a thousand.
pub const ACTION: f64 = 3.0;

/// Budget of what is read at a level less what was put out, with the value that was found.
///
/// Where one of the two has no calibration with contributions, nothing is known to cancel: both count in full.
#[must_use]
pub fn difference(read: &KnownVoltage, put: &KnownVoltage, level: Volts, found: Volts) -> Budget<Volts> {
    let budget = Budget::new(found);
    if read.stated.is_flat() || put.stated.is_flat() {
        return budget
            .with(Contribution::normal("command as put out", put.standard(level)))
            .with(Contribution::normal("command as read back", read.standard(level)));
    }
    let minus = |c: Contribution| {
        let turned = Sensitivity::new(-c.sensitivity().get());
        c.with_sensitivity(turned)
    };
    let meter = |name: &str, of: &VoltageUncertainty| {
        let v = level.get();
        let variance = of.offset.get().powi(2) + (of.gain * v).powi(2) + 2.0 * of.covariance().get() * v;
        Contribution::normal(&format!("{name}: calibration"), Volts::new(variance.max(0.0).sqrt()))
    };
    let one_meter = vec![meter("read back", &read.stated), minus(meter("put out", &put.stated))];
    budget
        .with_group(Group::together("one meter for both, it cancels", one_meter))
        .with_all(own("read back", read, level))
        .with_all(own("put out", put, level))
}

/// The farthest that read-back and command may lie apart at a level while both are what their calibration says.
#[must_use]
pub fn limit(read: &KnownVoltage, put: &KnownVoltage, level: Volts) -> Volts {
    difference(read, put, level, Volts::ZERO).combined().standard_uncertainty * ACTION
}

/// The farthest from 0 V that an input may read while nothing is put on it: here no meter cancels.
#[must_use]
pub fn limit_at_rest(read: &KnownVoltage) -> Volts {
    at_rest(read, Volts::ZERO).combined().standard_uncertainty * ACTION
}

/// Budget of what an input reads while nothing is put on it.
#[must_use]
pub fn at_rest(read: &KnownVoltage, found: Volts) -> Budget<Volts> {
    Budget::new(found).with_all(read.at_zero("read back", 1.0, 1.0))
}

/// What is one converter's alone.
fn own(name: &str, voltage: &KnownVoltage, level: Volts) -> Vec<Contribution> {
    let (of, v) = (&voltage.stated, level.get().abs());
    let rectangular =
        |what: &str, half: f64| Contribution::rectangular(&format!("{name}: {what}"), Volts::new(half));
    vec![
        Contribution::normal(&format!("{name}: curve and step"), of.residual),
        rectangular("drift since the calibration", of.drifted(voltage.age_days) * v),
        rectangular("temperature, gain", of.gain_per_kelvin * of.temperature_range * v),
        rectangular("temperature, offset", (of.offset_per_kelvin * of.temperature_range).get()),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::metrology::voltage::tests::STATED;

    fn known(stated: VoltageUncertainty, age_days: f64) -> KnownVoltage {
        KnownVoltage { stated, age_days, calibrated: true }
    }

    #[test]
    fn the_meter_cancels_and_each_converter_keeps_its_own() {
        // Worked by hand at 10 V, 125/3 days (1000 h): twice the sum of 95², and of 250², 150², 25² over 3, in µV.
        let both = known(STATED, 1.0 / 0.024);
        let u = (2.0 * (95.0_f64.powi(2) + (250.0_f64.powi(2) + 150.0_f64.powi(2) + 25.0_f64.powi(2)) / 3.0))
            .sqrt();
        let got = limit(&both, &both, Volts::new(10.0)).get() * 1e6;
        assert!((got / (3.0 * u) - 1.0).abs() < 1e-9, "{got} {u}");
        assert!((limit(&both, &both, Volts::new(-10.0)).get() * 1e6 / got - 1.0).abs() < 1e-9);
        // A meter a hundred times worse changes nothing; its share of the budget is none.
        let worse =
            known(VoltageUncertainty { offset: Volts::new(3e-3), gain: 2e-3, ..STATED }, both.age_days);
        assert!((limit(&worse, &worse, Volts::new(10.0)).get() * 1e6 / got - 1.0).abs() < 1e-9);
        let rows = difference(&worse, &worse, Volts::new(10.0), Volts::ZERO).rows();
        let meter = rows.iter().find(|r| r.name.starts_with("one meter")).unwrap();
        assert!(meter.share_percent < 1e-9, "{meter:?}");
        assert_eq!(rows.len(), 9);
    }

    #[test]
    fn the_limit_is_narrower_than_the_stated_uncertainties_side_by_side() {
        let both = known(STATED, 0.0);
        for level in [0.0, 5.0, 10.0] {
            let level = Volts::new(level);
            let beside = core::f64::consts::SQRT_2 * both.standard(level).get() * ACTION;
            assert!(limit(&both, &both, level).get() < beside, "{level:?}");
        }
        // Old calibrations drift apart.
        let old = known(STATED, 300.0);
        assert!(limit(&old, &old, Volts::new(10.0)) > limit(&both, &both, Volts::new(10.0)));
    }

    #[test]
    fn the_difference_of_read_back_and_command_holds_against_monte_carlo() {
        // JCGM 101:2008, clause 8, on the day of calibration and 300 days later; with nothing known apart; and at rest.
        use crate::metrology::monte_carlo::assert_interval;
        let flat = KnownVoltage::uncalibrated(Volts::new(25e-3));
        for (age, seed) in [(0.0, 1), (300.0, 2)] {
            let both = known(STATED, age);
            assert_interval("read back", &difference(&both, &both, Volts::new(10.0), Volts::ZERO), seed);
            assert_interval(
                "read back, one flat",
                &difference(&flat, &both, Volts::new(10.0), Volts::ZERO),
                10 + seed,
            );
            assert_interval("at rest", &at_rest(&both, Volts::ZERO), 20 + seed);
        }
    }

    #[test]
    fn nothing_cancels_that_is_not_known_apart() {
        let flat = KnownVoltage::uncalibrated(Volts::new(25e-3));
        let got = limit(&known(STATED, 0.0), &flat, Volts::ZERO).get();
        let want = 3.0 * 12.5e-3_f64.hypot(STATED.standard(Volts::ZERO, 0.0).get());
        assert!((got / want - 1.0).abs() < 1e-9, "{got} {want}");
        assert!((limit_at_rest(&flat).get() / 37.5e-3 - 1.0).abs() < 1e-9);
    }
}
