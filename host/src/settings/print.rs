//! Comparison and worksheet for people and for spreadsheets.

use super::compare::{Change, Comparison, Finding, State};
use super::delimited::write;
use super::harmless::{cell, visible};
use super::worksheet::{Amount, Work, Worksheet};
use crate::sheet::{DecimalSign, EntryKind};
use crate::terminal::wrapped;

/// The comparison as text in so many columns: what needs a person first.
#[must_use]
pub fn comparison_text(comparison: &Comparison, columns: usize) -> String {
    let (before, after) = (visible(&comparison.before_file), visible(&comparison.after_file));
    let mut out = format!("before  {before}\nafter   {after}\n");
    for finding in Finding::ALL {
        let changes: Vec<_> = comparison.with(finding).collect();
        if changes.is_empty() {
            continue;
        }
        let words = finding.words();
        let words = if finding.good() { words.to_owned() } else { words.to_uppercase() };
        out.push_str(&format!("\n{words} ({})\n", changes.len()));
        for change in changes {
            out.push_str(&change_text(change, comparison.decimal, columns));
        }
    }
    out.push_str(&format!("\nunchanged: {}\n", comparison.unchanged));
    for (file, skipped) in [(before, &comparison.before_skipped), (after, &comparison.after_skipped)] {
        if !skipped.is_empty() {
            let lines: Vec<_> = skipped.iter().take(20).map(ToString::to_string).collect();
            let more = if skipped.len() > 20 { ", ..." } else { "" };
            let text = format!("{file}: lines without columns, taken for titles: {}{more}", lines.join(", "));
            out.push_str(&(wrapped("", &text, columns) + "\n"));
        }
    }
    let other = |change: &Change| change.finding != Finding::CannotBeEntered;
    if comparison.with(Finding::CannotBeEntered).next().is_some() {
        out.push_str("SOMETHING CAN'T BE ENTERED AS THE TARGETS ASK.\n");
    }
    out.push_str(
        if comparison.changes.iter().filter(|change| other(change)).all(|change| change.finding.good()) {
            "Nothing unexpected, nothing missing.\n"
        } else {
            "SOMETHING UNEXPECTED OR MISSING.\n"
        },
    );
    out
}

fn change_text(change: &Change, decimal: DecimalSign, columns: usize) -> String {
    let shown = |state: &Option<State>| {
        state.as_ref().map_or("(not there)".to_owned(), |state| {
            let value = if state.value.is_empty() { "(empty)".to_owned() } else { visible(&state.value) };
            format!("{value} {}", visible(&state.unit)).trim_end().to_owned()
        })
    };
    let name = |state: &Option<State>| state.as_ref().map(|state| state.name.clone()).unwrap_or_default();
    let (old, new) = (name(&change.before), name(&change.after));
    let key = visible(&change.key);
    let current = if new.is_empty() { &old } else { &new };
    let title = if current.is_empty() || *current == change.key {
        key
    } else {
        format!("{key}  {}", visible(current))
    };
    let line = |state: &Option<State>| state.as_ref().map_or("-".to_owned(), |state| state.line.to_string());
    let mut out = match (&change.before, &change.after) {
        (None, None) => format!("  {title}: in neither table\n"),
        (before, after) => format!(
            "  {title}: {} \u{2192} {}   (lines {}, {})\n",
            shown(before),
            shown(after),
            line(before),
            line(after)
        ),
    };
    if let (Some(_), Some(_)) = (&change.before, &change.after)
        && old != new
    {
        out.push_str(&format!("      its name was \"{}\"\n", visible(&old)));
    }
    if let Some(expected) = &change.expected {
        let value = format!("{} {}", expected.written(decimal), expected.unit);
        let value = if expected.value.is_empty() { String::new() } else { visible(value.trim_end()) };
        let lead = match (expected.can_be_entered, value.is_empty()) {
            (true, _) => format!("expected {value}"),
            (false, true) => CANNOT.to_owned(),
            (false, false) => format!("{CANNOT} (nearest {value})"),
        };
        let text = format!("{lead}: {}", visible(&expected.why));
        out.push_str(&(wrapped("      ", &text, columns) + "\n"));
    }
    for note in &change.notes {
        out.push_str(&(wrapped("      ! ", note, columns) + "\n"));
    }
    out
}

/// The comparison as CSV (RFC 4180); no cell can be taken for a formula.
#[must_use]
pub fn comparison_csv(comparison: &Comparison) -> String {
    let mut rows = vec![
        [
            "finding",
            "key",
            "name",
            "before",
            "before_unit",
            "after",
            "after_unit",
            "expected",
            "why",
            "before_line",
            "after_line",
            "can_be_entered",
            "expected_unit",
            "notes",
        ]
        .map(str::to_owned)
        .to_vec(),
    ];
    for change in &comparison.changes {
        let of =
            |state: &Option<State>, what: fn(&State) -> String| state.as_ref().map(what).unwrap_or_default();
        let (before, after, expected) = (&change.before, &change.after, &change.expected);
        let name = of(after, |state| state.name.clone());
        let name = if name.is_empty() { of(before, |state| state.name.clone()) } else { name };
        rows.push(vec![
            change.finding.words().to_owned(),
            change.key.clone(),
            name,
            of(before, |state| state.value.clone()),
            of(before, |state| state.unit.clone()),
            of(after, |state| state.value.clone()),
            of(after, |state| state.unit.clone()),
            expected.as_ref().map(|expected| expected.written(comparison.decimal)).unwrap_or_default(),
            expected.as_ref().map(|expected| expected.why.clone()).unwrap_or_default(),
            of(before, |state| state.line.to_string()),
            of(after, |state| state.line.to_string()),
            expected.as_ref().map_or("", |expected| yes(expected.can_be_entered)).to_owned(),
            expected.as_ref().map(|expected| expected.unit.clone()).unwrap_or_default(),
            change.notes.join("; "),
        ]);
    }
    write(rows.into_iter().map(|row| row.into_iter().map(|text| cell(&text))))
}

