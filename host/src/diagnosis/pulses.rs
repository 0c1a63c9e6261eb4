//! The number of counts per revolution, slow and fast, and the index.

use super::rules::{finding, near, ratio};
use super::{Finding, Pattern, cite};
use crate::checks::{INDEX_STANDING, INDEX_UNCOUNTED, TURNS_UNCOUNTED};
use crate::record::model::{ResultRow, Verdict};

/// The revolutions counted slowly that are wrong.
pub(super) fn wrong_counts<'a>(p: &Pattern<'a>) -> Vec<&'a ResultRow> {
    let mut rows = p.rows("nudge.interval", "");
    rows.extend(p.rows("line-count-slow.", ""));
    rows.retain(|r| r.unit == "counts" && r.verdict == Verdict::Rejected && r.measured.is_some());
    // One that is right, and was cut short, says nothing of the counts.
    rows.retain(|r| r.target.is_some() && r.measured != r.target);
    rows
}

/// Revolutions counted from one pulse of the index to the next that are wrong.
fn wrong_intervals<'a>(p: &Pattern<'a>) -> Vec<&'a ResultRow> {
    let mut rows = wrong_counts(p);
    rows.extend(wrong_at_speed(p));
    rows.extend(p.rows("retention.counts-", ""));
    rows.retain(|r| r.verdict == Verdict::Rejected && r.measured.is_some() && r.measured != r.target);
    rows
}

/// Some of the revolutions that a result counts are right.
fn some_are_right(row: &ResultRow) -> bool {
    let number = |word: Option<&str>| word?.parse::<u32>().ok();
    let Some((before, after)) = row.sentence.split_once(" of ") else { return false };
    let (wrong, all) = (number(before.split(' ').next_back()), number(after.split(' ').next()));
    row.sentence.contains("intervals differ") && wrong.zip(all).is_some_and(|(wrong, all)| wrong < all)
}

/// From one pulse to the next lie whole multiples of a revolution, and at other times one: pulses are missing at times.
pub(super) fn index_drops(p: &Pattern<'_>) -> Option<Finding> {
    let wrong = wrong_intervals(p);
    let multiple = |r: &&ResultRow| ratio(r).is_some_and(|times| times > 1.5 && times.fract() == 0.0);
    if wrong.is_empty() || !wrong.iter().all(multiple) {
        return None;
    }
    let right = |r: &&ResultRow| r.measured.is_some() && r.measured == r.target && r.unit == "counts";
    let after = |r: &&ResultRow| r.id.starts_with("retention.");
    // A setting that changes with the power cycle changes both directions.
    let one_way = wrong.iter().any(after) && p.rows("retention.counts-", "").iter().any(right);
    let early = ["hand-turn.", "nudge.interval", "line-count-slow."];
    let before =
        !wrong.iter().all(after) && early.into_iter().any(|begins| p.rows(begins, "").iter().any(right));
    let beside = one_way || before;
    if !beside && !wrong.iter().any(|r| some_are_right(r)) {
        return None;
    }
    finding(
        "index-drops",
        "The index pulse is missing at times: between two that come lie two revolutions, or more, and at other times one",
        "Look at pair Z: both wires and their plugs, its termination and the 0 V of the pairs; and whether the pulse is long enough \
         for the input that takes it",
        0.98,
        wrong.into_iter().map(cite).collect(),
    )
}

pub(super) fn pulses_for_counts(p: &Pattern<'_>) -> Option<Finding> {
    if index_drops(p).is_some() {
        return None;
    }
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

pub(super) fn other_pulse_number(p: &Pattern<'_>) -> Option<Finding> {
    let wrong = wrong_counts(p);
    let ratios: Vec<f64> = wrong.iter().filter_map(|r| ratio(r)).collect();
    let first = *ratios.first()?;
    let telling = [4.0, 0.25, 2.0, 0.5].into_iter().any(|t| near(first, t));
    let same = ratios.iter().all(|r| (r / first - 1.0).abs() < 1e-3);
    if counts_uneven(p).is_some() || index_drops(p).is_some() {
        return None;
    }
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

/// Of a revolution that lost counts at speed this much is left at least; an index that was none leaves any part of it.
const LEFT_AT_LEAST: f64 = 0.9;

/// Revolutions counted fast that are wrong although the slow ones are right.
fn wrong_at_speed<'a>(p: &Pattern<'a>) -> Vec<&'a ResultRow> {
    if p.verdict("line-count-slow.gate") != Some(Verdict::Accepted) {
        return Vec::new();
    }
    let mut rows = p.rows("speed-cap.", ".counts");
    rows.extend(p.rows("line-count-fast.", ""));
    rows.retain(|r| r.unit == "counts" && r.verdict == Verdict::Rejected);
    rows
}

