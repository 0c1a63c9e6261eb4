//! What is gone, or has come, over a power cycle.

use super::amplifier::speed_read_out;
use super::lines::index_one_way;
use super::pulses::{counts_uneven, index_drops, slightly_wrong_at_speed, wrong_counts};
use super::rules::{finding, near};
use super::scale::gain_row;
use super::{Finding, Pattern, cite};
use crate::checks::AS_BEFORE;
use crate::record::model::{ResultRow, Verdict};

/// What changed over the power cycle, with what it was before.
fn changed<'a>(p: &Pattern<'a>) -> Vec<&'a ResultRow> {
    // Where counts get lost at speed, no two held speeds are alike; where the index comes one way only, or at times, it is luck
    // which revolutions are counted.
    let by_chance = counts_uneven(p).is_some() || index_one_way(p).is_some() || index_drops(p).is_some();
    if by_chance || !slightly_wrong_at_speed(p).is_empty() {
        return Vec::new();
    }
    let said = |r: &&ResultRow| r.id != "retention.cycled" && (r.unit != "counts" || r.measured.is_some());
    let rows = p.rows("retention.", "").into_iter();
    rows.filter(|r| r.verdict == Verdict::Rejected).filter(said).filter(|r| !unchanged(p, r)).collect()
}

/// Wrong after the power cycle, as it was before.
fn unchanged(p: &Pattern<'_>, row: &ResultRow) -> bool {
    let counted = |r: &&ResultRow| r.target == row.target && r.measured == row.measured;
    match row.unit.as_str() {
        "counts" => row.measured != row.target && wrong_counts(p).iter().any(counted),
        _ => row.measured_text.as_deref() == Some(AS_BEFORE),
    }
}

/// Wrong before the power cycle, right after it.
fn right_now(p: &Pattern<'_>, row: &ResultRow) -> bool {
    match row.unit.as_str() {
        // Right, and rejected: it was wrong before, or the motion ended badly.
        "counts" => row.measured.is_some() && row.measured == row.target && !wrong_counts(p).is_empty(),
        _ if row.id == "retention.gain" => gain_row(p)
            .zip(row.measured)
            .is_some_and(|((_, before), change)| near(before * (1.0 + change / 100.0), 1.0)),
        _ => false,
    }
}

pub(super) fn not_in_force(p: &Pattern<'_>) -> Option<Finding> {
    let changed = changed(p);
    let right: Vec<&ResultRow> = changed.iter().copied().filter(|r| right_now(p, r)).collect();
    if right.is_empty() {
        return None;
    }
    finding(
        "setting-not-in-force",
        "A setting was entered, and came into force only with the power cycle",
        "Nothing more to set: make the acceptance again from the start, the results before the power cycle are of the old \
         setting",
        1.0,
        right.into_iter().map(cite).collect(),
    )
}

pub(super) fn not_stored(p: &Pattern<'_>) -> Option<Finding> {
    let changed = changed(p);
    // A motion that a wrong speed read-out stops says nothing of the counts, which are right.
    let by_read_out =
        |r: &&ResultRow| r.unit == "counts" && r.measured == r.target && speed_read_out(p).is_some();
    let gone = changed.iter().copied().filter(|r| !right_now(p, r)).filter(|r| !by_read_out(r));
    let gone: Vec<&ResultRow> = gone.collect();
    if gone.is_empty() {
        return None;
    }
    finding(
        "setting-not-stored",
        "A setting is gone after the power cycle: it was changed, and never stored",
        "Enter it again and store it in the amplifier's permanent memory; then switch off and on, and look again",
        1.0,
        gone.into_iter().map(cite).collect(),
    )
}
