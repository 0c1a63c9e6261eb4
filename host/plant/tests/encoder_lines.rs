//! Counts, lines, index and edge times of the divided output.
#![allow(clippy::unwrap_used, reason = "tests")]

mod common;

use std::collections::HashMap;

use common::{at, idle, reference, spinning};
use proofstand_plant::{Edge, IndexEdge, Line, Plant, PlantSetup, PlantTime, Rotation};
use proofstand_units::{Degrees, NativePerRev, PulsesPerRev, Turns};
use proptest::prelude::*;

fn divided(rpm: f64, native: u32, pulses: u32) -> PlantSetup {
    let mut setup = spinning(rpm);
    setup.encoder.native = NativePerRev::new(native);
    setup.encoder.pulses = PulsesPerRev::new(pulses);
    setup
}

/// Every edge of a run of so many milliseconds, taken millisecond by millisecond.
fn edges(plant: &mut Plant, millis: u64) -> Vec<Edge> {
    let mut all = Vec::new();
    for _ in 0..millis {
        let from = plant.now();
        let to = PlantTime::from_nanos(from.nanos() + 1_000_000);
        plant.advance(to, &idle());
        plant.edges(from, to, &mut all).unwrap();
    }
    all
}

/// Decoder by the 16 transitions of tests/reference/quadrature-x4-truth-table.csv: count and illegal transitions.
fn decode(start: (bool, bool), edges: &[Edge]) -> (i64, u32) {
    let mut table = HashMap::new();
    for row in csv::Reader::from_path(reference("quadrature-x4-truth-table.csv")).unwrap().records() {
        let row = row.unwrap();
        let bit = |n: usize| &row[n] == "1";
        let delta: i64 = row[5].trim_start_matches('+').parse().unwrap();
        table.insert(((bit(1), bit(2)), (bit(3), bit(4))), (delta, &row[6] == "true"));
    }
    assert_eq!(table.len(), 16);
    let (mut state, mut count, mut illegal) = (start, 0, 0);
    for edge in edges {
        let next = match edge.line {
            Line::A => (edge.high, state.1),
            Line::B => (state.0, edge.high),
            Line::Z => continue,
        };
        assert_ne!(next, state, "an edge that changes nothing");
        let (delta, bad) = table[&(state, next)];
        count += delta;
        illegal += u32::from(bad);
        state = next;
    }
    (count, illegal)
}

#[test]
fn a_decoder_by_the_truth_table_agrees_with_the_counter_in_both_directions_and_with_the_pairs_swapped() {
    for (rpm, swapped, up) in [(900.0, false, true), (-900.0, false, false), (900.0, true, false)] {
        let mut setup = divided(rpm, 131_072, 2500);
        setup.wiring.encoder_swapped = swapped;
        let mut plant = Plant::new(setup, 1).unwrap();
        let (lines, before) = (plant.lines(), plant.counter());
        let edges = edges(&mut plant, 100);
        let (count, illegal) = decode((lines.a, lines.b), &edges);
        assert_eq!((count, illegal), (plant.counter() - before, 0));
        // 1.5 turns of 10 000 counts.
        assert!((count.abs() - 15_000).abs() <= 1 && (count > 0) == up, "{count}");
        assert!(edges.windows(2).all(|pair| pair[0].time <= pair[1].time));
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(32))]
    #[test]
    fn counts_per_revolution_are_exact_for_any_division(
        native in 1_000u32..2_000_000, share in 0.001f64..1.0, rpm in 60.0f64..3000.0, backward: bool,
    ) {
        let pulses = ((f64::from(native) / 4.0 * share) as u32).max(2);
        let mut setup = divided(if backward { -rpm } else { rpm }, native, pulses);
        // In the middle of a native position, so that whole turns end in it.
        setup.encoder.start_angle = Turns::new((f64::from(native / 3) + 0.5) / f64::from(native));
        setup.encoder.index_width = 1;
        let mut plant = Plant::new(setup, 1).unwrap();
        let before = plant.counter();
        for turns in [1i64, 7] {
            let t = at(turns as f64 * 60.0 / rpm);
            plant.advance(t, &idle());
            let moved = plant.counter() - before;
            // A turn ends within rounding to a nanosecond: at most one position off is never one count off here,
            // but for whole positions of one count each.
            let want = turns * 4 * i64::from(pulses) * if backward { -1 } else { 1 };
            prop_assert_eq!(moved, want);
        }
        // The sum over index passes is a whole number of turns too.
        let edges: Vec<IndexEdge> = plant.take_index_edges();
        for pair in edges.windows(2) {
            prop_assert_eq!((pair[1].counter - pair[0].counter).abs(), 4 * i64::from(pulses));
        }
        prop_assert!(edges.len() >= 6);
    }
}

