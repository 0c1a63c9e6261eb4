//! The amplifier's gate, cap and flags, as a fixture meets them.

#![allow(clippy::unwrap_used, reason = "tests")]

use proofstand_plant::{CapLaw, CommandMode, Drive, Fault, Plant, PlantSetup, PlantTime};
use proofstand_units::{Hertz, Percent, RadPerSec2, Rpm, RpmPerVolt, Seconds, Volts};

const HOLDING: u8 = 1 << 0;
const TORQUE_ON: u8 = 1 << 2;

fn enabled(command: f64) -> Drive {
    Drive {
        command: Volts::new(command),
        enable: true,
        end_plus_closed: true,
        end_minus_closed: true,
        clear_fault: false,
    }
}

/// Highest and held speed with the cap law given, at a tenth of the command range.
fn held(law: CapLaw) -> (f64, f64) {
    let mut setup = PlantSetup::default();
    setup.amplifier.cap.law = law;
    let mut plant = Plant::new(setup, 1).unwrap();
    let mut highest = 0.0f64;
    for ms in 1..800 {
        plant.advance(PlantTime::from_millis(ms), &enabled(1.0));
        highest = highest.max(plant.truth().speed.get());
    }
    (highest, plant.truth().speed.get())
}

#[test]
fn an_integrating_cap_overshoots_and_holds_the_cap_where_a_proportional_one_tapers_and_droops() {
    let band = Rpm::new(250.0);
    let (highest_p, held_p) = held(CapLaw::Proportional { band });
    let PlantSetup { amplifier, .. } = PlantSetup::default();
    let (highest_i, held_i) = held(amplifier.cap.law);
    assert!(highest_i > highest_p + 20.0, "{highest_i} against {highest_p}");
    assert!((held_i - 1000.0).abs() < 2.0, "{held_i}");
    // Equilibrium of Kp·(cap − n) = friction (0.03 N·m + 4e-5 N·m·s·ω), Kp = 2.4 N·m per 250 rpm: 3.6 rpm of droop.
    let friction = 0.03 + 4e-5 * 1000.0 * core::f64::consts::TAU / 60.0;
    assert!((1000.0 - held_p - friction / 2.4 * 250.0).abs() < 1.5, "{held_p}");
}

#[test]
fn torque_comes_exactly_one_enable_delay_after_the_contact_and_goes_one_disable_delay_after() {
    let mut plant = Plant::new(PlantSetup::default(), 1).unwrap();
    let idle = Drive { enable: false, ..enabled(0.0) };
    plant.advance(PlantTime::from_nanos(1_234_567), &idle);
    plant.advance(PlantTime::from_millis(100), &enabled(0.0));
    assert_ne!(plant.flags() & TORQUE_ON, 0);
    plant.advance(PlantTime::from_millis(200), &idle);
    assert_eq!(plant.flags() & TORQUE_ON, 0);
    let times: Vec<u64> =
        plant.take_flag_edges().iter().filter(|edge| edge.input == 2).map(|edge| edge.time.nanos()).collect();
    assert_eq!(times, [1_234_567 + 35_000_000, 100_000_000 + 2_000_000]);
}

#[test]
fn the_cap_flag_comes_its_delay_after_98_percent_and_goes_when_the_speed_falls() {
    let mut plant = Plant::new(PlantSetup::default(), 1).unwrap();
    let mut crossed = None;
    for step in 1..4_000 {
        plant.advance(PlantTime::from_micros(50 * step), &enabled(0.5));
        if crossed.is_none() && plant.truth().speed.get() >= 980.0 {
            crossed = Some(50_000 * step);
        }
    }
    assert_ne!(plant.flags() & HOLDING, 0);
    let on = plant.take_flag_edges().into_iter().find(|edge| edge.input == 0).unwrap();
    // 4 ms of delay, and the 0.4 ms lag of the measured speed behind a ramp.
    let delay = (on.time.nanos() - crossed.unwrap()) as f64 * 1e-6;
    assert!((delay - 4.4).abs() < 0.06, "{delay} ms");
    plant.advance(PlantTime::from_millis(700), &enabled(0.0));
    let edges = plant.take_flag_edges();
    assert_eq!(edges.len(), 1, "{edges:?}");
    assert!(!edges[0].conducting);
}

#[test]
fn in_speed_mode_the_integral_part_holds_the_speed_commanded_and_the_caps_clamp_it() {
    let mut setup = PlantSetup::default();
    setup.amplifier.input_offset = Volts::ZERO;
    setup.amplifier.mode = CommandMode::Speed {
        gain: RpmPerVolt::new(300.0),
        bandwidth: Hertz::new(60.0),
        integral_time: Seconds::from_millis(20.0),
        ramp: RadPerSec2::ZERO,
    };
    let mut plant = Plant::new(setup, 1).unwrap();
    for (n, (volts, want)) in [(2.0, 600.0), (-1.0, -300.0), (5.0, 1000.0)].into_iter().enumerate() {
        // Cogging ripples the speed: a whole number of turns at any of these, 200 ms, averages it out.
        let end = 1_000 * (n as u64 + 1);
        plant.advance(PlantTime::from_millis(end - 200), &enabled(volts));
        let before = plant.truth().angle.get();
        plant.advance(PlantTime::from_millis(end), &enabled(volts));
        let mean = (plant.truth().angle.get() - before) / 0.2 * 60.0;
        assert!((mean - want).abs() < 0.5, "{volts} V: {mean} rpm, not {want}");
    }
}

#[test]
fn torque_follows_the_command_by_the_gain_and_is_flat_above_the_limit() {
    let mut setup = PlantSetup::default();
    Fault::TorqueLimited(Percent::new(15.0)).apply(&mut setup).unwrap();
    setup.amplifier.input_offset = Volts::ZERO;
    setup.amplifier.input_noise = Volts::ZERO;
    for (volts, want) in [(0.2, 0.144), (-0.4, -0.288), (0.6, 0.36), (1.5, 0.36)] {
        let mut plant = Plant::new(setup.clone(), 1).unwrap();
        plant.advance(PlantTime::from_millis(35), &enabled(0.0));
        // 30 %/V of 2.4 N·m is 0.72 N·m/V; 10 ms are more than ten time constants.
        plant.advance(PlantTime::from_millis(45), &enabled(volts));
        let torque = plant.truth().torque.get();
        assert!((torque - want).abs() < 1e-4, "{volts} V: {torque} N·m, not {want}");
    }
}
