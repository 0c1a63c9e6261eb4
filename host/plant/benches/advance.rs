//! How fast the plant runs: 20 kHz steps, 100 000 edges of A and B a second, read every millisecond as a fixture does.
#![allow(clippy::unwrap_used, reason = "a bench stops where it fails")]

use std::hint::black_box;
use std::time::Instant;

use proofstand_plant::{Drive, Plant, PlantSetup, PlantTime};
use proofstand_units::{Rpm, Volts};

const DRIVE: Drive = Drive {
    command: Volts::new(0.4),
    enable: true,
    clear_fault: false,
    end_plus_closed: true,
    end_minus_closed: true,
};

/// The demo axis with all its noise, friction, cogging and limits, held at 600 rpm: 10 000 counts, 10 turns a second.
fn running() -> Plant {
    let mut setup = PlantSetup::default();
    setup.amplifier.cap.forward = Rpm::new(600.0);
    let mut plant = Plant::new(setup, 1).unwrap();
    plant.advance(PlantTime::from_millis(1_500), &DRIVE);
    plant
}

/// One simulated second in ticks of 1 ms; with `edges`, every edge is solved too. Returns how many counts passed.
fn second(plant: &mut Plant, edges: bool) -> i64 {
    let before = plant.counter();
    let mut found = Vec::with_capacity(512);
    for _ in 0..1_000 {
        let from = plant.now();
        let to = PlantTime::from_nanos(from.nanos() + 1_000_000);
        plant.advance(to, &DRIVE);
        black_box((plant.counter(), plant.last_edge_time(), plant.torque_readout(), plant.flags()));
        if edges {
            found.clear();
            plant.edges(from, to, &mut found).unwrap();
            black_box(&found);
        }
    }
    plant.take_index_edges();
    plant.counter() - before
}

#[divan::bench]
fn one_second_in_ticks_of_a_millisecond(bencher: divan::Bencher<'_, '_>) {
    let mut plant = running();
    bencher.bench_local(|| second(&mut plant, false));
}

#[divan::bench]
fn one_second_with_every_edge_solved(bencher: divan::Bencher<'_, '_>) {
    let mut plant = running();
    bencher.bench_local(|| second(&mut plant, true));
}

fn main() {
    for (what, edges) in [("in ticks of 1 ms", false), ("with every edge solved", true)] {
        let mut plant = running();
        let start = Instant::now();
        let counts: i64 = (0..20).map(|_| second(&mut plant, edges)).sum();
        let rate = 20.0 / start.elapsed().as_secs_f64();
        println!(
            "{what}: {rate:.0} simulated seconds per second, {} edges per simulated second",
            counts / 20
        );
    }
    divan::main();
}
