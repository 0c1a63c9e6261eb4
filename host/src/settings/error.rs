//! What can be wrong with a table of settings.

use std::path::PathBuf;

use thiserror::Error;

use super::harmless::visible;

/// Largest table that is read, bytes. A table of settings is at most some thousand lines; more is some other file.
pub const TABLE_BYTES_MAX: usize = 8 << 20;

/// A place in a text file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Place {
    /// The file, as it was given.
    pub file: String,
    /// Line, from 1.
    pub line: usize,
    /// Column in characters, from 1.
    pub column: usize,
}

impl std::fmt::Display for Place {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}:{}:{}", visible(&self.file), self.line, self.column)
    }
}

/// A table of settings that can't be used. Every one of these ends a command with exit code 2.
#[derive(Debug, Error)]
pub enum SettingsError {
    /// The file can't be read.
    #[error("{}: can't read the table of settings: {source}", visible(&path.display().to_string()))]
    Unreadable {
        /// The file.
        path: PathBuf,
        /// What the system says.
        source: std::io::Error,
    },
    /// The file is too large to be a table of settings.
    #[error("{}: larger than {TABLE_BYTES_MAX} bytes: is this the exported table?", visible(file))]
    TooLarge {
        /// The file.
        file: String,
    },
    /// The sheet does not say how a table is written.
    #[error(
        "the axis sheet has no table [settings]: it names the column headings of the exported table; \
         `proofstand schema` prints what can be in it"
    )]
    NoLayout,
    /// A byte that the encoding does not have.
    #[error("{place}: not {encoding}: set `encoding` in [settings] of the sheet to that of the export")]
    Encoding {
        /// Where.
        place: Place,
        /// The encoding that was expected.
        encoding: &'static str,
    },
    /// The text is no well-formed delimited text, or means nothing for sure.
    #[error("{place}: {why}\n     = {help}")]
    Malformed {
        /// Where.
        place: Place,
        /// Why it can't be used.
        why: String,
        /// What to do.
        help: String,
    },
}
