//! Whole runs on the virtual bench, for tests.

use std::path::{Path, PathBuf};

use proofstand::acceptance::{Job, Setting, today};
use proofstand::checks::{self, Check};
use proofstand::fixture::Client;
use proofstand::record::RunFolder;
use proofstand::record::model::{CheckRecord, ResultRow, Run, RunKind};
use proofstand::rehearsal::{Disturbed, Fault, Noise, NoisyLink, Rehearsal, RehearsedOperator};
use proofstand::sequence::{Attendant, Quiet};

/// A fixed day on which the invented calibration is in date. Runs of a [`Plan`] are made on their own day, so that what their
/// record says of the calibration agrees with when it was made.
pub const TODAY: u32 = 20_000;

/// What to rehearse.
#[derive(Debug, Clone)]
pub struct Plan {
    /// The sheet's file.
    pub sheet: PathBuf,
    /// Faults, as on the command line.
    pub faults: Vec<String>,
    /// Seed.
    pub seed: u64,
    /// Checks to make with those they need; empty: all.
    pub only: Vec<String>,
    /// Somebody answers which way the shaft turned.
    pub attended: bool,
    /// On the cable.
    pub noise: Noise,
}

/// Anything that keeps a run from being made.
pub type Failure = Box<dyn std::error::Error>;

/// A sheet of the demonstrations.
#[must_use]
pub fn demo(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../host/sheets").join(name)
}

impl Plan {
    /// The film winder, healthy.
    #[must_use]
    pub fn film_winder() -> Self {
        Self {
            sheet: demo("film-winder.toml"),
            faults: Vec::new(),
            seed: 1,
            only: Vec::new(),
            attended: true,
            noise: Noise::errors(0.0),
        }
    }

    /// The auger, healthy: an axis that takes a speed command.
    #[must_use]
    pub fn batch_auger() -> Self {
        Self { sheet: demo("batch-auger.toml"), ..Self::film_winder() }
    }

    /// With a fault.
    #[must_use]
    pub fn fault(mut self, fault: &str) -> Self {
        self.faults.push(fault.to_owned());
        self
    }

    /// With a seed.
    #[must_use]
    pub const fn seed(mut self, seed: u64) -> Self {
        self.seed = seed;
        self
    }

    /// With noise on the cable.
    #[must_use]
    pub const fn noise(mut self, noise: Noise) -> Self {
        self.noise = noise;
        self
    }

    /// With one check only, and those it needs.
    #[must_use]
    pub fn only(mut self, check: &str) -> Self {
        self.only.push(check.to_owned());
        self
    }

    /// Makes the run in a folder and gives its model. The folder holds journal and samples afterwards.
    ///
    /// # Errors
    /// Whatever keeps it from being made.
    pub fn run_in(&self, folder: &Path) -> Result<(Run, PathBuf), Failure> {
        let (run, folder, _) = self.disturbed_run_in(folder)?;
        Ok((run, folder))
    }

    /// The same, and what the noise on the cable did.
    ///
    /// # Errors
    /// Whatever keeps it from being made; a greeting that never got through among them.
    pub fn disturbed_run_in(&self, folder: &Path) -> Result<(Run, PathBuf, Disturbed), Failure> {
        self.made_with(folder, |person| Box::new(person))
    }

    /// The same with another person beside the bench, who may leave some things to the simulated one.
    ///
    /// # Errors
    /// Whatever keeps it from being made.
    pub fn run_with(
        &self,
        folder: &Path,
        person: impl FnOnce(RehearsedOperator) -> Box<dyn Attendant>,
    ) -> Result<Run, Failure> {
        Ok(self.made_with(folder, person)?.0)
    }

    fn made_with(
        &self,
        folder: &Path,
        person: impl FnOnce(RehearsedOperator) -> Box<dyn Attendant>,
    ) -> Result<(Run, PathBuf, Disturbed), Failure> {
        let read = proofstand::sheet::read(&self.sheet)?;
        let job = Job::new(read.file, read.text, read.sheet);
        let faults = self.faults.iter().map(|f| Fault::parse(f)).collect::<Result<Vec<_>, _>>()?;
        let today = today();
        let rehearsal = Rehearsal::new(&job.sheet, &faults, self.seed, today)?;
        let mut folder = RunFolder::create(folder, "run", true)?;
        let mut link = NoisyLink::new(rehearsal.link(), self.noise, self.seed);
        let mut client = Client::connect(&mut link, &mut folder)?;
        let mut operator = person(rehearsal.operator(self.attended));
        let setting =
            Setting { seed: Some(self.seed), faults: self.faults.clone(), today, ..Setting::default() };
        let run = job.run(
            RunKind::Rehearsal,
            &self.checks()?,
            &setting,
            &mut client,
            &mut folder,
            operator.as_mut(),
            &mut Quiet,
        );
        folder.sync()?;
        drop(client);
        Ok((run, folder.path().to_owned(), link.disturbed()))
    }

    /// Makes the run in a folder that is thrown away.
    ///
    /// # Errors
    /// Whatever keeps it from being made.
    pub fn run(&self) -> Result<Run, Failure> {
        let folder = tempfile::tempdir()?;
        Ok(self.run_in(folder.path())?.0)
    }

    fn checks(&self) -> Result<Vec<&'static dyn Check>, Failure> {
        if self.only.is_empty() {
            return Ok(checks::ALL.to_vec());
        }
        let asked: Option<Vec<_>> = self.only.iter().map(|id| checks::by_id(id)).collect();
        Ok(checks::with_needs(&asked.ok_or("no such check")?))
    }
}

/// A check of a run.
#[must_use]
pub fn check<'a>(run: &'a Run, id: &str) -> Option<&'a CheckRecord> {
    run.checks.iter().find(|c| c.id == id)
}

/// A result of a run.
#[must_use]
pub fn row<'a>(run: &'a Run, id: &str) -> Option<&'a ResultRow> {
    run.checks.iter().flat_map(|c| &c.results).find(|r| r.id == id)
}
