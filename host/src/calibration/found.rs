//! The fixture as it was found: what its old calibration is worth, and whether it is this board's at all.

use proofstand_units::Volts;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::fit::{Accuracy, corrected, numbers, rms};
use super::image::Known;
use super::reading::Level;
use crate::metrology::VoltageUncertainty;
use crate::metrology::line::{Weights, fit};

/// Beyond so many times its uncertainty an old calibration is not merely old. Common practice, no source.
const NO_DRIFT: f64 = 3.0;
/// Curves of the same converter differ by no more than so many times the noise, and by no more than this: half a step. From
/// memory: a converter's curve is its resistors' and moves far less with time.
const SAME_CURVE: (f64, Volts) = (5.0, Volts::new(150e-6));
/// Levels nearer than this are one: half a step of the command.
const SAME_LEVEL: Volts = Volts::new(150e-6);
/// Fewer levels than this tell no curve from noise (common practice, no source).
const FEWEST_LEVELS: usize = 9;

/// The state a calibration is found in.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct AsFound {
    /// In words.
    pub words: String,
    /// Meter less what the fixture claims, level by level, volts. Without a usable calibration it claims the ideal line.
    pub errors: Vec<Volts>,
    /// Expanded uncertainty (k = 2) of its errors on the day, the reference meter's included, level by level, volts; empty
    /// without a usable calibration.
    pub uncertainty: Vec<Volts>,
    /// The error of largest magnitude, with its sign, volts.
    pub worst: Volts,
    /// All errors within the uncertainty stated for the day; none without a usable calibration.
    pub holds: Option<bool>,
    /// The calibration is another board's: why that is said.
    pub foreign: Option<String>,
}

/// Compares what the meter shows with what the fixture claims. `old`: the calibration in force. `identity`: the fixture
/// says itself that its record is another board's. `accuracy`: of the meter that it is compared with now; an error counts
/// only beyond both uncertainties (the E_n number of interlaboratory comparisons, from memory).
#[must_use]
pub fn as_found(
    levels: &[Level],
    old: Option<&Known>,
    identity: bool,
    noise: Volts,
    accuracy: &Accuracy,
    today: u32,
) -> AsFound {
    let claim = |nominal: Volts| old.map_or(nominal, |known| corrected(&known.command, nominal));
    let errors: Vec<Volts> = levels.iter().map(|l| l.mean() - claim(l.nominal)).collect();
    let worst = errors.iter().copied().max_by(|a, b| a.abs().get().total_cmp(&b.abs().get()));
    let worst = worst.unwrap_or_default();
    let uncertainty: Vec<Volts> = old.map_or_else(Vec::new, |known| {
        let age = f64::from(today.saturating_sub(known.calibrated));
        // The meter loads nothing, so that it can't show what contacts and load add.
        let unloaded = VoltageUncertainty { contact_and_load: 0.0, ..known.uncertainty };
        let of = |level: Volts| {
            let old = unloaded.expanded(level, age).get();
            Volts::new(old.hypot(2.0 * accuracy.zero().get().hypot(accuracy.gain() * level.get())))
        };
        levels.iter().map(|l| of(l.nominal)).collect()
    });
    let holds = old.map(|_| errors.iter().zip(&uncertainty).all(|(e, u)| e.abs() <= *u));
    let foreign = if identity {
        Some("The fixture says itself that its record names another analog board.".to_owned())
    } else {
        old.and_then(|known| other_boards(levels, known, &errors, &uncertainty, noise))
    };
    let words = match (old, &foreign, holds) {
        (_, Some(_), _) => "The calibration found is another board's.".to_owned(),
        (None, ..) => "No usable calibration was found; the errors are those of the bare board.".to_owned(),
        (Some(_), None, Some(true)) => "The calibration found held what it stated.".to_owned(),
        (Some(_), None, _) => {
            "The calibration found did not hold what it stated: results made with it are in doubt.".to_owned()
        }
    };
    AsFound { words, errors, uncertainty, worst, holds, foreign }
}

/// Why the errors can't be those of the same board grown older; none if they can.
fn other_boards(
    levels: &[Level],
    known: &Known,
    errors: &[Volts],
    uncertainty: &[Volts],
    noise: Volts,
) -> Option<String> {
    let farthest = errors.iter().zip(uncertainty).map(|(e, u)| e.abs() / *u).fold(0.0, f64::max);
    if farthest > NO_DRIFT {
        return Some(format!(
            "Its errors reach {farthest:.1} times the uncertainty that drift and temperature leave it on this day."
        ));
    }
    // The curves about their own lines: a converter keeps its curve, whatever its gain and offset do. They are compared also
    // where every error is within its uncertainty: two boards of one kind may have nearly the same gain and offset. Only
    // levels at which the table has a point say something of it: between points it is straight, and the converter is not.
    let in_table = |l: &&Level| known.command.iter().any(|p| (p.nominal - l.nominal).abs() < SAME_LEVEL);
    let levels: Vec<&Level> = levels.iter().filter(in_table).collect();
    if levels.len() < FEWEST_LEVELS {
        return None;
    }
    let nominal: Vec<Volts> = levels.iter().map(|l| l.nominal).collect();
    let curve =
        |y: Vec<Volts>| fit(&numbers(&nominal), &numbers(&y), Weights::Equal).ok().map(|line| line.residuals);
    let now = curve(levels.iter().map(|l| l.mean()).collect())?;
    let then = curve(nominal.iter().map(|v| corrected(&known.command, *v)).collect())?;
    let differ = rms(&now.iter().zip(&then).map(|(a, b)| Volts::new(a - b)).collect::<Vec<_>>());
    (differ > (noise * SAME_CURVE.0).max(SAME_CURVE.1)).then(|| {
        format!(
            "Its curve and the one measured differ by {:.0} µV; the same converter keeps its curve.",
            differ.get() * 1e6
        )
    })
}

