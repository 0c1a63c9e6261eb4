//! The motor against closed forms: tests/reference/motor-speed-response and mechanics-examples (recomputed at 40
//! digits; rows of the former also integrated by an independent eighth-order method).
#![allow(clippy::unwrap_used, reason = "tests")]

mod common;

use common::{angle, at, ideal, idle, reference, speed, torque};
use core::f64::consts::TAU;
use proofstand_plant::Plant;
use proofstand_units::Seconds;

struct Row {
    set: String,
    /// J, B, Tc, T, ω₀.
    given: [f64; 5],
    t: f64,
    speed: f64,
    angle: f64,
}

fn rows() -> Vec<Row> {
    let mut reader = csv::Reader::from_path(reference("motor-speed-response.csv")).unwrap();
    let rows: Vec<Row> = reader
        .records()
        .map(|record| {
            let record = record.unwrap();
            let number = |n: usize| record[n].parse::<f64>().unwrap();
            Row {
                set: record[0].to_owned(),
                given: [number(1), number(2), number(3), number(4), number(5)],
                t: number(8),
                speed: number(9),
                angle: number(10),
            }
        })
        .collect();
    assert!(rows.len() >= 30, "{} rows", rows.len());
    rows
}

fn run(row: &Row, step: f64) -> Plant {
    let [inertia, viscous, coulomb, drive, start] = row.given;
    let mut setup = ideal(inertia, viscous, coulomb, coulomb, start);
    setup.longest_step = Seconds::new(step);
    let mut plant = Plant::new(setup, 1).unwrap();
    plant.advance(at(row.t), &torque(drive));
    plant
}

#[test]
fn speed_follows_the_closed_form_to_rounding_and_angle_to_second_order_of_the_step() {
    for row in rows() {
        let [inertia, viscous, coulomb, drive, _] = row.given;
        // Plant time is in whole nanoseconds: a row's time is met to half of one.
        let rounding = 0.5e-9 * ((drive - coulomb - viscous * row.speed) / inertia).abs();
        let coarse = run(&row, 50e-6);
        let error = (speed(&coarse) - row.speed).abs();
        assert!(
            error <= 1e-10 * row.speed.abs().max(1.0) + rounding,
            "set {} t {}: speed off by {error}",
            row.set,
            row.t
        );
        // Trapezoid of the exponential part (ω₀ − ω∞)·e^{−t/τ}: (h/τ)²/12 of its area; rounding over up to 10⁵ steps.
        let [tau, settled] = [inertia / viscous, (drive - coulomb) / viscous];
        let area = if viscous > 0.0 { (row.given[4] - settled).abs() * tau } else { 0.0 };
        let share = (50e-6 * viscous / inertia).powi(2) / 12.0;
        let error = (angle(&coarse) - row.angle).abs();
        let allowed = 1.05 * share * area + 0.5e-9 * row.speed.abs() + 1e-11 * row.angle.abs().max(1.0);
        assert!(error <= allowed, "set {} t {}: angle off by {error}, {allowed} allowed", row.set, row.t);
    }
}

#[test]
fn the_angle_error_falls_by_four_when_the_step_is_halved() {
    // A fast axis, so that the step's error stands above rounding: τ = 1 ms.
    let (inertia, viscous, start) = (1e-5, 1e-2, 100.0);
    let error = |step: f64| {
        let row = Row {
            set: "own".into(),
            given: [inertia, viscous, 0.0, 0.0, start],
            t: 5e-3,
            speed: 0.0,
            angle: start * 1e-3 * -(-5.0f64).exp_m1(),
        };
        angle(&run(&row, step)) - row.angle
    };
    let ratio = error(50e-6) / error(25e-6);
    assert!((ratio - 4.0).abs() < 0.02, "{ratio}");
}

#[test]
fn a_shaft_coasts_to_its_stop_when_the_closed_form_says_and_then_stands() {
    let text = std::fs::read_to_string(reference("motor-speed-response.toml")).unwrap();
    let table: toml::Table = text.parse().unwrap();
    let check = table["coast_down_check"].as_table().unwrap();
    let number = |key: &str| match &check[key] {
        toml::Value::String(text) => text.parse::<f64>().unwrap(),
        value => value.as_float().unwrap(),
    };
    let (inertia, coulomb, start) = (number("J"), number("Tc"), number("omega0"));
    for (viscous, stop) in [(number("B"), number("stop_time_s")), (0.0, number("stop_time_without_B_s"))] {
        let mut plant = Plant::new(ideal(inertia, viscous, coulomb, coulomb, start), 1).unwrap();
        plant.advance(at(stop - 1e-6), &idle());
        assert!(speed(&plant) > 0.0, "stopped before {stop}");
        plant.advance(at(stop + 1e-6), &idle());
        assert_eq!(speed(&plant), 0.0, "still turning after {stop}");
        let stood = angle(&plant);
        plant.advance(at(stop + 1.0), &idle());
        assert_eq!(angle(&plant), stood);
    }
}

