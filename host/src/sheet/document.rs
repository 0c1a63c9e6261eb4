//! TOML text to values checked one by one against the table of keys.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::error::{Fault, FaultKind};
use super::keys::{Key, Kind, Presence, SECTIONS, Section, section};
use super::model::{Basis, Stated};
use super::words::Words;

/// The whole sheet, each value possible by itself, and everything that was wrong.
pub(super) struct Document {
    tables: BTreeMap<&'static str, Vec<Table>>,
    pub(super) faults: Vec<Fault>,
    /// Where a fault is put that has no place: the end of the text.
    end: Range<usize>,
}

/// One table of the sheet.
pub(super) struct Table {
    section: &'static Section,
    /// Its header.
    pub(super) header: Range<usize>,
    values: BTreeMap<&'static str, (Value, Range<usize>)>,
    /// Keys written with an impossible value.
    bad: BTreeSet<&'static str>,
}

enum Value {
    Text(String),
    Truth(bool),
    Number(f64),
    Whole(u32),
}

/// Reads all of the text; stops at nothing.
pub(super) fn read(text: &str) -> Document {
    let (root, errors) = DeTable::parse_recoverable(text);
    let mut document = Document {
        tables: BTreeMap::new(),
        faults: Vec::new(),
        end: text.trim_end().len()..text.trim_end().len(),
    };
    for error in &errors {
        let span = error.span().unwrap_or_else(|| document.end.clone());
        let why = format!("no TOML: {}", error.message());
        document.faults.push(Fault { kind: FaultKind::Syntax, span, key: String::new(), why, help: None });
    }
    for (name, value) in root.get_ref() {
        document.table(name, value);
    }
    // Where the text is no TOML, what seems to be missing may be what could not be read.
    if errors.is_empty() {
        document.missing();
    }
    document
}

impl Document {
    fn table(&mut self, name: &Spanned<std::borrow::Cow<'_, str>>, value: &Spanned<DeValue<'_>>) {
        let Some(section) = section(name.get_ref()) else {
            let help = if matches!(value.get_ref(), DeValue::Table(_) | DeValue::Array(_)) {
                nearest(name.get_ref(), SECTIONS.iter().map(|section| section.name))
                    .map(|near| format!("nearest valid table: [{near}]"))
            } else {
                home(name.get_ref())
            };
            let why = "no such table".to_owned();
            self.fault(FaultKind::Unknown, name.span(), name.get_ref(), why, help);
            return;
        };
        let written =
            if section.repeated { format!("[[{}]]", section.name) } else { format!("[{}]", section.name) };
        match (value.get_ref(), section.repeated) {
            (DeValue::Table(table), false) => self.keys(section, name.span(), table),
            (DeValue::Array(array), true) => {
                for element in array.iter() {
                    if let DeValue::Table(table) = element.get_ref() {
                        self.keys(section, element.span(), table);
                    } else {
                        let why = format!("must be a table {written}, not {}", type_words(element.get_ref()));
                        self.fault(FaultKind::WrongType, element.span(), section.name, why, None);
                    }
                }
            }
            (other, _) => {
                let why = format!("must be a table {written}, not {}", type_words(other));
                self.fault(FaultKind::WrongType, name.span(), section.name, why, None);
                // Present, though of the wrong type: not missing as well.
                self.tables.entry(section.name).or_default();
            }
        }
    }

    fn keys(&mut self, section: &'static Section, header: Range<usize>, table: &DeTable<'_>) {
        let mut read = Table { section, header, values: BTreeMap::new(), bad: BTreeSet::new() };
        let mut strange = Vec::new();
        for (name, value) in table {
            let Some(key) = section.key(name.get_ref()) else {
                strange.push(name);
                continue;
            };
            match typed(key, value.get_ref()) {
                Ok(typed) => {
                    read.values.insert(key.name, (typed, value.span()));
                }
                Err((kind, why, help)) => {
                    read.bad.insert(key.name);
                    self.fault(kind, value.span(), &format!("{}.{}", section.name, key.name), why, help);
                }
            }
        }
        for name in strange {
            let written = format!("{}.{}", section.name, name.get_ref());
            // The nearest of the keys that are not written yet: that is what was meant.
            let free = section.keys.iter().map(|key| key.name).filter(|key| !read.values.contains_key(key));
            let near = nearest(name.get_ref(), free);
            if let Some(near) = near {
                // One mistake, one fault: the key that was meant is not missing as well.
                read.bad.insert(near);
            }
            let help = near
                .map(|near| format!("nearest valid key: {near}"))
                .or_else(|| home(name.get_ref()))
                .or_else(|| Some(format!("keys of [{}]: {}", section.name, names(section))));
            self.fault(FaultKind::Unknown, name.span(), &written, "no such key".to_owned(), help);
        }
        self.tables.entry(section.name).or_default().push(read);
    }

