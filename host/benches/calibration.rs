//! The table of coverage: ten thousand boards and meters, each calibrated and used at its due date. And how long one
//! fit takes. Ends with exit code 1 where fewer than 93 % are covered, where a calibration does not last a month, or where
//! levels, fit, record and one use take more than 50 ms.
#![allow(clippy::print_stdout, reason = "a bench prints its table")]

#[path = "../tests/calibration_model/mod.rs"]
mod calibration_model;

use std::process::ExitCode;
use std::time::{Duration, Instant};

use calibration_model::{coverage, trial};
use proofstand_plant::Random;

const TRIALS: u32 = 10_000;
/// Least share that must be covered.
const LEAST: f64 = 0.93;
/// Above this share a reason is to be named.
const MOST: f64 = 0.97;
/// Fewest days until it is due again.
const DAYS: f64 = 30.0;
/// Longest that seventeen levels, fit, record and one use may take.
const LONGEST: Duration = Duration::from_millis(50);

fn main() -> ExitCode {
    println!(
        "Command at the terminals at the due date, {TRIALS} trials a row; shares in percent, each at least 93"
    );
    println!("points  within 1 mV  as stated  gain 95 %  offset 95 %  days to the due date");
    let (mut good, mut above) = (true, false);
    for points in [17, 25, 33] {
        let c = coverage(1, TRIALS, points);
        let shares = [c.within_aim, c.within_stated, c.gain, c.offset];
        let holds = shares.iter().all(|share| *share >= LEAST) && c.days.0 >= DAYS;
        good &= holds;
        above |= shares.iter().any(|share| *share > MOST);
        println!(
            "{points:6}  {:11.2}  {:9.2}  {:9.2}  {:11.2}  {:.0} to {:.0}{}",
            100.0 * c.within_aim,
            100.0 * c.within_stated,
            100.0 * c.gain,
            100.0 * c.offset,
            c.days.0,
            c.days.1,
            if holds { "" } else { "  TOO FEW" }
        );
    }
    if above {
        println!(
            "Where more than 97 % are covered: the meter's and the drift's errors lie evenly within bounds, and k = 2 of a sum \
             of few such errors reaches nearly to their ends; 1 mV holds more, since it is the aim and what is stated is less."
        );
    }
    let mut random = Random::new(1);
    let mut times: Vec<Duration> = (0..101)
        .map(|_| {
            let started = Instant::now();
            std::hint::black_box(trial(&mut random, 17));
            started.elapsed()
        })
        .collect();
    times.sort_unstable();
    let median = times[times.len() / 2];
    good &= median <= LONGEST;
    println!(
        "one calibration  median {:8.3} ms   limit {:4} ms",
        median.as_secs_f64() * 1e3,
        LONGEST.as_millis()
    );
    if good { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}