fn cases(path: &[&str]) -> Vec<toml::Table> {
    let text = std::fs::read_to_string(reference("mechanics-examples.toml")).unwrap();
    let mut value = toml::Value::Table(text.parse().unwrap());
    for key in path {
        value = value[*key].clone();
    }
    let cases: Vec<toml::Table> =
        value.as_array().unwrap().iter().map(|case| case.as_table().unwrap().clone()).collect();
    assert!(!cases.is_empty());
    cases
}

fn number(case: &toml::Table, key: &str) -> f64 {
    match &case[key] {
        toml::Value::String(text) => text.parse().unwrap(),
        toml::Value::Integer(whole) => *whole as f64,
        value => value.as_float().unwrap(),
    }
}

#[test]
fn a_torque_reaches_3000_rpm_on_a_disc_when_the_handbook_formula_says() {
    for case in cases(&["acceleration"]) {
        let mut plant = Plant::new(ideal(number(&case, "J_kg_m2"), 0.0, 0.0, 0.0, 0.0), 1).unwrap();
        plant.advance(at(number(&case, "time_0_to_3000_rpm_s")), &torque(number(&case, "T_N_m")));
        // The end is rounded to a nanosecond.
        assert!((plant.truth().speed.get() - 3000.0).abs() < 1e-5, "{:?}", plant.truth().speed);
    }
}

#[test]
fn friction_cancels_between_driving_up_and_braking_as_in_the_handbook_example() {
    for case in cases(&["coulomb_cancellation", "case"]) {
        let (inertia, friction, drive) =
            (number(&case, "J_kg_m2"), number(&case, "Tf_N_m"), number(&case, "T_N_m"));
        let mut plant = Plant::new(ideal(inertia, 0.0, friction, friction, 100.0), 1).unwrap();
        plant.advance(at(0.05), &torque(drive));
        let up = speed(&plant);
        plant.advance(at(0.1), &torque(-drive));
        let (up, down) = ((up - 100.0) / 0.05, (speed(&plant) - up) / 0.05);
        assert!((up - number(&case, "alpha_acc_rad_s2")).abs() < 1e-8, "{up}");
        assert!((down - number(&case, "alpha_dec_rad_s2")).abs() < 1e-8, "{down}");
        assert!((2.0 * drive / (up - down) / number(&case, "J_recovered") - 1.0).abs() < 1e-10);
        assert!((-inertia * (up + down) / 2.0 / number(&case, "Tf_recovered") - 1.0).abs() < 1e-9);
    }
}

#[test]
fn a_sinusoidal_torque_swings_speed_and_angle_by_the_closed_form() {
    for case in cases(&["sinusoidal_torque", "case"]) {
        let (f, amplitude) = (number(&case, "f_Hz"), number(&case, "speed_amplitude_rad_s"));
        // Starting at the negative peak of speed leaves no drift.
        let mut plant = Plant::new(ideal(number(&case, "J_kg_m2"), 0.0, 0.0, 0.0, -amplitude), 1).unwrap();
        let (mut fast, mut low, mut high) = (0.0f64, f64::MAX, f64::MIN);
        let steps = (2.0 / f / 50e-6) as u32;
        for n in 0..steps {
            let middle = (f64::from(n) + 0.5) * 50e-6;
            let t = number(&case, "T0_N_m") * (TAU * f * middle).sin();
            plant.advance(at(f64::from(n + 1) * 50e-6), &torque(t));
            fast = fast.max(speed(&plant));
            low = low.min(angle(&plant));
            high = high.max(angle(&plant));
        }
        // Held over each step: off by (ω·h)²/24, 4e-7 at 10 Hz.
        assert!((fast / amplitude - 1.0).abs() < 2e-6, "{fast} against {amplitude}");
        let swing = (high - low) / 2.0;
        assert!((swing / number(&case, "position_amplitude_rad") - 1.0).abs() < 1e-5, "{swing}");
    }
}
