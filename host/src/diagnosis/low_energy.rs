//! Patterns of the checks made before any full level: fixture, lines, enable, end switches, brake.

use super::amplifier::turns;
use super::rules::finding;
use super::{Finding, Pattern, cite};
use crate::record::model::{ResultRow, Verdict};
use crate::sheet::{BrakeDriver, Handling, InputRole, Stop};

fn rejected<'a>(p: &Pattern<'a>, begins: &str, ends: &str) -> Vec<&'a ResultRow> {
    p.rows(begins, ends).into_iter().filter(|r| r.verdict == Verdict::Rejected).collect()
}

/// The fixture does not read back what it puts out.
pub(super) fn fixture_off(p: &Pattern<'_>) -> Option<Finding> {
    let rows = rejected(p, "fixture-self-check.", "");
    if rows.is_empty() {
        return None;
    }
    finding(
        "fixture-off",
        "The fixture itself is off: it does not read back what it puts out",
        "Take the fixture out of use and have it calibrated; nothing of this run that rests on volts counts",
        1.0,
        rows.into_iter().map(cite).collect(),
    )
}

pub(super) fn encoder_not_driven(p: &Pattern<'_>) -> Option<Finding> {
    let row = p.row("lines.pairs").filter(|r| r.verdict == Verdict::Rejected)?;
    finding(
        "encoder-not-driven",
        "An encoder pair is not driven",
        "Look at control power and, for an absolute encoder, its start-up; at the pairs A, B and Z, each wire on its terminal; \
         and at the 0 V of the pairs",
        1.0,
        vec![cite(row)],
    )
}

/// Turning, the shaft went on following with enable open.
fn follows_while_open<'a>(p: &Pattern<'a>) -> Vec<&'a ResultRow> {
    let mut rows = rejected(p, "enable-off-turning.", ".follows");
    // A run that tripped before enable was opened says nothing of enable.
    rows.retain(|r| !r.sentence.starts_with("tripped before"));
    rows
}

/// Torque stays although enable is open.
pub(super) fn enable_always(p: &Pattern<'_>) -> Option<Finding> {
    let mut rows = follows_while_open(p);
    if rows.is_empty() {
        return None;
    }
    rows.extend(rejected(p, "lines.torque-on", ""));
    rows.extend(rejected(p, "enable-off-rest.", ""));
    finding(
        "enable-always",
        "The amplifier ignores enable: torque stays when it is opened",
        "Look for a setting that takes enable as always given, and at the polarity of the enable input. Until it is mended only \
         the supply takes torque away",
        1.0,
        rows.into_iter().map(cite).collect(),
    )
}

/// Opening enable was shown to take the torque away.
fn obeyed(p: &Pattern<'_>) -> bool {
    p.verdict("enable-off-turning.gate") == Some(Verdict::Accepted)
}

/// What opening enable while turning says of a flag that is active with enable open: to be done, or done in vain.
fn turning_tells(p: &Pattern<'_>) -> String {
    let tried = p.rows("enable-off-turning.", ".follows");
    if tried.iter().any(|r| r.verdict != Verdict::NotDone) {
        "enable was opened while turning, and that could not tell them apart this time; with enable open the amplifier's own display \
         does"
            .to_owned()
    } else {
        "opening enable while turning (--only enable-off-turning) tells them apart".to_owned()
    }
}

/// A flag says that there is torque with enable open, and nothing shows that there is none. What is dangerous is said first.
pub(super) fn enable_perhaps_ignored(p: &Pattern<'_>) -> Option<Finding> {
    // Torque that goes when the contact closes is an inverted enable; a shaft that turns by itself has rules of its own.
    let otherwise = enable_inverted(p).is_some() || turns(p).is_some();
    if otherwise || !follows_while_open(p).is_empty() || obeyed(p) {
        return None;
    }
    let mut rows = rejected(p, "lines.torque-on", "");
    rows.retain(|r| r.measured_text.as_deref() == Some("active"));
    let mut stays = rejected(p, "enable-off-", "torque-on.off");
    stays.retain(|r| r.measured.is_none() && !r.sentence.contains("was not there"));
    rows.extend(stays);
    if rows.is_empty() {
        return None;
    }
    let mut found = finding(
        "enable-always",
        "The amplifier may ignore enable: it says that torque is on with enable open, and nothing shows that there is none",
        "Treat it as an amplifier that ignores enable until it is shown otherwise: only the supply takes torque away. Look for a \
         setting that takes enable as always given, and at the polarity of the enable input; then at the flag",
        0.93,
        rows.into_iter().map(cite).collect(),
    )?;
    found.not_told_apart = vec![format!(
        "a flag of torque on that is inverted, or on another terminal, looks the same; {}",
        turning_tells(p)
    )];
    Some(found)
}

