//! The rules. Each looks for one pattern; its fit says how much of the pattern is there.

use super::{Finding, Pattern, cite};
use crate::record::model::{ResultRow, Verdict};

/// A rule.
pub(super) type Rule = fn(&Pattern<'_>) -> Option<Finding>;

/// Every rule.
pub(super) const ALL: &[Rule] = &[
    pulses_for_counts,
    other_pulse_number,
    encoder_or_command_reversed,
    both_reversed,
    never_moves,
    no_index,
    gain_of_peak,
    gain_by_two,
    gain_low,
    gain_other,
    offset,
    torque_limited,
    cap_not_set,
    cap_one_way,
    cap_other_value,
    flag_elsewhere,
    flag_inverted,
    flag_dead,
];

/// How near a ratio must be to a telling one.
const NEAR: f64 = 0.05;

fn near(value: f64, wanted: f64) -> bool {
    (value / wanted - 1.0).abs() <= NEAR
}

fn ratio(row: &ResultRow) -> Option<f64> {
    Some(row.measured? / row.target?)
}

fn finding(id: &'static str, title: &str, remedy: &str, fit: f64, evidence: Vec<String>) -> Option<Finding> {
    Some(Finding {
        id,
        title: title.to_owned(),
        evidence,
        remedy: remedy.to_owned(),
        fit,
        not_told_apart: Vec::new(),
    })
}

/// The counted revolutions that are wrong, slow before fast.
fn wrong_counts<'a>(p: &Pattern<'a>) -> Vec<&'a ResultRow> {
    p.rows("line-count", "")
        .into_iter()
        .filter(|r| r.unit == "counts" && r.verdict == Verdict::Rejected)
        .collect()
}

fn pulses_for_counts(p: &Pattern<'_>) -> Option<Finding> {
    let wrong = wrong_counts(p);
    let ratios: Vec<f64> = wrong.iter().filter_map(|r| ratio(r)).collect();
    let first = *ratios.first()?;
    let telling = [4.0, 0.25, 2.0, 0.5].into_iter().find(|t| ratios.iter().all(|r| near(*r, *t)))?;
    let pulses = p.sheet.encoder.pulses.get();
    let (title, remedy) = if first > 1.0 {
        (
            format!("Pulses and counts are mixed: {telling} times too many counts per revolution"),
            format!(
                "The amplifier seems to give {} pulses per revolution. Enter {pulses} pulses (before quadrature), not \
                 {} counts",
                f64::from(pulses) * telling,
                pulses * 4
            ),
        )
    } else {
        (
            format!("Pulses and counts are mixed: 1/{} of the counts per revolution", 1.0 / telling),
            format!(
                "The amplifier seems to give {} pulses per revolution. If its setting asks for counts, enter {}",
                f64::from(pulses) * telling,
                pulses * 4
            ),
        )
    };
    let fit = if telling == 4.0 || telling == 0.25 { 1.0 } else { 0.8 };
    finding("pulses-for-counts", &title, &remedy, fit, wrong.into_iter().map(cite).collect())
}

fn other_pulse_number(p: &Pattern<'_>) -> Option<Finding> {
    let wrong = wrong_counts(p);
    let ratios: Vec<f64> = wrong.iter().filter_map(|r| ratio(r)).collect();
    let first = *ratios.first()?;
    let telling = [4.0, 0.25, 2.0, 0.5].into_iter().any(|t| near(first, t));
    let same = ratios.iter().all(|r| (r / first - 1.0).abs() < 1e-3);
    if telling || !same || (first - 1.0).abs() < 2e-3 {
        return None;
    }
    let pulses = f64::from(p.sheet.encoder.pulses.get()) * first;
    finding(
        "other-pulse-number",
        &format!("Another number of pulses is set: about {pulses:.0} per revolution"),
        "Set the pulses per revolution that the sheet says, cycle power if the setting needs it, and count again",
        0.9,
        wrong.into_iter().map(cite).collect(),
    )
}

fn encoder_or_command_reversed(p: &Pattern<'_>) -> Option<Finding> {
    let counts = p.row("nudge.counts")?;
    let wanted = counts.target_text.as_ref()?;
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
        Some(Verdict::Rejected) => finding(
            "command-reversed",
            "The command is reversed: its two wires swapped, or its polarity setting",
            "The shaft turns the wrong way and the counts follow it. Swap the two command wires, or change the \
             polarity of the command in the amplifier",
            1.0,
            evidence,
        ),
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
                "counts reversed and command reversed look alike from here; an attended nudge tells them apart".to_owned(),
            ];
            Some(found)
        }
    }
}

