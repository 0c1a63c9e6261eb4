//! The fixture itself: its calibration, contacts, read-backs and supply.

use proofstand_protocol::message::TripCause;

use super::rules::finding;
use super::{Finding, Pattern, cite};

/// A calibration that can't be relied on.
pub(super) fn calibration(p: &Pattern<'_>) -> Option<Finding> {
    let row = p.row("fixture-self-check.calibration")?;
    let (title, remedy) = match row.measured_text.as_deref() {
        Some("out of date") => (
            "The fixture's calibration is out of date",
            "Have the fixture calibrated (proofstand calibrate), and make the run again",
        ),
        Some("another board's") => (
            "The fixture's calibration is another analog board's",
            "Somebody changed the board: calibrate the fixture as it is now, and make the run again",
        ),
        Some("damaged") => (
            "The fixture's calibration record is damaged",
            "Load the record from its file again, or calibrate the fixture, and make the run again",
        ),
        _ => (
            "The fixture has no calibration that is in force",
            "Have the fixture calibrated, and make the run again",
        ),
    };
    // Whatever else is wrong is worth more than this; and a fixture that is off says more of itself than its record.
    finding("calibration", title, remedy, 0.55, vec![cite(row)])
}

/// The enable contact does not do what it is told.
pub(super) fn enable_contact(p: &Pattern<'_>) -> Option<Finding> {
    let evidence = p.tripped(TripCause::RelayMismatch)?;
    finding(
        "enable-contact",
        "The fixture's enable contact does not do what it is told: welded, or its read-back is wrong",
        "Switch the amplifier off by its own supply: enable may still be closed. Take the fixture out of use",
        1.0,
        vec![evidence],
    )
}

/// What stands at the terminal is not what was put out.
pub(super) fn read_back(p: &Pattern<'_>) -> Option<Finding> {
    let evidence = p.tripped(TripCause::ReadbackMismatch)?;
    let mut found = finding(
        "read-back-disagrees",
        "The command at the terminals is not what the fixture puts out",
        "Take the amplifier's plug off and look again: still so, the fixture's read-back or its output is broken; gone, the \
         command pair is shorted, or something else drives it",
        0.9,
        vec![evidence],
    )?;
    found.not_told_apart = vec![
        "a broken read-back and a pair that is shorted or driven by something else look the same; the fixture's self-check \
         (--only fixture-self-check), which cuts the amplifier off, tells"
            .to_owned(),
    ];
    Some(found)
}

/// It no longer answered.
pub(super) fn fell_silent(p: &Pattern<'_>) -> Option<Finding> {
    let evidence = p.said("no answer from the fixture")?;
    let mut found = finding(
        "fixture-silent",
        "The fixture stopped answering: its supply dipped, it started anew, or its cable is loose",
        "Look at the fixture's supply and at its cable; a fixture that started anew is safe, and what came before is kept. \
         Make the rest with --resume",
        0.95,
        vec![evidence],
    )?;
    found.not_told_apart =
        vec!["a dip of its supply and a loose cable look the same from the host; `proofstand ports` tells: after a dip the \
              fixture greets anew, with a loose cable its port comes and goes when the plug is moved"
            .to_owned()];
    Some(found)
}
