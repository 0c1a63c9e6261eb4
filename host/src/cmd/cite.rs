//! `--direction-from`: an earlier attended record that says which way the shaft turns.

use std::path::{Path, PathBuf};

use super::identity::OPERATOR;
use super::run_folder::must_be;
use super::unit::same_unit;
use crate::acceptance::Job;
use crate::checks::{CitedDirection, Turned};
use crate::record::model::{CheckRecord, Fact, Run, RunKind, Verdict};
use crate::record::{open, read_journal};

/// The check and the result that hold a person's answer.
const CHECK: &str = "nudge";
const RESULT: &str = "nudge.direction";

/// Which record is cited.
#[derive(Debug, Clone, Default, clap::Args)]
pub(super) struct Cite {
    /// Take direction from an earlier attended run of the same unit and wiring, where nobody answers
    ///
    /// The record must be whole, a person must have answered in it, and amplifier, motor, firmware, wiring and
    /// direction must be the same. A rehearsal is never cited for an acceptance.
    #[arg(long, value_name = "RUN")]
    pub(super) direction_from: Option<PathBuf>,
}

impl Cite {
    /// What the record bears, if one is cited.
    ///
    /// # Errors
    /// A message for the person: what of the record keeps it from being cited.
    pub(super) fn read(
        &self,
        job: &Job,
        kind: RunKind,
        identity: &[Fact],
    ) -> Result<Option<CitedDirection>, String> {
        let Some(folder) = &self.direction_from else { return Ok(None) };
        cited(folder, job, kind, identity)
            .map(Some)
            .map_err(|why| format!("{} can't be cited for direction: {why}", folder.display()))
    }
}

fn cited(folder: &Path, job: &Job, kind: RunKind, identity: &[Fact]) -> Result<CitedDirection, String> {
    must_be(folder)?;
    let run = open(folder)
        .map_err(|e| e.to_string())?
        .map_err(|_| "its record is not whole: the run was cut off".to_owned())?;
    if let Some(why) = &run.outcome.stopped {
        return Err(format!("its record is not whole: {why}"));
    }
    if run.kind != kind || run.provenance.simulated != (kind == RunKind::Rehearsal) {
        return Err(match kind {
            RunKind::Acceptance => "it is a rehearsal, which proves nothing about a real axis".to_owned(),
            RunKind::Rehearsal => {
                "it is an acceptance, and this run is a rehearsal: the two are kept apart".to_owned()
            }
        });
    }
    let turned = answered(&run)?;
    as_in_the_journal(folder, &run, turned)?;
    same_wiring(&run, job)?;
    same_unit(&run, identity)?;
    let by = run.axis.identity.iter().find(|f| f.label == OPERATOR).map_or("a person", |f| &f.value);
    let by = run.acknowledged_by.as_deref().unwrap_or(by);
    Ok(CitedDirection { run: run.id.clone(), on: run.started.clone(), by: by.to_owned(), turned })
}

/// What a person answered in this very run, as it was accepted.
fn answered(run: &Run) -> Result<Turned, String> {
    let taken_over = run.follows.iter().flat_map(|f| &f.taken_over).find(|t| t.check == CHECK);
    if let Some(taken) = taken_over {
        return Err(format!("its direction comes from run {}: cite that one", taken.run));
    }
    let check = run.checks.iter().find(|c| c.id == CHECK).ok_or("its first motion was not made in it")?;
    let row = check.results.iter().find(|r| r.id == RESULT);
    let row = row.filter(|r| r.verdict == Verdict::Accepted).ok_or("its direction was not accepted")?;
    let all = [Turned::Clockwise, Turned::Counterclockwise];
    let answer =
        all.into_iter().find(|t| answer_step(check, *t) && row.measured_text.as_deref() == Some(t.word()));
    answer
        .ok_or_else(|| "nobody answered in it: it was itself unattended, or cites another record".to_owned())
}

fn answer_step(check: &CheckRecord, turned: Turned) -> bool {
    check.steps.iter().any(|s| s.ended == format!("answered: {}", turned.word()))
}

/// The model says what the journal says, which was written while it happened.
fn as_in_the_journal(folder: &Path, run: &Run, turned: Turned) -> Result<(), String> {
    let journal = read_journal(folder).map_err(|e| e.to_string())?;
    if journal.damaged_lines > 0 {
        return Err(format!(
            "its record is not whole: {} lines of its journal can't be read",
            journal.damaged_lines
        ));
    }
    let told = journal.checks.iter().rfind(|c| c.id == CHECK);
    let same = told.is_some_and(|c| {
        let row = c.results.iter().find(|r| r.id == RESULT);
        answer_step(c, turned) && row.is_some_and(|r| r.verdict == Verdict::Accepted)
    });
    if journal.opened.id != run.id || journal.opened.axis != run.axis || !same {
        return Err("its model and its journal do not say the same: one of them was changed".to_owned());
    }
    Ok(())
}

fn same_wiring(run: &Run, job: &Job) -> Result<(), String> {
    let crc = crc::Crc::<u32>::new(&crc::CRC_32_ISO_HDLC).checksum(run.axis.sheet_text.as_bytes());
    if format!("{crc:08x}") != run.axis.sheet_crc32 {
        return Err("the sheet in it does not have the CRC-32 that it states".to_owned());
    }
    let sheet = crate::sheet::parse(&run.axis.sheet_file, run.axis.sheet_text.as_bytes())
        .map_err(|_| "the sheet in it can't be read any more".to_owned())?;
    if sheet.wiring != job.sheet.wiring {
        return Err("its sheet has another [wiring]".to_owned());
    }
    if sheet.direction != job.sheet.direction {
        return Err("its sheet has another [direction]".to_owned());
    }
    Ok(())
}