const fn yes(yes: bool) -> &'static str {
    if yes { "yes" } else { "no" }
}

/// The worksheet in so many columns: for each target what to enter, and under it what comes of that.
#[must_use]
pub fn worksheet_text(worksheet: &Worksheet, columns: usize) -> String {
    let mut out = String::new();
    for row in &worksheet.rows {
        let para = |lead: &str, text: &str| wrapped(lead, text, columns) + "\n";
        out.push_str(&para("", &format!("{}: {}", row.target, amount(Some(row.wanted)))));
        let Some(key) = &row.key else {
            out.push_str(&para("    ", row.fit.words()));
            continue;
        };
        let lead = format!("    {}  ", visible(key));
        out.push_str(&para(
            &lead,
            &format!("{} (exactly {}; {})", enter(row), amount(row.exact), takes(row)),
        ));
        let cost = match share(row).as_str() {
            "-" => amount(row.cost),
            share @ ("exact" | "must be exact") => format!("{}, {share}", amount(row.cost)),
            share => format!("{}, {share} of the tolerance", amount(row.cost)),
        };
        let comes = match row.becomes {
            None => row.fit.words().to_owned(),
            becomes => format!("becomes {}; rounding costs {cost}; {}", amount(becomes), row.fit.words()),
        };
        out.push_str(&para("        ", &comes));
        if !row.note.is_empty() {
            out.push_str(&para("        ", row.note));
        }
    }
    out
}

const CANNOT: &str = "CAN'T BE ENTERED";

/// What to do with a setting: never to enter what will not do.
fn enter(row: &Work) -> String {
    let steps = if row.entry_kind == Some(EntryKind::Steps) { " steps" } else { "" };
    match (&row.entry, &row.nearest) {
        (Some(entry), _) => format!("ENTER {entry}{steps}"),
        (None, Some(nearest)) => format!("{CANNOT} (nearest {nearest}{steps})"),
        (None, None) => CANNOT.to_owned(),
    }
}

/// The amplifier's step and range: `step 128, 256 to 8192`.
fn takes(row: &Work) -> String {
    let value = |amount: Amount| number(amount.value);
    let step = row.step.map_or("not stated".to_owned(), value);
    let range = match (row.least.map(value), row.most.map(value)) {
        (Some(least), Some(most)) => format!(", {least} to {most}"),
        (Some(least), None) => format!(", at least {least}"),
        (None, Some(most)) => format!(", at most {most}"),
        (None, None) => String::new(),
    };
    format!("step {step}{range}")
}

impl Work {
    /// Why the target can't be entered, in a sentence.
    pub(super) fn why_not(&self) -> String {
        let wanted = format!("{} wanted {}", self.target, amount(Some(self.wanted)));
        let (range, fit) = (takes(self), self.fit.words());
        match (self.becomes, self.note) {
            (None, note) => format!("{wanted}; {note} ({range}): {fit}"),
            (becomes, _) => format!("{wanted}, becomes {} ({range}): {fit}", amount(becomes)),
        }
    }
}

fn share(row: &Work) -> String {
    match (row.share_percent, row.tolerance, row.cost) {
        (Some(share), _, _) => format!("{share:.1} %"),
        (None, Some(_), Some(cost)) if cost.value == 0.0 => "exact".to_owned(),
        (None, Some(_), Some(_)) => "must be exact".to_owned(),
        _ => "-".to_owned(),
    }
}

/// Six significant figures without noughts at the end, and the unit.
fn amount(amount: Option<Amount>) -> String {
    amount.map_or("-".to_owned(), |amount| format!("{} {}", number(amount.value), amount.unit))
}

fn number(value: f64) -> String {
    // Rounded through its own scientific form: exact enough for six figures at any size.
    format!("{value:.5e}").parse::<f64>().map_or_else(|_| value.to_string(), |value| value.to_string())
}

/// The worksheet as CSV (RFC 4180); no cell can be taken for a formula.
#[must_use]
pub fn worksheet_csv(worksheet: &Worksheet) -> String {
    let mut rows = vec![
        [
            "target",
            "wanted",
            "wanted_unit",
            "key",
            "exact",
            "step",
            "entered_unit",
            "enter",
            "enter_as",
            "becomes",
            "rounding_cost",
            "percent_of_tolerance",
            "fit",
            "nearest",
        ]
        .map(str::to_owned)
        .to_vec(),
    ];
    for row in &worksheet.rows {
        let value = |amount: Option<Amount>| amount.map(|amount| number(amount.value)).unwrap_or_default();
        let kind = row.entry_kind.map_or("", |kind| match kind {
            EntryKind::Value => "value",
            EntryKind::Steps => "number of steps",
        });
        rows.push(vec![
            row.target.to_owned(),
            number(row.wanted.value),
            row.wanted.unit.to_owned(),
            row.key.clone().unwrap_or_default(),
            value(row.exact),
            value(row.step),
            row.exact.map_or("", |exact| exact.unit).to_owned(),
            row.entry.clone().unwrap_or_default(),
            kind.to_owned(),
            value(row.becomes),
            value(row.cost),
            row.share_percent.map(number).unwrap_or_default(),
            row.fit.words().to_owned(),
            row.nearest.clone().unwrap_or_default(),
        ]);
    }
    write(rows.into_iter().map(|row| row.into_iter().map(|text| cell(&text))))
}
