//! Motion that does not come, comes unasked, or does not get on.

use super::rules::finding;
use super::{Finding, Pattern, cite};
use crate::record::model::Verdict;

/// A person saw the shaft turn, and nothing came.
pub(super) fn silent_by_hand(p: &Pattern<'_>) -> Option<Finding> {
    let row = p.row("hand-turn.counts").filter(|r| r.verdict == Verdict::Rejected)?;
    finding(
        "encoder-silent",
        "No counts come although the shaft turns",
        "Look at control power, at the encoder's plug, at pairs A and B and their 0 V, and whether the divided output is \
         switched on in the amplifier",
        0.95,
        vec![cite(row)],
    )
}

pub(super) fn never_moves(p: &Pattern<'_>) -> Option<Finding> {
    let moves = p.row("nudge.moves")?;
    let standing = matches!(moves.measured_text.as_deref(), Some("no counts" | "no torque"));
    // It does move, once the end switches let it.
    let held = p.rejected("nudge.end-switches");
    if moves.verdict != Verdict::Rejected || !standing || held || p.row("creep.moves").is_some() {
        return None;
    }
    let by_hand = p.row("hand-turn.counts").filter(|r| r.verdict == Verdict::Accepted);
    let mut found = finding(
        "never-moves",
        "The shaft does not move on command",
        "In this order: motor power present and no fault shown; torque-off inputs closed; enable wired and not \
         inverted; travel switches that still act in the amplifier and are open or unwired; command mode selected; a limit taken \
         from an analog input that is left open; brake released; a dead band of the command, wider than what starts the shaft; the \
         flag of torque on, without which the fixture commands nothing: its assignment and its wires",
        // Counts that came by hand leave the way of the power only.
        if by_hand.is_some() { 0.75 } else { 0.7 },
        std::iter::once(moves).chain(by_hand).map(cite).collect(),
    )?;
    found.not_told_apart = vec![
        "these causes look alike from the command and the encoder: a turn by hand (--only hand-turn) tells a shaft that is held, \
         --only enable-off-rest an amplifier that can't be enabled; for the rest look at the amplifier's own display"
            .to_owned(),
    ];
    Some(found)
}

/// Motion that nothing commands.
pub(super) fn moves_at_zero(p: &Pattern<'_>) -> Option<Finding> {
    let rest = ["creep.rest", "nudge.rest"]
        .into_iter()
        .filter_map(|id| p.row(id))
        .find(|r| r.verdict == Verdict::Rejected);
    let stop = p.row("nudge.moves").filter(|r| r.measured_text.as_deref() == Some("does not stop"));
    if rest.is_none() && stop.is_none() {
        return None;
    }
    let mut found = finding(
        "offset",
        if p.sheet.command.pair.is_torque() {
            "The command has an offset as large as friction: the shaft moves, or goes on, at 0 V"
        } else {
            "The command has an offset: the shaft turns at 0 V"
        },
        "Adjust the zero of the command input with the command at 0 V",
        0.95,
        rest.into_iter().chain(stop).map(cite).collect(),
    )?;
    if p.sheet.command.pair.is_torque() {
        found.not_told_apart = vec![
            "a load that pulls one way looks the same, and with motor power off it still does: --only hand-turn; so does a speed \
             mode that was left on: after the zero is adjusted, --only creep shows a drift instead of a breakaway"
                .to_owned(),
        ];
    }
    Some(found)
}

/// It starts, then does not get on.
pub(super) fn jumps_and_locks(p: &Pattern<'_>) -> Option<Finding> {
    let row = p.row("nudge.moves")?;
    // Locked already in the check before, it does not move at all in this one.
    let before = p.row("creep.moves");
    let locked = match row.measured_text.as_deref() {
        Some("sticks") => true,
        Some("no counts") => before.is_some(),
        _ => false,
    };
    if row.verdict != Verdict::Rejected || !locked {
        return None;
    }
    finding(
        "jumps-and-locks",
        "The shaft jumps and locks: two motor phases swapped, or the commutation is wrong",
        "Look at the order of the motor's phases and at the encoder type set in the amplifier",
        0.8,
        before.into_iter().chain([row]).map(cite).collect(),
    )
}