    fn missing(&mut self) {
        let mut found = Vec::new();
        for section in SECTIONS {
            let Some(tables) = self.tables.get(section.name) else {
                if section.required {
                    let help = format!("needs: {}", needed(section));
                    found.push((
                        self.end.clone(),
                        section.name.to_owned(),
                        "table is missing".to_owned(),
                        help,
                    ));
                }
                continue;
            };
            for table in tables {
                for key in section.keys.iter().filter(|key| matches!(key.presence, Presence::Required)) {
                    if !table.has(key.name) {
                        let written = format!("{}.{}", section.name, key.name);
                        found.push((table.header.clone(), written, "is missing".to_owned(), describe(key)));
                    }
                }
            }
        }
        for (span, key, why, help) in found {
            self.fault(FaultKind::Missing, span, &key, why, Some(help));
        }
    }

    /// Notes a fault.
    pub(super) fn fault(
        &mut self,
        kind: FaultKind,
        span: Range<usize>,
        key: &str,
        why: String,
        help: Option<String>,
    ) {
        self.faults.push(Fault { kind, span, key: key.to_owned(), why, help });
    }

    /// The only table of a section.
    pub(super) fn one(&self, section: &str) -> Option<&Table> {
        self.tables.get(section).and_then(|tables| tables.first())
    }

    /// All tables of a section.
    pub(super) fn all(&self, section: &str) -> &[Table] {
        self.tables.get(section).map_or(&[], Vec::as_slice)
    }
}

impl Table {
    /// Name of its section.
    pub(super) const fn name(&self) -> &'static str {
        self.section.name
    }

    /// A word as it is written.
    pub(super) fn raw_word(&self, key: &str) -> Option<&str> {
        match self.values.get(key) {
            Some((Value::Text(word), _)) => Some(word),
            _ => None,
        }
    }

    /// Written, be it with an impossible value.
    pub(super) fn has(&self, key: &str) -> bool {
        self.values.contains_key(key) || self.bad.contains(key)
    }

    /// Where a key's value stands; the header, if it is not written.
    pub(super) fn span(&self, key: &str) -> Range<usize> {
        self.values.get(key).map_or_else(|| self.header.clone(), |(_, span)| span.clone())
    }

    fn presence(&self, key: &str) -> Option<Presence> {
        let known = self.section.key(key);
        debug_assert!(known.is_some(), "{}.{key} is read but not in the table of keys", self.section.name);
        known.map(|key| key.presence)
    }

    /// A text; empty where an optional one is left out.
    pub(super) fn text(&self, key: &str) -> Option<String> {
        match (self.values.get(key), self.presence(key)?) {
            (Some((Value::Text(text), _)), _) => Some(text.clone()),
            (None, Presence::Optional) if !self.bad.contains(key) => Some(String::new()),
            _ => None,
        }
    }

    /// A truth, or what is taken when it is left out.
    pub(super) fn truth(&self, key: &str) -> Option<bool> {
        match (self.values.get(key), self.presence(key)?) {
            (Some((Value::Truth(truth), _)), _) => Some(*truth),
            (None, Presence::Truth(truth)) => Some(truth),
            _ => None,
        }
    }

    /// A number; `None` where it is left out.
    pub(super) fn number(&self, key: &str) -> Option<f64> {
        self.presence(key)?;
        match self.values.get(key) {
            Some((Value::Number(number), _)) => Some(*number),
            _ => None,
        }
    }

    /// A whole number; `None` where it is left out.
    pub(super) fn whole(&self, key: &str) -> Option<u32> {
        self.presence(key)?;
        match self.values.get(key) {
            Some((Value::Whole(number), _)) => Some(*number),
            _ => None,
        }
    }

    /// The value of a word, or of the word taken when it is left out.
    pub(super) fn word<T: Words>(&self, key: &str) -> Option<T> {
        match (self.values.get(key), self.presence(key)?) {
            (Some((Value::Text(word), _)), _) => T::from_word(word),
            (None, Presence::Word(word)) => T::from_word(word),
            _ => None,
        }
    }

    /// A number of the sheet, or the one taken when it is left out, in its unit.
    pub(super) fn stated<T>(&self, key: &str, unit: impl Fn(f64) -> T) -> Option<Stated<T>> {
        match (self.number(key), self.presence(key)?) {
            (Some(number), _) => Some(Stated { value: unit(number), basis: Basis::Sheet }),
            (None, Presence::Number(number, basis)) => Some(Stated { value: unit(number), basis }),
            _ => None,
        }
    }
}

