//! Which way the shaft turns, and which way the counts run.

use super::amplifier::runs_away;
use super::rules::finding;
use super::{Finding, Pattern, cite};
use crate::record::model::Verdict;

/// The sense of the counts, as a person saw it while turning the shaft by hand.
const BY_HAND: &str = "hand-turn.sign";

pub(super) fn encoder_or_command_reversed(p: &Pattern<'_>) -> Option<Finding> {
    let counts = p.row("nudge.counts")?;
    let wanted = counts.target_text.as_ref()?;
    // A counter that stands says nothing by the sign of the count that it trembles by, and a shaft that runs away before
    // anything is commanded nothing of the command's.
    if p.rejected("hand-turn.counts") || runs_away(p).is_some() {
        return None;
    }
    if counts.verdict != Verdict::Rejected || counts.measured_text.as_ref() == Some(wanted) {
        return None;
    }
    let mut evidence = vec![cite(counts)];
    let direction = p.row("nudge.direction");
    evidence.extend(direction.map(cite));
    match direction.map(|r| r.verdict) {
        Some(Verdict::Accepted) => finding(
            "counts-reversed",
            "The counts run backwards: A and B swapped, or one encoder pair reversed",
            "The shaft turns the right way. Swap pair A with pair B, or reverse one pair's two wires (not both), or \
             change the setting for the phase order of the divided output",
            1.0,
            evidence,
        ),
        Some(Verdict::Rejected) => told_by_display(finding(
            "command-reversed",
            "The command is reversed: its two wires swapped, or its polarity setting",
            "The shaft turns the wrong way and the counts follow it. Swap the two command wires, or change the \
             polarity of the command in the amplifier",
            1.0,
            evidence,
        )?),
        // Nobody answered, but a hand has turned the shaft: which way the counts run for a way that was seen is known.
        _ if p.verdict(BY_HAND) == Some(Verdict::Accepted) => {
            evidence.extend(p.row(BY_HAND).map(cite));
            told_by_display(finding(
                "command-reversed",
                "The command is reversed: its two wires swapped, or its polarity setting",
                "Turned by hand the counts run the right way, so that it is the command. Swap the two command wires, or \
                 change the polarity of the command in the amplifier",
                0.95,
                evidence,
            )?)
        }
        _ if p.rejected(BY_HAND) => {
            evidence.extend(p.row(BY_HAND).map(cite));
            finding(
                "counts-reversed",
                "The counts run backwards: A and B swapped, or one encoder pair reversed",
                "Turned by hand the counts run the wrong way, and on command they run against it: the shaft turns the \
                 right way. Swap pair A with pair B, or reverse one pair's two wires (not both)",
                0.95,
                evidence,
            )
        }
        _ => {
            let mut found = finding(
                "counts-or-command-reversed",
                "Command and counts disagree in sign",
                "Somebody must look which way the shaft turns: right way, the counts are reversed; wrong way, the \
                 command is",
                0.9,
                evidence,
            )?;
            found.not_told_apart = vec![
                "counts reversed and command reversed look alike from here; an attended nudge, or a turn by hand, tells \
                 them apart"
                    .to_owned(),
            ];
            Some(found)
        }
    }
}

/// A motor whose field is half a cycle off turns the wrong way too.
fn told_by_display(mut found: Finding) -> Option<Finding> {
    found.not_told_apart = vec![
        "a motor whose phases, or whose encoder's offset in the amplifier, turn its torque round looks the same, and nothing holds \
         its speed down: if the amplifier's display shows positive torque while it turns the wrong way, it is that, and no wire of \
         the command"
            .to_owned(),
    ];
    Some(found)
}

pub(super) fn both_reversed(p: &Pattern<'_>) -> Option<Finding> {
    // Seen with motion; or by hand, where nobody answered about the motion: counts that are wrong by hand and agree with
    // the command mean that the motion is mirrored too.
    let seen = p.rejected("nudge.direction");
    let by_hand = p.rejected(BY_HAND) && p.verdict("nudge.direction") != Some(Verdict::Accepted);
    if p.verdict("nudge.counts") != Some(Verdict::Accepted) || !(seen || by_hand) {
        return None;
    }
    let rows = [p.row("nudge.counts"), p.row("nudge.direction"), p.row(BY_HAND)];
    let evidence = rows.into_iter().flatten().map(cite).collect();
    finding(
        "direction-mirrored",
        "Motion and counts are both mirrored: the amplifier's direction of rotation",
        "Change the direction of rotation in the amplifier; it turns motion and counts together. Swapping wires would \
         mend one and break the other",
        1.0,
        evidence,
    )
}

/// By hand the counts run the wrong way, and no motion was made that could say why.
pub(super) fn counts_by_hand_the_other_way(p: &Pattern<'_>) -> Option<Finding> {
    let row = p.row(BY_HAND).filter(|r| r.verdict == Verdict::Rejected)?;
    if p.row("nudge.counts").is_some() {
        return None;
    }
    let mut found = finding(
        "counts-or-direction-reversed",
        "Turned by hand, the counts run the other way",
        "A and B swapped, one encoder pair reversed, or the amplifier's direction of rotation mirrored",
        0.9,
        vec![cite(row)],
    )?;
    found.not_told_apart = vec![
        "reversed counts and a mirrored axis look alike by hand; an attended nudge tells them apart"
            .to_owned(),
    ];
    Some(found)
}