/// A flag of enable that is active with enable open, or does not follow it, while enable itself is obeyed.
pub(super) fn enable_flag_wrong(p: &Pattern<'_>) -> Option<Finding> {
    if !follows_while_open(p).is_empty() {
        return None;
    }
    let mut rows = rejected(p, "lines.torque-on", "");
    rows.extend(rejected(p, "lines.brake-release", ""));
    let active_while_open = !rows.is_empty();
    rows.extend(rejected(p, "enable-off-rest.", ".off"));
    if rows.is_empty() {
        return None;
    }
    let mut found = finding(
        "enable-flag",
        if active_while_open {
            "A flag that should follow enable is active while enable is open: inverted, or on another terminal"
        } else {
            "A flag does not follow enable when it is opened"
        },
        "Look at the flag's assignment and polarity in the amplifier, and at its two wires",
        0.9,
        rows.into_iter().map(cite).collect(),
    )?;
    if !obeyed(p) {
        found.not_told_apart = vec![format!(
            "an amplifier that takes enable as always given looks the same at rest; {}",
            turning_tells(p)
        )];
    }
    Some(found)
}

/// The first motion came only with the end switches released.
pub(super) fn end_switches_hold(p: &Pattern<'_>) -> Option<Finding> {
    let row = p.row("nudge.end-switches").filter(|r| r.verdict == Verdict::Rejected)?;
    let moves = p.row("nudge.moves");
    let mut found = finding(
        "end-switches-obeyed",
        "The amplifier obeys its end-switch inputs, and as delivered they read as tripped",
        "Set the amplifier to ignore both inputs (or wire normally closed switches, if it is to obey them after all)",
        0.98,
        moves.into_iter().chain([row]).map(cite).collect(),
    )?;
    found.not_told_apart =
        vec!["whether the two are swapped as well does not show while both hold the shaft; --only end-switches tells, once the \
              amplifier is set as the sheet says"
            .to_owned()];
    Some(found)
}

/// A switch that does what the sheet says it must not, or does not what it must.
pub(super) fn end_switches_wrong(p: &Pattern<'_>) -> Option<Finding> {
    let rows = rejected(p, "end-switches.", "");
    if rows.is_empty() {
        return None;
    }
    let did = |way: &str, what: &str, wanted: &str| {
        let row = p.row(&format!("end-switches.{way}.{what}"));
        row.and_then(|r| r.measured_text.as_deref()) == Some(wanted)
    };
    let stops_behind = ["forward", "reverse"].iter().any(|way| did(way, "behind", "stops"));
    // The switch ahead, each way, where the sheet has one that is handled so.
    let ahead = |handled: Handling, wanted: &str| {
        [("forward", InputRole::EndSwitchPositive), ("reverse", InputRole::EndSwitchNegative)].iter().any(
            |(way, role)| {
                p.sheet.input(*role).is_some_and(|i| i.handling == handled) && did(way, "ahead", wanted)
            },
        )
    };
    let (id, title, remedy) = if stops_behind {
        (
            "end-switches-swapped",
            "The end switches are swapped: the one at the other end stops the shaft",
            "Swap the wires of the two end switches, or their assignment in the amplifier; look at the direction of rotation \
             first: reversed, it swaps them too",
        )
    } else if ahead(Handling::Ignored, "stops") {
        (
            "end-switches-obeyed",
            "The amplifier obeys end switches that it should ignore",
            "Take the assignment of the two inputs away in the amplifier",
        )
    } else if ahead(Handling::Obeyed, "goes on") {
        (
            "end-switches-ignored",
            "The amplifier ignores its end switches",
            "Assign the two inputs in the amplifier, and look at their wires",
        )
    } else {
        (
            "end-switches-wrong",
            "The end switches do not act as the sheet says",
            "Look at the assignment and the polarity of the two inputs",
        )
    };
    finding(id, title, remedy, 0.97, rows.into_iter().map(cite).collect())
}