fn both_reversed(p: &Pattern<'_>) -> Option<Finding> {
    if p.verdict("nudge.counts") != Some(Verdict::Accepted) || !p.rejected("nudge.direction") {
        return None;
    }
    let evidence =
        [p.row("nudge.counts"), p.row("nudge.direction")].into_iter().flatten().map(cite).collect();
    finding(
        "direction-mirrored",
        "Motion and counts are both mirrored: the amplifier's direction of rotation",
        "Change the direction of rotation in the amplifier; it turns motion and counts together. Swapping wires would \
         mend one and break the other",
        1.0,
        evidence,
    )
}

fn never_moves(p: &Pattern<'_>) -> Option<Finding> {
    let moves = p.row("nudge.moves")?;
    if moves.verdict != Verdict::Rejected {
        return None;
    }
    let mut found = finding(
        "never-moves",
        "The shaft does not move on command",
        "In this order: motor power present and no fault shown; torque-off inputs closed; enable wired and not \
         inverted; travel switches that still act in the amplifier and are open; command mode selected; a limit taken \
         from an analog input that is left open; brake released",
        0.7,
        vec![cite(moves)],
    )?;
    found.not_told_apart = vec![
        "these causes look alike from the command and the encoder; the amplifier's own display tells more"
            .to_owned(),
    ];
    Some(found)
}

fn no_index(p: &Pattern<'_>) -> Option<Finding> {
    let index = p.row("nudge.index")?;
    if index.verdict != Verdict::Rejected {
        return None;
    }
    let seen_none = index.measured_text.as_ref().is_some_and(|t| t.starts_with("0 "));
    if seen_none {
        finding(
            "index-missing",
            "The index pulse does not arrive",
            "Look at pair Z: wired, driven, not reversed; some encoders give it only after start-up",
            0.9,
            vec![cite(index)],
        )
    } else {
        finding(
            "index-noisy",
            "The index pulse comes too often: noise on pair Z",
            "Look at the shield, the 0 V of the pairs, and the termination of pair Z",
            0.8,
            vec![cite(index)],
        )
    }
}

fn gain_row<'a>(p: &Pattern<'a>) -> Option<(&'a ResultRow, f64)> {
    let row = p.row("command-scale.gain")?;
    (row.verdict == Verdict::Rejected).then(|| ratio(row).map(|r| (row, r)))?
}

