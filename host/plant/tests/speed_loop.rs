//! The speed loop against closed forms: textbook second-order response, torque limit, own ramp.
#![allow(clippy::unwrap_used, reason = "tests")]

mod common;

use common::{command, ideal, speed};
use core::f64::consts::TAU;
use proofstand_plant::{CommandMode, Drive, Fault, FaultError, Plant, PlantSetup, PlantTime};
use proofstand_units::{Hertz, Percent, RadPerSec2, Rpm, RpmPerVolt, Seconds};

const BANDWIDTH: f64 = 50.0;
const INTEGRAL_TIME: f64 = 0.03;

/// An axis without friction, filters and lags, whose loop is what the setup says and nothing else.
fn axis(ramp: RadPerSec2) -> PlantSetup {
    let mut setup = ideal(3e-4, 0.0, 0.0, 0.0, 0.0);
    setup.amplifier.mode = CommandMode::Speed {
        gain: RpmPerVolt::new(200.0),
        bandwidth: Hertz::new(BANDWIDTH),
        integral_time: Seconds::new(INTEGRAL_TIME),
        ramp,
    };
    setup.amplifier.cap.forward = Rpm::new(5000.0);
    setup.amplifier.cap.backward = Rpm::new(5000.0);
    setup
}

/// A plant with torque on, at rest, and the time.
fn live(setup: PlantSetup) -> (Plant, u64) {
    let mut plant = Plant::new(setup, 1).unwrap();
    plant.advance(PlantTime::from_millis(10), &command(0.0));
    assert!(plant.truth().torque_on && speed(&plant) == 0.0);
    (plant, 10)
}

/// With e the error, `J·ω' = Kp·(e + ∫e/Ti)` and `Kp = J·ωb`: the closed loop is `(ωb·s + ωb/Ti)/(s² + ωb·s + ωb/Ti)`.
/// For ωb > 4/Ti its poles p₁, p₂ are real and a step gives `1 − (p₁·e^(−p₁t) − p₂·e^(−p₂t))/(p₁ − p₂)`
/// (textbook control theory; partial fractions worked by hand).
#[test]
fn a_small_step_of_the_command_gives_the_textbook_response_of_a_pi_loop_on_an_inertia() {
    let (mut plant, start) = live(axis(RadPerSec2::ZERO));
    let bandwidth = TAU * BANDWIDTH;
    let root = (bandwidth * bandwidth - 4.0 * bandwidth / INTEGRAL_TIME).sqrt();
    let (p1, p2) = ((bandwidth + root) / 2.0, (bandwidth - root) / 2.0);
    // 0.1 V is 20 rpm: far from the torque limit.
    let want = (20.0_f64) * TAU / 60.0;
    let mut highest = 0.0_f64;
    for ms in 1..=200_u64 {
        plant.advance(PlantTime::from_millis(start + ms), &command(0.1));
        let t = ms as f64 * 1e-3;
        let closed = want * (1.0 - (p1 * (-p1 * t).exp() - p2 * (-p2 * t).exp()) / (p1 - p2));
        // The loop looks at the speed once a step of 50 µs: ωb·h = 1.6 % of the way, at the steepest.
        assert!((speed(&plant) - closed).abs() < 0.01 * want, "{ms} ms: {} against {closed}", speed(&plant));
        highest = highest.max(speed(&plant) / want);
    }
    // The zero makes it overshoot although both poles are real.
    assert!(highest > 1.05 && highest < 1.3, "{highest}");
    assert!((speed(&plant) / want - 1.0).abs() < 1e-3);
}

/// The same loop without an integral part is a first-order lag of 1/ωb; the command filtered by the integral time takes the
/// zero away, and what is left is the standard second-order system with ω² = ωb/Ti and 2ζω = ωb (K. Ogata, Modern Control
/// Engineering, 5th ed., sections 5-2 and 5-3; from memory, and worked by hand).
#[test]
fn a_loop_without_an_integral_part_is_a_lag_and_one_without_its_zero_the_standard_second_order_system() {
    let bandwidth = TAU * BANDWIDTH;
    let want = 20.0 * TAU / 60.0;
    let respond = |integral_time: f64, filter: f64| {
        let mut setup = axis(RadPerSec2::ZERO);
        if let CommandMode::Speed { integral_time: time, .. } = &mut setup.amplifier.mode {
            *time = Seconds::new(integral_time);
        }
        setup.amplifier.input_filter = Seconds::new(filter);
        let (mut plant, start) = live(setup);
        (1..=100_u64)
            .map(|ms| {
                plant.advance(PlantTime::from_millis(start + ms), &command(0.1));
                (ms as f64 * 1e-3, speed(&plant) / want)
            })
            .collect::<Vec<_>>()
    };
    for (t, got) in respond(0.0, 0.0) {
        let closed = -(-bandwidth * t).exp_m1();
        // The loop looks once in 50 µs: 1.6 % of the way.
        assert!((got - closed).abs() < 0.01, "{t}: {got} against {closed}");
    }
    let integral_time = 4.0 * 0.4 * 0.4 / bandwidth;
    let (zeta, omega) = (0.4_f64, (bandwidth / integral_time).sqrt());
    let ring = omega * (1.0 - zeta * zeta).sqrt();
    let (decay, mut highest) = (zeta * omega, 0.0_f64);
    for (t, got) in respond(integral_time, integral_time) {
        let closed = 1.0 - (-decay * t).exp() * ((ring * t).cos() + decay / ring * (ring * t).sin());
        assert!((got - closed).abs() < 0.03, "{t}: {got} against {closed}");
        highest = highest.max(got);
    }
    // e^(−πζ/√(1−ζ²)) is 25.4 % for ζ = 0.4.
    assert!((highest - 1.254).abs() < 0.04, "{highest}");
}

