//! A run's folder as a person names it: read, or what is wrong with it and which one may be meant.

use std::path::{Path, PathBuf};
use std::time::SystemTime;

use crate::acceptance::cut_off;
use crate::record::model::Run;
use crate::record::{JOURNAL, MODEL, open};
use crate::terminal::{Stream, width, wrapped};

/// Where runs go unless `--runs` says otherwise.
const RUNS: &str = "runs";
/// Among so many folders the nearest is looked for.
const LOOKED_AT: usize = 10_000;

/// A run from its folder, also if it was cut off.
///
/// # Errors
/// A message: what can't be read, or why it is no run's folder and which one may be meant.
pub(super) fn read(folder: &Path) -> Result<Run, String> {
    must_be(folder)?;
    Ok(match open(folder).map_err(|e| e.to_string())? {
        Ok(run) => run,
        Err(journal) => {
            let written = std::fs::metadata(folder.join(JOURNAL)).and_then(|m| m.modified()).ok();
            let written = written.and_then(|t| jiff::Timestamp::try_from(t).ok());
            let started = journal.opened.started.clone();
            cut_off(journal, written.map_or(started, |t| t.to_string()))
        }
    })
}

/// Whether it may be a run's folder: it has a model or a journal.
///
/// # Errors
/// A message: why it is none, what a run's folder is, which one may be meant.
pub(super) fn must_be(folder: &Path) -> Result<(), String> {
    if is_run(folder) {
        return Ok(());
    }
    let why = match folder.metadata() {
        Err(_) => "there is no such folder".to_owned(),
        Ok(found) if found.is_file() => "is a file, and a run is a folder".to_owned(),
        Ok(_) => format!("has neither {MODEL} nor {JOURNAL} in it, so it is no run's folder"),
    };
    let what = "A run's folder is made by `proofstand rehearse` and `proofstand accept`, in runs/ unless --runs named \
                another; its name is printed at the end of the run.";
    let indented = |text: &str| wrapped("  ", text, width(Stream::Err));
    Err(format!("{}: {why}.\n{}\n{}", folder.display(), indented(what), indented(&meant(folder))))
}

fn is_run(folder: &Path) -> bool {
    [MODEL, JOURNAL].iter().any(|file| folder.join(file).is_file())
}

/// Which run may be meant: the folder of a file, one of a like name, or the newest.
fn meant(given: &Path) -> String {
    let parent = given.parent().filter(|parent| !parent.as_os_str().is_empty());
    if given.is_file()
        && let Some(run) = parent.filter(|parent| is_run(parent))
    {
        return format!("The file's run is {}", run.display());
    }
    let name = |path: &Path| path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    let wanted = name(given);
    let places = [Some(given), parent, Some(Path::new(RUNS))];
    let runs: Vec<PathBuf> = places.into_iter().flatten().flat_map(runs_in).collect();
    let alike = runs
        .iter()
        .map(|run| (strsim::jaro_winkler(&wanted, &name(run)), run))
        .filter(|(likeness, _)| *likeness > 0.8)
        .max_by(|a, b| a.0.total_cmp(&b.0));
    let written = |run: &PathBuf| run.metadata().and_then(|m| m.modified()).unwrap_or(SystemTime::UNIX_EPOCH);
    match (alike, runs.iter().max_by_key(|run| written(run))) {
        (Some((_, run)), _) => format!("Did you mean {}?", run.display()),
        (None, Some(run)) => format!("The newest there is {}", run.display()),
        (None, None) => "There is no run here yet: `proofstand rehearse SHEET` makes one".to_owned(),
    }
}

fn runs_in(place: &Path) -> Vec<PathBuf> {
    let entries = std::fs::read_dir(place).into_iter().flatten().flatten().take(LOOKED_AT);
    entries.map(|entry| entry.path()).filter(|path| is_run(path)).collect()
}
