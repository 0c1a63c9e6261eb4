//! Every fault shows, and shows as itself.
#![allow(clippy::unwrap_used, reason = "tests")]

mod common;

use std::collections::HashSet;

use common::command;
use proofstand_plant::{
    CommandMode, Drive, Edge, EndSwitches, Fault, FaultError, HoldingBrake, IndexEdge, Plant, PlantSetup,
    PlantTime, Rotation, Turned,
};
use proofstand_units::{Hertz, NativePerRev, NewtonMetres, Percent, RadPerSec2, RpmPerVolt, Seconds, Volts};

/// A healthy axis that any of the faults fits.
fn healthy() -> PlantSetup {
    PlantSetup::default()
}

fn with(fault: Fault) -> PlantSetup {
    let mut setup = healthy();
    fault.apply(&mut setup).unwrap();
    setup
}

/// A healthy axis that this one fits.
fn fitting(fault: Fault) -> PlantSetup {
    let mut setup = healthy();
    // A fourfold pulse number needs the positions to make it of.
    setup.encoder.native = NativePerRev::new(1 << 20);
    match fault {
        Fault::EndSwitchesIgnored | Fault::EndSwitchesUnwired => {
            setup.amplifier.end_switches = EndSwitches::Obeyed;
        }
        Fault::SpeedLoopSlow(_) | Fault::SpeedLoopHunts(_) => {
            setup.amplifier.mode = CommandMode::Speed {
                gain: RpmPerVolt::new(200.0),
                bandwidth: Hertz::new(40.0),
                integral_time: Seconds::from_millis(30.0),
                ramp: RadPerSec2::ZERO,
            };
        }
        Fault::CouplingSlips(_) => {
            setup.motor.added_inertia = setup.motor.rotor_inertia * 4.0;
        }
        Fault::BrakeClosed | Fault::BrakeLate(_) | Fault::EnableAlwaysBraked => {
            setup.motor.brake = Some(HoldingBrake {
                torque: NewtonMetres::new(4.0),
                release_delay: Seconds::from_millis(20.0),
                close_delay: Seconds::from_millis(20.0),
            });
        }
        _ => {}
    }
    setup
}

/// Nothing of it is the plant's.
fn of_the_fixture(fault: Fault) -> bool {
    let (mut setup, before) = (healthy(), healthy());
    fault.apply(&mut setup).is_ok()
        && setup.fixture != before.fixture
        && PlantSetup { fixture: before.fixture, ..setup } == before
}