#[test]
fn the_shortest_edge_separation_of_a_fractional_division_is_a_whole_number_of_native_positions() {
    // d = 1.28: floor(d)/R of a turn, 70.3° of the cycle (worked by hand: 90°/1.28).
    let mut plant = Plant::new(divided(600.0, 12_800, 2500), 1).unwrap();
    let edges: Vec<Edge> = edges(&mut plant, 50).into_iter().filter(|edge| edge.line != Line::Z).collect();
    let shortest = edges.windows(2).map(|pair| pair[1].time.nanos() - pair[0].time.nanos()).min().unwrap();
    let degrees = shortest as f64 * 1e-9 * 10.0 * 2500.0 * 360.0;
    assert!((degrees - 70.3125).abs() < 0.02, "{degrees}");
}

#[test]
fn index_is_latched_at_both_ends_of_z_by_direction_and_its_interval_is_exact() {
    let turn = |rpm: f64| {
        let mut setup = divided(rpm, 131_072, 2500);
        setup.encoder.index_at = 1234;
        setup.encoder.index_width = 4;
        setup.encoder.start_angle = Turns::new(0.5);
        let mut plant = Plant::new(setup, 1).unwrap();
        plant.advance(at(0.5), &idle());
        plant.take_index_edges()
    };
    let (forward, backward) = (turn(600.0), turn(-600.0));
    assert_eq!(forward.len(), 5);
    assert_eq!(backward.len(), 5);
    for (n, edge) in forward.iter().enumerate() {
        assert_eq!((edge.counter, edge.up), (11_234 + 10_000 * n as i64, true));
        // Count 1234 begins at native ⌈1234·13.1072⌉ = 16 175 of 131 072; start at half a turn, 10 turns a second.
        let place = (16_175.0 / 131_072.0 + 0.5 + n as f64) / 10.0;
        assert!((edge.time.seconds().get() - place).abs() < 2e-9, "{edge:?}");
    }
    // Width 4: counts 1234 to 1237 are inside.
    for (n, edge) in backward.iter().enumerate() {
        assert_eq!((edge.counter, edge.up), (1_237 - 10_000 * n as i64, false));
    }
}

#[test]
fn edge_times_agree_with_the_counter_a_nanosecond_before_and_at_them() {
    let mut setup = PlantSetup::default();
    setup.encoder.phase_error = Degrees::new(20.0);
    let mut plant = Plant::new(setup, 5).unwrap();
    plant.advance(PlantTime::from_millis(40), &common::command(0.0));
    // Up and down through standstill, with friction and noise.
    for (n, volts) in [0.6, -0.6, -0.6, 0.6].into_iter().enumerate() {
        let from = plant.now();
        let to = PlantTime::from_millis(40 + 15 * (n as u64 + 1));
        plant.advance(to, &common::command(volts));
        let mut edges = Vec::new();
        plant.edges(from, to, &mut edges).unwrap();
        assert!(edges.len() > 50, "{}", edges.len());
        for edge in edges.iter().filter(|edge| edge.line != Line::Z) {
            let (before, after) = (PlantTime::from_nanos(edge.time.nanos() - 1), edge.time);
            let moved = plant.counter_at(after).unwrap() - plant.counter_at(before).unwrap();
            assert_eq!(moved.abs(), 1, "{edge:?}");
            let lines = plant.lines_at(after).unwrap();
            assert_eq!(if edge.line == Line::A { lines.a } else { lines.b }, edge.high, "{edge:?}");
        }
        let last = edges.iter().rev().find(|edge| edge.line != Line::Z).unwrap();
        assert_eq!(plant.last_edge_time(), Some(last.time));
    }
}

#[test]
fn phase_error_shifts_b_alone_by_so_many_degrees_of_the_cycle() {
    let mut setup = divided(600.0, 1 << 20, 1024);
    setup.encoder.phase_error = Degrees::new(15.0);
    let mut plant = Plant::new(setup, 1).unwrap();
    let edges: Vec<Edge> = edges(&mut plant, 20).into_iter().filter(|edge| edge.line != Line::Z).collect();
    for pair in edges.windows(2) {
        let degrees = (pair[1].time.nanos() - pair[0].time.nanos()) as f64 * 1e-9 * 10.0 * 1024.0 * 360.0;
        let want = if pair[0].line == Line::A { 105.0 } else { 75.0 };
        assert!((degrees - want).abs() < 0.02, "{pair:?}: {degrees}");
    }
}

#[test]
fn count_direction_follows_the_setting_and_history_is_refused_when_it_is_gone() {
    let mut setup = divided(600.0, 131_072, 2500);
    setup.encoder.counts_up = Rotation::CounterClockwise;
    let mut plant = Plant::new(setup, 1).unwrap();
    let before = plant.counter();
    plant.advance(at(0.1), &idle());
    assert!((plant.counter() - before + 10_000).abs() <= 1);
    let gone = plant.edges(at(0.01), at(0.1), &mut Vec::new()).unwrap_err();
    assert_eq!((gone.asked, gone.newest), (10_000_000, 100_000_000));
    assert!(plant.counter_at(at(0.08)).is_ok());
    assert!(plant.counter_at(at(0.2)).is_err());
}
