//! Results against their limits, and what makes up their uncertainty.

use maud::{Markup, html};

use crate::record::model::{ContributionRow, ResultRow};
use crate::report::number::{self, NONE, Places};
use crate::report::ruler::ruler;
use crate::report::symbol;
use crate::report::text::{T, one_line};

/// The table of a check's results.
pub(super) fn results(rows: &[ResultRow]) -> Markup {
    html! {
        div.wide {
            table.results {
                thead { tr {
                    th scope="col" { "Quantity" }
                    th scope="col" { "Unit" }
                    th.n scope="col" { "Target" }
                    th.n scope="col" { "Measured" }
                    th.n scope="col" { "U" }
                    th.n scope="col" { "k" }
                    th.n scope="col" { "Lower" br; "limit" }
                    th.n scope="col" { "Upper" br; "limit" }
                    th scope="col" { "Value \u{b1} U" br; "in its limits" }
                    th scope="col" { "Verdict" }
                } }
                @for r in rows { (result(r)) }
            }
        }
    }
}

fn result(r: &ResultRow) -> Markup {
    let places = r.expanded_uncertainty.and_then(Places::of_uncertainty);
    let dash = || NONE.to_owned();
    let limit = |v: Option<f64>| v.map_or_else(dash, |v| number::limit(v, places));
    let numeric = r.target_text.is_none() && r.measured_text.is_none();
    html! {
        tbody {
            tr {
                th scope="row" { (T(&r.name)) }
                td.nb { (T(&one_line(&r.unit))) }
                @if numeric {
                    td.n { (limit(r.target)) }
                    td.n.big { (r.measured.map_or_else(dash, |v| number::value(v, places))) }
                    td.n { (r.expanded_uncertainty.map_or_else(dash, number::uncertainty)) }
                    td.n { (r.coverage_factor.map_or_else(dash, |k| number::fixed(k, 2))) }
                    td.n { (limit(r.lower_limit)) }
                    td.n { (limit(r.upper_limit)) }
                    td { (ruler(r)) }
                } @else {
                    td.r { (T(r.target_text.as_deref().unwrap_or(&limit(r.target)))) }
                    td colspan="6" {
                        span.big { (T(r.measured_text.as_deref().unwrap_or(NONE))) }
                        @if let Some(v) = r.measured { " (" (number::value(v, places)) (number::unit_after(&one_line(&r.unit))) ")" }
                    }
                }
                td { (symbol::tag(r.verdict)) }
            }
            tr.why { td colspan="10" { (T(&r.sentence)) } }
        }
    }
}

/// Budgets of all results that have one.
pub(super) fn budgets(rows: &[ResultRow]) -> Markup {
    let with: Vec<&ResultRow> = rows.iter().filter(|r| !r.budget.is_empty()).collect();
    html! {
        @if !with.is_empty() {
            h4 { "What makes up the uncertainty" }
            @for r in with { (budget(r)) }
        }
    }
}

fn budget(r: &ResultRow) -> Markup {
    let unit = one_line(&r.unit);
    let mut rows: Vec<&ContributionRow> = r.budget.iter().collect();
    rows.sort_by(|a, b| b.share_percent.total_cmp(&a.share_percent));
    html! {
        div.wide {
            table.(keep(r.budget.len())) {
                caption {
                    (T(&r.name))
                    @if let Some(u) = r.expanded_uncertainty {
                        span.quiet {
                            ": U = " (number::uncertainty(u)) (T(&number::unit_after(&unit)))
                            @if let Some(k) = r.coverage_factor { ", k = " (number::fixed(k, 2)) }
                        }
                    }
                }
                thead { tr {
                    th scope="col" { "Contribution" }
                    th scope="col" { "Type" }
                    th scope="col" { "Distribution" }
                    th.n scope="col" { "Standard uncertainty" @if !unit.is_empty() { " in " (T(&unit)) } }
                    th.n scope="col" { "Degrees of freedom" }
                    th.n scope="col" { "Share" }
                    th scope="col" { span.quiet { "of the variance" } }
                } }
                tbody {
                    @for c in rows {
                        tr {
                            th scope="row" { (T(&c.name)) }
                            td { (T(&c.kind)) }
                            td { (T(&c.distribution)) }
                            td.n { (number::uncertainty(c.standard_uncertainty)) }
                            td.n { (c.degrees_of_freedom.map_or_else(|| "\u{221e}".to_owned(), |d| number::fixed(d, 0))) }
                            td.n { (number::fixed(c.share_percent, 1)) "\u{a0}%" }
                            td { (share(c.share_percent)) }
                        }
                    }
                }
            }
        }
    }
}

/// A short table is not parted by the end of a page.
pub(super) const fn keep(rows: usize) -> &'static str {
    if rows <= 12 { "keep" } else { "long" }
}

fn share(percent: f64) -> Markup {
    let long = if percent.is_finite() { percent.clamp(0.0, 100.0) * 0.7 } else { 0.0 };
    html! {
        svg.share viewBox="0 0 70 8" width="70" height="8" aria-hidden="true" { path d={ "M0 4H" (format!("{long:.1}")) } {} }
    }
}
