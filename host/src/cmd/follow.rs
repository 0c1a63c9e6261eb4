//! `--resume` and `--again`: a run that follows an earlier one.

use std::path::PathBuf;

use super::input::Selection;
use super::run_folder::read;
use super::unit::may_follow;
use crate::acceptance::Job;
use crate::checks::{self, Check};
use crate::record::follow;
use crate::record::model::{Fact, FollowWhy, Run};

/// Which earlier run is followed.
#[derive(Debug, Clone, Default, clap::Args)]
pub(super) struct Follow {
    /// Do what an earlier run left undone, in a new folder
    ///
    /// Also what was left out of it. Checks that the remaining ones need are made again first, since nobody knows what was
    /// touched meanwhile. All other results are taken over and named as such. With --only that check of them and what it
    /// needs.
    #[arg(long, value_name = "RUN", conflicts_with = "again")]
    resume: Option<PathBuf>,
    /// Make checks of an earlier run again, in a new folder; the new results count, better or worse
    ///
    /// Needs --only. What is superseded stays visible in the record and in the report.
    #[arg(long, value_name = "RUN", requires = "only")]
    again: Option<PathBuf>,
}

impl Follow {
    /// The checks to make, and the run that is followed. `now`: what is said of the unit on the bench; `confirmed`: a person
    /// will be asked whether it is the one of that run.
    ///
    /// # Errors
    /// A message for the person.
    #[allow(clippy::type_complexity, reason = "used once")]
    pub(super) fn plan(
        &self,
        job: &Job,
        selection: &Selection,
        now: &[Fact],
        confirmed: bool,
    ) -> Result<(Vec<&'static dyn Check>, Option<(FollowWhy, Run)>), String> {
        let (why, folder) = match (&self.resume, &self.again) {
            (Some(folder), _) => (FollowWhy::Resume, folder),
            (None, Some(folder)) => (FollowWhy::Again, folder),
            (None, None) => return Ok((selection.checks(job)?, None)),
        };
        let earlier = read(folder)?;
        if earlier.axis.sheet_crc32 != job.sheet_crc32() {
            return Err(format!(
                "the sheet is not the one of run {}: results against different sheets don't go into one record. \
                 Make a new acceptance",
                earlier.id
            ));
        }
        may_follow(&earlier, now, confirmed)?;
        let checks = match why {
            FollowWhy::Again => selection.checks(job)?,
            FollowWhy::Resume => {
                let left: Vec<_> = follow::left(&earlier).filter_map(checks::by_id).collect();
                if left.is_empty() {
                    return Err(format!("run {} left nothing undone", earlier.id));
                }
                if let Some(done) =
                    selection.only.iter().find(|id| !left.iter().any(|check| check.id() == **id))
                {
                    return Err(format!(
                        "run {} has {done} done: to make it again, give --again instead of --resume",
                        earlier.id
                    ));
                }
                if selection.only.is_empty() { checks::with_needs(&left) } else { selection.checks(job)? }
            }
        };
        Ok((checks, Some((why, earlier))))
    }
}
