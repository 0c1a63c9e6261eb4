//! The host's own speed against its limits: a whole rehearsal in 1 s on one core, one without its report, as a campaign makes
//! thousands, in 0.3 s; targets and a sheet's error in 20 ms; all budgets of one rehearsal, each with its interval by
//! distributions, in 50 ms.
//!
//! Prints the median of several runs beside each limit, and ends with exit code 1 if one is over it.

use std::path::Path;
use std::process::ExitCode;
use std::time::{Duration, Instant};

use proofstand::acceptance::{Job, Setting};
use proofstand::checks;
use proofstand::fixture::Client;
use proofstand::metrology::{Budget, Contribution, DegreesOfFreedom};
use proofstand::record::RunFolder;
use proofstand::record::model::{ResultRow, Run, RunKind};
use proofstand::rehearsal::Rehearsal;
use proofstand::sequence::Quiet;
use proofstand_units::Percent;

type Failure = Box<dyn std::error::Error>;
/// What is timed.
type Work = fn() -> Result<(), Failure>;

/// A day on which the invented calibration is in date.
const TODAY: u32 = 20_000;

/// Limit of all budgets of one rehearsal.
const COMBINED: Duration = Duration::from_millis(50);

fn sheet() -> std::path::PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("sheets/film-winder.toml")
}

/// Reads the sheet and makes every check, with journal, samples and reports written.
fn rehearse() -> Result<(), Failure> {
    made(true).map(drop)
}

/// The same, but nothing of what is made of the record afterwards.
fn rehearse_unreported() -> Result<(), Failure> {
    made(false).map(drop)
}

fn made(reported: bool) -> Result<Run, Failure> {
    let read = proofstand::sheet::read(&sheet())?;
    let job = Job::new(read.file, read.text, read.sheet);
    let rehearsal = Rehearsal::new(&job.sheet, &[], 1, TODAY)?;
    let place = tempfile::tempdir()?;
    let mut folder = RunFolder::create(place.path(), "run", true)?;
    let mut client = Client::connect(rehearsal.link(), &mut folder)?;
    let mut operator = rehearsal.operator(true);
    let setting = Setting { seed: Some(1), today: TODAY, ..Setting::default() };
    let run = job.run(
        RunKind::Rehearsal,
        checks::ALL,
        &setting,
        &mut client,
        &mut folder,
        &mut operator,
        &mut Quiet,
    );
    if reported {
        proofstand::record::publish(folder.path(), &run)?;
    }
    Ok(run)
}

/// The budget of a result, from its rows in the record. A correlated group counts as normal, as it does in the budget itself.
fn budget(row: &ResultRow) -> Budget<Percent> {
    let contributions = row.budget.iter().map(|c| {
        let u = |times: f64| Percent::new(c.standard_uncertainty * times);
        let nu = c.degrees_of_freedom.and_then(|nu| DegreesOfFreedom::new(nu).ok());
        match c.distribution.as_str() {
            "rectangular" => Contribution::rectangular(&c.name, u(3.0_f64.sqrt())),
            "triangular" => Contribution::triangular(&c.name, u(6.0_f64.sqrt())),
            "U-shaped" => Contribution::u_shaped(&c.name, u(2.0_f64.sqrt())),
            _ => Contribution::type_a(&c.name, u(1.0), nu.unwrap_or(DegreesOfFreedom::INFINITE)),
        }
    });
    Budget::new(Percent::new(row.measured.unwrap_or(0.0))).with_all(contributions)
}

/// Median time to combine every budget of one rehearsal, and how many there are.
fn combine() -> Result<(Duration, usize), Failure> {
    let run = made(false)?;
    let rows = run.checks.iter().flat_map(|check| &check.results);
    let budgets: Vec<_> = rows.filter(|row| !row.budget.is_empty()).map(budget).collect();
    let mut times: Vec<Duration> = (0..7)
        .map(|_| {
            let started = Instant::now();
            for budget in &budgets {
                std::hint::black_box(budget.combined());
            }
            started.elapsed()
        })
        .collect();
    times.sort_unstable();
    Ok((times[times.len() / 2], budgets.len()))
}

fn targets() -> Result<(), Failure> {
    let read = proofstand::sheet::read(&sheet())?;
    let job = Job::new(read.file, read.text, read.sheet);
    std::hint::black_box(job.targets.rows());
    Ok(())
}

fn sheet_error() -> Result<(), Failure> {
    let text = std::fs::read_to_string(sheet())?.replace("pulses_per_revolution", "pulse_per_revolution");
    match proofstand::sheet::parse("film-winder.toml", text.as_bytes()) {
        Ok(_) => Err("the misspelt key was taken".into()),
        Err(error) => {
            std::hint::black_box(error.to_string());
            Ok(())
        }
    }
}

fn main() -> ExitCode {
    let cases: [(&str, Duration, Work); 4] = [
        ("whole rehearsal, reported", Duration::from_secs(1), rehearse),
        ("whole rehearsal, no report", Duration::from_millis(300), rehearse_unreported),
        ("targets of a sheet", Duration::from_millis(20), targets),
        ("error of a sheet", Duration::from_millis(20), sheet_error),
    ];
    let mut within = true;
    for (name, limit, work) in cases {
        let mut times = Vec::new();
        for _ in 0..7 {
            let started = Instant::now();
            if let Err(error) = work() {
                eprintln!("{name}: {error}");
                return ExitCode::FAILURE;
            }
            times.push(started.elapsed());
        }
        times.sort_unstable();
        let median = times[times.len() / 2];
        within &= median <= limit;
        println!("{name:28} median {:8.2} ms   limit {:4} ms", median.as_secs_f64() * 1e3, limit.as_millis());
    }
    match combine() {
        Ok((median, budgets)) => {
            within &= median <= COMBINED && budgets > 0;
            println!(
                "{budgets:3} budgets of one rehearsal  median {:8.2} ms   limit {:4} ms",
                median.as_secs_f64() * 1e3,
                COMBINED.as_millis()
            );
        }
        Err(error) => {
            eprintln!("budgets: {error}");
            return ExitCode::FAILURE;
        }
    }
    if within { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}
