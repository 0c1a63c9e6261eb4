//! The command that goes on with a run, as it can be pasted into a shell.

use std::fmt::{self, Display};
use std::path::Path;

use crate::record::follow::left;
use crate::record::model::Run;

/// A command line of this program, word by word.
#[derive(Debug, Clone)]
pub(super) struct Line(Vec<String>);

impl Line {
    /// A verb and its sheet.
    pub(super) fn new(verb: &str, sheet: &Path) -> Self {
        let sheet = sheet.display().to_string();
        // What begins like an option is none behind a folder.
        let sheet = if sheet.starts_with('-') { format!("./{sheet}") } else { sheet };
        Self(vec!["proofstand".to_owned(), verb.to_owned(), sheet])
    }

    /// With an option and its value.
    pub(super) fn with(mut self, option: &str, value: &dyn Display) -> Self {
        self.0.extend([option.to_owned(), value.to_string()]);
        self
    }

    /// With an option and each of these values.
    pub(super) fn with_each<T: Display>(self, option: &str, values: &[T]) -> Self {
        values.iter().fold(self, |line, value| line.with(option, value))
    }

    /// With options that take no value, where `so`.
    pub(super) fn where_so(mut self, so: bool, options: &[&str]) -> Self {
        if so {
            self.0.extend(options.iter().map(|o| (*o).to_owned()));
        }
        self
    }

    /// With the folder for records, where it is not the usual one.
    pub(super) fn runs(self, runs: &Path) -> Self {
        if runs == Path::new("runs") { self } else { self.with("--runs", &runs.display()) }
    }

    /// What does what a run left undone, and words before it; none if nothing is left, or nothing more was meant.
    pub(super) fn going_on(self, run: &Run, folder: &Path) -> Option<String> {
        let why = match &run.outcome.stopped {
            Some(_) => "To do what is left:",
            None if run.outcome.left_out.is_empty() || run.outcome.measurement => return None,
            None => "To make the rest:",
        };
        left(run).next()?;
        Some(format!("{why} {}\n", self.with("--resume", &folder.display())))
    }
}

impl Display for Line {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let words: Vec<String> = self.0.iter().map(|word| quoted(word)).collect();
        f.write_str(&words.join(" "))
    }
}

/// A word as a POSIX shell takes it for one.
pub(super) fn quoted(word: &str) -> String {
    let plain = |c: char| c.is_alphanumeric() || "_@%+=:,./-".contains(c);
    if !word.is_empty() && word.chars().all(plain) {
        word.to_owned()
    } else {
        format!("'{}'", word.replace('\'', "'\\''"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_word_that_a_shell_would_take_apart_is_quoted() {
        let line = Line::new("accept", Path::new("my axes/winder.toml"))
            .with("--port", &"/dev/ttyACM0")
            .where_so(true, &["--unattended", "--cautions-kept"])
            .where_so(false, &["--never"])
            .with_each("--identity", &["operator=Kim's"])
            .runs(Path::new("all runs"));
        assert_eq!(
            line.to_string(),
            "proofstand accept 'my axes/winder.toml' --port /dev/ttyACM0 --unattended --cautions-kept \
             --identity 'operator=Kim'\\''s' --runs 'all runs'"
        );
        assert_eq!(
            Line::new("rehearse", Path::new("-rf.toml")).runs(Path::new("runs")).to_string(),
            "proofstand rehearse ./-rf.toml"
        );
    }
}
