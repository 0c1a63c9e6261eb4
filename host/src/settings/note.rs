//! What to say beside a change: why a value may not be what it seems.

use super::compare::Expectation;
use super::decimal::Decimal;
use super::harmless::visible;
use super::table::Entry;
use super::unit;
use crate::sheet::{Alike, DecimalSign};

/// The notes of one setting of which there is something to look after. `alike` holds all keys of tables and sheet.
pub(super) fn notes(
    key: &str,
    [before, after]: [Option<&Entry>; 2],
    expected: Option<&Expectation>,
    decimal: DecimalSign,
    alike: &Alike<'_>,
) -> Vec<String> {
    let mut notes = Vec::new();
    if let Some(entry) = [after, before].into_iter().flatten().find(|entry| other_sign(entry, decimal)) {
        let value = visible(&entry.value);
        notes.push(format!(
            "\"{value}\" is a number with the other decimal sign: is `decimal` in [settings] right?"
        ));
    }
    if let (Some(entry), Some(expected)) = (after, expected)
        && unit::contradict(&expected.unit, &entry.unit)
    {
        let (unit, form) = (visible(&entry.unit), &expected.unit);
        notes.push(format!(
            "the table gives it in {unit}, and the sheet in {form}: they are not held against each other"
        ));
    }
    if before.is_none() || after.is_none() {
        let like: Vec<_> = alike.to(key).map(|other| format!("\"{}\"", visible(other))).collect();
        if !like.is_empty() {
            notes.push(format!("there is {} too: keys are the same only letter by letter", like.join(", ")));
        }
    }
    notes
}

/// No number as the sheet says numbers are written, but one with the other sign.
fn other_sign(entry: &Entry, decimal: DecimalSign) -> bool {
    entry.number.is_none() && Decimal::parse(&entry.value, decimal.other()).is_some()
}
