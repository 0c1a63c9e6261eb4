//! Results against their limits, and what makes up their uncertainty.

use maud::{Markup, html};

use crate::record::model::{ContributionRow, DecisionStatement, ResultRow, UncertaintyStatement};
use crate::report::number::{self, NONE, Places};
use crate::report::ruler::ruler;
use crate::report::symbol;
use crate::report::text::{T, one_line};

/// The table of a check's results.
pub(super) fn results(rows: &[ResultRow]) -> Markup {
    let numbers = rows.iter().any(numeric);
    html! {
        div.wide {
            table.results {
                thead { tr {
                    th scope="col" { "Quantity" }
                    @if numbers {
                        th scope="col" { "Unit" }
                        th.n scope="col" { "Target" }
                        th.n scope="col" { "Measured" }
                        th.n scope="col" { "U" }
                        th.n scope="col" { "k" }
                        th.n scope="col" { "Lower" br; "limit" }
                        th.n scope="col" { "Upper" br; "limit" }
                        th.nb scope="col" { "Value \u{b1} U" br; "in its limits" }
                    } @else {
                        th scope="col" { "Asked" }
                        th scope="col" { "Found" }
                    }
                    th scope="col" { "Verdict" }
                } }
                @for r in rows { (result(r, numbers)) }
            }
        }
    }
}

fn numeric(r: &ResultRow) -> bool {
    r.target_text.is_none() && r.measured_text.is_none()
}

fn result(r: &ResultRow, numbers: bool) -> Markup {
    html! {
        tbody {
            tr {
                th scope="row" { (T(&r.name)) }
                @if numeric(r) { (figures(r)) } @else { (words(r, numbers)) }
                td { (symbol::tag(r.verdict)) }
            }
            tr.why { td colspan=(if numbers { 10 } else { 4 }) { (T(&r.sentence)) } }
        }
    }
}

fn figures(r: &ResultRow) -> Markup {
    let places = r.expanded_uncertainty.and_then(Places::of_uncertainty);
    let dash = || NONE.to_owned();
    let limit = |v: Option<f64>| v.map_or_else(dash, |v| number::limit(v, places));
    html! {
        td.nb { (T(&one_line(&r.unit))) }
        td.n { (limit(r.target)) }
        td.n.big { (r.measured.map_or_else(dash, |v| number::value(v, places))) }
        td.n { (r.expanded_uncertainty.map_or_else(dash, number::uncertainty)) }
        td.n { (r.coverage_factor.map_or_else(dash, |k| number::fixed(k, 2))) }
        td.n { (limit(r.lower_limit)) }
        td.n { (limit(r.upper_limit)) }
        td { (ruler(r)) }
    }
}

fn words(r: &ResultRow, numbers: bool) -> Markup {
    let places = r.expanded_uncertainty.and_then(Places::of_uncertainty);
    let with_unit = |n: String| n + &number::unit_after(&one_line(&r.unit));
    let asked = r.target.map_or_else(|| NONE.to_owned(), |v| with_unit(number::limit(v, places)));
    let found = r.measured.map_or_else(|| NONE.to_owned(), |v| with_unit(number::value(v, places)));
    html! {
        // Under Unit and Target where there are such columns.
        td.r[numbers] colspan=(if numbers { 2 } else { 1 }) { (T(r.target_text.as_deref().unwrap_or(&asked))) }
        td colspan=(if numbers { 6 } else { 1 }) {
            span.big { (T(r.measured_text.as_deref().unwrap_or(&found))) }
            @if r.measured_text.is_some() && r.measured.is_some() { " (" (T(&found)) ")" }
        }
    }
}

/// Budgets of all results that have one.
pub(in crate::report) fn budgets(rows: &[ResultRow]) -> Markup {
    let with: Vec<&ResultRow> = rows.iter().filter(|r| !r.budget.is_empty()).collect();
    html! {
        @if !with.is_empty() {
            h4 { "What makes up the uncertainty" }
            div.wide {
                table.budget {
                    (budget_head())
                    @for r in with { (budget(r)) }
                }
            }
        }
    }
}

/// Head of a table of contributions.
pub(in crate::report) fn budget_head() -> Markup {
    html! {
        thead { tr {
            th scope="col" { "Contribution" }
            th scope="col" { "Type" }
            th scope="col" { "Distribution" }
            th.n scope="col" { "Uncertainty" br; "of the input" }
            th.n scope="col" { "Sensitivity" }
            th.n scope="col" { "Standard" br; "uncertainty" }
            th scope="col" { "Unit" }
            th.n scope="col" { "Degrees of" br; "freedom" }
            th.n scope="col" { "Share" }
            th scope="col" { "of the variance" }
        } }
    }
}

