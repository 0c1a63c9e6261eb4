//! The command's scale, its zero and its straightness.

use super::rules::{finding, near, ratio};
use super::{Finding, Pattern, cite};
use crate::record::model::{ResultRow, Verdict};

pub(super) fn gain_row<'a>(p: &Pattern<'a>) -> Option<(&'a ResultRow, f64)> {
    // A gain is the slope of a line: where there is none, it says nothing.
    let straight = !p.rejected("command-scale.linearity") && !p.rejected("speed-scale.linearity");
    let wrong = ["command-scale.gain", "speed-scale.gain", "line-count-slow.scale"]
        .into_iter()
        .filter_map(|id| p.row(id))
        .find(|r| r.verdict == Verdict::Rejected)?;
    straight.then(|| ratio(wrong).map(|r| (wrong, r)))?
}

pub(super) fn gain_of_peak(p: &Pattern<'_>) -> Option<Finding> {
    let (row, r) = gain_row(p)?;
    let peak = p.sheet.motor.peak_torque / p.sheet.motor.rated_torque;
    if !near(r, peak) || peak < 1.2 || !p.sheet.command.pair.is_torque() {
        return None;
    }
    let mut found = finding(
        "gain-of-peak",
        "The scale is in percent of peak torque, not of rated torque",
        "Enter the scale for rated torque: the amplifier gives peak torque where rated is wanted",
        0.95,
        vec![cite(row)],
    )?;
    if near(peak, 2.0) {
        found.not_told_apart =
            vec!["a doubled scale looks the same on this motor; read the setting".to_owned()];
    }
    Some(found)
}

pub(super) fn gain_by_two(p: &Pattern<'_>) -> Option<Finding> {
    let (row, r) = gain_row(p)?;
    // The inertia's uncertainty is in the measured gain, so the ratio is not sharp.
    let (title, remedy) = if (1.8..=2.2).contains(&r) {
        (
            "The command scale is doubled",
            "Look at the amplifier's command scale setting (volts at rated torque or speed halved?), and whether its \
             input expects one wire against 0 V",
        )
    } else if (0.45..=0.55).contains(&r) {
        (
            "The command scale is halved",
            "Look whether one wire of the differential command is at 0 V or open, then at the scale setting",
        )
    } else {
        return None;
    };
    finding("gain-by-two", title, remedy, 0.94, vec![cite(row)])
}

pub(super) fn gain_low(p: &Pattern<'_>) -> Option<Finding> {
    let (row, r) = gain_row(p)?;
    let beside = p.verdict("command-scale.reversal-less-read-out");
    // Where the ways disagree the scale itself may be right.
    if !(0.80..0.995).contains(&r) || beside == Some(Verdict::Rejected) {
        return None;
    }
    if beside == Some(Verdict::Accepted) {
        return finding(
            "input-loaded",
            "The scale is low by some percent, and the torque read-out says so too: the command input is loaded, or the \
             scale is set low",
            "Measure the command at the amplifier's terminals; look for a second load on the pair; look at the setting",
            0.8,
            vec![cite(row)],
        );
    }
    if !p.sheet.command.pair.is_torque() {
        return finding(
            "input-loaded",
            "The scale is low by some percent: the command input is loaded, or the scale is entered a little wrong",
            "Measure the command at the amplifier's terminals and look for a second load on the pair; then read the \
             scale setting",
            0.6,
            vec![cite(row)],
        );
    }
    let mut found = finding(
        "input-loaded",
        "The scale is low by some percent: the command input is loaded, or the inertia in the sheet is too small",
        "Measure the command at the amplifier's terminals; look for a second load on the pair; check the inertia",
        0.6,
        vec![cite(row)],
    )?;
    found.not_told_apart =
        vec!["a torque read-out of the amplifier would tell a loaded input from a wrong inertia".to_owned()];
    Some(found)
}

