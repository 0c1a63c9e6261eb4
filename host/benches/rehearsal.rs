//! The host's own speed against its limits: a whole rehearsal in 1 s on one core, one without its report, as a campaign makes
//! thousands, in 0.3 s; targets and a sheet's error in 20 ms; all budgets of one rehearsal, each with its interval by
//! distributions, in 50 ms; and so all of its judging together: estimates, fits, budgets, decisions, and the curves beside.
//!
//! Prints the median of several runs beside each limit, and ends with exit code 1 if one is over it.

use std::path::Path;
use std::process::ExitCode;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

use proofstand::acceptance::{Job, Setting};
use proofstand::checks::{self, Check, Context, Judgement, Need, Step, StepEvidence};
use proofstand::fixture::Client;
use proofstand::metrology::{Budget, Contribution, DegreesOfFreedom};
use proofstand::planner::CannotPlan;
use proofstand::record::RunFolder;
use proofstand::record::model::{ResultRow, Run, RunKind};
use proofstand::rehearsal::Rehearsal;
use proofstand::sequence::Quiet;
use proofstand::sheet::AxisSheet;
use proofstand_units::Percent;

type Failure = Box<dyn std::error::Error>;
/// What is timed.
type Work = fn() -> Result<(), Failure>;

/// A day on which the invented calibration is in date.
const TODAY: u32 = 20_000;

/// Nanoseconds spent in judging.
static JUDGING: AtomicU64 = AtomicU64::new(0);

/// What this thread has had of a core, where the system says it (Linux, to its tick); else the time that passed.
fn core_time() -> Duration {
    static BEGAN: std::sync::OnceLock<Instant> = std::sync::OnceLock::new();
    std::fs::read_to_string("/proc/thread-self/schedstat")
        .ok()
        .and_then(|text| text.split(' ').next()?.parse().ok())
        .map_or_else(|| BEGAN.get_or_init(Instant::now).elapsed(), Duration::from_nanos)
}

/// A check whose judging is timed: everything between samples and verdicts happens there.
struct Timed(&'static dyn Check);

impl Check for Timed {
    fn id(&self) -> &'static str {
        self.0.id()
    }

    fn title(&self) -> &'static str {
        self.0.title()
    }

    fn shows(&self) -> &'static str {
        self.0.shows()
    }

    fn is_for(&self, sheet: &AxisSheet) -> bool {
        self.0.is_for(sheet)
    }

    fn needs(&self) -> &'static [Need] {
        self.0.needs()
    }

    fn compares_with(&self) -> &'static [&'static str] {
        self.0.compares_with()
    }

    fn plan(&self, context: &Context<'_>) -> Result<Vec<Step>, CannotPlan> {
        self.0.plan(context)
    }

    fn wants(&self, context: &Context<'_>, step: &Step, so_far: &[StepEvidence]) -> bool {
        self.0.wants(context, step, so_far)
    }

    fn goes_on_after(&self, tripped: &StepEvidence) -> bool {
        self.0.goes_on_after(tripped)
    }

    fn shown_also_by(&self) -> Option<&'static str> {
        self.0.shown_also_by()
    }

    fn judge(&self, context: &Context<'_>, evidence: &[StepEvidence]) -> Judgement {
        let started = core_time();
        let judged = self.0.judge(context, evidence);
        let took = core_time().saturating_sub(started).as_nanos();
        JUDGING.fetch_add(u64::try_from(took).unwrap_or(u64::MAX), Ordering::Relaxed);
        judged
    }
}

/// Every check, timed.
fn timed() -> Vec<&'static dyn Check> {
    checks::ALL.iter().map(|check| &*Box::leak(Box::new(Timed(*check))) as &'static dyn Check).collect()
}

/// Median time that one rehearsal spends in judging.
fn judging() -> Result<Duration, Failure> {
    let checks = timed();
    let mut times = Vec::new();
    for _ in 0..7 {
        JUDGING.store(0, Ordering::Relaxed);
        made_of(&checks, false)?;
        times.push(Duration::from_nanos(JUDGING.load(Ordering::Relaxed)));
    }
    times.sort_unstable();
    Ok(times[times.len() / 2])
}

/// Limit of all budgets of one rehearsal, and of all its judging.
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
    made_of(checks::ALL, reported)
}

fn made_of(checks: &[&'static dyn Check], reported: bool) -> Result<Run, Failure> {
    let read = proofstand::sheet::read(&sheet())?;
    let job = Job::new(read.file, read.text, read.sheet);
    let rehearsal = Rehearsal::new(&job.sheet, &[], 1, TODAY)?;
    let place = tempfile::tempdir()?;
    let mut folder = RunFolder::create(place.path(), "run", true)?;
    let mut client = Client::connect(rehearsal.link(), &mut folder)?;
    let mut operator = rehearsal.operator(true);
    let setting = Setting { seed: Some(1), today: TODAY, ..Setting::default() };
    let run =
        job.run(RunKind::Rehearsal, checks, &setting, &mut client, &mut folder, &mut operator, &mut Quiet);
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
    match judging() {
        Ok(median) => {
            // Not at all is no time: then nothing was timed.
            within &= median <= COMBINED && median > Duration::ZERO;
            println!(
                "judging of one rehearsal      median {:8.2} ms   limit {:4} ms",
                median.as_secs_f64() * 1e3,
                COMBINED.as_millis()
            );
        }
        Err(error) => {
            eprintln!("judging: {error}");
            return ExitCode::FAILURE;
        }
    }
    if within { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}