#[test]
fn a_large_step_runs_up_at_the_torque_limit_and_the_integral_does_not_wind_up_meanwhile() {
    let mut setup = axis(RadPerSec2::ZERO);
    setup.amplifier.torque_limit = Percent::new(50.0);
    let limit = setup.amplifier.rated_torque.get() * 0.5;
    let alpha = limit / (setup.motor.rotor_inertia + setup.motor.added_inertia).get();
    let (mut plant, start) = live(setup);
    // 10 V is 2000 rpm; half of it is reached at the limit, by ω = α·t.
    let want = 2000.0 * TAU / 60.0;
    let half = (0.5 * want / alpha * 1e3).floor() as u64;
    plant.advance(PlantTime::from_millis(start + half), &command(10.0));
    let closed = alpha * half as f64 * 1e-3;
    assert!((speed(&plant) / closed - 1.0).abs() < 2e-3, "{} against {closed}", speed(&plant));
    let mut highest = 0.0_f64;
    for ms in half..half + 500 {
        plant.advance(PlantTime::from_millis(start + ms), &command(10.0));
        highest = highest.max(speed(&plant));
    }
    assert!(highest < 1.05 * want, "{highest} against {want}");
    assert!((speed(&plant) / want - 1.0).abs() < 1e-3);
}

/// Two integrators (the loop's and the inertia's) follow a ramp without a lasting error (textbook: a type 2 loop).
#[test]
fn with_a_ramp_of_its_own_the_speed_follows_the_ramp_and_not_the_step() {
    let ramp = 400.0;
    let (mut plant, start) = live(axis(RadPerSec2::new(ramp)));
    let want = 2000.0 * TAU / 60.0;
    plant.advance(PlantTime::from_millis(start + 300), &command(10.0));
    assert!((speed(&plant) / (ramp * 0.3) - 1.0).abs() < 5e-3, "{}", speed(&plant));
    // want/ramp = 0.52 s; then the speed stays.
    plant.advance(PlantTime::from_millis(start + 1500), &command(10.0));
    assert!((speed(&plant) / want - 1.0).abs() < 1e-3, "{}", speed(&plant));
}

/// A shaft that is still turning when torque comes back is taken over at its speed, not yanked to standstill first.
#[test]
fn torque_that_comes_back_starts_from_the_speed_that_the_shaft_has() {
    let (mut plant, start) = live(axis(RadPerSec2::new(400.0)));
    plant.advance(PlantTime::from_millis(start + 400), &command(10.0));
    let before = speed(&plant);
    plant.advance(PlantTime::from_millis(start + 410), &Drive { enable: false, ..command(10.0) });
    plant.advance(PlantTime::from_millis(start + 440), &command(10.0));
    let after = speed(&plant);
    assert!(after >= before * 0.999, "{before} then {after}");
}

#[test]
fn faults_of_a_torque_command_are_refused_on_a_speed_axis_and_a_doubled_scale_is_not() {
    for fault in
        [Fault::GainOfPeak, Fault::CapDrooping(Percent::new(60.0)), Fault::TorqueLimited(Percent::new(15.0))]
    {
        let mut setup = axis(RadPerSec2::ZERO);
        let before = setup.clone();
        assert!(matches!(fault.apply(&mut setup), Err(FaultError::OfTorqueOnly { .. })), "{fault:?}");
        assert_eq!(setup, before);
    }
    for fault in [Fault::SpeedLoopSlow(Percent::new(70.0)), Fault::SpeedLoopHunts(Percent::new(90.0))] {
        let mut by_torque = ideal(3e-4, 0.0, 0.0, 0.0, 0.0);
        assert!(matches!(fault.apply(&mut by_torque), Err(FaultError::Lacks { .. })), "{fault:?}");
    }
    let mut setup = axis(RadPerSec2::ZERO);
    Fault::GainDoubled.apply(&mut setup).unwrap();
    let (mut plant, start) = live(setup);
    plant.advance(PlantTime::from_millis(start + 500), &command(1.0));
    assert!((speed(&plant) * 60.0 / TAU - 400.0).abs() < 1.0, "{}", speed(&plant));
}
