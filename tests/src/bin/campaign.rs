//! Puts faults into simulated axes, many times over, and says what came out.

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::Parser;
use indicatif::{ProgressBar, ProgressStyle};
use proofstand_tests::bench::Failure;
use proofstand_tests::campaign::faults::FaultRow;
use proofstand_tests::campaign::page::Scores;
use proofstand_tests::campaign::plan::{BORDERLINE, NOISE, PARTS, Part, Size, trials};
use proofstand_tests::campaign::{Came, run, score};

/// Put faults into simulated axes, many times over, and say what came out
///
/// Goes on where it was cut off. The record of a run is kept only where something was missed.
#[derive(Debug, Parser)]
struct Args {
    /// Parts to make; all of them unless told
    #[arg(long, value_enum)]
    part: Vec<Part>,
    /// A slice that takes a minute or two
    #[arg(long)]
    slice: bool,
    /// Folder for what comes out
    #[arg(long, default_value = "runs/campaign")]
    out: PathBuf,
}

fn main() -> ExitCode {
    match campaign(&Args::parse()) {
        Ok(true) => ExitCode::SUCCESS,
        Ok(false) => ExitCode::from(1),
        Err(why) => {
            eprintln!("campaign: {why}");
            ExitCode::from(2)
        }
    }
}

fn campaign(args: &Args) -> Result<bool, Failure> {
    let size = if args.slice { Size::SLICE } else { Size::WHOLE };
    let parts = if args.part.is_empty() { PARTS.to_vec() } else { args.part.clone() };
    let mut scores = Scores::default();
    for part in parts {
        let came = made(part, size, &args.out)?;
        keep_misses(part, &came, &args.out)?;
        match part {
            Part::Faults => scores.faults = score::faults(&came),
            Part::Healthy => scores.healthy = Some(score::healthy(&came)),
            Part::Borderline => scores.borderline = score::borderline(&came, &BORDERLINE),
            Part::Noise => scores.noise = score::noise(&came, &NOISE),
        }
    }
    std::fs::write(args.out.join("campaign.html"), scores.html())?;
    std::fs::write(args.out.join("faults.csv"), scores.csv())?;
    std::fs::write(args.out.join("campaign.txt"), scores.text())?;
    println!("{}\n{}", scores.text(), args.out.join("campaign.html").display());
    Ok(scores.figures().iter().all(|figure| figure.holds))
}

fn made(part: Part, size: Size, out: &Path) -> Result<Vec<Came>, Failure> {
    let trials = trials(part, size);
    let bar = ProgressBar::new(trials.len() as u64).with_prefix(format!("{part:?}"));
    bar.set_style(ProgressStyle::with_template("{prefix:12} {pos}/{len} [{bar:30}] {eta} to go  {msg}")?);
    let came = run(&trials, out, &|done, of, trial| {
        bar.set_length(of as u64);
        bar.set_position(done as u64);
        bar.set_message(trial.fault.clone().unwrap_or_default());
    })?;
    bar.finish();
    Ok(came)
}

/// Makes what was missed again, in a folder that stays.
fn keep_misses(part: Part, all: &[Came], out: &Path) -> Result<(), Failure> {
    let missed = |came: &&Came| match part {
        Part::Faults => {
            let stated = came.trial.fault.as_ref().is_some_and(|spec| {
                FaultRow::of(spec).is_some_and(|row| row.specs().any(|(s, stated)| s == *spec && stated))
            });
            stated && !score::caught(came)
        }
        Part::Healthy => score::caught(came) || came.stopped.is_some(),
        Part::Borderline => false,
        Part::Noise => score::caught(came),
    };
    // The first few tell what is wrong.
    for came in all.iter().filter(missed).take(20) {
        let folder = out.join("misses").join(came.trial.key().replace(['|', '='], "_"));
        if !folder.exists() {
            std::fs::create_dir_all(&folder)?;
            let (model, _) = came.trial.run_in(&folder)?;
            proofstand::record::publish(&folder.join("run"), &model)?;
        }
    }
    Ok(())
}
