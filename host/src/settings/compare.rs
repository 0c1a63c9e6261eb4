//! Two tables against what is expected.

use std::collections::{BTreeMap, HashMap, HashSet};

use serde::Serialize;

use super::decimal::Decimal;
use super::note::notes;
use super::table::{Entry, Table};
use super::unit;
use super::worksheet::{Fit, Work, Worksheet};
use crate::sheet::Alike;
use crate::sheet::{AxisSheet, DecimalSign, EntryKind};

/// What a setting is expected to become.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Expectation {
    /// The value; a number has a decimal point. Where the target can't be entered, the nearest that can; empty if there
    /// is none.
    pub value: String,
    /// Its unit in the form that the sheet states, or that it is a number of steps; empty where the sheet states none.
    pub unit: String,
    /// Why.
    pub why: String,
    /// The amplifier takes a value that meets the target. If not, no value is as expected.
    pub can_be_entered: bool,
}

impl Expectation {
    /// A value that can be entered, of no stated unit.
    #[must_use]
    pub fn new(value: &str, why: &str) -> Self {
        Self { value: value.to_owned(), unit: String::new(), why: why.to_owned(), can_be_entered: true }
    }

    /// The value as a table with this decimal sign would have it.
    #[must_use]
    pub fn written(&self, decimal: DecimalSign) -> String {
        match Decimal::parse(&self.value, DecimalSign::Point) {
            Some(_) => self.value.replace(DecimalSign::Point.mark(), &decimal.mark().to_string()),
            None => self.value.clone(),
        }
    }

    /// What follows from a target; `None` without a setting for it.
    fn of(row: Work) -> Option<(String, Self)> {
        let can_be_entered = row.fit == Fit::Fits;
        let why = if can_be_entered { format!("follows from the {}", row.target) } else { row.why_not() };
        let unit = match row.entry_kind {
            Some(EntryKind::Steps) => "steps",
            _ => row.exact.map_or("", |exact| exact.unit),
        };
        let value = row.nearest.unwrap_or_default();
        Some((row.key?, Self { value, unit: unit.to_owned(), why, can_be_entered }))
    }
}

/// What a sheet expects: what follows from its targets, and what it says besides.
#[must_use]
pub fn expectations(sheet: &AxisSheet) -> BTreeMap<String, Expectation> {
    let entered = Worksheet::of(sheet).rows.into_iter().filter_map(Expectation::of);
    let besides = sheet
        .settings
        .expected
        .iter()
        .map(|change| (change.key.clone(), Expectation::new(&change.value, &change.why)));
    entered.chain(besides).collect()
}

/// What is to be said of one setting. The order is that of a report: what needs a person comes first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Finding {
    /// A target that the amplifier's steps or range can't meet, whatever was entered.
    CannotBeEntered,
    /// Changed, and nobody expected it.
    Unexpected,
    /// Was there before and is not there after.
    Disappeared,
    /// Was not there before and nobody expected it.
    New,
    /// Changed to something else than expected.
    ChangedOtherwise,
    /// Expected to change, and is as before.
    NotChanged,
    /// Expected, and not in the table.
    Absent,
    /// Changed as expected.
    AsExpected,
    /// Expected to be so, and was so before.
    AlreadySo,
}

impl Finding {
    /// Every finding, in order.
    pub const ALL: [Self; 9] = [
        Self::CannotBeEntered,
        Self::Unexpected,
        Self::Disappeared,
        Self::New,
        Self::ChangedOtherwise,
        Self::NotChanged,
        Self::Absent,
        Self::AsExpected,
        Self::AlreadySo,
    ];

    /// In words.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::CannotBeEntered => "can't be entered as the target asks",
            Self::Unexpected => "changed, and nobody expected it",
            Self::Disappeared => "disappeared",
            Self::New => "new, and nobody expected it",
            Self::ChangedOtherwise => "changed, but not to what was expected",
            Self::NotChanged => "expected to change, but did not",
            Self::Absent => "expected, but not in the table",
            Self::AsExpected => "changed as expected",
            Self::AlreadySo => "as expected, and so before",
        }
    }

    /// Nothing to look after.
    #[must_use]
    pub const fn good(self) -> bool {
        matches!(self, Self::AsExpected | Self::AlreadySo)
    }
}

/// A setting in one of the tables.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct State {
    /// Its name.
    pub name: String,
    /// Its value as written.
    pub value: String,
    /// Its unit.
    pub unit: String,
    /// Line of the file, from 1.
    pub line: usize,
}

/// A setting of which there is something to say.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Change {
    /// What is to be said.
    pub finding: Finding,
    /// Number or name of the setting.
    pub key: String,
    /// Before, if it was there.
    pub before: Option<State>,
    /// After, if it is there.
    pub after: Option<State>,
    /// What was expected, if anything.
    pub expected: Option<Expectation>,
    /// Why a value may not be what it seems: decimal sign, unit, a key that is nearly the same.
    pub notes: Vec<String>,
}