/// Counts wrong at speed by a little, either way.
pub(super) fn slightly_wrong_at_speed<'a>(p: &Pattern<'a>) -> Vec<&'a ResultRow> {
    let wrong = wrong_at_speed(p);
    let little =
        |r: &&ResultRow| ratio(r).is_none_or(|times| (LEFT_AT_LEAST..2.0 - LEFT_AT_LEAST).contains(&times));
    if wrong.iter().all(little) { wrong } else { Vec::new() }
}

/// Right when slow, disturbed when fast: too few and too many, with transitions that can't be.
pub(super) fn pairs_ring(p: &Pattern<'_>) -> Option<Finding> {
    let wrong = slightly_wrong_at_speed(p);
    let illegal = p.rows("line-count-fast.", ".illegal").into_iter().find(|r| r.verdict == Verdict::Rejected);
    if illegal.is_none() && !wrong.iter().any(|r| r.sentence.contains(crate::checks::NO_ENCODER_MAKES)) {
        return None;
    }
    if wrong.is_empty() {
        return None;
    }
    let mut found = finding(
        "pairs-ring",
        "Counts are disturbed at speed only, with transitions that no encoder makes: edges are reflected, the termination is missing",
        "Look for the termination of pairs A and B: one resistor a pair, at the receiver; then at how long the cable is, at branches \
         of it, at the 0 V of the pairs and the screen",
        0.97,
        wrong.into_iter().chain(illegal).map(cite).collect(),
    )?;
    found.not_told_apart = vec![
        "a rate above what line or receiver allow, and rare noise that a slow count does not meet, look alike; a lower cap, or a \
         resistor of 120 Ω across each pair at the receiver, tells"
            .to_owned(),
    ];
    Some(found)
}

/// Right when slow, short when fast.
pub(super) fn counts_lost_at_speed(p: &Pattern<'_>) -> Option<Finding> {
    let wrong = slightly_wrong_at_speed(p);
    if wrong.is_empty() || pairs_ring(p).is_some() {
        return None;
    }
    // Speeds are had from counts: what the cap's runs say of speed is then this fault's, not the cap's.
    let at_the_cap = wrong.iter().any(|r| r.id.starts_with("speed-cap."));
    finding(
        "counts-lost",
        "Counts are lost at speed: right when slow, wrong when fast",
        "Look at the pulse rate against the driver's and the receiver's highest; at the termination (missing, or there \
         twice); and whether 0 V of the pairs is connected",
        if at_the_cap { 0.97 } else { 0.9 },
        wrong.into_iter().map(cite).collect(),
    )
}

