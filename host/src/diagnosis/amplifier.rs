//! The amplifier's own state: faults, what keeps it from being enabled, a supply that dips.

use proofstand_protocol::message::TripCause;

use super::rules::{finding, ratio};
use super::{Finding, Pattern, cite};
use crate::fixture::cause_in_words;
use crate::record::model::{ResultRow, Verdict};

/// It stands in a fault.
pub(super) fn fault(p: &Pattern<'_>) -> Option<Finding> {
    let row = p.row("lines.fault").filter(|_| p.rejected("lines.fault"))?;
    let mut found = finding(
        "amplifier-fault",
        "The amplifier reports a fault while it is at rest",
        "Read the fault on the amplifier's display, mend its cause and clear it; else look whether the flag is inverted or its \
         wire broken",
        0.99,
        vec![cite(row)],
    )?;
    found.not_told_apart = vec![
        "a broken or inverted wire of a flag that opens on a fault looks the same; the display tells"
            .to_owned(),
    ];
    Some(found)
}

/// It goes into fault while the shaft turns.
pub(super) fn fault_in_motion(p: &Pattern<'_>) -> Option<Finding> {
    if p.rejected("lines.fault") {
        return None;
    }
    let evidence = p.tripped(TripCause::AmplifierFault)?;
    let mut found = finding(
        "fault-in-motion",
        "The amplifier goes into fault while it brakes or drives: over-voltage of its bus by braking energy, first of all",
        "Read the fault on the amplifier's display. Over-voltage: a brake resistor, or less energy (lower cap, smaller disc)",
        0.96,
        vec![evidence],
    )?;
    found.not_told_apart =
        vec!["over-voltage, over-current and overspeed; the amplifier's display tells".to_owned()];
    Some(found)
}

/// It never said that it could be enabled, and no torque came.
pub(super) fn cannot_enable(p: &Pattern<'_>) -> Option<Finding> {
    let row = p.row("enable-off-rest.can-enable").filter(|r| p.rejected(&r.id))?;
    let moves = p.row("nudge.moves").filter(|r| r.measured_text.as_deref() == Some("no torque"));
    let mut found = finding(
        "cannot-enable",
        "The amplifier can't be enabled: motor power is absent, or an input that takes torque off is open",
        "Look at motor power (switch, fuses, contactor), then at the torque-off inputs; both must be closed",
        0.9,
        [Some(row), moves].into_iter().flatten().map(cite).collect(),
    )?;
    found.not_told_apart = vec![
        "motor power that is absent and an open torque-off input look the same; the display tells".to_owned(),
    ];
    moves.is_some().then_some(found)
}

/// The cap is 0 rpm: its flag comes with torque, and the shaft stands.
pub(super) fn limit_open(p: &Pattern<'_>) -> Option<Finding> {
    let flag = p.row("enable-off-rest.holding-speed-down")?;
    let moves = p.row("nudge.moves").filter(|r| r.measured_text.as_deref() == Some("no counts"))?;
    let comes = flag.measured_text.as_deref() == Some("comes with torque");
    comes.then_some(())?;
    finding(
        "limit-open",
        "The cap is 0 rpm: the amplifier says that it holds the speed down while the shaft stands",
        "Look where the amplifier takes its speed limit from: an analog input that is left open is 0 V, and so 0 rpm",
        0.97,
        vec![cite(flag), cite(moves)],
    )
}

/// The encoder's output broke off in a run, although every pair was driven before.
pub(super) fn output_breaks_off(p: &Pattern<'_>) -> Option<Finding> {
    if p.rejected("lines.pairs") {
        return None;
    }
    let evidence = p.tripped(TripCause::EncoderLine)?;
    let mut found = finding(
        "encoder-breaks-off",
        "The encoder's output broke off during a run: a pair, its termination, or the amplifier's control power",
        "At speed only: look at the termination (one resistor a pair, at the receiver) and at the 0 V of the pairs. At any \
         time: at the amplifier's control power, and at plugs and wires that move",
        0.95,
        vec![evidence],
    )?;
    found.not_told_apart = vec![
        "a loose wire, a pair terminated twice and a dip of control power break off alike; the speed at which it does, and \
         whether the amplifier starts anew, tell them apart"
            .to_owned(),
    ];
    Some(found)
}

