//! Every fault shows, and shows as itself.
#![allow(clippy::unwrap_used, reason = "tests")]

mod common;

use std::collections::HashSet;

use common::command;
use proofstand_plant::{
    Drive, Edge, Fault, FaultError, IndexEdge, Plant, PlantSetup, PlantTime, Rotation, Turned,
};
use proofstand_units::{NativePerRev, Percent, Volts};

/// A healthy axis that any of the faults fits.
fn healthy() -> PlantSetup {
    PlantSetup::default()
}

fn with(fault: Fault) -> PlantSetup {
    let mut setup = healthy();
    fault.apply(&mut setup).unwrap();
    setup
}

/// What a fixture and an operator notice in one short run.
#[derive(Debug, PartialEq)]
struct Seen {
    counts: i64,
    flags_idle: u8,
    flags_at_cap: u8,
    index: Vec<IndexEdge>,
    index_back: Vec<IndexEdge>,
    edges: Vec<Edge>,
    torque: f64,
    speed: [f64; 2],
    turned: Turned,
    behind_switch: [i64; 2],
    after_power_cycle: i64,
    speed_after_power_cycle: f64,
}

fn look(setup: PlantSetup) -> Seen {
    let mut plant = Plant::new(setup, 9).unwrap();
    plant.operator().mark();
    plant.advance(PlantTime::from_millis(60), &Drive { enable: false, ..command(0.0) });
    let flags_idle = plant.flags();
    plant.advance(PlantTime::from_millis(100), &command(0.0));
    plant.advance(PlantTime::from_millis(120), &command(0.8));
    let torque = plant.torque_readout().get();
    plant.advance(PlantTime::from_millis(600), &command(0.8));
    let (forward, flags_at_cap) = (plant.speed_readout().get(), plant.flags());
    let turned = plant.operator().turned_since_mark();
    let (counts, index) = (plant.counter(), plant.take_index_edges());
    plant.advance(PlantTime::from_millis(1_200), &command(-0.8));
    let speed = [forward, plant.speed_readout().get()];
    let index_back = plant.take_index_edges();
    let mut edges = Vec::new();
    plant.edges(PlantTime::from_millis(1_195), PlantTime::from_millis(1_200), &mut edges).unwrap();
    // Each switch open in turn while the shaft goes backward.
    let mut behind_switch = [0; 2];
    for (n, moved) in behind_switch.iter_mut().enumerate() {
        let before = plant.counter();
        let drive = Drive { end_plus_closed: n != 0, end_minus_closed: n != 1, ..command(-0.8) };
        plant.advance(PlantTime::from_millis(1_700 + 500 * n as u64), &drive);
        *moved = plant.counter() - before;
    }
    // Off long enough to coast to rest, on long enough to start up, and the same run again.
    plant.operator().control_power(false);
    plant.advance(PlantTime::from_millis(4_000), &Drive { enable: false, ..command(0.0) });
    plant.operator().control_power(true);
    plant.advance(PlantTime::from_millis(6_000), &Drive { enable: false, ..command(0.0) });
    let before = plant.counter();
    plant.advance(PlantTime::from_millis(6_900), &command(0.8));
    let (after_power_cycle, speed_after_power_cycle) =
        (plant.counter() - before, plant.speed_readout().get());
    Seen {
        counts,
        flags_idle,
        flags_at_cap,
        index,
        index_back,
        edges,
        torque,
        speed,
        turned,
        behind_switch,
        after_power_cycle,
        speed_after_power_cycle,
    }
}

#[test]
fn every_fault_changes_what_is_seen_and_the_same_seed_shows_the_same_again() {
    let reference = look(healthy());
    assert_eq!(look(healthy()), reference);
    for fault in Fault::all() {
        // A fourfold pulse number needs the positions to make it of.
        let mut setup = healthy();
        setup.encoder.native = NativePerRev::new(1 << 20);
        if fault == proofstand_plant::Fault::EndSwitchesIgnored {
            setup.amplifier.end_switches = proofstand_plant::EndSwitches::Obeyed;
        }
        let base = look(setup.clone());
        fault.apply(&mut setup).unwrap();
        assert_ne!(look(setup), base, "{} shows nothing", fault.name());
    }
}

#[test]
fn names_are_unique_and_every_name_with_and_without_its_size_is_read_back() {
    let names: HashSet<_> = Fault::all().iter().map(|fault| fault.name()).collect();
    assert_eq!(names.len(), Fault::all().len());
    for fault in Fault::all() {
        assert_eq!(Fault::parse(fault.name()), Ok(fault));
        assert!(!fault.description().is_empty());
        if let Some(size) = fault.size() {
            let text = format!("{}={}", fault.name(), size.value * 2.0);
            assert_eq!(Fault::parse(&text).unwrap().size().unwrap().value, size.value * 2.0);
        }
    }
    assert_eq!(Fault::parse("offset = -0.05"), Ok(Fault::Offset(Volts::new(-0.05))));
}