fn budget(r: &ResultRow) -> Markup {
    let unit = one_line(&r.unit);
    html! {
        tbody {
            tr.of {
                th scope="rowgroup" colspan="10" {
                    (T(&r.name))
                    span.quiet { ": " (combined(r, &unit)) }
                    @if let Some(s) = &r.statement { div.quiet { (statement(s)) } }
                    @if let Some(d) = &r.decision { div.quiet { (decision(d, &unit)) } }
                }
            }
            (parts(&r.budget, &unit))
        }
    }
}

/// Contributions to one result as rows, largest first.
pub(in crate::report) fn parts(rows: &[ContributionRow], unit: &str) -> Markup {
    let mut rows: Vec<&ContributionRow> = rows.iter().collect();
    rows.sort_by(|a, b| b.share_percent.total_cmp(&a.share_percent));
    html! {
        @for c in rows {
            tr.part {
                th scope="row" { (T(&c.name)) }
                td { (T(&c.kind)) }
                td { (T(&c.distribution)) }
                td.n {
                    @if let Some(u) = c.input_uncertainty {
                        (number::uncertainty(u)) (T(&number::unit_after(&one_line(&c.input_unit))))
                    } @else { (NONE) }
                }
                td.n { (c.sensitivity.map_or_else(|| NONE.to_owned(), number::uncertainty)) }
                td.n { (number::uncertainty(c.standard_uncertainty)) }
                td.nb { (T(unit)) }
                td.n { (of_part(c.degrees_of_freedom)) }
                td.n { (number::fixed(c.share_percent, 1)) "\u{a0}%" }
                td { (share(c.share_percent)) }
            }
        }
    }
}

/// Degrees of freedom of one part, rounded down to a tenth where they are not whole: 2.67 is not 3.
fn of_part(nu: Option<f64>) -> String {
    match nu {
        None => "\u{221e}".to_owned(),
        Some(many) if many > 1000.0 => "> 1000".to_owned(),
        Some(whole) if (whole - whole.round()).abs() < 1e-6 => number::fixed(whole, 0),
        Some(nu) => number::fixed((nu * 10.0).floor() / 10.0, 1),
    }
}

/// What a budget comes to (JCGM 100:2008, 7.2.3): combined standard uncertainty, effective degrees of freedom, coverage factor,
/// coverage, expanded uncertainty.
fn combined(r: &ResultRow, unit: &str) -> Markup {
    let unit = number::unit_after(unit);
    html! {
        @if let Some(s) = &r.statement {
            "u" sub { "c" } " = " (number::uncertainty(s.standard_uncertainty)) (T(&unit))
            ", \u{3bd}" sub { "eff" } " " (freedom(s.degrees_of_freedom)) ", "
        }
        @if let Some(k) = r.coverage_factor { "k = " (number::fixed(k, 2)) ", " }
        @if let Some(s) = &r.statement { "p = " (number::fixed(s.coverage_percent, 0)) "\u{a0}%, " }
        @if let Some(u) = r.expanded_uncertainty { "U = " (number::uncertainty(u)) (T(&unit)) }
    }
}

/// Degrees of freedom, rounded down (JCGM 100:2008, G.4.1). Beyond a thousand a t factor is that of infinitely many to two
/// decimals.
fn freedom(degrees: Option<f64>) -> String {
    match degrees {
        None => "= \u{221e}".to_owned(),
        Some(many) if many > 1000.0 => "> 1000".to_owned(),
        // A whole number that arithmetic has left a little low is that number.
        Some(few) => format!("= {}", number::fixed((few * (1.0 + 1e-9)).floor(), 0)),
    }
}

/// What most of an uncertainty is, and how its interval was had.
fn statement(s: &UncertaintyStatement) -> Markup {
    html! { (T(&s.sentence)) " Interval: " (s.interval.words()) "." }
}

/// By what rule, and how probable it is that the true value keeps to the limits.
fn decision(d: &DecisionStatement, unit: &str) -> Markup {
    html! {
        "Decided by " (T(&d.rule))
        @if let Some(w) = d.guard_band.filter(|w| *w > 0.0) {
            " (w = " (number::uncertainty(w)) (T(&number::unit_after(unit))) ")"
        }
        ". Probability of conformity: " (chance(d.probability_of_conformity)) "."
    }
}

/// A probability that rounds to none or all is said to be less or more.
fn chance(p: f64) -> String {
    match 100.0 * p {
        percent if percent >= 99.95 => "above 99.9\u{a0}%".to_owned(),
        percent if percent < 0.05 => "below 0.1\u{a0}%".to_owned(),
        percent => number::fixed(percent, 1) + "\u{a0}%",
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

#[cfg(test)]
mod tests {
    use super::of_part;

    #[test]
    fn degrees_of_freedom_that_are_not_whole_are_not_printed_as_the_next_whole_number() {
        let printed = [Some(2.67), Some(3.0), Some(16.98), Some(2500.0), None].map(of_part);
        assert_eq!(printed, ["2.6", "3", "16.9", "> 1000", "\u{221e}"]);
    }
}
