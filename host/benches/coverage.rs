//! Coverage: how often the truth lies inside the stated interval, 10 000 trials a quantity. Should be 95 %; below 93 % ends
//! with exit code 1, above 97 % needs its reason named here. Also times what a run spends on intervals.

#[path = "../tests/coverage_model/mod.rs"]
mod coverage_model;

use std::process::ExitCode;
use std::time::Instant;

use coverage_model::{command_scale, flag_delay, held_speed, rotor};
use proofstand::metrology::{Budget, Contribution, DegreesOfFreedom};
use proofstand_units::Volts;

const TRIALS: u32 = 10_000;

/// Why an interval holds more than it says.
fn reason(quantity: &str) -> Option<&'static str> {
    match quantity {
        "offset" => Some(
            "u is about right (see error/u), but it is the larger of two: the scatter over three levels, whose two degrees \
             of freedom make k 4.3, and that within them, which holds where three agree by chance",
        ),
        "rotor with the disc that measured it" => Some(
            "the two uncertainties are added up, as if all of the rotor's came from the disc; its scatter and drift do not",
        ),
        "speed, 100 ms near 1000 rpm" => Some(
            "u is about right (see error/u), but neither error is normal: the clock's is bounded at less than U, and counting \
             errs by a third of its root mean square at most speeds and by more only near whole counts a sample",
        ),
        _ => None,
    }
}

/// Budgets as a run has them, some sixty: how long their intervals take together.
fn intervals() -> f64 {
    let v = Volts::new;
    let started = Instant::now();
    for i in 0..60 {
        let nu = DegreesOfFreedom::of_fit(3 + i % 7, 1);
        let budget = Budget::new(v(1.0))
            .with(Contribution::type_a("scatter", v(0.3), nu))
            .with(Contribution::normal("inertia", v(0.1 * (1 + i % 5) as f64)))
            .with(Contribution::rectangular("clock", v(0.2)))
            .with(Contribution::rectangular("resolution", v(0.1 * (1 + i % 9) as f64)));
        std::hint::black_box(budget.combined());
    }
    started.elapsed().as_secs_f64() * 1e3
}

fn main() -> ExitCode {
    let [gain, offset] = command_scale(TRIALS, 1);
    let [alone, with_disc] = rotor(TRIALS, 3);
    let all = [gain, offset, held_speed(TRIALS, 2), alone, with_disc, flag_delay(TRIALS, 4)];
    let mut good = true;
    println!(
        "{:32} {:>7} {:>7} {:>8} {:>12} {:>7} {:>7}",
        "quantity", "trials", "failed", "inside", "mean U", "mean k", "error/u"
    );
    for one in &all {
        // Every trial counts; one that gave no value had the truth outside.
        assert_eq!(one.trials, TRIALS, "{}: trials were left out", one.quantity);
        let share = one.share();
        let note = match share {
            s if s < 0.93 => {
                good = false;
                "TOO FEW"
            }
            s if s > 0.97 => reason(one.quantity).unwrap_or_else(|| {
                good = false;
                "MORE THAN STATED, and no reason is named"
            }),
            _ => "",
        };
        println!(
            "{:32} {:7} {:7} {:7.2}% {:12.3e} {:7.2} {:7.2}  {note}",
            one.quantity,
            one.trials,
            one.failed,
            100.0 * share,
            one.mean_expanded,
            one.mean_factor,
            one.error_over_u()
        );
    }
    let mut times: Vec<f64> = (0..7).map(|_| intervals()).collect();
    times.sort_by(f64::total_cmp);
    let median = times[3];
    good &= median <= 50.0;
    println!("intervals of a run's budgets     median {median:8.2} ms   limit   50 ms");
    if good { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}
