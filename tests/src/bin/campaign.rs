//! Puts faults into simulated axes, many times over, and says what came out.

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::{Parser, ValueEnum};
use indicatif::{ProgressBar, ProgressStyle};
use proofstand::record::model::Verdict;
use proofstand_tests::bench::Failure;
use proofstand_tests::campaign::borderline::borderline;
use proofstand_tests::campaign::faults::FaultRow;
use proofstand_tests::campaign::figures::Scores;
use proofstand_tests::campaign::plan::{BORDERLINE, FIRST_SEED, NOISE, PARTS, Part, Size, trials};
use proofstand_tests::campaign::{Came, Trial, run, score};

/// Put faults into simulated axes, many times over, and say what came out
///
/// Goes on where it was cut off, if it is still the same program. Records are kept of the first runs only in which
/// something was missed, named otherwise or left undecided. Ends with 0 if every figure that was tried holds.
#[derive(Debug, Parser)]
struct Args {
    /// Parts to make; all of them unless told
    #[arg(long, value_enum)]
    part: Vec<Part>,
    /// How much of it
    #[arg(long, value_enum, default_value = "whole")]
    size: Amount,
    /// Where seeds begin; rules are tuned on seeds below 1 000 000
    #[arg(long, default_value_t = FIRST_SEED)]
    first_seed: u64,
    /// Only these faults, by name or with a size
    #[arg(long, value_name = "FAULT")]
    only: Vec<String>,
    /// Only these axes of the population
    #[arg(long, value_name = "NUMBER")]
    axis: Vec<usize>,
    /// Folder for what comes out
    #[arg(long, default_value = "runs/campaign")]
    out: PathBuf,
    /// Make one trial again, named as in trials.jsonl, and keep its record in the folder
    #[arg(long, value_name = "TRIAL")]
    again: Option<String>,
}

/// How many trials.
#[derive(Debug, Clone, Copy, ValueEnum)]
enum Amount {
    /// Every fault, every axis: a minute or two
    Slice,
    /// Every figure, with wide bounds
    Medium,
    /// All of it
    Whole,
}

impl Amount {
    const fn size(self) -> Size {
        match self {
            Self::Slice => Size::SLICE,
            Self::Medium => Size::MEDIUM,
            Self::Whole => Size::WHOLE,
        }
    }
}

impl Args {
    fn wants(&self, trial: &Trial) -> bool {
        let named =
            |spec: &String| self.only.iter().any(|only| spec == only || spec.split('=').next() == Some(only));
        let fault = self.only.is_empty() || trial.fault.as_ref().is_some_and(named);
        fault && (self.axis.is_empty() || self.axis.contains(&trial.axis))
    }
}

fn main() -> ExitCode {
    let args = Args::parse();
    let made = match &args.again {
        Some(key) => again(key, &args.out),
        None => campaign(&args),
    };
    match made {
        Ok(true) => ExitCode::SUCCESS,
        Ok(false) => ExitCode::from(1),
        Err(why) => {
            eprintln!("campaign: {why}");
            ExitCode::from(2)
        }
    }
}

fn again(key: &str, out: &Path) -> Result<bool, Failure> {
    let trial = Trial::of(key).ok_or("a trial is named AXIS|FAULT|NOISE|SEED, or AXIS|healthy|NOISE|SEED")?;
    let folder = kept(&trial, out)?;
    println!("{}", folder.display());
    Ok(true)
}

fn campaign(args: &Args) -> Result<bool, Failure> {
    let parts = if args.part.is_empty() { PARTS.to_vec() } else { args.part.clone() };
    let mut scores = Scores { first_seed: args.first_seed, ..Scores::default() };
    for part in parts {
        let came = made(part, args)?;
        scores.seconds += came.iter().map(|came| came.seconds).sum::<f64>();
        for what in [missed, unsure] {
            for miss in came.iter().filter(|came| what(part, came)).take(KEPT) {
                kept(&miss.trial, &args.out)?;
            }
        }
        match part {
            Part::Faults => scores.faults = score::faults(&came),
            Part::Healthy => scores.healthy = Some(score::healthy(&came)),
            Part::Borderline => scores.borderline = borderline(&came, &BORDERLINE),
            Part::Noise => scores.noise = score::noise(&came, &NOISE),
        }
    }
    std::fs::write(args.out.join("campaign.html"), scores.html())?;
    std::fs::write(args.out.join("faults.csv"), scores.csv())?;
    std::fs::write(args.out.join("campaign.txt"), scores.text())?;
    println!("{}\n{}", scores.text(), args.out.join("campaign.html").display());
    Ok(scores.all_hold())
}

fn made(part: Part, args: &Args) -> Result<Vec<Came>, Failure> {
    let mut trials = trials(part, args.size.size(), args.first_seed)?;
    trials.retain(|trial| args.wants(trial));
    let bar = ProgressBar::new(trials.len() as u64).with_prefix(format!("{part:?}"));
    bar.set_style(ProgressStyle::with_template("{prefix:12} {pos}/{len} [{bar:30}] {eta} to go  {msg}")?);
    let came = run(&trials, &args.out, &|done, of, trial| {
        bar.set_length(of as u64);
        bar.set_position(done as u64);
        bar.set_message(trial.fault.clone().unwrap_or_default());
    })?;
    bar.finish();
    Ok(came)
}

/// The first few of a kind tell what is wrong.
const KEPT: usize = 20;

/// The row of a fault that must be caught in the size that was tried.
fn stated(came: &Came) -> Option<&'static FaultRow> {
    let spec = came.trial.fault.as_ref()?;
    FaultRow::of(spec).filter(|row| row.specs().any(|(s, stated)| s == *spec && stated))
}

/// Nothing is missed, and yet it did not come out as it should: another cause is named, or a healthy axis is not accepted.
fn unsure(part: Part, came: &Came) -> bool {
    match part {
        Part::Faults => {
            stated(came).is_some_and(|row| score::caught_as(row, came) && !score::named(row, came, 3))
        }
        Part::Healthy => !missed(part, came) && came.verdict != Some(Verdict::Accepted),
        Part::Borderline | Part::Noise => false,
    }
}

fn missed(part: Part, came: &Came) -> bool {
    match part {
        Part::Faults => stated(came).is_some_and(|row| !score::caught_as(row, came)),
        Part::Healthy => score::caught(came) || came.stopped.is_some(),
        Part::Borderline => false,
        Part::Noise => came.hung || score::turned(came) || score::not_safe(came),
    }
}

/// Makes a trial again, in a folder that stays.
fn kept(trial: &Trial, out: &Path) -> Result<PathBuf, Failure> {
    let folder = out.join("misses").join(trial.key().replace(['|', '='], "_"));
    if !folder.exists() {
        std::fs::create_dir_all(&folder)?;
        // A greeting that never got through leaves no model.
        if let Ok(model) = trial.run_in(&folder)?.run {
            proofstand::record::publish(&folder.join("run"), &model)?;
        }
    }
    Ok(folder.join("run"))
}
