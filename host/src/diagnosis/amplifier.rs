//! The amplifier's own state: faults, what keeps it from being enabled, a supply that dips.

use proofstand_protocol::message::TripCause;

use super::rules::finding;
use super::{Finding, Pattern, cite};

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
    let evidence = p.said(TURNS)?;
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

/// It turns with enable open.
pub(super) fn turns_by_itself(p: &Pattern<'_>) -> Option<Finding> {
    let evidence = p.said(TURNS)?;
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
