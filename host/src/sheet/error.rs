//! What can be wrong with a sheet.

use std::ops::Range;
use std::path::PathBuf;

use thiserror::Error;

/// Largest sheet that is read, bytes. A sheet is a few kilobytes; more is some other file.
pub const SHEET_BYTES_MAX: usize = 1 << 20;

/// A sheet that can't be used. Every one of these ends a command with exit code 2.
#[derive(Debug, Error)]
pub enum SheetError {
    /// The file can't be read.
    #[error("{}: can't read the axis sheet: {source}", path.display())]
    Unreadable {
        /// The file.
        path: PathBuf,
        /// What the system says.
        source: std::io::Error,
    },
    /// The file is too large to be a sheet.
    #[error(
        "{file}: larger than {} bytes: an axis sheet is a few kilobytes of TOML text; is this the right file?",
        SHEET_BYTES_MAX
    )]
    TooLarge {
        /// The file.
        file: String,
    },
    /// The file is no UTF-8 text.
    #[error(
        "{file}:{line}:{column}: not UTF-8 text (byte 0x{byte:02X}): an axis sheet is TOML, which is UTF-8; save it as UTF-8"
    )]
    NotUtf8 {
        /// The file.
        file: String,
        /// Line of the first wrong byte, from 1.
        line: usize,
        /// Column of the first wrong byte in characters, from 1.
        column: usize,
        /// The first wrong byte.
        byte: u8,
    },
    /// The file has nothing in it.
    #[error(
        "{file}: empty: an axis sheet starts with a table [axis]; `proofstand schema` prints what can be in it"
    )]
    Empty {
        /// The file.
        file: String,
    },
    /// The text has faults; all of them are listed.
    #[error("{}", super::render::plain(file, text, faults))]
    Faults {
        /// The file.
        file: String,
        /// Its text.
        text: String,
        /// What is wrong, in the order of the text. Never empty.
        faults: Vec<Fault>,
    },
}

/// One thing wrong with a sheet.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Fault {
    /// Which sort of thing.
    pub kind: FaultKind,
    /// Where, in bytes of the text.
    pub span: Range<usize>,
    /// Which table and key, as `motor.rated_rpm`; empty where the text is no TOML.
    pub key: String,
    /// Why it can't be used.
    pub why: String,
    /// What would be right: the nearest valid key or word, or what to do.
    pub help: Option<String>,
}

/// Sorts of faults.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum FaultKind {
    /// The text is no TOML.
    Syntax,
    /// No such table or key.
    Unknown,
    /// A table or key is missing.
    Missing,
    /// The value is of the wrong type.
    WrongType,
    /// The value alone is not possible: out of range, not finite, no such word.
    NotPossible,
    /// The value is not possible beside another.
    Contradiction,
}

impl SheetError {
    /// Every fault, if the text could be read that far.
    #[must_use]
    pub fn faults(&self) -> &[Fault] {
        match self {
            Self::Faults { faults, .. } => faults,
            _ => &[],
        }
    }
}
