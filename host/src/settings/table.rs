//! An exported table to settings.

use std::collections::HashMap;
use std::io::Read as _;
use std::path::Path;

use super::decimal::{Decimal, grouped};
use super::decode::decode;
use super::delimited::{Field, Record, read};
use super::error::{Place, SettingsError, TABLE_BYTES_MAX};
use super::harmless::visible;
use crate::sheet::{DecimalSign, Delimiter, TableLayout};

/// Headings are looked for in so many records: above them a tool writes its name, a date, a comment.
const HEADING_WITHIN: usize = 100;

/// One setting of a table.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Entry {
    /// What identifies it: its number where the table has numbers, else its name.
    pub key: String,
    /// Its name, empty where the table has none.
    pub name: String,
    /// Its value as written.
    pub value: String,
    /// The value as a number, if it is one.
    pub number: Option<Decimal>,
    /// Its unit, empty where the table has none.
    pub unit: String,
    /// Line, from 1.
    pub line: usize,
}

impl Entry {
    /// Value and unit are the same, however a number is written.
    #[must_use]
    pub fn same(&self, other: &Self) -> bool {
        let value = match (&self.number, &other.number) {
            (Some(one), Some(other)) => one == other,
            _ => self.value == other.value,
        };
        value && self.unit == other.unit && self.name == other.name
    }
}

/// A table of settings.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Table {
    /// The file, as it was given.
    pub file: String,
    /// Settings in the order of the file.
    pub entries: Vec<Entry>,
    /// Lines without a delimiter below the headings: titles of groups, not settings.
    pub skipped: Vec<usize>,
    /// Between whole and fraction of its numbers.
    pub decimal: DecimalSign,
}

impl Table {
    /// Reads a file, at most [`TABLE_BYTES_MAX`] of it.
    ///
    /// # Errors
    /// [`SettingsError`], with place and remedy.
    pub fn load(path: &Path, layout: &TableLayout) -> Result<Self, SettingsError> {
        let unreadable = |source| SettingsError::Unreadable { path: path.to_owned(), source };
        let mut bytes = Vec::new();
        let file = std::fs::File::open(path).map_err(unreadable)?;
        // One byte more than allowed tells "too large" apart, without reading all of a large file.
        file.take(TABLE_BYTES_MAX as u64 + 1).read_to_end(&mut bytes).map_err(unreadable)?;
        Self::parse(&path.display().to_string(), &bytes, layout)
    }

    /// Makes settings of the bytes of a file; `file` is only shown in messages.
    ///
    /// # Errors
    /// [`SettingsError`], with place and remedy.
    pub fn parse(file: &str, bytes: &[u8], layout: &TableLayout) -> Result<Self, SettingsError> {
        if bytes.len() > TABLE_BYTES_MAX {
            return Err(SettingsError::TooLarge { file: file.to_owned() });
        }
        let text = decode(file, bytes, layout.encoding)?;
        let (records, headings) = records(file, &text, layout)?;
        let mut table =
            Self { file: file.to_owned(), entries: Vec::new(), skipped: Vec::new(), decimal: layout.decimal };
        let mut first: HashMap<String, usize> = HashMap::new();
        for record in records.iter().skip(headings.record + 1) {
            let Some(start) = record.first() else { continue };
            if record.iter().all(|field| field.text.trim().is_empty()) {
                continue;
            }
            if record.len() == 1 {
                table.skipped.push(start.line);
                continue;
            }
            let entry = entry(file, record, &headings, layout.decimal)?;
            if let Some(line) = first.insert(entry.key.clone(), entry.line) {
                let why = format!("setting \"{}\" is given twice, first in line {line}", visible(&entry.key));
                return Err(malformed(file, start, why, "export again, or take one of the two out"));
            }
            table.entries.push(entry);
        }
        if table.entries.is_empty() {
            let at = Field { text: String::new(), line: headings.line, column: 1 };
            let help = "an empty export would make every setting seem to have disappeared";
            return Err(malformed(file, &at, "no setting below the headings".to_owned(), help));
        }
        Ok(table)
    }

    /// The setting of a key.
    #[must_use]
    pub fn get(&self, key: &str) -> Option<&Entry> {
        self.entries.iter().find(|entry| entry.key == key)
    }
}

fn malformed(file: &str, at: &Field, why: String, help: &str) -> SettingsError {
    let place = Place { file: file.to_owned(), line: at.line, column: at.column };
    SettingsError::Malformed { place, why, help: help.to_owned() }
}

/// Where the columns are.
struct Headings {
    record: usize,
    line: usize,
    number: Option<usize>,
    name: Option<usize>,
    value: usize,
    unit: Option<usize>,
}

const fn sign(delimiter: Delimiter) -> char {
    match delimiter {
        Delimiter::Semicolon => ';',
        Delimiter::Comma => ',',
        Delimiter::Tab => '\t',
    }
}