pub(super) fn no_index(p: &Pattern<'_>) -> Option<Finding> {
    if pulses_for_counts(p).is_some() {
        return None;
    }
    let noisy = || {
        let often = p.row("line-count-slow.index").filter(|r| r.verdict == Verdict::Rejected);
        let early =
            ["enable-off-rest.stands", "nudge.moves"].into_iter().filter_map(|id| p.row(id)).find(|r| {
                let said = r.measured_text.as_deref();
                [INDEX_OVERSPEED, INDEX_STANDING, INDEX_UNCOUNTED].into_iter().any(|text| said == Some(text))
            });
        let standing = p.row("lines.index").filter(|r| r.verdict == Verdict::Rejected);
        standing
            .or(early)
            .or(often.filter(|r| r.measured_text.as_ref().is_some_and(|t| !t.starts_with("0 "))))
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
    let short = |r: &&ResultRow| ratio(r).is_some_and(|left| left < LEFT_AT_LEAST);
    let now_and_then = || wrong_at_speed(p).into_iter().find(short);
    finding(
        "index-noisy",
        "The index pulse comes too often: noise on pair Z",
        "Look at the screen, the 0 V of the pairs, and the termination of pair Z",
        0.8,
        vec![cite(noisy().or_else(now_and_then).or_else(|| by_hand(p))?)],
    )
}

/// Revolutions counted slowly that are nearly right: a little is lost, or comes on top, and not always as much.
pub(super) fn counts_uneven(p: &Pattern<'_>) -> Option<Finding> {
    let wrong = wrong_counts(p);
    let nearly = wrong.iter().all(|r| ratio(r).is_some_and(|r| (r - 1.0).abs() < 0.03));
    if !nearly || !wrong.iter().any(|r| uneven(r)) {
        return None;
    }
    let illegal = p.rows("line-count-", ".illegal").into_iter().find(|r| r.verdict == Verdict::Rejected);
    let evidence = wrong.into_iter().chain(illegal).map(cite).collect();
    if illegal.is_some() {
        return finding(
            "pairs-disturbed",
            "Counts are disturbed on pairs A and B, at any speed: noise, or 0 V of the pairs not connected",
            "Look at the 0 V of the pairs, at the screen and at both of its ends, and at how near the pairs run to the motor's \
             cable",
            0.97,
            evidence,
        );
    }
    finding(
        "counts-uneven",
        "Counts get lost at any speed, and not always as many: the fixture's counter, or a receiver at the edge of its levels",
        "Count again with the pairs on another fixture: gone, this one's receivers or its counter are broken; still so, look at \
         termination and 0 V of pairs A and B",
        0.96,
        evidence,
    )
}

/// The revolutions do not all differ by as much as the worst of them: the result tells how many there are, and their sum.
fn uneven(row: &ResultRow) -> bool {
    let number = |after: &str| -> Option<f64> {
        let rest = row.sentence.split(after).nth(1)?;
        rest.split_whitespace().next()?.parse().ok()
    };
    let (Some(worst), Some(sum), Some(all)) = (row.measured, number("they sum to "), number(" of ")) else {
        return false;
    };
    (sum - worst * all).abs() > 0.5
}

/// The shaft runs, and the counter goes to and fro at most.
pub(super) fn counter_stands(p: &Pattern<'_>) -> Option<Finding> {
    use proofstand_protocol::message::TripCause as T;
    let words = [T::OverspeedReadout, T::OverspeedIndex].map(crate::fixture::cause_in_words);
    if p.rejected("hand-turn.counts") || p.rejected("nudge.rest") {
        return None;
    }
    let row = p.row("nudge.moves")?;
    // An index that comes too often on a shaft that no torque turns, or whose counts came by hand, is the index's own fault.
    let verdict = |id| p.row(id).map(|r| r.verdict);
    let by_index = row.measured_text.as_deref() == Some(INDEX_OVERSPEED);
    if by_index
        && (verdict("nudge.rest") == Some(Verdict::NotDone)
            || verdict("hand-turn.counts") == Some(Verdict::Accepted))
    {
        return None;
    }
    let fast = row.measured_text.as_deref().is_some_and(|text| words.contains(&text));
    let passes = p.row("nudge.index").filter(|r| r.verdict == Verdict::Rejected);
    let standing = row.measured_text.as_deref() == Some("no counts") && passes.is_some();
    let silent_at_speed = fast && p.row("nudge.counts").is_none();
    let said = |text| row.measured_text.as_deref() == Some(text);
    let uncounted = said(TURNS_UNCOUNTED) || (said(INDEX_UNCOUNTED) && !index_at_rest(p));
    if !(standing || silent_at_speed || uncounted) {
        return None;
    }
    finding(
        "encoder-silent",
        "The shaft turns and no counts come: pair A or B stands still",
        "Look at pairs A and B, each wire on its terminal, and whether both are driven: the index or the speed read-out shows that \
         the shaft turns",
        0.96,
        [Some(row), passes].into_iter().flatten().map(cite).collect(),
    )
}

/// Index pulses came while the shaft stood.
fn index_at_rest(p: &Pattern<'_>) -> bool {
    let stopped = p.row("enable-off-rest.stands").and_then(|r| r.measured_text.as_deref());
    p.rejected("lines.index") || stopped == Some(INDEX_OVERSPEED)
}

/// A part of a revolution between two index pulses, turned by hand, that no mistaken setting explains.
fn by_hand<'a>(p: &Pattern<'a>) -> Option<&'a ResultRow> {
    let telling = |r: f64| [4.0, 0.25, 2.0, 0.5].into_iter().any(|t| near(r, t));
    let mut rows = p.rows("hand-turn.", "-way");
    rows.retain(|r| r.verdict == Verdict::Rejected && ratio(r).is_some_and(|left| left < LEFT_AT_LEAST));
    rows.into_iter().find(|r| !ratio(r).is_some_and(telling))
}

/// What the fixture says when the index alone claims too high a speed.
const INDEX_OVERSPEED: &str =
    crate::fixture::cause_in_words(proofstand_protocol::message::TripCause::OverspeedIndex);