/// Torque and the brake's flag came, and the shaft did not move.
pub(super) fn brake_closed(p: &Pattern<'_>) -> Option<Finding> {
    let braked = p.sheet.enable.brake != BrakeDriver::None;
    let moves = p.row("nudge.moves").filter(|r| r.measured_text.as_deref() == Some("no counts"))?;
    let flag = p.row("enable-off-rest.brake-release.on")?;
    if !braked || moves.verdict != Verdict::Rejected || flag.verdict != Verdict::Accepted {
        return None;
    }
    let mut found = finding(
        "brake-closed",
        "The holding brake stays closed although the amplifier asks for its release",
        "Look at the brake's supply, its driver and its wires; listen for its click when enable is closed",
        0.9,
        vec![cite(moves), cite(flag)],
    )?;
    found.not_told_apart = vec![
        "a shaft that is blocked otherwise looks the same; can it be turned by hand without power?"
            .to_owned(),
    ];
    Some(found)
}

/// Torque is there with enable open, and not with enable closed.
pub(super) fn enable_inverted(p: &Pattern<'_>) -> Option<Finding> {
    let open = p.row("lines.torque-on").filter(|r| r.verdict == Verdict::Rejected)?;
    let moves = p.row("nudge.moves").filter(|r| r.measured_text.as_deref() == Some("no torque"))?;
    let mut found = finding(
        "enable-inverted",
        "Enable is inverted: torque is on with the contact open, and goes when it closes",
        "Change the polarity of the enable input; a contact that opens, or a wire that breaks, must take torque away",
        0.97,
        vec![cite(open), cite(moves)],
    )?;
    found.not_told_apart =
        vec!["an inverted flag of torque on looks the same at rest; the display tells".to_owned()];
    Some(found)
}

/// The brake is asked to release long after torque, or never.
pub(super) fn brake_late(p: &Pattern<'_>) -> Option<Finding> {
    let row = p.row("enable-off-rest.brake-release.on").filter(|r| r.verdict == Verdict::Rejected)?;
    let torque = p.row("enable-off-rest.torque-on.on");
    let idle = !p.rejected("lines.brake-release") && torque.is_none_or(|r| r.verdict == Verdict::Accepted);
    idle.then_some(())?;
    finding(
        "brake-late",
        "The holding brake is asked to release too late: the motor pushes against it meanwhile",
        "Look at the brake's release delay in the amplifier; if its flag never comes, at the flag's assignment and wires",
        0.95,
        torque.into_iter().chain([row]).map(cite).collect(),
    )
}

/// With enable open it is braked and should coast, or the other way round.
pub(super) fn stops_otherwise(p: &Pattern<'_>) -> Option<Finding> {
    let rows = rejected(p, "enable-off-turning.", ".drag");
    if rows.is_empty() {
        return None;
    }
    // An offset, or a load, drives on one way and brakes the other.
    let fit = if rows.len() > 1 { 0.95 } else { 0.6 };
    let evidence = rows.into_iter().map(cite).collect();
    match p.sheet.enable.off {
        Stop::Coast => finding(
            "braked-when-off",
            "With enable open the shaft is braked, and the sheet says that it coasts",
            "Look for a dynamic brake in the amplifier's settings, and for a holding brake that the sheet does not know",
            fit,
            evidence,
        ),
        Stop::Brake => finding(
            "coasts-when-off",
            "With enable open the shaft coasts, and the sheet says that it is braked",
            "Look for the setting of the dynamic brake, and at its relay or resistor",
            fit,
            evidence,
        ),
    }
}