/// The records, read with the delimiter that makes the headings appear, and the headings.
fn records(file: &str, text: &str, layout: &TableLayout) -> Result<(Vec<Record>, Headings), SettingsError> {
    let all = [Delimiter::Semicolon, Delimiter::Comma, Delimiter::Tab];
    let mut delimiters: Vec<_> = layout.delimiter.map_or_else(|| all.to_vec(), |stated| vec![stated]);
    // The most frequent first: its error is the one to report if none fits.
    delimiters.sort_by_key(|delimiter| std::cmp::Reverse(text.matches(sign(*delimiter)).count()));
    let mut failure = None;
    for delimiter in delimiters {
        let result = match read(text, sign(delimiter)) {
            Ok(records) => headings(file, &records, layout).map(|headings| (records, headings)),
            Err((breach, line, column)) => {
                let at = Field { text: String::new(), line, column };
                let help = "RFC 4180: a field with quotes is itself quoted, and quotes in it are doubled";
                Err(malformed(file, &at, breach.words().to_owned(), help))
            }
        };
        match result {
            Ok(found) => return Ok(found),
            Err(error) => {
                failure.get_or_insert(error);
            }
        }
    }
    Err(failure.unwrap_or(SettingsError::NoLayout))
}

fn headings(file: &str, records: &[Record], layout: &TableLayout) -> Result<Headings, SettingsError> {
    let optional = [&layout.number_column, &layout.name_column, &layout.unit_column];
    let wanted: Vec<&str> =
        optional.into_iter().flatten().map(String::as_str).chain([layout.value_column.as_str()]).collect();
    let has = |record: &Record, heading: &str| record.iter().any(|field| field.text.trim() == heading);
    let window = || records.iter().take(HEADING_WITHIN);
    let found = window().position(|record| wanted.iter().all(|heading| has(record, heading)));
    let Some((number, record)) = found.and_then(|number| records.get(number).map(|record| (number, record)))
    else {
        // The record with the most of them is probably meant.
        let nearest =
            window().max_by_key(|record| wanted.iter().filter(|heading| has(record, heading)).count());
        let start = Field { text: String::new(), line: 1, column: 1 };
        let at = nearest.and_then(|record| record.first()).unwrap_or(&start);
        let absent: Vec<_> = wanted
            .iter()
            .filter(|heading| !nearest.is_some_and(|record| has(record, heading)))
            .map(|heading| format!("\"{}\"", visible(heading)))
            .collect();
        let why = format!(
            "no line has all the headings that [settings] names; missing here: {}",
            absent.join(", ")
        );
        let help = "check headings, delimiter and encoding in [settings] of the sheet";
        return Err(malformed(file, at, why, help));
    };
    let column = |heading: &str| -> Result<usize, SettingsError> {
        let mut at = record.iter().enumerate().filter(|(_, field)| field.text.trim() == heading);
        let first = at.next().map_or(0, |(number, _)| number);
        match at.next() {
            Some((_, twice)) => {
                let why = format!("two columns have the heading \"{}\"", visible(heading));
                Err(malformed(
                    file,
                    twice,
                    why,
                    "nobody can tell which one is meant: rename one in the export",
                ))
            }
            None => Ok(first),
        }
    };
    let maybe = |heading: &Option<String>| heading.as_deref().map(column).transpose();
    Ok(Headings {
        record: number,
        line: record.first().map_or(1, |field| field.line),
        number: maybe(&layout.number_column)?,
        name: maybe(&layout.name_column)?,
        value: column(&layout.value_column)?,
        unit: maybe(&layout.unit_column)?,
    })
}

fn entry(
    file: &str,
    record: &Record,
    headings: &Headings,
    decimal: DecimalSign,
) -> Result<Entry, SettingsError> {
    let start = Field { text: String::new(), line: 1, column: 1 };
    let last = record.last().unwrap_or(&start);
    let field = |column: usize| -> Result<&Field, SettingsError> {
        record.get(column).ok_or_else(|| {
            let why = format!("the line ends after {} columns", record.len());
            malformed(file, last, why, "a setting needs every column that [settings] names")
        })
    };
    let text = |column: Option<usize>| -> Result<String, SettingsError> {
        column.map_or(Ok(String::new()), |column| Ok(field(column)?.text.trim().to_owned()))
    };
    let key = match headings.number.or(headings.name) {
        Some(column) => field(column)?,
        None => &start,
    };
    if key.text.trim().is_empty() {
        let why = "a value without a number or name of its setting".to_owned();
        return Err(malformed(file, key, why, "every setting needs what identifies it"));
    }
    let value = field(headings.value)?;
    if grouped(&value.text, decimal) {
        let why =
            format!("\"{}\" is ambiguous: thousands separator or decimal sign?", visible(value.text.trim()));
        let help = "export without thousands separators, or set `decimal` in [settings] of the sheet";
        return Err(malformed(file, value, why, help));
    }
    Ok(Entry {
        key: key.text.trim().to_owned(),
        name: text(headings.name)?,
        value: value.text.trim().to_owned(),
        number: Decimal::parse(&value.text, decimal),
        unit: text(headings.unit)?,
        line: key.line,
    })
}
