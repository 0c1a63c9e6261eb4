//! The speed cap.

use super::amplifier::speed_read_out;
use super::flag::flag_not_measured;
use super::rules::{finding, ratio};
use super::{Finding, Pattern, cite};
use crate::record::model::{ResultRow, Verdict};

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

pub(super) fn cap_not_set(p: &Pattern<'_>) -> Option<Finding> {
    if speed_read_out(p).is_some() {
        return None;
    }
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

pub(super) fn cap_one_way(p: &Pattern<'_>) -> Option<Finding> {
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

/// The speed swings about the cap.
pub(super) fn cap_hunting(p: &Pattern<'_>) -> Option<Finding> {
    let rows: Vec<&ResultRow> =
        p.rows("speed-cap.", ".ripple").into_iter().filter(|r| r.verdict == Verdict::Rejected).collect();
    if rows.is_empty() {
        return None;
    }
    finding(
        "cap-hunting",
        "The speed hunts about the cap",
        "Look at the gain and the integral time of the speed limiter: a bare rotor is light, and a limiter set for the machine's \
         inertia swings on it. A larger disc, or a slower limiter",
        0.9,
        rows.into_iter().map(cite).collect(),
    )
}

pub(super) fn cap_other_value(p: &Pattern<'_>) -> Option<Finding> {
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
pub(super) fn cap_droops_below_its_flag(p: &Pattern<'_>) -> Option<Finding> {
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