/// What a fixture and an operator notice in one short run.
#[derive(Debug, PartialEq)]
struct Seen {
    /// Reported pairs, transitions that can't be, shaft with enable open.
    receivers: (bool, u32, i64),
    counts: i64,
    flags_idle: u8,
    flags_with_torque: u8,
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
    let idle = plant.counter();
    plant.advance(PlantTime::from_millis(100), &command(0.0));
    let flags_with_torque = plant.flags();
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
        receivers: (plant.encoder_pairs_ok(), plant.illegal_transitions(), idle),
        counts,
        flags_idle,
        flags_with_torque,
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
        // What a bench adds shows there, not in the plant.
        if of_the_fixture(fault) {
            continue;
        }
        let mut setup = fitting(fault);
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
fn a_fault_of_what_an_axis_has_not_or_has_already_is_refused_and_says_so() {
    for fault in [
        Fault::EndSwitchesIgnored,
        Fault::EndSwitchesUnwired,
        Fault::BrakeClosed,
        Fault::BrakeLate(Seconds::new(0.5)),
        Fault::EnableAlwaysBraked,
        Fault::CouplingSlips(Percent::new(10.0)),
    ] {
        let error = fault.apply(&mut healthy()).unwrap_err().to_string();
        assert!(error.contains("can't be had on this axis"), "{error}");
        fault.apply(&mut fitting(fault)).unwrap();
    }
    for fault in [Fault::EndSwitchesObeyed, Fault::BrakeUnasked] {
        fault.apply(&mut healthy()).unwrap();
    }
    let mut obeys = fitting(Fault::EndSwitchesIgnored);
    assert!(matches!(Fault::EndSwitchesObeyed.apply(&mut obeys), Err(FaultError::Lacks { .. })));
    let mut braked = fitting(Fault::BrakeClosed);
    assert!(matches!(Fault::BrakeUnasked.apply(&mut braked), Err(FaultError::Lacks { .. })));
}

/// A/B quadrature: with the wires of one pair swapped the levels go round the other way, and with both the same way, two
/// counts on. Worked by hand from the four states.
#[test]
fn one_pair_reversed_turns_the_counting_round_and_both_do_not() {
    let counted = |a: bool, b: bool| {
        let mut setup = healthy();
        (setup.wiring.a_reversed, setup.wiring.b_reversed) = (a, b);
        let mut plant = Plant::new(setup, 1).unwrap();
        let before = plant.counter();
        plant.advance(PlantTime::from_millis(60), &command(0.0));
        plant.advance(PlantTime::from_millis(300), &command(0.4));
        plant.counter() - before
    };
    let forward = counted(false, false);
    assert!(forward > 1_000);
    assert_eq!(counted(true, false), -forward);
    assert_eq!(counted(false, true), -forward);
    assert_eq!(counted(true, true), forward);
}

/// With nothing but the hub's friction to drag it, the rotor alone speeds up by `(T − Ts)/Jr`; both move on together once
/// their speeds meet, with the momentum that they have.
#[test]
fn a_disc_that_slips_leaves_the_rotor_to_itself_and_momentum_is_kept() {
    let mut setup = fitting(Fault::CouplingSlips(Percent::new(10.0)));
    (setup.motor.coulomb, setup.motor.stiction) = (NewtonMetres::ZERO, NewtonMetres::ZERO);
    (setup.motor.viscous, setup.motor.cogging) = (Default::default(), Vec::new());
    setup.amplifier.input_offset = Volts::ZERO;
    setup.amplifier.input_noise = Volts::ZERO;
    let gained = |setup: PlantSetup| {
        let mut plant = Plant::new(setup, 1).unwrap();
        plant.advance(PlantTime::from_millis(60), &command(0.0));
        // The lags of command and current are over by then.
        plant.advance(PlantTime::from_millis(68), &command(1.0));
        let before = plant.truth().speed.get();
        plant.advance(PlantTime::from_millis(74), &command(1.0));
        plant.truth().speed.get() - before
    };
    let fast = gained(setup.clone());
    Fault::CouplingSlips(Percent::new(10.0)).apply(&mut setup).unwrap();
    let slipping = gained(setup);
    // 30 % of rated torque on 5J together; 30 % less the hub's 10 % on J alone: 10/3 of it.
    assert!((slipping / fast - 10.0 / 3.0).abs() < 0.03, "{slipping} rpm against {fast} rpm");
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

/// An edge meets what is left of the reflection before it: e^(−1/(rate·decay)), nothing at low rates. Both signs, whole pulses.
#[test]
fn without_termination_edges_are_disturbed_the_more_the_nearer_they_come() {
    let errors = |millivolts: f64| {
        let mut setup = healthy();
        Fault::EncoderUnterminated(Percent::new(25.0)).apply(&mut setup).unwrap();
        let mut plant = Plant::new(setup, 4).unwrap();
        plant.advance(PlantTime::from_millis(60), &command(0.0));
        plant.advance(PlantTime::from_millis(1_060), &command(millivolts * 1e-3));
        (plant.illegal_transitions(), plant.truth().speed.get())
    };
    // At the cap of 1000 rpm and 10 000 counts a turn an edge in e^4 = 54.6 meets one: some 3000 of 167 000 a second.
    let (illegal, rpm) = errors(800.0);
    assert!((rpm - 1000.0).abs() < 30.0 && (4_000..8_000).contains(&illegal), "{illegal} at {rpm} rpm");
    let mut slow = healthy();
    Fault::EncoderUnterminated(Percent::new(25.0)).apply(&mut slow).unwrap();
    // A tenth of the cap: e^−40.
    slow.amplifier.cap.forward = proofstand_units::Rpm::new(100.0);
    let mut plant = Plant::new(slow, 4).unwrap();
    plant.advance(PlantTime::from_millis(60), &command(0.0));
    plant.advance(PlantTime::from_millis(1_060), &command(0.8));
    assert!(plant.truth().speed.get() < 130.0, "{:?}", plant.truth());
    assert_eq!(plant.illegal_transitions(), 0);
}

#[test]
fn an_index_that_drops_is_missing_at_its_share_of_passes_and_in_the_lines_as_well() {
    let passes = |setup: PlantSetup| {
        let mut plant = Plant::new(setup, 12).unwrap();
        plant.advance(PlantTime::from_millis(60), &command(0.0));
        let mut edges = Vec::new();
        for n in 0..2_000_u64 {
            let (from, to) = (PlantTime::from_millis(60 + 3 * n), PlantTime::from_millis(63 + 3 * n));
            plant.advance(to, &command(0.8));
            plant.edges(from, to, &mut edges).unwrap();
        }
        let rises = edges.iter().filter(|e| e.line == proofstand_plant::Line::Z && e.high).count();
        (plant.take_index_edges().len(), rises, plant.truth().angle.get())
    };
    let (all, _, turns) = passes(healthy());
    let (left, rises, again) = passes(with(Fault::IndexDrops(Percent::new(20.0))));
    assert_eq!(turns, again);
    assert!(all >= 90 && left == rises, "{left} of {all}, {rises} on the line");
    // 20 % of about 100: within four standard deviations of a binomial.
    let lost = (all - left) as f64 / all as f64;
    assert!((lost - 0.2).abs() < 4.0 * (0.16 / all as f64).sqrt(), "{lost}");
}

#[test]
fn a_field_half_a_cycle_off_turns_the_shaft_the_wrong_way_with_all_its_torque() {
    let speed = |setup: PlantSetup, to: u64| {
        let mut plant = Plant::new(setup, 1).unwrap();
        plant.advance(PlantTime::from_millis(60), &command(0.0));
        plant.advance(PlantTime::from_millis(to), &command(0.8));
        plant.truth().speed.get()
    };
    let (right, wrong) = (speed(healthy(), 75), speed(with(Fault::CommutationReversed), 75));
    assert!(right > 50.0 && (wrong / right + 1.0).abs() < 0.1, "{right} and {wrong} rpm");
    // What holds the healthy shaft at the cap drives this one on.
    assert!(speed(healthy(), 800) < 1_050.0);
    assert!(speed(with(Fault::CommutationReversed), 800) < -1_500.0);
}