#[cfg(test)]
mod tests {
    use proofstand_units::Celsius;

    use super::*;
    use crate::calibration::assumed::board;
    use crate::calibration::fit::tests::METER;
    use crate::calibration::fit::{CorrectionPoint, table_levels};
    use crate::calibration::reading::Reading;

    fn levels(actual: impl Fn(f64) -> f64) -> Vec<Level> {
        let level = |nominal: Volts| {
            let meter = Volts::new(actual(nominal.get()));
            let r = Reading::of_one(meter, [meter; 4]);
            Level { nominal, up: r.clone(), down: r }
        };
        table_levels(17).into_iter().map(level).collect()
    }

    fn known(actual: impl Fn(f64) -> f64) -> Known {
        let point = |nominal: Volts| CorrectionPoint { nominal, actual: Volts::new(actual(nominal.get())) };
        Known {
            board: *b"board-01",
            calibrated: 20_000,
            due: 20_300,
            temperature: Celsius::new(23.0),
            stated: Volts::new(1e-3),
            meter: "invented".into(),
            meter_accuracy: None,
            command: table_levels(17).into_iter().map(point).collect(),
            uncertainty: board(Volts::new(30e-6), 20e-6, 0.0, Volts::new(90e-6)),
            inputs: [None; 4],
        }
    }

    const NOISE: Volts = Volts::new(5e-6);

    #[test]
    fn a_board_that_drifted_a_little_holds_and_one_that_drifted_too_far_does_not_but_is_its_own() {
        let curve = |v: f64| 0.002 + 1.000_3 * v + 60e-6 * (v * 0.7).sin();
        let old = known(curve);
        let little = as_found(&levels(|v| curve(v) + 30e-6 * v), Some(&old), false, NOISE, &METER, 20_200);
        assert_eq!((little.holds, &little.foreign), (Some(true), &None), "{little:?}");
        assert!((little.worst.abs().get() - 300e-6).abs() < 1e-6);
        let far = as_found(&levels(|v| curve(v) + 150e-6 * v), Some(&old), false, NOISE, &METER, 20_200);
        assert_eq!((far.holds, &far.foreign), (Some(false), &None), "{far:?}");
        assert!(far.words.contains("in doubt"));
    }

    #[test]
    fn another_boards_calibration_is_found_by_its_errors_by_its_curve_and_by_its_name() {
        let curve = |v: f64| 0.002 + 1.000_3 * v + 200e-6 * (v * 0.7).sin();
        let old = known(curve);
        let other = levels(|v| -0.004 + 0.999_5 * v + 200e-6 * (v * 0.5).cos());
        let by_errors = as_found(&other, Some(&old), false, NOISE, &METER, 20_200);
        assert!(by_errors.foreign.unwrap().contains("times the uncertainty"));
        let alike = levels(|v| 0.002 + 1.000_3 * v + 200e-6 * (v * 1.9).cos());
        let by_curve = as_found(&alike, Some(&old), false, NOISE, &METER, 20_200);
        assert!(by_curve.foreign.clone().unwrap().contains("curve"), "{by_curve:?}");
        let same = as_found(&levels(curve), Some(&old), false, NOISE, &METER, 20_200);
        assert_eq!((same.holds, &same.foreign), (Some(true), &None), "{same:?}");
        let by_name = as_found(&levels(curve), None, true, NOISE, &METER, 20_200);
        assert!(by_name.foreign.is_some() && by_name.holds.is_none());
        let bare = as_found(&levels(curve), None, false, NOISE, &METER, 20_200);
        assert!(bare.foreign.is_none() && bare.words.contains("bare board"));
    }

    #[test]
    fn a_board_of_the_same_gain_and_offset_is_told_by_its_curve_though_no_error_is_beyond_its_uncertainty() {
        // 17 levels are 1.25 V apart: from one to the next the curves lie 100 µV above and below one line.
        let rough = |sign: f64| {
            move |v: f64| {
                let even = (v / 1.25).round() as i64 % 2 == 0;
                0.002 + 1.000_3 * v + sign * if even { 100e-6 } else { -100e-6 }
            }
        };
        let old = known(rough(1.0));
        let own = as_found(&levels(rough(1.0)), Some(&old), false, NOISE, &METER, 20_200);
        assert_eq!((own.holds, &own.foreign), (Some(true), &None), "{own:?}");
        let other = as_found(&levels(rough(-1.0)), Some(&old), false, NOISE, &METER, 20_200);
        assert!(other.worst.abs().get() < 210e-6, "{other:?}");
        assert_eq!(other.holds, Some(true), "{other:?}");
        assert!(other.foreign.is_some_and(|why| why.contains("curve")), "the curve tells");
    }
}
