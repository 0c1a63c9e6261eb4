//! Faults of the amplifier itself, power, brake, end switches, and the person at the bench.
#![allow(clippy::unwrap_used, reason = "tests")]

mod common;

use common::{command, idle};
use proofstand_plant::{
    Drive, EndSwitches, Fault, HoldingBrake, OperatorError, Plant, PlantSetup, PlantTime, Regeneration,
    Rotation, SetupError, Turned, WhenDisabled,
};
use proofstand_units::{Joules, NewtonMetres, PulsesPerRev, Rpm, Seconds, Turns, Volts, Watts};

const READY: u8 = 1 << 1;
const NO_FAULT: u8 = 1 << 3;

fn ms(millis: u64) -> PlantTime {
    PlantTime::from_millis(millis)
}

#[test]
fn overspeed_faults_and_is_cleared_by_the_contacts_closing_with_enable_open() {
    let mut setup = PlantSetup::default();
    Fault::CapNotSet.apply(&mut setup).unwrap();
    setup.amplifier.overspeed = Rpm::new(2_000.0);
    let mut plant = Plant::new(setup, 1).unwrap();
    plant.advance(ms(300), &command(1.0));
    assert!(plant.truth().fault && !plant.truth().torque_on);
    assert_eq!(plant.flags() & (READY | NO_FAULT), 0);
    plant.advance(ms(3_000), &Drive { clear_fault: true, ..command(0.0) });
    assert!(plant.truth().fault, "cleared with enable closed");
    plant.advance(ms(3_100), &idle());
    plant.advance(ms(3_200), &Drive { clear_fault: true, ..idle() });
    assert!(!plant.truth().fault);
    assert_eq!(plant.flags() & (READY | NO_FAULT), READY | NO_FAULT);
}

#[test]
fn braking_fills_the_bus_with_what_the_shaft_gives_up_and_trips_when_it_is_full() {
    let run = |room: f64| {
        let mut setup = PlantSetup::default();
        setup.motor.rotor_inertia = proofstand_units::KilogramSquareMetres::new(5e-3);
        setup.amplifier.regeneration =
            Regeneration::Absorbs { energy: Joules::new(room), bleed: Watts::ZERO };
        let mut plant = Plant::new(setup, 1).unwrap();
        plant.advance(ms(1_500), &command(1.0));
        let kinetic = 0.5 * 5e-3 * common::speed(&plant).powi(2);
        let mut fullest = 0.0f64;
        for t in 1_501..2_500 {
            plant.advance(ms(t), &command(-1.0));
            fullest = fullest.max(plant.truth().bus.get());
        }
        (kinetic, fullest, plant.truth().fault)
    };
    // ½·5e-3·(104.7)² = 27.4 J, less what friction takes while braking (4 % at 0.03 of 0.75 N·m, and viscous).
    let (kinetic, fullest, fault) = run(60.0);
    assert!(!fault && (kinetic - 27.4).abs() < 0.6, "{kinetic}");
    assert!(fullest > 0.92 * kinetic && fullest < kinetic, "{fullest} of {kinetic}");
    assert!(run(15.0).2);
}

#[test]
fn an_obeyed_end_switch_stops_its_own_direction_and_lets_the_way_back_through() {
    let mut setup = PlantSetup::default();
    setup.amplifier.end_switches = EndSwitches::Obeyed;
    let mut plant = Plant::new(setup.clone(), 1).unwrap();
    plant.advance(ms(200), &command(0.5));
    let open = Drive { end_plus_closed: false, ..command(0.5) };
    plant.advance(ms(500), &open);
    assert_eq!(plant.truth().speed.get(), 0.0);
    plant.advance(ms(700), &Drive { command: Volts::new(-0.5), ..open });
    assert!(plant.truth().speed.get() < -500.0, "{:?}", plant.truth());
    setup.wiring.end_switches_swapped = true;
    let mut plant = Plant::new(setup, 1).unwrap();
    plant.advance(ms(500), &open);
    assert!(plant.truth().speed.get() > 500.0);
}

#[test]
fn a_dynamic_brake_stops_a_shaft_by_the_exponential_where_coasting_lets_it_run() {
    let after = |when_disabled| {
        let mut setup = common::ideal(1e-3, 0.0, 0.0, 0.0, 100.0);
        setup.amplifier.when_disabled = when_disabled;
        let mut plant = Plant::new(setup, 1).unwrap();
        plant.advance(ms(50), &idle());
        common::speed(&plant)
    };
    assert!((after(WhenDisabled::Coast) - 100.0).abs() < 1e-9);
    // 1 N·m at 1000 rpm: B = 9.549e-3 N·m·s, τ = J/B = 104.72 ms (closed form).
    let left = after(WhenDisabled::DynamicBrake { rated_torque_at: Rpm::new(1_000.0) });
    assert!((left - 100.0 * (-50.0f64 / 104.719_755_12).exp()).abs() < 1e-6, "{left}");
}

