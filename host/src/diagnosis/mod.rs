//! What is probably wrong: rules over the pattern of all results. A rule sees results, never the thing tested.

mod amplifier;
mod cap;
mod direction;
mod fixture;
mod flag;
mod lines;
mod low_energy;
mod motion;
mod pulses;
mod rules;
mod scale;
mod speed_loop;
mod stored;
mod ways;

use proofstand_protocol::message::TripCause;

use crate::fixture::cause_in_words;
use crate::record::model::{CheckRecord, Diagnosis, ResultRow, Verdict};
use crate::sheet::AxisSheet;

/// What the rules look at.
pub struct Pattern<'a> {
    sheet: &'a AxisSheet,
    checks: &'a [CheckRecord],
}

/// A rule's finding, before ranking.
#[derive(Debug, Clone, PartialEq)]
pub struct Finding {
    /// Stable name of the pattern.
    pub id: &'static str,
    /// What is probably wrong.
    pub title: String,
    /// Which results say so.
    pub evidence: Vec<String>,
    /// What to look at or do.
    pub remedy: String,
    /// How well the pattern fits: 1 exactly this and nothing else that is known.
    pub fit: f64,
    /// What else looks the same, and what would tell them apart.
    pub not_told_apart: Vec<String>,
}

/// Ranked causes for what was not accepted; empty if everything was.
#[must_use]
pub fn diagnose(sheet: &AxisSheet, checks: &[CheckRecord]) -> Vec<Diagnosis> {
    let pattern = Pattern { sheet, checks };
    let mut findings: Vec<Finding> = rules::ALL.iter().filter_map(|rule| rule(&pattern)).collect();
    findings.sort_by(|a, b| b.fit.total_cmp(&a.fit));
    (1..)
        .zip(findings)
        .map(|(rank, f)| Diagnosis {
            id: f.id.to_owned(),
            title: f.title,
            evidence: f.evidence,
            remedy: f.remedy,
            rank,
            not_told_apart: f.not_told_apart,
        })
        .collect()
}

impl<'a> Pattern<'a> {
    /// A result by its id.
    fn row(&self, id: &str) -> Option<&'a ResultRow> {
        self.checks.iter().flat_map(|c| &c.results).find(|r| r.id == id)
    }

    /// Results whose id begins and ends like this.
    fn rows(&self, begins: &str, ends: &str) -> Vec<&'a ResultRow> {
        self.checks
            .iter()
            .flat_map(|c| &c.results)
            .filter(|r| r.id.starts_with(begins) && r.id.ends_with(ends))
            .collect()
    }

    fn verdict(&self, id: &str) -> Option<Verdict> {
        self.row(id).map(|r| r.verdict)
    }

    /// Where a text stands: in what a result says, in how a step ended, or in why a check was left undone.
    fn said(&self, text: &str) -> Option<String> {
        let has = |said: &str| said.contains(text);
        self.checks.iter().find_map(|check| {
            let row = check.results.iter().find(|r| has(&r.sentence)).map(cite);
            let step = || check.steps.iter().find(|s| has(&s.ended)).map(|s| s.ended.clone());
            let undone = || check.not_done.as_ref().filter(|n| has(&n.why)).map(|n| n.why.clone());
            row.or_else(step).or_else(undone).map(|what| format!("{}: {what}", check.title))
        })
    }

    /// Where a trip of the fixture's stands.
    fn tripped(&self, cause: TripCause) -> Option<String> {
        self.said(cause_in_words(cause))
    }

    fn rejected(&self, id: &str) -> bool {
        self.verdict(id) == Some(Verdict::Rejected)
    }
}

/// A result as a line of evidence.
fn cite(row: &ResultRow) -> String {
    let shown = match (&row.measured_text, row.measured) {
        (Some(text), _) => text.clone(),
        (None, Some(value)) => format!("{value:.4} {}", row.unit).trim_end().to_owned(),
        (None, None) => "nothing measured".to_owned(),
    };
    format!("{}: {shown} ({})", row.name, row.verdict.word().to_lowercase())
}

#[cfg(test)]
mod tests;