/// Two tables compared.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Comparison {
    /// File of the first table.
    pub before_file: String,
    /// File of the second table.
    pub after_file: String,
    /// Between whole and fraction of the tables' numbers.
    pub decimal: DecimalSign,
    /// Settings in both tables that are the same, and of which nothing was expected.
    pub unchanged: usize,
    /// Lines of the first file taken for titles of groups.
    pub before_skipped: Vec<usize>,
    /// Lines of the second file taken for titles of groups.
    pub after_skipped: Vec<usize>,
    /// Everything else, by finding, then in the order of the tables.
    pub changes: Vec<Change>,
}

impl Comparison {
    /// Compares two tables.
    #[must_use]
    pub fn of(before: &Table, after: &Table, expected: &BTreeMap<String, Expectation>) -> Self {
        let index = |table: &'_ Table| -> HashMap<String, Entry> {
            table.entries.iter().map(|entry| (entry.key.clone(), entry.clone())).collect()
        };
        let (first, second) = (index(before), index(after));
        let mut done = HashSet::new();
        let decimal = after.decimal;
        let entries = before.entries.iter().chain(&after.entries);
        let keys: Vec<_> = entries
            .map(|entry| &entry.key)
            .chain(expected.keys())
            .filter(|key| done.insert((*key).clone()))
            .collect();
        let alike = Alike::of(keys.iter().copied());
        let mut changes = Vec::new();
        let mut unchanged = 0;
        for key in &keys {
            let key = *key;
            let (before, after, expected) = (first.get(key), second.get(key), expected.get(key));
            let Some(finding) = judge(before, after, expected) else {
                unchanged += 1;
                continue;
            };
            let notes = if finding.good() {
                Vec::new()
            } else {
                notes(key, [before, after], expected, decimal, &alike)
            };
            changes.push(Change {
                finding,
                key: key.clone(),
                before: before.map(state),
                after: after.map(state),
                expected: expected.cloned(),
                notes,
            });
        }
        changes.sort_by_key(|change| change.finding);
        Self {
            before_file: before.file.clone(),
            after_file: after.file.clone(),
            decimal,
            unchanged,
            before_skipped: before.skipped.clone(),
            after_skipped: after.skipped.clone(),
            changes,
        }
    }

    /// Nothing unexpected, nothing missing.
    #[must_use]
    pub fn clean(&self) -> bool {
        self.changes.iter().all(|change| change.finding.good())
    }

    /// Changes of one finding.
    pub fn with(&self, finding: Finding) -> impl Iterator<Item = &Change> {
        self.changes.iter().filter(move |change| change.finding == finding)
    }
}

fn state(entry: &Entry) -> State {
    State { name: entry.name.clone(), value: entry.value.clone(), unit: entry.unit.clone(), line: entry.line }
}

/// `None`: in both tables, the same, nothing expected.
fn judge(before: Option<&Entry>, after: Option<&Entry>, expected: Option<&Expectation>) -> Option<Finding> {
    if expected.is_some_and(|expected| !expected.can_be_entered) {
        return Some(Finding::CannotBeEntered);
    }
    let met = |entry: &Entry| expected.is_some_and(|expected| meets(entry, expected));
    match (before, after) {
        (Some(before), Some(after)) => {
            let same = before.same(after);
            // Only the value may change: another unit or name makes the same number mean something else.
            let only_value = before.unit == after.unit && before.name == after.name;
            match (same, expected.is_some()) {
                (true, false) => None,
                (true, true) if met(after) => Some(Finding::AlreadySo),
                (true, true) => Some(Finding::NotChanged),
                (false, false) => Some(Finding::Unexpected),
                (false, true) if met(after) && only_value => Some(Finding::AsExpected),
                (false, true) => Some(Finding::ChangedOtherwise),
            }
        }
        (Some(_), None) => Some(Finding::Disappeared),
        (None, Some(after)) => Some(match expected {
            Some(_) if met(after) => Finding::AsExpected,
            Some(_) => Finding::ChangedOtherwise,
            None => Finding::New,
        }),
        (None, None) => expected.map(|_| Finding::Absent),
    }
}

fn meets(entry: &Entry, expected: &Expectation) -> bool {
    if unit::contradict(&expected.unit, &entry.unit) {
        return false;
    }
    match (&entry.number, Decimal::parse(&expected.value, DecimalSign::Point)) {
        (Some(number), Some(expected)) => *number == expected,
        // A number is never met by a text that looks like it: the text has another decimal sign.
        (None, Some(_)) => false,
        _ => entry.value == expected.value.trim(),
    }
}
