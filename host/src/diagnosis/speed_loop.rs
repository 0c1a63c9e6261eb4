//! How the closed speed loop answers a small step.

use super::rules::finding;
use super::{Finding, Pattern, cite};
use crate::record::model::ResultRow;

/// Results that are too slow.
fn late<'a>(p: &Pattern<'a>) -> Vec<&'a ResultRow> {
    let ids = ["speed-step.time-constant", "speed-step.rise"];
    ids.iter().filter_map(|id| p.row(id).filter(|_| p.rejected(id))).collect()
}

/// The speed follows too slowly. A loop that is slow also overshoots where its integral part was left as it was.
pub(super) fn slow(p: &Pattern<'_>) -> Option<Finding> {
    let rows = late(p);
    let overshoot = p.row("speed-step.overshoot").filter(|_| p.rejected("speed-step.overshoot"));
    let evidence: Vec<String> = rows.iter().copied().chain(overshoot).map(cite).collect();
    if rows.is_empty() {
        return None;
    }
    let mut found = finding(
        "speed-loop-slow",
        "The speed follows its command too slowly: the gain of the speed loop is too low for this inertia",
        "Raise the gain of the speed loop, or enter the inertia that is on the shaft; look for a filter on the analog input \
         and for a ramp of the amplifier's own",
        0.97,
        evidence,
    )?;
    found.not_told_apart = vec![
        "a loop with too little gain and a filter on its command look alike in the speed; the amplifier's settings tell, and \
         so does its display of the speed it is asked for"
            .to_owned(),
        "a torque limit below what a step asks for makes the speed late as well; halve the step by a lower cap in the sheet: \
         the one comes sooner then, the other does not"
            .to_owned(),
    ];
    Some(found)
}

/// The speed shoots over and swings.
pub(super) fn hunts(p: &Pattern<'_>) -> Option<Finding> {
    let row = p.row("speed-step.overshoot").filter(|_| p.rejected("speed-step.overshoot"))?;
    if !late(p).is_empty() {
        return None;
    }
    let mut found = finding(
        "speed-loop-hunts",
        "The speed shoots over after a small step: the integral part of the speed loop is too quick for its gain",
        "Lengthen the integral time of the speed loop; if its gain was raised lately, lower it again; look for a filter on \
         the speed that the loop looks at",
        0.97,
        vec![cite(row)],
    )?;
    found.not_told_apart = vec![
        "too short an integral time and too much gain behind a filter shoot over alike; lower the gain by a third: the one \
         shoots over more then, the other less"
            .to_owned(),
    ];
    Some(found)
}
