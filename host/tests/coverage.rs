//! A short slice of the coverage bench (`cargo bench -p proofstand --bench coverage`), with fixed seeds.

mod coverage_model;

use coverage_model::{Coverage, command_scale, flag_delay, held_speed, rotor};

/// Fewer inside than this can't be chance if the interval really holds 95 %.
fn assert_covers(got: &Coverage, trials: u32, least: f64) {
    assert_eq!(got.trials, trials, "a trial was left out: {got:?}");
    println!(
        "{}: error/u {:.2}, k {:.2}, inside {:.3}",
        got.quantity,
        got.error_over_u(),
        got.mean_factor,
        got.share()
    );
    assert!(got.share() >= least, "{got:?}: {:.3}", got.share());
}

#[test]
fn gain_and_offset_lie_inside_their_intervals() {
    // 150 trials of 95 %: fewer than 88.5 % inside happens once in a thousand.
    let [gain, offset] = command_scale(150, 11);
    assert_covers(&gain, 150, 0.885);
    assert_covers(&offset, 150, 0.885);
}

#[test]
fn speed_flag_delay_and_inertia_lie_inside_their_intervals() {
    let [alone, with_disc] = rotor(4000, 14);
    for (got, trials) in
        [(held_speed(3000, 12), 3000), (flag_delay(2000, 13), 2000), (alone, 4000), (with_disc, 4000)]
    {
        assert_covers(&got, trials, 0.93);
    }
}

#[test]
fn a_speed_near_1000_rpm_is_known_to_a_hundredth_of_a_percent_in_a_tenth_of_a_second() {
    let got = held_speed(500, 15);
    assert!(got.mean_expanded < 1e-4, "{got:?}");
}