/// What is taken for a number when its whole table is left out.
pub(super) fn fallback<T>(section_name: &str, key: &str, unit: impl Fn(f64) -> T) -> Option<Stated<T>> {
    match section(section_name)?.key(key)?.presence {
        Presence::Number(number, basis) => Some(Stated { value: unit(number), basis }),
        _ => None,
    }
}

/// A whole number of the sheet, or the one taken when it or its whole table is left out.
pub(super) fn stated_whole(table: Option<&Table>, section_name: &str, key: &str) -> Option<Stated<u32>> {
    if let Some(value) = table.and_then(|table| table.whole(key)) {
        return Some(Stated { value, basis: Basis::Sheet });
    }
    match section(section_name)?.key(key)?.presence {
        Presence::Whole(value, basis) => Some(Stated { value, basis }),
        _ => None,
    }
}

type Refusal = (FaultKind, String, Option<String>);

fn typed(key: &Key, value: &DeValue<'_>) -> Result<Value, Refusal> {
    let wrong = |wanted: &str| {
        let help = match value {
            DeValue::String(text) if text.parse::<f64>().is_ok() => {
                Some(format!("write {text} without quotes"))
            }
            _ => Some(describe(key)),
        };
        (FaultKind::WrongType, format!("must be {wanted}, not {}", type_words(value)), help)
    };
    let impossible = |why: String, help: Option<String>| (FaultKind::NotPossible, why, help);
    match (key.kind, value) {
        (Kind::Truth, DeValue::Boolean(truth)) => Ok(Value::Truth(*truth)),
        (Kind::Truth, _) => Err(wrong("true or false")),
        (Kind::Text(most), DeValue::String(text)) => {
            plain_text(text, most, false).map_err(|why| impossible(why, None))
        }
        (Kind::Prose(most), DeValue::String(text)) => {
            plain_text(text, most, true).map_err(|why| impossible(why, None))
        }
        (Kind::Text(_) | Kind::Prose(_), _) => Err(wrong("text in quotes")),
        (Kind::Word(list), DeValue::String(word)) => {
            let known = list();
            if known.iter().any(|(known, _)| *known == word.as_ref()) {
                return Ok(Value::Text(word.to_string()));
            }
            let all: Vec<String> = known.iter().map(|(word, _)| format!("\"{word}\"")).collect();
            let help =
                nearest(word, known.iter().map(|(word, _)| *word)).map(|near| format!("nearest: \"{near}\""));
            Err(impossible(format!("must be one of {}", all.join(", ")), help))
        }
        (Kind::Word(list), _) => {
            let all: Vec<String> = list().iter().map(|(word, _)| format!("\"{word}\"")).collect();
            Err(wrong(&format!("one of {}", all.join(", "))))
        }
        (Kind::Whole(least, most), DeValue::Integer(integer)) => {
            let number = i128::from_str_radix(integer.as_str(), integer.radix()).ok();
            let fits = number.and_then(|number| u32::try_from(number).ok());
            match fits.filter(|number| (least..=most).contains(number)) {
                Some(number) => Ok(Value::Whole(number)),
                None => Err(impossible(
                    format!("must be a whole number from {least} to {most}"),
                    Some(describe(key)),
                )),
            }
        }
        (Kind::Whole(_, _), _) => Err(wrong("a whole number")),
        (Kind::Number(range), DeValue::Integer(_) | DeValue::Float(_)) => {
            let number = match value {
                DeValue::Float(float) => float.as_str().parse::<f64>().ok(),
                #[expect(
                    clippy::cast_precision_loss,
                    reason = "a number of a sheet, compared with a range at once"
                )]
                DeValue::Integer(whole) => {
                    i128::from_str_radix(whole.as_str(), whole.radix()).ok().map(|whole| whole as f64)
                }
                _ => None,
            };
            let low = |number: f64| if range.above { number > range.least } else { number >= range.least };
            match number {
                Some(number) if number.is_finite() && low(number) && number <= range.most => {
                    Ok(Value::Number(number))
                }
                Some(number) if !number.is_finite() => {
                    Err(impossible("must be a finite number".to_owned(), Some(describe(key))))
                }
                _ => Err(impossible(format!("must be {}", range.words()), Some(describe(key)))),
            }
        }
        (Kind::Number(_), _) => Err(wrong("a number")),
    }
}