#[test]
fn a_misspelt_name_is_answered_with_the_nearest_and_a_bad_size_with_an_example() {
    let Err(FaultError::Unknown { nearest, .. }) = Fault::parse("gain-dubled") else { panic!("accepted") };
    assert_eq!(nearest[0], "gain-doubled");
    let Err(FaultError::Unknown { nearest, .. }) = Fault::parse("xyzzy") else { panic!("accepted") };
    assert!(nearest.is_empty());
    assert!(matches!(Fault::parse("flag-dead=2"), Err(FaultError::NoSize { name: "flag-dead", .. })));
    for text in ["offset=", "offset=0", "offset=nan", "offset=inf", "input-loaded=-3"] {
        let error = Fault::parse(text).unwrap_err();
        assert!(matches!(error, FaultError::BadSize { .. }), "{text}: {error}");
        assert!(error.to_string().contains("as in `"), "{error}");
    }
}

#[test]
fn pulses_and_counts_mixed_up_are_out_by_four_in_the_index_interval() {
    let interval = |setup: PlantSetup| {
        let seen = look(setup);
        seen.index[1].counter - seen.index[0].counter
    };
    let mut fine = healthy();
    fine.encoder.native = NativePerRev::new(1 << 20);
    assert_eq!(interval(fine.clone()), 10_000);
    assert_eq!(interval(with(Fault::PulsesForCounts)), 2_500);
    Fault::CountsForPulses.apply(&mut fine).unwrap();
    assert_eq!(interval(fine), 40_000);
}

#[test]
fn a_fault_that_does_not_fit_is_refused_and_leaves_the_setup_alone() {
    // 40 000 counts can't be had of 32 768 positions.
    let mut setup = healthy();
    setup.encoder.native = NativePerRev::new(32_768);
    let before = setup.clone();
    assert!(matches!(Fault::CountsForPulses.apply(&mut setup), Err(FaultError::DoesNotFit { .. })));
    assert_eq!(setup, before);
    setup.wiring.flags = [None; proofstand_plant::FLAG_INPUTS];
    assert!(matches!(Fault::FlagDead.apply(&mut setup), Err(FaultError::NoCapFlag { .. })));
}

#[test]
fn a_mirrored_direction_looks_healthy_to_every_instrument_and_only_the_person_sees_it() {
    let (good, bad) = (look(healthy()), look(with(Fault::DirectionMirrored)));
    assert_eq!(good.turned, Turned::This(Rotation::Clockwise));
    assert_eq!(bad.turned, Turned::This(Rotation::CounterClockwise));
    assert!(good.counts > 50_000 && bad.counts > 50_000 && good.speed[0] > 1.0 && bad.speed[0] > 1.0);
}

#[test]
fn swapped_motor_phases_jump_and_lock_within_a_pole_pair() {
    let mut plant = Plant::new(with(Fault::WrongPhase), 1).unwrap();
    plant.advance(PlantTime::from_millis(40), &command(0.0));
    let start = plant.truth().angle.get();
    plant.advance(PlantTime::from_millis(3_000), &command(2.0));
    // Torque is T·cos(2·p·Δ): nothing is left of it a quarter of 1/(2p) turn on, p = 5.
    let jumped = plant.truth().angle.get() - start;
    assert!(
        plant.truth().speed.get() == 0.0 && jumped > 0.01 && jumped < 0.05,
        "{:?} {jumped}",
        plant.truth()
    );
}

#[test]
fn lost_counts_are_whole_pulses_and_come_only_above_the_rate() {
    let mut plant = Plant::new(with(Fault::CountsLost(Percent::new(2.0))), 1).unwrap();
    plant.advance(PlantTime::from_millis(50), &command(0.4));
    assert!(plant.truth().speed.get() < 500.0);
    assert_eq!(plant.truth().counts_lost, 0);
    plant.advance(PlantTime::from_millis(1_000), &command(0.4));
    let lost = plant.truth().counts_lost;
    // 2 % of what is above half the rate: about 1 % of 150 000.
    assert!(lost % 4 == 0 && (1_000..2_000).contains(&lost), "{lost}");
}

#[test]
fn settings_come_into_force_or_are_gone_once_control_power_was_off_and_the_counter_goes_on() {
    // Counts of a turn, half of a second at 1 V against the healthy axis.
    let turned = |setup: PlantSetup| {
        let mut plant = Plant::new(setup, 3).unwrap();
        let mut runs = [0.0; 2];
        for (n, run) in runs.iter_mut().enumerate() {
            let start = 10_000 * n as u64;
            plant.advance(PlantTime::from_millis(start + 100), &command(0.0));
            let (counts, angle) = (plant.counter(), plant.truth().angle.get());
            plant.advance(PlantTime::from_millis(start + 600), &command(0.4));
            *run = (plant.counter() - counts) as f64 / (plant.truth().angle.get() - angle);
            plant.advance(PlantTime::from_millis(start + 5_000), &Drive { enable: false, ..command(0.0) });
            plant.operator().control_power(false);
            let off = plant.counter();
            plant.advance(PlantTime::from_millis(start + 6_000), &Drive { enable: false, ..command(0.0) });
            plant.operator().control_power(true);
            plant.advance(PlantTime::from_millis(start + 9_000), &Drive { enable: false, ..command(0.0) });
            // The fixture's counter sees two lines only: it may be off by a count or two, never by a jump.
            assert!((plant.counter() - off).abs() <= 2, "{} counts", plant.counter() - off);
        }
        runs.map(f64::round)
    };
    assert_eq!(turned(healthy()), [10_000.0, 10_000.0]);
    assert_eq!(turned(with(Fault::PulsesNotStored)), [10_000.0, 2_500.0]);
    assert_eq!(turned(with(Fault::PulsesNotInForce)), [2_500.0, 10_000.0]);
}