#[test]
fn a_holding_brake_lets_go_its_delay_after_torque_on_and_holds_the_hand_off() {
    let mut setup = PlantSetup::default();
    setup.motor.brake = Some(HoldingBrake {
        torque: NewtonMetres::new(4.0),
        release_delay: Seconds::from_millis(60.0),
        close_delay: Seconds::from_millis(30.0),
    });
    let mut plant = Plant::new(setup, 1).unwrap();
    assert_eq!(plant.operator().turn(Turns::new(0.5), Seconds::new(1.0)), Err(OperatorError::BrakeClosed));
    plant.advance(ms(94), &command(0.3));
    assert_eq!(plant.truth().speed.get(), 0.0);
    plant.advance(ms(105), &command(0.3));
    assert!(plant.truth().speed.get() > 10.0);
}

#[test]
fn a_hand_turns_the_shaft_by_what_was_asked_and_sees_which_way_only_when_torque_is_off() {
    let mut plant = Plant::new(PlantSetup::default(), 1).unwrap();
    plant.operator().mark();
    assert_eq!(plant.operator().turned_since_mark(), Turned::TooLittle);
    let before = (plant.counter(), plant.truth().angle.get());
    plant.operator().turn(Turns::new(-1.25), Seconds::new(1.0)).unwrap();
    plant.advance(ms(1_100), &idle());
    assert!(!plant.operator().is_turning());
    assert!((plant.truth().angle.get() - before.1 + 1.25).abs() < 1e-9);
    assert!((plant.counter() - before.0 + 12_500).abs() <= 1);
    assert_eq!(plant.operator().turned_since_mark(), Turned::This(Rotation::CounterClockwise));
    assert!(matches!(
        plant.operator().turn(Turns::new(5.0), Seconds::new(0.5)),
        Err(OperatorError::TooFast { .. })
    ));
    plant.advance(ms(1_200), &command(0.0));
    assert_eq!(plant.operator().turn(Turns::new(0.1), Seconds::new(1.0)), Err(OperatorError::TorqueOn));
}

#[test]
fn a_power_cycle_kills_lines_and_flags_until_start_up_is_over_and_keeps_the_index_where_it_is() {
    let mut plant = Plant::new(PlantSetup::default(), 1).unwrap();
    let turn = |plant: &mut Plant, from: u64| {
        plant.operator().turn(Turns::new(2.0), Seconds::new(1.0)).unwrap();
        plant.advance(ms(from + 1_100), &idle());
        plant.take_index_edges().iter().map(|edge| edge.counter).collect::<Vec<_>>()
    };
    assert_eq!(turn(&mut plant, 0), [10_000, 20_000]);
    plant.operator().control_power(false);
    assert!(!plant.encoder_pairs_ok());
    assert_eq!((plant.flags(), plant.speed_readout()), (0, Volts::ZERO));
    let stood = plant.counter();
    plant.operator().turn(Turns::new(0.25), Seconds::new(0.5)).unwrap();
    plant.advance(ms(2_000), &idle());
    assert_eq!(plant.counter(), stood);
    plant.operator().control_power(true);
    plant.advance(ms(3_400), &idle());
    assert!(!plant.encoder_pairs_ok());
    plant.advance(ms(3_600), &idle());
    assert!(plant.encoder_pairs_ok());
    assert!((plant.counter() - stood).abs() <= 2, "{} after {stood}", plant.counter());
    // A quarter turn went uncounted.
    let index = turn(&mut plant, 3_600);
    assert!((index[0] - (30_000 - 2_500)).abs() <= 2 && index[1] - index[0] == 10_000, "{index:?}");
}

#[test]
fn without_motor_power_nothing_can_be_enabled_and_the_seed_alone_decides_the_noise() {
    let mut plant = Plant::new(PlantSetup::default(), 1).unwrap();
    plant.operator().motor_power(false);
    plant.advance(ms(500), &command(1.0));
    assert_eq!((plant.flags() & READY, plant.truth().speed.get()), (0, 0.0));
    let run = |seed| {
        let mut plant = Plant::new(PlantSetup::default(), seed).unwrap();
        plant.advance(ms(300), &command(0.3));
        (plant.truth(), plant.torque_readout(), plant.last_edge_time())
    };
    assert_eq!(run(4), run(4));
    assert_ne!(run(4), run(5));
}

#[test]
fn impossible_setups_are_refused_by_the_name_of_what_is_wrong() {
    let refused = |change: fn(&mut PlantSetup)| {
        let mut setup = PlantSetup::default();
        change(&mut setup);
        Plant::new(setup, 1).unwrap_err()
    };
    assert!(refused(|s| s.motor.coulomb = NewtonMetres::new(f64::NAN)).to_string().contains("motor.coulomb"));
    assert!(matches!(
        refused(|s| s.encoder.pulses = PulsesPerRev::new(40_000)),
        SetupError::TooManyCounts { counts: 160_000, native: 131_072 }
    ));
    assert!(refused(|s| s.encoder.pulses = PulsesPerRev::new(0)).to_string().contains("encoder.pulses"));
    assert!(matches!(
        refused(|s| s.motor.stiction = NewtonMetres::ZERO),
        SetupError::StictionBelowCoulomb { .. }
    ));
    assert!(refused(|s| s.longest_step = Seconds::new(1e-3)).to_string().contains("longest_step"));
}