fn plain_text(text: &str, most: usize, prose: bool) -> Result<Value, String> {
    if text.trim().is_empty() && !prose {
        return Err("must not be empty".to_owned());
    }
    if text.chars().count() > most {
        return Err(format!("must be at most {most} characters"));
    }
    // Control characters could drive the terminal that shows the text.
    if text.chars().any(|c| c.is_control() && !(prose && c == '\n')) {
        return Err("must have no control characters".to_owned());
    }
    Ok(Value::Text(text.trim().to_owned()))
}

impl super::keys::Range {
    /// In words: "above 0 and at most 10".
    pub(super) fn words(&self) -> String {
        format!("{} {} and at most {}", if self.above { "above" } else { "at least" }, self.least, self.most)
    }
}

const fn type_words(value: &DeValue<'_>) -> &'static str {
    match value {
        DeValue::String(_) => "text",
        DeValue::Integer(_) => "a whole number",
        DeValue::Float(_) => "a number with a decimal point",
        DeValue::Boolean(_) => "true or false",
        DeValue::Datetime(_) => "a date or time",
        DeValue::Array(_) => "a list",
        DeValue::Table(_) => "a table",
    }
}

fn describe(key: &Key) -> String {
    format!("{}: {}", key.name, key.doc)
}

fn names(section: &Section) -> String {
    section.keys.iter().map(|key| key.name).collect::<Vec<_>>().join(", ")
}

fn needed(section: &Section) -> String {
    let keys = section.keys.iter().filter(|key| matches!(key.presence, Presence::Required));
    keys.map(|key| key.name).collect::<Vec<_>>().join(", ")
}

/// The table a key belongs to that stands elsewhere.
fn home(name: &str) -> Option<String> {
    let owners: Vec<_> = SECTIONS.iter().filter(|section| section.key(name).is_some()).collect();
    match owners.as_slice() {
        [] => None,
        owners => {
            let tables: Vec<_> = owners.iter().map(|section| format!("[{}]", section.name)).collect();
            Some(format!("{name} belongs in {}", tables.join(" or ")))
        }
    }
}

/// The nearest of some words, if it is near at all.
fn nearest<'n>(word: &str, known: impl Iterator<Item = &'n str>) -> Option<&'n str> {
    // A key of hundreds of characters is no misspelling; the distance costs the product of the lengths.
    let word: String = word.chars().take(80).collect::<String>().to_lowercase().replace('-', "_");
    // 0.82 keeps `rated_torque_nm` near `rated_torque_newton_metres` and `colour` away from everything; the words
    // share long prefixes, which Jaro-Winkler favours.
    known
        .map(|known| (strsim::jaro_winkler(&word, known), known))
        .filter(|(likeness, _)| *likeness >= 0.82)
        .max_by(|(a, _), (b, _)| a.total_cmp(b))
        .map(|(_, known)| known)
}