/// A speed command that asks for little more than the cap comes to rest below it, and one that asks for more comes to it.
pub(super) fn speed_falls_short(p: &Pattern<'_>) -> Option<Finding> {
    let held = p.rows("speed-cap.", ".held");
    let (low, higher): (Vec<&ResultRow>, Vec<&ResultRow>) =
        held.into_iter().partition(|r| r.id.contains(".low-"));
    let short = |r: &ResultRow| {
        r.verdict == Verdict::Rejected
            && r.expanded_uncertainty.is_some()
            && ratio(r).is_some_and(|r| r < 1.0)
    };
    let right = |r: &ResultRow| r.verdict == Verdict::Accepted;
    if p.sheet.command.pair.is_torque()
        || low.is_empty()
        || higher.is_empty()
        || !low.iter().all(|r| short(r))
        || !higher.iter().all(|r| right(r))
    {
        return None;
    }
    finding(
        "input-loaded",
        "The speed falls short of what is asked, and the cap holds where more is asked: the command input is loaded, or the \
         scale is entered too low",
        "Measure the command at the amplifier's terminals and look for a second load on the pair; then read the scale \
         setting",
        0.85,
        low.into_iter().chain(higher).map(cite).collect(),
    )
}

/// The shaft does not start although torque is on: less torque a volt than stated is one way to that.
pub(super) fn too_little_to_start(p: &Pattern<'_>) -> Option<Finding> {
    let moves = p.row("nudge.moves").filter(|r| r.measured_text.as_deref() == Some("no counts"))?;
    let enabled = p.row("enable-off-rest.torque-on.on").filter(|r| r.verdict == Verdict::Accepted)?;
    let held = p.rejected("nudge.end-switches");
    if moves.verdict != Verdict::Rejected || held || p.row("creep.moves").is_some() {
        return None;
    }
    let mut found = finding(
        "gain-by-two",
        "Or the command scale is halved, or less: torque is on, and the command did not start the shaft",
        "Look whether one wire of the differential command is at 0 V or open, then at the scale setting",
        0.4,
        vec![cite(moves), cite(enabled)],
    )?;
    found.not_told_apart =
        vec!["a shaft that is held, and a command that does not arrive, look the same; a turn by hand (--only hand-turn) tells \
              whether it is held, a voltmeter at the amplifier's terminals whether the command arrives"
            .to_owned()];
    Some(found)
}

pub(super) fn gain_other(p: &Pattern<'_>) -> Option<Finding> {
    let (row, r) = gain_row(p)?;
    if (0.45..=0.55).contains(&r) || (0.80..0.995).contains(&r) || (1.8..=2.2).contains(&r) {
        return None;
    }
    finding(
        "gain-wrong",
        &format!("The command scale is {r:.3} times what the sheet asks"),
        if p.sheet.command.pair.is_torque() {
            "Look at the volts and the percentage entered for the command scale, and at the motor's rated torque as the \
             amplifier knows it"
        } else {
            "Look at the volts and the speed entered for the command scale"
        },
        0.5,
        vec![cite(row)],
    )
}

pub(super) fn offset(p: &Pattern<'_>) -> Option<Finding> {
    let rejected = |ids: &[&str]| -> Vec<String> {
        let rows = ids.iter().filter_map(|id| p.row(id));
        rows.filter(|r| r.verdict == Verdict::Rejected).map(cite).collect()
    };
    let drifts = rejected(&["creep.drift", "creep.null", "speed-scale.offset"]);
    if !drifts.is_empty() {
        return finding(
            "offset",
            "The speed command has a constant offset: the shaft creeps at 0 V",
            "Adjust the zero of the command input, or the automatic one, with the command at 0 V",
            0.9,
            drifts,
        );
    }
    let evidence = rejected(&["creep.offset", "command-scale.offset"]);
    if evidence.is_empty() {
        return None;
    }
    let mut found = finding(
        "offset",
        "The command has a constant offset",
        "Adjust the zero of the command input with the command at 0 V",
        0.9,
        evidence,
    )?;
    found.not_told_apart = vec![
        "a load that pulls one way (gravity, a spring) looks the same; turn the motor on its side".to_owned(),
    ];
    Some(found)
}