fn gain_of_peak(p: &Pattern<'_>) -> Option<Finding> {
    let (row, r) = gain_row(p)?;
    let peak = p.sheet.motor.peak_torque / p.sheet.motor.rated_torque;
    if !near(r, peak) || peak < 1.2 {
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

fn gain_by_two(p: &Pattern<'_>) -> Option<Finding> {
    let (row, r) = gain_row(p)?;
    // The inertia's uncertainty is in the measured gain, so the ratio is not sharp.
    let (title, remedy) = if (1.8..=2.2).contains(&r) {
        (
            "The command scale is doubled",
            "Look at the amplifier's command scale setting (volts at rated torque halved?), and whether its input \
             expects one wire against 0 V",
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

fn gain_low(p: &Pattern<'_>) -> Option<Finding> {
    let (row, r) = gain_row(p)?;
    if !(0.80..0.99).contains(&r) {
        return None;
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

fn gain_other(p: &Pattern<'_>) -> Option<Finding> {
    let (row, r) = gain_row(p)?;
    if (0.45..=0.55).contains(&r) || (0.80..0.99).contains(&r) || (1.8..=2.2).contains(&r) {
        return None;
    }
    finding(
        "gain-wrong",
        &format!("The command scale is {r:.2} times what the sheet asks"),
        "Look at the volts and the percentage entered for the command scale, and at the motor's rated torque as the \
         amplifier knows it",
        0.5,
        vec![cite(row)],
    )
}

fn offset(p: &Pattern<'_>) -> Option<Finding> {
    let row = p.row("command-scale.offset")?;
    if row.verdict != Verdict::Rejected {
        return None;
    }
    let mut found = finding(
        "offset",
        "The command has a constant offset",
        "Adjust the zero of the command input with the command at 0 V",
        0.9,
        vec![cite(row)],
    )?;
    found.not_told_apart = vec![
        "a load that pulls one way (gravity, a spring) looks the same; turn the motor on its side".to_owned(),
    ];
    Some(found)
}

fn torque_limited(p: &Pattern<'_>) -> Option<Finding> {
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

/// Overspeed trips in the cap's runs, and all of its held speeds.
fn cap_rows<'a>(p: &Pattern<'a>) -> (Vec<&'a ResultRow>, Vec<&'a ResultRow>) {
    let held = p.rows("speed-cap.", ".held");
    let dead = held
        .iter()
        .copied()
        .filter(|r| r.verdict == Verdict::Rejected && r.expanded_uncertainty.is_none())
        .collect();
    (held, dead)
}

fn cap_not_set(p: &Pattern<'_>) -> Option<Finding> {
    let (held, dead) = cap_rows(p);
    // A trip ends the check, so that only runs that were made count.
    if dead.is_empty() || dead.len() < held.len() {
        return None;
    }
    let mut found = finding(
        "cap-not-set",
        "The speed cap is not set, or not in force",
        "Enter the speed limit for torque control and select it as the source of the limit; cycle power if the \
         setting needs it",
        0.95,
        dead.into_iter().map(cite).collect(),
    )?;
    if held.len() == 1 {
        found.not_told_apart = vec![
            "a cap that is missing in one direction only; the other was not tried after the trip".to_owned(),
        ];
    }
    Some(found)
}

fn cap_one_way(p: &Pattern<'_>) -> Option<Finding> {
    let (held, dead) = cap_rows(p);
    if dead.is_empty() || dead.len() == held.len() {
        return None;
    }
    finding(
        "cap-one-direction",
        "The speed cap works in one direction only",
        "Look for a second limit setting for the other direction, or a limit taken from a one-signed analog input",
        0.95,
        held.into_iter().map(cite).collect(),
    )
}

fn cap_other_value(p: &Pattern<'_>) -> Option<Finding> {
    let (held, dead) = cap_rows(p);
    let wrong: Vec<&ResultRow> = held.into_iter().filter(|r| r.verdict == Verdict::Rejected).collect();
    if wrong.is_empty() || !dead.is_empty() {
        return None;
    }
    let mean = wrong.iter().filter_map(|r| ratio(r)).sum::<f64>() / wrong.len() as f64;
    let low = wrong.iter().filter_map(|r| ratio(r)).all(|r| r < 1.0);
    let (title, remedy) = if low {
        (
            format!(
                "The held speed lies below the cap ({:.1} % of it): the limiter droops, or another value is set",
                mean * 100.0
            ),
            "Look at the limit's value; if it falls further with less torque, the limiter works without integral action",
        )
    } else {
        (
            format!("The held speed is {:.1} % of the cap: another value is set", mean * 100.0),
            "Enter the cap that the sheet says",
        )
    };
    finding("cap-other-value", &title, remedy, 0.8, wrong.into_iter().map(cite).collect())
}

fn flag_rows<'a>(p: &Pattern<'a>, ends: &str) -> Vec<&'a ResultRow> {
    p.rows("cap-flag.", ends).into_iter().filter(|r| r.verdict == Verdict::Rejected).collect()
}

fn flag_elsewhere(p: &Pattern<'_>) -> Option<Finding> {
    let rows = flag_rows(p, ".elsewhere");
    let first = rows.first()?;
    finding(
        "flag-elsewhere",
        &format!(
            "The cap flag comes on another terminal: {}",
            first.measured_text.clone().unwrap_or_default()
        ),
        "Assign the flag to the terminal that the sheet says, or move the wire; then look that nothing else shares it",
        1.0,
        rows.into_iter().map(cite).collect(),
    )
}

fn flag_inverted(p: &Pattern<'_>) -> Option<Finding> {
    let rows = flag_rows(p, ".idle");
    if rows.is_empty() || !flag_rows(p, ".elsewhere").is_empty() {
        return None;
    }
    let changes = p.rows("cap-flag.", ".edges").iter().any(|r| r.measured.is_some_and(|m| m >= 1.0));
    let (id, title, fit) = if changes {
        ("flag-inverted", "The cap flag is inverted", 0.95)
    } else {
        ("flag-stuck", "The cap flag is always active", 0.7)
    };
    finding(
        id,
        title,
        "Change the flag's polarity in the amplifier, or the pair's two wires; look that its common is the right one",
        fit,
        rows.into_iter().map(cite).collect(),
    )
}

fn flag_dead(p: &Pattern<'_>) -> Option<Finding> {
    let rows = flag_rows(p, ".delay");
    let silent = rows.iter().any(|r| r.measured.is_none());
    if !silent || !flag_rows(p, ".elsewhere").is_empty() || !flag_rows(p, ".idle").is_empty() {
        return None;
    }
    finding(
        "flag-dead",
        "The cap flag never comes",
        "Look whether it is assigned to an output at all, whether the pair is reversed, and whether its supply and \
         common are right",
        0.8,
        rows.into_iter().map(cite).collect(),
    )
}
