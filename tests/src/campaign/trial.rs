//! One trial: an axis, perhaps a fault, a seed; and what came of it.

use std::path::Path;

use proofstand::acceptance::{Job, Setting};
use proofstand::checks;
use proofstand::fixture::Client;
use proofstand::record::RunFolder;
use proofstand::record::model::{Run, RunKind, Verdict};
use proofstand::rehearsal::{Disturbed, Fault, Noise, NoisyLink, Rehearsal};
use proofstand::sequence::Quiet;
use serde::{Deserialize, Serialize};

use super::axes::axis;
use crate::bench::{Failure, TODAY};

/// What is tried.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Trial {
    /// Number of the axis in the population.
    pub axis: usize,
    /// The fault, as on the command line; none: healthy.
    pub fault: Option<String>,
    /// Errors a byte on the cable.
    pub noise: f64,
    /// Seed of all that is drawn.
    pub seed: u64,
}

/// What came of it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Came {
    /// What was tried.
    pub trial: Trial,
    /// The run's verdict; none: no run could be made.
    pub verdict: Option<Verdict>,
    /// What stopped it.
    pub stopped: Option<String>,
    /// Causes in the order of their rank.
    pub causes: Vec<String>,
    /// Results that are not accepted, with their verdicts.
    pub not_accepted: Vec<(String, Verdict)>,
    /// Every result that was decided. Only of trials with noise: they are compared with the same run without.
    pub decided: Vec<(String, Verdict)>,
    /// Measured gain over the stated one, and its expanded uncertainty (k = 2) likewise.
    pub gain: Option<(f64, f64)>,
    /// Errors that the noise made.
    pub errors: u64,
    /// Time it took, seconds of one core.
    pub seconds: f64,
}

impl Trial {
    /// One line that names it, for a list and for resuming.
    #[must_use]
    pub fn key(&self) -> String {
        let fault = self.fault.as_deref().unwrap_or("healthy");
        format!("{}|{fault}|{:e}|{}", self.axis, self.noise, self.seed)
    }

    /// Makes the run in a folder.
    ///
    /// # Errors
    /// Whatever keeps it from being made.
    pub fn run_in(&self, folder: &Path) -> Result<(Run, Disturbed), Failure> {
        let (name, text, sheet) = axis(self.axis)?;
        let job = Job::new(format!("{name}.toml"), text, sheet);
        let faults = self.fault.iter().map(|f| Fault::parse(f)).collect::<Result<Vec<_>, _>>()?;
        let rehearsal = Rehearsal::new(&job.sheet, &faults, self.seed, TODAY)?;
        let mut folder = RunFolder::create(folder, "run", true)?;
        let mut link = NoisyLink::new(rehearsal.link(), Noise::errors(self.noise), self.seed);
        let mut client = Client::connect(&mut link, &mut folder)?;
        let mut operator = rehearsal.operator(true);
        let setting = Setting {
            seed: Some(self.seed),
            faults: self.fault.iter().cloned().collect(),
            today: TODAY,
            ..Setting::default()
        };
        let run = job.run(
            RunKind::Rehearsal,
            checks::ALL,
            &setting,
            &mut client,
            &mut folder,
            &mut operator,
            &mut Quiet,
        );
        drop(client);
        Ok((run, link.disturbed()))
    }

    /// Makes the run in a folder that is thrown away, and says what came of it. A fault that the axis can't have gives
    /// none.
    ///
    /// # Errors
    /// If there is no place for a folder.
    pub fn make(&self) -> Result<Option<Came>, Failure> {
        let folder = tempfile::tempdir()?;
        let started = std::time::Instant::now();
        let (run, disturbed) = match self.run_in(folder.path()) {
            Ok((run, disturbed)) => (Some(Ok(run)), disturbed),
            Err(failure) => {
                if failure.to_string().contains("can't be had on this axis") {
                    return Ok(None);
                }
                (Some(Err(failure.to_string())), Disturbed::default())
            }
        };
        let seconds = started.elapsed().as_secs_f64();
        let errors = disturbed.flips + disturbed.losses + disturbed.doubles;
        let mut came = Came {
            trial: self.clone(),
            verdict: None,
            stopped: None,
            causes: Vec::new(),
            not_accepted: Vec::new(),
            decided: Vec::new(),
            gain: None,
            errors,
            seconds,
        };
        match run {
            Some(Ok(run)) => came.take(&run),
            Some(Err(why)) => came.stopped = Some(why),
            None => {}
        }
        Ok(Some(came))
    }
}

impl Came {
    fn take(&mut self, run: &Run) {
        self.verdict = Some(run.outcome.verdict);
        self.stopped.clone_from(&run.outcome.stopped);
        self.causes = run.diagnoses.iter().map(|d| d.id.clone()).collect();
        let rows = || run.checks.iter().flat_map(|c| &c.results);
        self.not_accepted =
            rows().filter(|r| r.verdict != Verdict::Accepted).map(|r| (r.id.clone(), r.verdict)).collect();
        let undone = run.checks.iter().filter(|c| c.verdict == Verdict::NotDone);
        self.not_accepted.extend(undone.map(|c| (c.id.clone(), Verdict::NotDone)));
        if self.trial.noise > 0.0 {
            let decided = rows().filter(|r| matches!(r.verdict, Verdict::Accepted | Verdict::Rejected));
            self.decided = decided.map(|r| (r.id.clone(), r.verdict)).collect();
        }
        let gain = rows().find(|r| r.id == "command-scale.gain");
        self.gain = gain.and_then(|r| {
            let target = r.target?;
            let expanded = r.expanded_uncertainty? * 2.0 / r.coverage_factor?;
            Some((r.measured? / target, expanded / target))
        });
    }
}
