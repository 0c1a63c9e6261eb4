//! One trial: an axis, perhaps a fault, a seed; and what came of it.

use core::time::Duration;
use std::path::Path;

use proofstand::acceptance::{Job, Setting, today};
use proofstand::checks;
use proofstand::fixture::{Client, FixtureError};
use proofstand::link::Link as _;
use proofstand::record::RunFolder;
use proofstand::record::model::{ResultRow, Run, RunKind, Verdict};
use proofstand::rehearsal::{Disturbed, Fault, Noise, NoisyLink, Rehearsal, RehearsalError};
use proofstand::sequence::Quiet;
use proofstand_plant::Random;
use proofstand_protocol::message::State;
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

/// How long after a run's end, whatever ended it, nothing may be commanded any more and enable must be open: the
/// fixture's longest patience with a silent host, 100 ms, its contacts, and something to spare.
const SAFE_WITHIN: Duration = Duration::from_millis(150);
/// Volts that are none: what a welded output contact lets through of a converter at 0.
const NO_VOLTS: f64 = 0.01;
/// From so many errors a byte on the cable also goes dumb for longer than a fixture waits for its host. Since no run gets to
/// a motion on such a cable, half of them begin on a quiet one that goes bad.
const BAD_FROM: f64 = 1e-2;
/// The longest of these stalls, three times the fixture's patience.
const LONG_STALL: Duration = Duration::from_millis(300);
/// Chance of one, a byte: about one a second.
const LONG_STALLS: f64 = 2e-5;
/// A cable that goes bad does so within this time of a run, most of which is motion.
const GOES_BAD_WITHIN: Duration = Duration::from_secs(40);

/// The command terminals and the enable contact around the end of a run.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Terminals {
    /// Enable was closed when the run ended.
    pub closed_at_end: bool,
    /// A trip is latched, and nobody has acknowledged it.
    pub tripped: bool,
    /// Volts between the command terminals when a fixture must have made itself safe.
    pub volts: f64,
    /// Enable was closed then.
    pub closed: bool,
}

impl Terminals {
    /// Nothing is commanded, and enable is open.
    #[must_use]
    pub fn safe(&self) -> bool {
        self.volts.abs() < NO_VOLTS && !self.closed
    }
}

/// A run that was made, and its bench.
pub struct Made {
    /// The run; or why there could be none: a greeting that never got through.
    pub run: Result<Run, FixtureError>,
    /// What the noise did.
    pub disturbed: Disturbed,
    /// What the run left.
    pub terminals: Terminals,
    /// Time it took, seconds of one core.
    pub seconds: f64,
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
    /// Distance from the nearer limit over U; negative: beyond it.
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
        let above = lower.map_or(f64::INFINITY, |lower| measured - lower);
        let below = upper.map_or(f64::INFINITY, |upper| upper - measured);
        let margin = above.min(below) / expanded;
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
    /// The plug fell out.
    #[serde(default)]
    pub unplugged: bool,
    /// What it left at the terminals; none: there was no bench.
    #[serde(default)]
    pub terminals: Option<Terminals>,
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

    /// What the cable is like. From one error in a thousand bytes on the plug may fall out too; see [`BAD_FROM`] for more.
    fn cable(&self) -> Noise {
        let unplug = if self.noise >= 1e-3 { 1e-4 * self.noise } else { 0.0 };
        let noise = Noise { unplug, ..Noise::errors(self.noise) };
        if self.noise < BAD_FROM {
            return noise;
        }
        let goes_bad = !self.seed.is_multiple_of(2);
        let share = if goes_bad { Random::new(!self.seed).uniform() } else { 0.0 };
        let from = GOES_BAD_WITHIN.mul_f64(share);
        Noise { from, long_stall: LONG_STALLS, longest_long_stall: LONG_STALL, ..noise }
    }

