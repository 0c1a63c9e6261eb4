//! What several verbs read from the command line.

use std::path::{Path, PathBuf};

use crate::acceptance::Job;
use crate::checks::{self, Check};
use crate::cmd::names;
use crate::cmd::targets::render;

/// Which checks, and where the record goes.
#[derive(Debug, Clone, clap::Args)]
pub(super) struct Selection {
    /// Make only this check, and those that it needs before it (repeatable)
    ///
    /// That is a part: the axis is not accepted by it (exit code 3 where nothing was rejected), and --resume makes the rest.
    /// With --again of a whole run the other results stand.
    #[arg(long, value_name = "CHECK", value_parser = names::checks())]
    pub(super) only: Vec<String>,
    /// Make also the checks that need those of --only: after a change, what was built on it is made again
    #[arg(long, requires = "only")]
    pub(super) with_dependents: bool,
    /// Folder in which the run's own folder is made
    #[arg(long, value_name = "FOLDER", default_value = "runs")]
    pub(super) runs: PathBuf,
}

impl Selection {
    /// The checks asked for and all that they need, in order.
    ///
    /// # Errors
    /// A message with the nearest valid name for a check that there is not, or that is for another kind of command.
    pub(super) fn checks(&self, job: &Job) -> Result<Vec<&'static dyn Check>, String> {
        if self.only.is_empty() {
            return Ok(checks::ALL.to_vec());
        }
        let asked: Result<Vec<_>, String> = self
            .only
            .iter()
            .map(|id| checks::by_id(id).ok_or_else(|| unknown("check", id, checks::every().map(|c| c.id()))))
            .collect();
        let mut asked = asked?;
        if let Some(other) = asked.iter().find(|c| !c.is_for(&job.sheet)) {
            let command = if job.sheet.command.pair.is_torque() { "torque" } else { "speed" };
            let can: Vec<&str> = checks::every().filter(|c| c.is_for(&job.sheet)).map(|c| c.id()).collect();
            return Err(format!(
                "check `{}` says nothing about an axis that takes a {command} command. There are for it: {}",
                other.id(),
                can.join(", ")
            ));
        }
        if self.with_dependents {
            asked.extend(checks::dependent_on(&asked));
        }
        Ok(checks::with_needs(&asked))
    }
}

/// A name that there is not, with the nearest one that there is.
pub(super) fn unknown<'a>(kind: &str, given: &str, valid: impl Iterator<Item = &'a str>) -> String {
    let valid: Vec<&str> = valid.collect();
    let nearest = valid
        .iter()
        .map(|v| (strsim::jaro_winkler(given, v), v))
        .filter(|(likeness, _)| *likeness > 0.7)
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, v)| format!(" Did you mean `{v}`?"))
        .unwrap_or_default();
    let shown: String = given.chars().filter(|c| !c.is_control()).take(60).collect();
    format!("there is no {kind} `{shown}`.{nearest} There are: {}", valid.join(", "))
}

/// The sheet's name takes at most so many characters of a run's.
const STEM_MOST: usize = 80;

/// Name of a run and of its folder: of the sheet's file, what is made, when. A name, never a path.
pub(super) fn run_name(sheet: &Path, word: &str) -> String {
    let stem = sheet.file_stem().map(|s| s.to_string_lossy().into_owned()).unwrap_or_default();
    let plain = |c: char| if c.is_alphanumeric() || matches!(c, '-' | '_' | '.') { c } else { '_' };
    let stem: String = stem.chars().take(STEM_MOST).map(plain).collect();
    let stem = stem.trim_start_matches(['.', '-']);
    let stem = if stem.is_empty() { "run" } else { stem };
    format!("{stem}-{word}-{}", crate::acceptance::stamp())
}

/// Reads a sheet and works out what follows from it.
///
/// # Errors
/// A message for the person, already laid out: file, line, key, why, nearest valid key.
pub(super) fn job(path: &Path) -> Result<Job, String> {
    let loaded = crate::sheet::read(path).map_err(|error| render(&error))?;
    Ok(Job::new(loaded.file, loaded.text, loaded.sheet))
}

#[cfg(test)]
mod tests {
    use super::run_name;
    use std::path::Path;

    #[test]
    fn a_run_s_name_is_a_name_whatever_the_sheet_is_called() {
        let stem = |sheet: &str| {
            let name = run_name(Path::new(sheet), "rehearsal");
            let (stem, stamp) = name.rsplit_once("-rehearsal-").unwrap();
            assert_eq!(stamp.len(), "20260304T091244Z".len());
            stem.to_owned()
        };
        for (sheet, wanted) in [
            ("a/b/film-winder.toml", "film-winder"),
            ("..", "run"),
            ("/", "run"),
            ("...toml", "run"),
            ("--help.toml", "help"),
            ("=cmd\u{1b}[2J\u{202e}x y.toml", "_cmd__2J_x_y"),
            ("a\\..\\b.toml", "a_.._b"),
            ("Spindel_größer.toml", "Spindel_größer"),
        ] {
            assert_eq!(stem(sheet), wanted, "{sheet:?}");
        }
        assert_eq!(stem(&"x".repeat(5000)).len(), 80);
    }
}
