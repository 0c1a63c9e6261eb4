//! The rules. Each looks for one pattern; its fit says how much of the pattern is there.

use super::{Finding, Pattern, cite, lines};
use crate::record::model::{ResultRow, Verdict};

/// A rule.
pub(super) type Rule = fn(&Pattern<'_>) -> Option<Finding>;

/// Every rule.
pub(super) const ALL: &[Rule] = &[
    super::low_energy::fixture_off,
    super::low_energy::encoder_not_driven,
    super::low_energy::enable_always,
    super::low_energy::enable_flag_wrong,
    super::low_energy::end_switches_hold,
    super::low_energy::end_switches_wrong,
    super::low_energy::brake_closed,
    not_in_force,
    not_stored,
    pulses_for_counts,
    other_pulse_number,
    encoder_or_command_reversed,
    both_reversed,
    counts_by_hand_the_other_way,
    silent_by_hand,
    never_moves,
    jumps_and_locks,
    moves_at_zero,
    no_index,
    lines::index_inverted,
    lines::index_one_way,
    lines::phase_error,
    lines::duty_error,
    lines::edges_too_near,
    lines::illegal_transitions,
    lines::response_slow,
    counts_lost_at_speed,
    super::ways::scale_ways,
    super::ways::impossible_inertia,
    gain_of_peak,
    gain_by_two,
    gain_low,
    gain_other,
    offset,
    dead_band,
    torque_limited,
    cap_not_set,
    cap_one_way,
    cap_other_value,
    cap_droops_below_its_flag,
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

pub(super) fn finding(
    id: &'static str,
    title: &str,
    remedy: &str,
    fit: f64,
    evidence: Vec<String>,
) -> Option<Finding> {
    Some(Finding {
        id,
        title: title.to_owned(),
        evidence,
        remedy: remedy.to_owned(),
        fit,
        not_told_apart: Vec::new(),
    })
}

/// What changed over the power cycle, with what it was before.
fn changed<'a>(p: &Pattern<'a>) -> Vec<&'a ResultRow> {
    // Where counts get lost at speed, no two held speeds are alike.
    if counts_lost_at_speed(p).is_some() {
        return Vec::new();
    }
    let said = |r: &&ResultRow| r.id != "retention.cycled" && (r.unit != "counts" || r.measured.is_some());
    let rows = p.rows("retention.", "").into_iter();
    rows.filter(|r| r.verdict == Verdict::Rejected).filter(said).collect()
}

/// Wrong before the power cycle, right after it.
fn right_now(p: &Pattern<'_>, row: &ResultRow) -> bool {
    match row.unit.as_str() {
        "counts" => row.measured.is_some() && row.measured == row.target,
        _ if row.id == "retention.gain" => gain_row(p)
            .zip(row.measured)
            .is_some_and(|((_, before), change)| near(before * (1.0 + change / 100.0), 1.0)),
        _ => false,
    }
}

