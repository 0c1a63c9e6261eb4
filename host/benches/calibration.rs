//! The table of coverage: ten thousand boards and meters, each calibrated and used at its due date. And how long one
//! fit takes.
#![allow(clippy::print_stdout, clippy::unwrap_used, reason = "a bench prints its table and may stop")]

#[path = "../tests/calibration_model/mod.rs"]
mod calibration_model;

use calibration_model::{coverage, trial};
use divan::Bencher;
use proofstand_plant::Random;

const TRIALS: u32 = 10_000;

fn main() {
    println!("Command at the terminals at the due date, {TRIALS} trials a row; shares in percent");
    println!("points  within 1 mV  as stated  gain 95 %  offset 95 %  days to the due date");
    for points in [17, 25, 33] {
        let c = coverage(1, TRIALS, points);
        println!(
            "{points:6}  {:11.2}  {:9.2}  {:9.2}  {:11.2}  {:.0} to {:.0}",
            100.0 * c.within_aim,
            100.0 * c.within_stated,
            100.0 * c.gain,
            100.0 * c.offset,
            c.days.0,
            c.days.1
        );
    }
    println!(
        "More than 97 % are covered: the meter's and the drift's errors lie evenly within bounds, and k = 2 of a sum of \
         few such errors reaches nearly to their ends."
    );
    divan::main();
}

/// Seventeen levels, fit, record and one use.
#[divan::bench]
fn one_calibration(bencher: Bencher<'_, '_>) {
    let mut random = Random::new(1);
    bencher.bench_local(|| trial(&mut random, 17).unwrap());
}
