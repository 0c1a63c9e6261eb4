//! Rules about the lines themselves: the index, and where the edges of A and B lie.

use super::pulses::counts_uneven;
use super::rules::finding;
use super::{Finding, Pattern, cite};
use crate::record::model::{ResultRow, Verdict};

fn rejected<'a>(p: &Pattern<'a>, ends: &str) -> Vec<&'a ResultRow> {
    let mut rows = p.rows("line-count-", ends);
    rows.retain(|r| r.verdict == Verdict::Rejected);
    rows
}

fn cited(rows: &[&ResultRow]) -> Vec<String> {
    rows.iter().map(|r| cite(r)).collect()
}

pub(super) fn index_inverted(p: &Pattern<'_>) -> Option<Finding> {
    let row = p.row("line-count-slow.index-width").filter(|r| r.verdict == Verdict::Rejected)?;
    // Revolutions that are miscounted put the passes anywhere.
    if counts_uneven(p).is_some() {
        return None;
    }
    let counts = 4.0 * f64::from(p.sheet.encoder.pulses.get());
    if row.measured? < 0.5 * counts {
        return None;
    }
    finding(
        "index-inverted",
        "The index is inverted: high all the way round but where it should be",
        "Swap the two wires of pair Z, or change the setting for its polarity. Forward and reverse it is taken at two \
         places that lie almost a revolution apart",
        1.0,
        vec![cite(row)],
    )
}

pub(super) fn index_one_way(p: &Pattern<'_>) -> Option<Finding> {
    // One way every revolution is right, the other way not one was seen: in the slow count, or, where a pulse that came by
    // chance spoilt that one, in the count after the power cycle.
    let none = |row: &ResultRow| row.verdict == Verdict::Rejected && row.measured.is_none();
    let right = |row: &ResultRow| row.measured.is_some() && row.measured == row.target;
    let pair = |names: [&str; 2]| {
        let (forward, reverse) = (p.row(names[0])?, p.row(names[1])?);
        let one_way = right(forward) && none(reverse) || none(forward) && right(reverse);
        one_way.then_some((forward, reverse))
    };
    let (forward, reverse) = pair(["line-count-slow.slow-forward", "line-count-slow.slow-reverse"])
        .or_else(|| pair(["retention.counts-forward", "retention.counts-reverse"]))?;
    let mut evidence = vec![cite(forward), cite(reverse)];
    evidence.extend(p.row("line-count-slow.index-width").map(cite));
    finding(
        "index-one-way",
        "The index comes in one direction only",
        "Look for a setting that gates the index with the direction or with phase A or B, and for a receiver that sees \
         pair Z at the edge of its levels: wires, 0 V of the pairs, termination",
        1.0,
        evidence,
    )
}

pub(super) fn phase_error(p: &Pattern<'_>) -> Option<Finding> {
    let rows = rejected(p, ".phase-error");
    if rows.is_empty() || duty_explains(p, &rows) {
        return None;
    }
    let mut evidence = cited(&rows);
    evidence.extend(cited(&rejected(p, ".phase")));
    finding(
        "phase-error",
        "A and B are not a quarter of a cycle apart",
        "The encoder or its divided output is out of adjustment. If the error grows with the speed it is a delay of one \
         line: look at the termination and the wires of pairs A and B",
        1.0,
        evidence,
    )
}

/// A line that is high for too long has its middle late by half of that.
fn duty_explains(p: &Pattern<'_>, phase: &[&ResultRow]) -> bool {
    let allowed = p.sheet.encoder.phase_error.value.get();
    let halves: Vec<f64> =
        rejected(p, ".duty").iter().filter_map(|r| r.measured).map(|d| 0.5 * d.abs()).collect();
    let near = |row: &&ResultRow| {
        let within = allowed + row.expanded_uncertainty.unwrap_or(0.0);
        row.measured.is_some_and(|m| halves.iter().any(|h| (m.abs() - h).abs() <= within))
    };
    phase.iter().all(near)
}

pub(super) fn duty_error(p: &Pattern<'_>) -> Option<Finding> {
    let rows = rejected(p, ".duty");
    if rows.is_empty() {
        return None;
    }
    let mut evidence = cited(&rows);
    evidence.extend(cited(&rejected(p, ".phase")));
    finding(
        "duty-error",
        "A or B is not high for half of its cycle",
        "Look at both wires of the pair: one that is not driven, or a load on one of them, moves the receiver's \
         threshold; else the encoder is out of adjustment",
        1.0,
        evidence,
    )
}

pub(super) fn edges_too_near(p: &Pattern<'_>) -> Option<Finding> {
    let mut rows = rejected(p, ".phase");
    rows.extend(rejected(p, ".edge"));
    if rows.is_empty() || !rejected(p, ".phase-error").is_empty() || !rejected(p, ".duty").is_empty() {
        return None;
    }
    finding(
        "edges-too-near",
        "Edges of A and B come too near one another",
        "The division of the encoder's own positions may not come out even: a pulse number that divides them, or a lower \
         cap, gives more room",
        0.9,
        cited(&rows),
    )
}

pub(super) fn response_slow(p: &Pattern<'_>) -> Option<Finding> {
    let row = p.row("step-response.delay").filter(|r| r.verdict == Verdict::Rejected)?;
    finding(
        "response-slow",
        "The torque follows its command too slowly",
        "Look for a filter on the analog input, a torque filter or a ramp in the amplifier's settings",
        0.95,
        vec![cite(row)],
    )
}

pub(super) fn illegal_transitions(p: &Pattern<'_>) -> Option<Finding> {
    let rows = rejected(p, ".illegal");
    if rows.is_empty() {
        return None;
    }
    finding(
        "illegal-transitions",
        "A and B change at once: edges are lost or disturbed on the way",
        "Look at the screen, the termination and the 0 V of pairs A and B, and at the rate that line and receiver allow",
        0.6,
        cited(&rows),
    )
}
