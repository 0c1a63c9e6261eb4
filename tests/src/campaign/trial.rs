//! One trial: an axis, perhaps a fault, a seed; and what came of it.

use std::path::Path;

use proofstand::acceptance::{Job, Setting, today};
use proofstand::checks;
use proofstand::fixture::Client;
use proofstand::record::RunFolder;
use proofstand::record::model::{ResultRow, Run, RunKind, Verdict};
use proofstand::rehearsal::{Disturbed, Fault, Noise, NoisyLink, Rehearsal, RehearsalError};
use proofstand::sequence::Quiet;
use serde::{Deserialize, Serialize};

use super::axes::axis;
use super::patience::Patience;
use crate::bench::Failure;

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

/// A measured gain; all of it over the stated one.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Gain {
    /// The gain.
    pub value: f64,
    /// Its standard uncertainty.
    pub standard_uncertainty: f64,
    /// Its expanded uncertainty, by which it was judged.
    pub expanded_uncertainty: f64,
    /// Lower limit.
    pub lower: f64,
    /// Upper limit.
    pub upper: f64,
    /// The verdict.
    pub verdict: Verdict,
}

/// A result that is less than three U from a limit, or whose tolerance is less than four U.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Tight {
    /// The result.
    pub id: String,
    /// Tolerance over U.
    pub capability: f64,
    /// Distance from the nearer limit over U.
    pub margin: f64,
}

impl Tight {
    fn of(row: &ResultRow) -> Option<Self> {
        let expanded = row.expanded_uncertainty.filter(|u| *u > 0.0)?;
        let measured = row.measured?;
        let (lower, upper) = (row.lower_limit, row.upper_limit);
        let tolerance = match (lower, upper) {
            (Some(lower), Some(upper)) => 0.5 * (upper - lower),
            // All that lies between the limit and the value that is aimed at, or nothing.
            (Some(limit), None) | (None, Some(limit)) => (limit - row.target.unwrap_or(0.0)).abs(),
            (None, None) => return None,
        };
        let from = |limit: f64| (limit - measured).abs();
        let margin = lower.map_or(f64::INFINITY, from).min(upper.map_or(f64::INFINITY, from)) / expanded;
        let capability = tolerance / expanded;
        (capability < 4.0 || margin < 3.0).then(|| Self { id: row.id.clone(), capability, margin })
    }
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
    /// Every result that was decided. Only of trials with noise.
    pub decided: Vec<(String, Verdict)>,
    /// The measured gain and its verdict.
    pub gain: Option<Gain>,
    /// Errors that the noise made.
    pub errors: u64,
    /// It came to no end by itself.
    pub hung: bool,
    /// It came out otherwise than the trial is meant to, and on a quiet cable it does so too.
    #[serde(default)]
    pub as_quiet: bool,
    /// Time it took, seconds of one core.
    pub seconds: f64,
    /// Results too near to a limit for a healthy axis as it is defined. Only of axes without a fault, on a quiet cable.
    #[serde(default)]
    pub tight: Vec<Tight>,
}

impl Trial {
    /// One line that names it, for a list and for resuming.
    #[must_use]
    pub fn key(&self) -> String {
        let fault = self.fault.as_deref().unwrap_or("healthy");
        format!("{}|{fault}|{:e}|{}", self.axis, self.noise, self.seed)
    }

    /// The trial of such a line.
    #[must_use]
    pub fn of(key: &str) -> Option<Self> {
        let mut parts = key.split('|');
        let axis = parts.next()?.parse().ok()?;
        let fault = parts.next().filter(|f| *f != "healthy").map(str::to_owned);
        let noise = parts.next()?.parse().ok()?;
        let seed = parts.next()?.parse().ok()?;
        parts.next().is_none().then_some(Self { axis, fault, noise, seed })
    }

    /// What the cable is like. From one error in a thousand bytes on the plug may fall out too.
    fn cable(&self) -> Noise {
        let unplug = if self.noise >= 1e-3 { 1e-4 * self.noise } else { 0.0 };
        Noise { unplug, ..Noise::errors(self.noise) }
    }

