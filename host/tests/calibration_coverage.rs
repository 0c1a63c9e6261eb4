//! Whether a calibrated command is as good as its record says, on boards and meters drawn from an error model of their
//! own. A short slice with fixed seeds; the whole table is a bench: `cargo bench -p proofstand --bench calibration`.

mod calibration_model;

use calibration_model::{coverage, trial};
use proofstand_plant::Random;

#[test]
fn a_calibrated_command_is_within_a_millivolt_and_within_its_statement_in_at_least_93_of_100_trials() {
    for points in [17, 33] {
        let got = coverage(20_260_115, 600, points);
        for (share, what) in [
            (got.within_aim, "±1 mV"),
            (got.within_stated, "as stated"),
            (got.gain, "gain"),
            (got.offset, "offset"),
        ] {
            assert!(share >= 0.93, "{points} points, {what}: {share} {got:?}");
        }
        assert!(got.days.0 >= 30.0, "{got:?}");
    }
}

/// That the slice can fail: a record that stated a third of its uncertainty would be found out.
#[test]
fn an_uncertainty_of_a_third_would_not_cover() {
    let mut random = Random::new(7);
    let trials: Vec<_> = (0..300).filter_map(|_| trial(&mut random, 17)).collect();
    assert!(trials.len() == 300);
    let share = trials.iter().filter(|t| t.error.abs() <= t.stated / 3.0).count() as f64 / 300.0;
    assert!(share < 0.93, "{share}");
    let farthest = trials.iter().map(|t| t.asked.abs()).fold(0.0, f64::max);
    assert!(farthest > 9.0, "levels from end to end were asked for");
}