/// It turns with enable open, though no torque is shown: the amplifier's own doing, if it ignores enable and the command is a
/// little off zero.
pub(super) fn turns_by_its_offset(p: &Pattern<'_>) -> Option<Finding> {
    if p.rejected("lines.torque-on") {
        return None;
    }
    let evidence = turns(p)?;
    let mut found = finding(
        "enable-always",
        "The shaft turns with enable open: the amplifier ignores enable, and turns it by the offset of its command",
        "Keep away. Look for a setting that takes enable as always given, and at the polarity of the enable input",
        0.85,
        vec![evidence],
    )?;
    found.not_told_apart = vec![
        "a load that pulls looks the same; with motor power off a load still pulls, and an amplifier does not".to_owned(),
    ];
    Some(found)
}

/// What a run is stopped with whose shaft does not stand.
const TURNS: &str = "the shaft still turns with enable open";

/// Where it stands that it turned with enable open.
pub(super) fn turns(p: &Pattern<'_>) -> Option<String> {
    p.said(TURNS)
}

/// It turns with enable open.
pub(super) fn turns_by_itself(p: &Pattern<'_>) -> Option<Finding> {
    let evidence = turns(p)?;
    let active = p.rejected("lines.torque-on");
    let torque = p.row("lines.torque-on").filter(|_| active).map(cite);
    if active {
        return finding(
            "enable-inverted",
            "The shaft turns with enable open, and torque is on: enable is inverted, or taken as always given",
            "Keep away. Look at the polarity of the enable input, and for a setting that takes enable as given",
            0.97,
            torque.into_iter().chain([evidence]).collect(),
        );
    }
    finding(
        "pulled-by-a-load",
        "The shaft turns with enable open: something pulls it",
        "Look for a weight or a spring on the shaft; this acceptance is for a shaft that stands by itself. Else look whether the \
         amplifier obeys enable",
        0.9,
        vec![evidence],
    )
}

/// Enabled, and asked for no speed, it drives the shaft until the fixture stops it.
pub(super) fn runs_away(p: &Pattern<'_>) -> Option<Finding> {
    use TripCause as T;
    if p.sheet.command.pair.is_torque() {
        return None;
    }
    let words = [T::OverspeedCounts, T::OverspeedReadout, T::Runaway].map(cause_in_words);
    // At rest, or while the drift at 0 V is looked at; the index alone is no witness.
    let at_rest = p.row("enable-off-rest.stands").filter(|r| r.verdict == Verdict::Rejected);
    let at_rest = at_rest.filter(|r| r.measured_text.as_deref().is_some_and(|text| words.contains(&text)));
    let drift = p.row("creep.drift").filter(|r| r.verdict == Verdict::Rejected && r.measured.is_none());
    let drift = drift.filter(|r| words.iter().any(|word| r.sentence.contains(word)));
    let evidence: Vec<String> = at_rest.into_iter().chain(drift).map(cite).collect();
    if evidence.is_empty() {
        return None;
    }
    let mut found = finding(
        "runs-away",
        "Enabled at 0 V the shaft runs away: the amplifier drives it on where it should hold it",
        "Don't enable it again before this is found. Look at the order of the motor's phases, at its encoder's offset and direction as \
         the amplifier has them, and at which motor it is set for; swap no wire of the fixture for it",
        0.98,
        evidence,
    )?;
    found.not_told_apart = vec![
        "a command offset of more than the slow motion's speed looks alike in its end: it comes to a speed and keeps it"
            .to_owned(),
    ];
    Some(found)
}

/// Up to so much above the cap, by counts, the shaft was held: the trip lies a fifth above it.
const HELD_UP_TO: f64 = 1.1;

/// The fixture tripped by the speed read-out while counts that are known to be right said much less.
pub(super) fn speed_read_out(p: &Pattern<'_>) -> Option<Finding> {
    let words = cause_in_words(TripCause::OverspeedReadout);
    let by_it = |r: &&ResultRow| r.verdict == Verdict::Rejected && r.sentence.contains(words);
    let slow = p.rows("line-count-slow.", "").into_iter().filter(by_it).filter(|r| r.measured == r.target);
    let counts_right = p.verdict("line-count-slow.gate") == Some(Verdict::Accepted);
    let held = p.rows("speed-cap.", ".held").into_iter().filter(by_it);
    let held = held.filter(|r| counts_right && ratio(r).is_some_and(|r| r < HELD_UP_TO));
    let evidence: Vec<String> = slow.filter(|r| r.measured.is_some()).chain(held).map(cite).collect();
    if evidence.is_empty() {
        return None;
    }
    finding(
        "speed-read-out-scale",
        "The speed read-out shows more than its scale says: the fixture tripped by it, and the counts, which are right, say less",
        "Look at the volts set for the speed read-out at 1000 rpm, at the sheet's key for it, and at its 0 V",
        0.98,
        evidence,
    )
}