    /// Makes the run in a folder.
    ///
    /// # Errors
    /// Whatever keeps it from being made.
    pub fn run_in(&self, folder: &Path) -> Result<(Run, Disturbed), Failure> {
        let (name, text, sheet) = axis(self.axis)?;
        let job = Job::new(format!("{name}.toml"), text, sheet);
        let faults = self.fault.iter().map(|f| Fault::parse(f)).collect::<Result<Vec<_>, _>>()?;
        let today = today();
        let rehearsal = Rehearsal::new(&job.sheet, &faults, self.seed, today)?;
        let mut folder = RunFolder::create(folder, "run", true)?;
        let mut link = NoisyLink::new(Patience::new(rehearsal.link()), self.cable(), self.seed);
        let mut client = Client::connect(&mut link, &mut folder)?;
        let mut operator = rehearsal.operator(true);
        let setting = Setting {
            seed: Some(self.seed),
            faults: self.fault.iter().cloned().collect(),
            today,
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
        let started = this_core();
        let (run, disturbed) = match self.run_in(folder.path()) {
            Ok((run, disturbed)) => (Ok(run), disturbed),
            Err(failure) => {
                // A spec that can't be read is refused before; what a rehearsal refuses, this axis can't have.
                if matches!(failure.downcast_ref(), Some(RehearsalError::Fault(_))) {
                    return Ok(None);
                }
                (Err(failure.to_string()), Disturbed::default())
            }
        };
        let seconds = this_core() - started;
        let errors = disturbed.flips + disturbed.losses + disturbed.doubles;
        let mut came = Came { errors, seconds, ..Came::nothing(self) };
        match run {
            Ok(run) => came.take(&run),
            Err(why) => came.stopped = Some(why),
        }
        came.hung = came.stopped.as_ref().is_some_and(|why| why.contains(super::patience::OUT_OF_PATIENCE));
        let meant = if self.fault.is_some() { Verdict::Rejected } else { Verdict::Accepted };
        if self.noise > 0.0 && !came.hung && (came.stopped.is_some() || came.verdict != Some(meant)) {
            let quiet = Self { noise: 0.0, ..self.clone() };
            let folder = tempfile::tempdir()?;
            came.as_quiet = quiet.run_in(folder.path()).is_ok_and(|(run, _)| {
                run.outcome.stopped == came.stopped && Some(run.outcome.verdict) == came.verdict
            });
        }
        Ok(Some(came))
    }
}

/// Seconds that this thread has had of a core: what else the machine does is not in it.
fn this_core() -> f64 {
    let time = rustix::time::clock_gettime(rustix::time::ClockId::ThreadCPUTime);
    time.tv_sec as f64 + 1e-9 * time.tv_nsec as f64
}

impl Came {
    /// Nothing came yet.
    pub(super) fn nothing(trial: &Trial) -> Self {
        Self {
            trial: trial.clone(),
            verdict: None,
            stopped: None,
            causes: Vec::new(),
            not_accepted: Vec::new(),
            decided: Vec::new(),
            gain: None,
            errors: 0,
            hung: false,
            as_quiet: false,
            seconds: 0.0,
            tight: Vec::new(),
        }
    }

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
        if self.trial.fault.is_none() && self.trial.noise == 0.0 {
            self.tight = rows().filter_map(Tight::of).collect();
        }
        let gain = rows().find(|r| r.id == "command-scale.gain");
        self.gain = gain.and_then(|r| {
            let target = r.target?;
            let expanded = r.expanded_uncertainty? / target;
            Some(Gain {
                value: r.measured? / target,
                standard_uncertainty: expanded / r.coverage_factor?,
                expanded_uncertainty: expanded,
                lower: r.lower_limit? / target,
                upper: r.upper_limit? / target,
                verdict: r.verdict,
            })
        });
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_trial_is_found_by_its_line() {
        for fault in [None, Some("offset=0.2".to_owned())] {
            let trial = Trial { axis: 3, fault, noise: 1e-5, seed: 1_000_003 };
            assert_eq!(Trial::of(&trial.key()), Some(trial));
        }
        assert_eq!(Trial::of("3|healthy"), None);
    }
}
