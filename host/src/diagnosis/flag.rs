//! The cap's flag.

use super::rules::finding;
use super::{Finding, Pattern, cite};
use crate::record::model::{ResultRow, Verdict};

fn flag_never_came(p: &Pattern<'_>) -> bool {
    flag_rows(p, ".delay").iter().any(|r| r.measured.is_none())
}

/// The speed never came to where the flag is due, or it came and the flag did not.
pub(super) fn flag_not_measured(p: &Pattern<'_>) -> bool {
    p.rows("cap-flag.", ".delay").iter().any(|r| r.measured.is_none())
}

fn flag_rows<'a>(p: &Pattern<'a>, ends: &str) -> Vec<&'a ResultRow> {
    p.rows("cap-flag.", ends).into_iter().filter(|r| r.verdict == Verdict::Rejected).collect()
}

pub(super) fn flag_elsewhere(p: &Pattern<'_>) -> Option<Finding> {
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

pub(super) fn flag_inverted(p: &Pattern<'_>) -> Option<Finding> {
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
        "Change the flag's polarity in the amplifier, or the pair's two wires; look that its common is the right one, and for \
         a broken wire: open is then taken for what it stands for",
        fit,
        rows.into_iter().map(cite).collect(),
    )
}

/// It comes with torque already, and the shaft turns.
pub(super) fn flag_shared(p: &Pattern<'_>) -> Option<Finding> {
    let row = p.row("enable-off-rest.holding-speed-down")?;
    let comes = row.measured_text.as_deref() == Some("comes with torque");
    if !comes || p.verdict("nudge.moves") != Some(Verdict::Accepted) {
        return None;
    }
    finding(
        "flag-shared",
        "The cap flag shares its pair with another flag: it comes with torque already",
        "Look what else is assigned to that output, or wired to that terminal, and take it off",
        0.97,
        vec![cite(row)],
    )
}

/// It moved, although it never said that it could be enabled.
pub(super) fn can_enable_dead(p: &Pattern<'_>) -> Option<Finding> {
    let row = p.row("enable-off-rest.can-enable").filter(|r| r.verdict == Verdict::Rejected)?;
    let moves = p.row("nudge.moves").filter(|r| r.verdict == Verdict::Accepted)?;
    finding(
        "flag-of-ready",
        "The flag that it can be enabled does not come, and the amplifier can be enabled",
        "Look whether the flag is assigned to an output at all, at its polarity, whether the pair is reversed, and whether its supply \
         and common are right",
        0.95,
        vec![cite(row), cite(moves)],
    )
}

pub(super) fn flag_dead(p: &Pattern<'_>) -> Option<Finding> {
    let rows = flag_rows(p, ".delay");
    if flag_shared(p).is_some() {
        return None;
    }
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