fn not_in_force(p: &Pattern<'_>) -> Option<Finding> {
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

fn not_stored(p: &Pattern<'_>) -> Option<Finding> {
    let changed = changed(p);
    let gone: Vec<&ResultRow> = changed.iter().copied().filter(|r| !right_now(p, r)).collect();
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

/// The revolutions counted slowly that are wrong.
fn wrong_counts<'a>(p: &Pattern<'a>) -> Vec<&'a ResultRow> {
    let mut rows = p.rows("nudge.interval", "");
    rows.extend(p.rows("line-count-slow.", ""));
    rows.retain(|r| r.unit == "counts" && r.verdict == Verdict::Rejected && r.measured.is_some());
    rows.retain(|r| r.target.is_some());
    rows
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
        // Nobody answered, but a hand has turned the shaft: which way the counts run for a way that was seen is known.
        _ if p.verdict(BY_HAND) == Some(Verdict::Accepted) => {
            evidence.extend(p.row(BY_HAND).map(cite));
            finding(
                "command-reversed",
                "The command is reversed: its two wires swapped, or its polarity setting",
                "Turned by hand the counts run the right way, so that it is the command. Swap the two command wires, or \
                 change the polarity of the command in the amplifier",
                0.95,
                evidence,
            )
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

/// The sense of the counts, as a person saw it while turning the shaft by hand.
const BY_HAND: &str = "hand-turn.sign";

fn both_reversed(p: &Pattern<'_>) -> Option<Finding> {
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
fn counts_by_hand_the_other_way(p: &Pattern<'_>) -> Option<Finding> {
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

/// A person saw the shaft turn, and nothing came.
fn silent_by_hand(p: &Pattern<'_>) -> Option<Finding> {
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

fn never_moves(p: &Pattern<'_>) -> Option<Finding> {
    let moves = p.row("nudge.moves")?;
    let standing = matches!(moves.measured_text.as_deref(), Some("no counts" | "no torque"));
    if moves.verdict != Verdict::Rejected || !standing || p.row("creep.moves").is_some() {
        return None;
    }
    let by_hand = p.row("hand-turn.counts").filter(|r| r.verdict == Verdict::Accepted);
    let mut found = finding(
        "never-moves",
        "The shaft does not move on command",
        "In this order: motor power present and no fault shown; torque-off inputs closed; enable wired and not \
         inverted; travel switches that still act in the amplifier and are open or unwired; command mode selected; a limit taken \
         from an analog input that is left open; brake released",
        // Counts that came by hand leave the way of the power only.
        if by_hand.is_some() { 0.75 } else { 0.7 },
        std::iter::once(moves).chain(by_hand).map(cite).collect(),
    )?;
    found.not_told_apart = vec![
        "these causes look alike from the command and the encoder; the amplifier's own display tells more"
            .to_owned(),
    ];
    Some(found)
}

fn no_index(p: &Pattern<'_>) -> Option<Finding> {
    if pulses_for_counts(p).is_some() {
        return None;
    }
    let noisy = || {
        let often = p.row("line-count-slow.index").filter(|r| r.verdict == Verdict::Rejected);
        let early = p.row("nudge.moves").filter(|r| r.measured_text.as_deref() == Some(INDEX_OVERSPEED));
        early.or(often.filter(|r| r.measured_text.as_ref().is_some_and(|t| !t.starts_with("0 "))))
    };
    let missing = p.row("line-count-slow.index").filter(|r| {
        r.verdict == Verdict::Rejected && r.measured_text.as_ref().is_some_and(|t| t.starts_with("0 "))
    });
    if let Some(row) = missing {
        return finding(
            "index-missing",
            "The index pulse does not arrive",
            "Look at pair Z: wired, driven, not reversed; some encoders give it only after start-up",
            0.9,
            vec![cite(row)],
        );
    }
    finding(
        "index-noisy",
        "The index pulse comes too often: noise on pair Z",
        "Look at the screen, the 0 V of the pairs, and the termination of pair Z",
        0.8,
        vec![cite(noisy()?)],
    )
}

/// What the fixture says when the index alone claims too high a speed.
const INDEX_OVERSPEED: &str =
    crate::fixture::cause_in_words(proofstand_protocol::message::TripCause::OverspeedIndex);

/// Right when slow, short when fast.
fn counts_lost_at_speed(p: &Pattern<'_>) -> Option<Finding> {
    let fast: Vec<&ResultRow> =
        p.rows("line-count-fast.", "").into_iter().filter(|r| r.unit == "counts").collect();
    let wrong: Vec<&ResultRow> = fast.iter().copied().filter(|r| r.verdict == Verdict::Rejected).collect();
    if p.verdict("line-count-slow.gate") != Some(Verdict::Accepted) || wrong.is_empty() {
        return None;
    }
    finding(
        "counts-lost",
        "Counts are lost at speed: right when slow, wrong when fast",
        "Look at the pulse rate against the driver's and the receiver's highest; at the termination (missing, or there \
         twice); and whether 0 V of the pairs is connected",
        0.9,
        wrong.into_iter().map(cite).collect(),
    )
}

/// Motion that nothing commands.
fn moves_at_zero(p: &Pattern<'_>) -> Option<Finding> {
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
            "a load that pulls one way looks the same; so does a speed mode that was left on".to_owned(),
        ];
    }
    Some(found)
}

/// It starts, then does not get on.
fn jumps_and_locks(p: &Pattern<'_>) -> Option<Finding> {
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

fn gain_row<'a>(p: &Pattern<'a>) -> Option<(&'a ResultRow, f64)> {
    // A gain is the slope of a line: where there is none, it says nothing.
    let straight = !p.rejected("command-scale.linearity") && !p.rejected("speed-scale.linearity");
    let wrong = ["command-scale.gain", "speed-scale.gain", "line-count-slow.scale"]
        .into_iter()
        .filter_map(|id| p.row(id))
        .find(|r| r.verdict == Verdict::Rejected)?;
    straight.then(|| ratio(wrong).map(|r| (wrong, r)))?
}

fn gain_of_peak(p: &Pattern<'_>) -> Option<Finding> {
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

fn gain_by_two(p: &Pattern<'_>) -> Option<Finding> {
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

fn gain_low(p: &Pattern<'_>) -> Option<Finding> {
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

fn gain_other(p: &Pattern<'_>) -> Option<Finding> {
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

fn offset(p: &Pattern<'_>) -> Option<Finding> {
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

/// The slope is right, but the line misses 0 V.
fn dead_band(p: &Pattern<'_>) -> Option<Finding> {
    let row = p.row("command-scale.zero").filter(|r| r.verdict == Verdict::Rejected)?;
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

/// The cap's runs: what was held, and which of them nothing held.
struct CapRuns<'a> {
    held: Vec<&'a ResultRow>,
    tripped: Vec<&'a ResultRow>,
    above: Vec<&'a ResultRow>,
}

impl<'a> CapRuns<'a> {
    fn of(p: &Pattern<'a>) -> Self {
        let held = p.rows("speed-cap.", ".held");
        let rejected = |r: &&ResultRow| r.verdict == Verdict::Rejected;
        // A trip has a speed and no uncertainty.
        let tripped: Vec<_> =
            held.iter().copied().filter(rejected).filter(|r| r.expanded_uncertainty.is_none()).collect();
        let above =
            held.iter().copied().filter(rejected).filter(|r| ratio(r).is_some_and(|r| r > 1.0)).collect();
        Self { held, tripped, above }
    }

    /// What a speed command asked for above the cap, the shaft did.
    fn as_asked(&self, p: &Pattern<'_>) -> bool {
        let asked = crate::planner::ABOVE_CAP[0];
        !p.sheet.command.pair.is_torque()
            && !self.above.is_empty()
            && self.above.iter().all(|r| ratio(r).is_some_and(|r| (r / asked - 1.0).abs() < 0.02))
    }

    fn one_way_only(rows: &[&ResultRow]) -> bool {
        rows.iter().all(|r| r.id.contains("forward")) || rows.iter().all(|r| r.id.contains("reverse"))
    }
}

fn cap_not_set(p: &Pattern<'_>) -> Option<Finding> {
    let runs = CapRuns::of(p);
    let as_asked = runs.as_asked(p);
    if runs.tripped.is_empty() && !as_asked || runs.above.len() < runs.held.len() {
        return None;
    }
    let mut found = finding(
        "cap-not-set",
        "The speed cap is not set, or not in force",
        if p.sheet.command.pair.is_torque() {
            "Enter the speed limit for torque control and select it as the source of the limit; cycle power if the \
             setting needs it"
        } else {
            "Enter the highest speed and select it as the source of the limit; cycle power if the setting needs it"
        },
        0.95,
        runs.above.iter().copied().map(cite).collect(),
    )?;
    if as_asked {
        found.not_told_apart =
            vec!["a cap that is set as high as the speed asked for; the setting's value tells".to_owned()];
    } else if CapRuns::one_way_only(&runs.held) {
        found.not_told_apart = vec![
            "a cap that is missing in one direction only; the other was not tried after the trip".to_owned(),
        ];
    }
    Some(found)
}

fn cap_one_way(p: &Pattern<'_>) -> Option<Finding> {
    let runs = CapRuns::of(p);
    let other = if runs.above.iter().all(|r| r.id.contains("forward")) { "reverse" } else { "forward" };
    let right = runs.held.iter().any(|r| r.verdict == Verdict::Accepted && r.id.contains(other));
    if runs.above.is_empty() || !right || !CapRuns::one_way_only(&runs.above) {
        return None;
    }
    finding(
        "cap-one-direction",
        "The speed cap works in one direction only",
        "Look for a second limit setting for the other direction, or a limit taken from a one-signed analog input",
        0.95,
        runs.held.into_iter().map(cite).collect(),
    )
}

fn cap_other_value(p: &Pattern<'_>) -> Option<Finding> {
    let runs = CapRuns::of(p);
    let wrong: Vec<&ResultRow> =
        runs.held.iter().copied().filter(|r| r.verdict == Verdict::Rejected).collect();
    let right = runs.held.iter().any(|r| r.verdict == Verdict::Accepted);
    if wrong.is_empty() || !runs.tripped.is_empty() || right || runs.as_asked(p) {
        return None;
    }
    let ratios: Vec<f64> = wrong.iter().filter_map(|r| ratio(r)).collect();
    let mean = ratios.iter().sum::<f64>() / ratios.len().max(1) as f64;
    let (title, remedy) = if ratios.iter().all(|r| *r < 1.0) {
        (
            format!(
                "The held speed is {:.1} % of the cap: the limiter droops, or another value is set",
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

/// Held, but so little below the cap that its flag never came.
fn cap_droops_below_its_flag(p: &Pattern<'_>) -> Option<Finding> {
    let low: Vec<&ResultRow> = p
        .rows("speed-cap.", ".held")
        .into_iter()
        .filter(|r| r.verdict != Verdict::Rejected && ratio(r).is_some_and(|r| r < 0.985))
        .collect();
    if low.is_empty() || !flag_not_measured(p) {
        return None;
    }
    finding(
        "cap-drooping",
        "The cap droops: the speed is held just below where its flag comes",
        "Look whether the limiter works without integral action, or its value is a little low",
        0.85,
        low.into_iter().map(cite).collect(),
    )
}

fn flag_never_came(p: &Pattern<'_>) -> bool {
    flag_rows(p, ".delay").iter().any(|r| r.measured.is_none())
}

/// The speed never came to where the flag is due, or it came and the flag did not.
fn flag_not_measured(p: &Pattern<'_>) -> bool {
    let rows = p.rows("cap-flag.", ".delay");
    !rows.is_empty() && rows.iter().any(|r| r.measured.is_none())
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
    if !flag_never_came(p) || !flag_rows(p, ".elsewhere").is_empty() || !flag_rows(p, ".idle").is_empty() {
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