/// The slope is right, but the line misses 0 V; or there is no line, and it takes too much to start.
pub(super) fn dead_band(p: &Pattern<'_>) -> Option<Finding> {
    let rejected = |id| p.row(id).filter(|r| r.verdict == Verdict::Rejected);
    let Some(row) = rejected("command-scale.zero") else { return lets_go_late(p) };
    if p.rejected("command-scale.linearity") {
        return None;
    }
    finding(
        "dead-band",
        "The command has a dead band at 0 V",
        "Look for a dead band or a zero clamp of the command input, and take it off",
        0.9,
        vec![cite(row)],
    )
}

/// So much more than the bound, by the scale that was measured, is no friction within it: half the 10 % that the scale's own
/// tolerance is as a rule (common practice, no source).
const MORE_THAN_BOUND: f64 = 1.05;

/// It takes too much to start. Without the line it may as well be friction, or a scale that is too low; a line that meets 0 V
/// leaves friction.
fn lets_go_late(p: &Pattern<'_>) -> Option<Finding> {
    let row = p.row("creep.breakaway").filter(|r| r.verdict == Verdict::Rejected)?;
    let number = |text: &Option<String>| text.as_ref()?.split(' ').next_back()?.parse::<f64>().ok();
    let gain = p.row("command-scale.gain").and_then(|r| ratio(r).map(|ratio| (r, ratio)));
    if let (Some((_, ratio)), Some(found), Some(bound)) =
        (gain, number(&row.measured_text), number(&row.target_text))
        && found * ratio.min(1.0) <= bound * MORE_THAN_BOUND
    {
        return None;
    }
    let meets_zero = p.row("command-scale.zero").filter(|r| r.verdict == Verdict::Accepted);
    if let Some(zero) = meets_zero {
        return finding(
            "friction-more",
            "The shaft takes more to let go than the sheet says, and the command has no dead band: friction",
            "Turn the shaft by hand and feel for friction; look for a brake that drags, for bearings and seals; if it is the motor's \
             own, state it in the sheet",
            0.8,
            vec![cite(row), cite(zero)],
        );
    }
    let mut found = finding(
        "dead-band",
        "The shaft lets go at too high a command: a dead band at 0 V, or more friction than the sheet says",
        "Turn the shaft by hand and feel for friction; look for a dead band or a zero clamp of the command input",
        // What torque there is at a level was measured: it is not the scale that is so much too low.
        if gain.is_some() { 0.85 } else { 0.5 },
        std::iter::once(row).chain(gain.map(|g| g.0)).map(cite).collect(),
    )?;
    found.not_told_apart = vec![if gain.is_some() {
        "friction, and a brake that drags; more levels, with a disc, would show where the line of torque meets 0 V".to_owned()
    } else {
        "friction, a brake that drags, a scale that is too low; the command scale (--only command-scale) would tell, once \
         the shaft moves"
            .to_owned()
    }];
    Some(found)
}

/// At the higher levels the shaft speeds up as if most of its inertia were gone.
pub(super) fn coupling_slips(p: &Pattern<'_>) -> Option<Finding> {
    let rows: Vec<&ResultRow> = p
        .rows("command-scale.level-", "")
        .into_iter()
        .filter(|r| r.measured_text.as_deref() == Some("too quick"))
        .collect();
    if rows.is_empty() {
        return None;
    }
    finding(
        "coupling-slips",
        "At the higher levels the shaft speeds up as if its disc were gone: the hub slips",
        "Look at the clamping of the disc's hub or of the coupling, and at marks of slipping on the shaft",
        0.95,
        rows.into_iter().map(cite).collect(),
    )
}

pub(super) fn torque_limited(p: &Pattern<'_>) -> Option<Finding> {
    let row = p.row("command-scale.linearity")?;
    if row.verdict != Verdict::Rejected {
        return None;
    }
    finding(
        "torque-limited",
        "Torque does not grow evenly with the command",
        "If the highest level falls short: a torque limit. If the lowest does: a dead band at 0 V",
        0.7,
        vec![cite(row)],
    )
}