    /// Makes the run in a folder, and lets its bench stand by itself afterwards.
    ///
    /// # Errors
    /// Whatever keeps it from being begun.
    pub fn run_in(&self, folder: &Path) -> Result<Made, Failure> {
        let started = this_core();
        let (name, text, sheet) = axis(self.axis)?;
        let job = Job::new(format!("{name}.toml"), text, sheet);
        let faults = self.fault.iter().map(|f| Fault::parse(f)).collect::<Result<Vec<_>, _>>()?;
        let today = today();
        let rehearsal = Rehearsal::new(&job.sheet, &faults, self.seed, today)?;
        let mut folder = RunFolder::create(folder, "run", true)?;
        let mut link = NoisyLink::new(Patience::new(rehearsal.link()), self.cable(), self.seed);
        let setting = Setting {
            seed: Some(self.seed),
            faults: self.fault.iter().cloned().collect(),
            today,
            ..Setting::default()
        };
        let run = Client::connect(&mut link, &mut folder).map(|mut client| {
            let mut operator = rehearsal.operator(true);
            job.run(
                RunKind::Rehearsal,
                checks::ALL,
                &setting,
                &mut client,
                &mut folder,
                &mut operator,
                &mut Quiet,
            )
        });
        let (disturbed, seconds) = (link.disturbed(), this_core() - started);
        Ok(Made { run, disturbed, terminals: left_alone(&rehearsal)?, seconds })
    }

    /// Makes the run in a folder that is thrown away, and says what came of it. A fault that the axis can't have gives
    /// none.
    ///
    /// # Errors
    /// If there is no place for a folder.
    pub fn make(&self) -> Result<Option<Came>, Failure> {
        let folder = tempfile::tempdir()?;
        let mut came = Came::nothing(self);
        match self.run_in(folder.path()) {
            Ok(made) => came.take_all(made),
            // A spec that can't be read is refused before; what a rehearsal refuses, this axis can't have.
            Err(failure) if matches!(failure.downcast_ref(), Some(RehearsalError::Fault(_))) => {
                return Ok(None);
            }
            Err(failure) => came.stopped = Some(failure.to_string()),
        }
        came.hung = came.stopped.as_ref().is_some_and(|why| why.contains(super::patience::OUT_OF_PATIENCE));
        let meant = if self.fault.is_some() { Verdict::Rejected } else { Verdict::Accepted };
        if self.noise > 0.0 && !came.hung && (came.stopped.is_some() || came.verdict != Some(meant)) {
            let quiet = Self { noise: 0.0, ..self.clone() };
            let folder = tempfile::tempdir()?;
            came.as_quiet = quiet.run_in(folder.path()).is_ok_and(|made| {
                made.run.is_ok_and(|run| {
                    run.outcome.stopped == came.stopped && Some(run.outcome.verdict) == came.verdict
                })
            });
        }
        Ok(Some(came))
    }
}

/// Nobody speaks to the fixture any more: how its terminals stand now, and when it must have made itself safe.
fn left_alone(rehearsal: &Rehearsal) -> Result<Terminals, Failure> {
    let (_, closed_at_end) = rehearsal.at_the_terminals();
    let mut link = rehearsal.link();
    let until = link.now() + SAFE_WITHIN;
    while link.now() < until {
        // What the fixture says is taken from it and heard by nobody; without anything to say, its time passes.
        link.receive(&mut [0; 4096], Duration::from_millis(1))?;
    }
    let (volts, closed) = rehearsal.at_the_terminals();
    let tripped = rehearsal.state() == State::Tripped;
    Ok(Terminals { closed_at_end, tripped, volts: volts.get(), closed })
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
            unplugged: false,
            terminals: None,
            hung: false,
            as_quiet: false,
            seconds: 0.0,
            tight: Vec::new(),
        }
    }

    fn take_all(&mut self, made: Made) {
        self.errors = made.disturbed.flips + made.disturbed.losses + made.disturbed.doubles;
        self.unplugged = made.disturbed.unplugged;
        self.terminals = Some(made.terminals);
        self.seconds = made.seconds;
        match made.run {
            Ok(run) => self.take(&run),
            Err(why) => self.stopped = Some(why.to_string()),
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

    /// On this seed the cable loses samples just when torque goes.
    #[test]
    fn a_release_of_which_the_cable_lost_samples_is_made_once_more() {
        let once_more = |key: &str| {
            let folder = tempfile::tempdir().unwrap();
            let run = Trial::of(key).unwrap().run_in(folder.path()).unwrap().run.unwrap();
            let check = run.checks.iter().find(|check| check.id == "enable-off-turning").unwrap();
            assert_eq!(check.verdict, Verdict::Accepted, "{key}");
            check.steps.iter().filter(|step| step.what.starts_with("Once more")).count()
        };
        assert_eq!(once_more("22|healthy|1e-5|4300022"), 2, "both ways");
        assert_eq!(once_more("22|healthy|0e0|4300022"), 0);
    }
}
