//! Sticking, sliding, cogging and the balance of energy.
#![allow(clippy::unwrap_used, reason = "tests")]

mod common;

use common::{angle, at, command, ideal, idle, speed, torque};
use core::f64::consts::TAU;
use proofstand_plant::{CoggingHarmonic, Plant};
use proofstand_units::{Degrees, NewtonMetres};

#[test]
fn a_shaft_holds_below_stiction_for_ever_and_breaks_away_above_it() {
    let mut plant = Plant::new(ideal(1e-4, 1e-5, 0.03, 0.05, 0.0), 1).unwrap();
    for (n, drive) in [0.049, -0.049, 0.031, -0.01].into_iter().enumerate() {
        plant.advance(at(n as f64 + 1.0), &torque(drive));
        assert_eq!((speed(&plant), angle(&plant)), (0.0, 0.0), "crept under {drive} N·m");
    }
    plant.advance(at(4.01), &torque(0.051));
    // From break-away on, coulomb friction is what is left: (0.051 − 0.03)/1e-4 over 10 ms, less 0.1 % viscous.
    assert!((speed(&plant) / 2.1 - 1.0).abs() < 2e-3, "{}", speed(&plant));
}

#[test]
fn a_reversal_under_torque_above_stiction_passes_zero_without_dwelling() {
    let (inertia, friction) = (1e-4, 0.03);
    let mut plant = Plant::new(ideal(inertia, 0.0, friction, 0.05, 20.0), 1).unwrap();
    // −0.2 N·m: decelerates at 2300 rad/s², stops at 20/2300 s, then goes on at −1700 rad/s² (closed form).
    let stop = 20.0 / 2300.0;
    plant.advance(at(stop + 0.01), &torque(-0.2));
    assert!((speed(&plant) + 17.0).abs() < 1e-5, "{}", speed(&plant));
    assert!((angle(&plant) - (200.0 / 2300.0 - 0.5 * 1700.0 * 1e-4)).abs() < 1e-6, "{}", angle(&plant));
}

#[test]
fn a_shaft_under_a_weight_below_stiction_comes_to_rest_once_and_stays() {
    let mut setup = ideal(1e-4, 1e-5, 0.03, 0.05, 60.0);
    setup.motor.load = NewtonMetres::new(-0.02);
    let mut plant = Plant::new(setup, 1).unwrap();
    plant.advance(at(0.2), &idle());
    assert_eq!(speed(&plant), 0.0);
    let rest = angle(&plant);
    plant.advance(at(1.2), &idle());
    assert_eq!(angle(&plant), rest);
}

#[test]
fn work_done_is_kinetic_energy_and_friction_heat() {
    // ½Jω² + Tc·|way|, and B·ω² over time by Simpson (textbook).
    let (inertia, viscous, coulomb) = (2e-4, 1e-4, 0.03);
    let mut setup = ideal(inertia, viscous, coulomb, coulomb, 0.0);
    setup.amplifier.input_noise = proofstand_units::Volts::new(0.2);
    let mut plant = Plant::new(setup, 3).unwrap();
    let (mut heat, mut before) = (0.0, (0.0, 0.0));
    for n in 1..=20_000u32 {
        let push = if (n / 4000) % 2 == 0 { 0.4 } else { -0.3 };
        plant.advance(at(f64::from(n) * 50e-6), &torque(push));
        let now = (speed(&plant), angle(&plant));
        // Speed runs straight over a step.
        let mean_square = (now.0 * now.0 + now.0 * before.0 + before.0 * before.0) / 3.0;
        heat += viscous * mean_square * 50e-6 + coulomb * (now.1 - before.1).abs();
        before = now;
    }
    let kinetic = 0.5 * inertia * speed(&plant).powi(2);
    let work = plant.truth().work.get();
    assert!(work > 1.0, "{work} J");
    assert!(((kinetic + heat) / work - 1.0).abs() < 1e-4, "{kinetic} + {heat} against {work}");
}

#[test]
fn cogging_gives_back_over_a_period_what_it_took() {
    let harmonic =
        CoggingHarmonic { per_rev: 12, amplitude: NewtonMetres::new(0.02), phase: Degrees::new(30.0) };
    let mut setup = ideal(1e-4, 0.0, 0.0, 0.0, 30.0);
    setup.motor.cogging = vec![harmonic];
    let mut plant = Plant::new(setup, 1).unwrap();
    let potential = |turns: f64| 0.02 / 12.0 * (TAU * 12.0 * turns + 30.0f64.to_radians()).cos();
    let total = 0.5 * 1e-4 * 900.0 + potential(0.0);
    for n in 1..=10_000u32 {
        plant.advance(at(f64::from(n) * 2e-4), &idle());
        let energy = 0.5 * 1e-4 * speed(&plant).powi(2) + potential(plant.truth().angle.get());
        // The table's interpolation (0.12 % of the amplitude) and the step's second order; no drift in 10 turns.
        assert!((energy - total).abs() < 5e-6, "after {n}: {energy} against {total}");
    }
}

#[test]
fn a_strap_drags_like_friction_and_comes_off_again() {
    let mut plant = Plant::new(ideal(1e-3, 0.0, 0.0, 0.0, 50.0), 1).unwrap();
    plant.operator().strap(NewtonMetres::new(0.1));
    plant.advance(at(0.1), &command(0.0));
    assert!((speed(&plant) - 40.0).abs() < 1e-9, "{}", speed(&plant));
    plant.operator().strap(NewtonMetres::ZERO);
    plant.advance(at(0.2), &command(0.0));
    assert!((speed(&plant) - 40.0).abs() < 1e-9, "{}", speed(&plant));
}
