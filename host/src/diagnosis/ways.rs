//! What is wrong where the ways to the command's scale disagree.

use super::{Finding, Pattern, cite};
use crate::record::model::{ResultRow, Verdict};

/// Whether two ways disagree; none: they were not compared.
fn disagree(row: Option<&ResultRow>) -> Option<bool> {
    row.map(|r| r.verdict == Verdict::Rejected)
}

/// Three ways, compared in pairs: the one that two others contradict is wrong.
pub(super) fn scale_ways(p: &Pattern<'_>) -> Option<Finding> {
    // A line that is bent has no one scale: its own rules say why.
    if p.rejected("command-scale.linearity") {
        return None;
    }
    let rows = [
        p.row("command-scale.reversal-less-read-out"),
        p.row("command-scale.reversal-less-display"),
        p.row("command-scale.read-out-less-display"),
    ];
    let evidence: Vec<String> = rows.iter().flatten().copied().map(cite).collect();
    let by = |r: &ResultRow| r.measured.map_or(0.0, f64::signum);
    let of = |id, title: String, remedy: &str, fit, not_told_apart: Vec<String>| {
        let remedy = remedy.to_owned();
        Some(Finding { id, title, evidence: evidence.clone(), remedy, fit, not_told_apart })
    };
    match rows.map(disagree) {
        [Some(true), other, Some(false)] if other != Some(false) => {
            let more = rows[0].is_some_and(|r| by(r) < 0.0);
            of(
                "inertia-or-constant",
                format!(
                    "Read-out and display agree, and the accelerations do not: the inertia is {} than the sheet says, or the \
                     motor makes {} torque of its current than the amplifier takes for granted",
                    if more { "more" } else { "less" },
                    if more { "less" } else { "more" }
                ),
                "Measure the inertia with a known disc (proofstand inertia); if it is as the sheet says, look which motor the \
                 amplifier is set for, and at its temperature",
                0.92,
                vec!["a wrong inertia and another torque constant look the same; a known disc tells them apart".to_owned()],
            )
        }
        [Some(true), Some(false), _] => of(
            "read-out-scale",
            "The scale of the torque read-out is not what the sheet says: accelerations and display agree without it"
                .to_owned(),
            "Look at the volts set for the read-out at rated torque, and at a load on its output",
            0.92,
            Vec::new(),
        ),
        [Some(false), Some(true), _] => of(
            "display-misread",
            "The readings of the display are not the command's percentage: accelerations and read-out agree without them"
                .to_owned(),
            "Look what the display shows as torque (percent of rated or of peak, filtered, before or after limits), and read it \
             again",
            0.92,
            Vec::new(),
        ),
        [Some(true), _, _] => of(
            "scale-ways-disagree",
            "The accelerations and the torque read-out contradict each other".to_owned(),
            "Measure the inertia with a known disc (proofstand inertia), and look at the volts set for the read-out at rated \
             torque",
            0.7,
            vec![
                "a wrong inertia, a wrong scale of the read-out and another torque constant look the same; the amplifier's own \
                 display, read by a person, would tell the read-out from the two others"
                    .to_owned(),
            ],
        ),
        [None, Some(true), _] => of(
            "scale-ways-disagree",
            "The accelerations and the amplifier's display contradict each other".to_owned(),
            "Measure the inertia with a known disc (proofstand inertia), and look what the display shows as torque",
            0.7,
            vec![
                "a wrong inertia, another torque constant and a display that shows something else look the same; a torque \
                 read-out would tell the display from the two others"
                    .to_owned(),
            ],
        ),
        _ => None,
    }
}

/// An inertia that would take more torque than there is.
pub(super) fn impossible_inertia(p: &Pattern<'_>) -> Option<Finding> {
    let row = p.row("command-scale.inertia").filter(|r| r.verdict == Verdict::Rejected)?;
    Some(Finding {
        id: "inertia-impossible",
        title: "The inertia in the sheet is too large to be true".to_owned(),
        evidence: vec![cite(row)],
        remedy: "Look for a slip in its unit (1 kg·cm² is 1e-4 kg·m²); measure it with a known disc (proofstand inertia)"
            .to_owned(),
        fit: 0.97,
        not_told_apart: Vec::new(),
    })
}
