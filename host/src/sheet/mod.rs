//! The axis sheet: TOML text to typed [`AxisSheet`].
//!
//! Every key has its unit in its name. One table of keys drives the parser, the suggestions, the defaults and the JSON
//! Schema. All faults of a text are found at once, each with its place and the nearest thing that would be right.

mod alike;
mod build;
mod conduct;
mod document;
mod error;
mod keys;
mod model;
mod render;
mod schema;
mod settings;
mod settings_keys;
mod signals;
mod words;

use std::io::Read as _;
use std::path::Path;

pub use alike::{Alike, nearly_the_same};
pub use conduct::*;
pub use error::{Fault, FaultKind, SHEET_BYTES_MAX, SheetError};
pub use model::*;
pub use render::line_and_column;
pub use schema::json_schema;
pub use settings::*;
pub use signals::*;

/// A sheet with the text it was read from.
#[derive(Debug, Clone, PartialEq)]
pub struct Loaded {
    /// The sheet.
    pub sheet: AxisSheet,
    /// The file's name without its folder.
    pub file: String,
    /// The whole text.
    pub text: String,
}

/// Reads a sheet from a file, at most [`SHEET_BYTES_MAX`] of it.
///
/// # Errors
/// [`SheetError`]: unreadable, too large, not UTF-8, empty, or with faults.
pub fn read(path: &Path) -> Result<Loaded, SheetError> {
    let unreadable = |source| SheetError::Unreadable { path: path.to_owned(), source };
    let mut bytes = Vec::new();
    let file = std::fs::File::open(path).map_err(unreadable)?;
    // One byte more than allowed tells "too large" apart, without reading all of a large file.
    file.take(SHEET_BYTES_MAX as u64 + 1).read_to_end(&mut bytes).map_err(unreadable)?;
    let shown = path.display().to_string();
    let sheet = parse(&shown, &bytes)?;
    let file = path.file_name().map_or(shown, |name| name.to_string_lossy().into_owned());
    // parse() has found the bytes to be UTF-8; nothing is lost here.
    Ok(Loaded { sheet, file, text: String::from_utf8_lossy(&bytes).into_owned() })
}

/// Makes a sheet of the bytes of a file; `file` is only shown in messages.
///
/// # Errors
/// [`SheetError`]: too large, not UTF-8, empty, or with faults, all of them listed.
pub fn parse(file: &str, bytes: &[u8]) -> Result<AxisSheet, SheetError> {
    let file = file.to_owned();
    if bytes.len() > SHEET_BYTES_MAX {
        return Err(SheetError::TooLarge { file });
    }
    let text = match std::str::from_utf8(bytes) {
        Ok(text) => text,
        Err(wrong) => {
            let good = String::from_utf8_lossy(bytes.get(..wrong.valid_up_to()).unwrap_or_default());
            let (line, column) = line_and_column(&good, good.len());
            let byte = bytes.get(wrong.valid_up_to()).copied().unwrap_or_default();
            return Err(SheetError::NotUtf8 { file, line, column, byte });
        }
    };
    if text.trim_start_matches('\u{FEFF}').trim().is_empty() {
        return Err(SheetError::Empty { file });
    }
    build::build(document::read(text)).map_err(|faults| SheetError::Faults {
        file,
        text: text.to_owned(),
        faults,
    })
}

#[cfg(test)]
mod tests;
