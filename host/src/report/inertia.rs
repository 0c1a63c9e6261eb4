//! The page of a rotor's inertia: what it rests on, what came of it, and what makes it uncertain.

use maud::{Markup, html};

use super::frame::{Frame, in_heading};
use super::number::{self, fixed, significant, uncertainty};
use super::page::{budgets, when};
use super::text::{T, one_line};
use crate::inertia::record::{CitedRun, InertiaRecord};

/// `inertia.html`.
#[must_use]
pub fn inertia(record: &InertiaRecord) -> String {
    Page { record, rehearsal: record.is_rehearsal() }.markup().into_string()
}

struct Page<'a> {
    record: &'a InertiaRecord,
    rehearsal: bool,
}

/// An inertia with its unit.
fn kg(text: String) -> String {
    format!("{text}\u{a0}kg·m²")
}

impl Page<'_> {
    fn markup(&self) -> Markup {
        let r = self.record;
        let title = format!("Rotor's inertia: {}", one_line(&r.axis));
        let main = html! {
            (self.head())
            (self.result())
            (self.runs())
            (self.disc())
            (self.conditions())
            (self.section())
        };
        Frame {
            tab: &title,
            title: &title,
            beside: &r.id,
            id: &r.id,
            software: &r.software,
            simulated: self
                .rehearsal
                .then_some("Simulated amplifier and motor. Nothing here says anything about a real rotor."),
        }
        .round(&main)
    }

    fn reh(&self) -> Markup {
        in_heading(self.rehearsal)
    }

    fn head(&self) -> Markup {
        let r = self.record;
        html! {
            header {
                p.over { @if self.rehearsal { "Rehearsal of a measurement with a known disc" } @else { "Measurement with a known disc" } }
                h1 { "Rotor\u{2019}s inertia: " (T(&r.axis)) }
                p.quiet { "Number " (T(&r.id)) ", worked out " (T(&when(&r.made))) " by " (T(&r.software)) "." }
            }
        }
    }

    fn result(&self) -> Markup {
        let r = self.record;
        let row = &r.result;
        let (value, expanded) =
            (row.measured.unwrap_or(f64::NAN), row.expanded_uncertainty.unwrap_or(f64::NAN));
        html! {
            section aria-labelledby="result" {
                h2 #result { "Result" (self.reh()) }
                p {
                    "J = " b { (kg(number::value(value, number::Places::of_uncertainty(expanded)))) } ", U = " b { (kg(uncertainty(expanded))) }
                    " (" (significant(100.0 * expanded / value, 2)) "\u{a0}%)"
                    @if let Some(k) = row.coverage_factor { ", k = " (fixed(k, 2)) }
                    ". Inertia of the rotor with all that stays on the shaft but the disc"
                    @if r.disc.hub.get() > 0.0 { " and the hub" }
                    "."
                }
                @if let Some(by) = r.higher {
                    p { "The accelerations scatter so much that the interval is not quite even: both of its ends lie about "
                        (kg(uncertainty(by.get()))) " higher." }
                }
                p {
                    "The sheet\u{2019}s catalogue says " (kg(significant(r.catalogue.get(), 5)))
                    @if r.catalogue_contradicts {
                        b { ", which can\u{2019}t be true: " } "it differs by more than both uncertainties combined (k = 2)."
                    } @else { ", which agrees with it." }
                    " The disc is " (fixed(r.ratio, 1)) " times what turns without it."
                    @if let Some(advice) = &r.advice { " Advice: " (T(advice)) "." }
                }
                (budgets(std::slice::from_ref(row)))
            }
        }
    }

    fn runs(&self) -> Markup {
        let r = self.record;
        html! {
            section aria-labelledby="runs" {
                h2 #runs { "The three runs" (self.reh()) }
                div.wide {
                    table.keep {
                        thead { tr {
                            th scope="col" { "Run" }
                            th scope="col" { "Begun" }
                            th.n scope="col" { "Acceleration" br; "in rad/s²" }
                            th.n scope="col" { "u from" br; "scatter" }
                            th.n scope="col" { "Degrees of" br; "freedom" }
                            th.n scope="col" { "Still building" br; "up, at most" }
                            th scope="col" { "Sheet" }
                        } }
                        tbody { @for run in &r.runs { (row(run)) } }
                    }
                }
                p.quiet.small {
                    "Acceleration by the command alone, the sum over: " (T(&r.levels.join(", ")))
                    ". Each run has a folder of its own with every sample, its gates and its report."
                }
                dl.facts {
                    @for run in &r.runs { dt { (T(&run.part)) } dd { (T(&run.id)) ": " (T(&run.with.words())) "; " (T(&run.software)) } }
                    @for run in &r.runs {
                        @if !run.identity.is_empty() {
                            dt { "Noted, " (T(&run.part)) }
                            dd { @for (n, f) in run.identity.iter().enumerate() { @if n > 0 { "; " } (T(&f.label)) ": " (T(&f.value)) } }
                        }
                    }
                }
            }
        }
    }

    fn disc(&self) -> Markup {
        let d = &self.record.disc;
        html! {
            section aria-labelledby="disc" {
                h2 #disc { "The disc" (self.reh()) }
                dl.facts {
                    dt { "Inertia" } dd { (kg(significant(d.inertia.get(), 5))) ", " (T(&d.known_from)) }
                    dt { "Its U (k = 2)" } dd { (kg(uncertainty(d.expanded.get()))) ", as the sheet states it: one number, not taken apart here" }
                    dt { "Mass" } dd { @if let Some(mass) = d.mass { (significant(mass.get(), 5)) "\u{a0}kg" } @else { "not stated" } }
                    dt { "Centring" } dd { "within " (significant(d.centring.get() * 1e3, 3)) "\u{a0}mm of the shaft\u{2019}s axis" }
                    dt { "Hub that stays on" }
                    dd {
                        @if d.hub.get() > 0.0 || d.hub_expanded.get() > 0.0 {
                            (kg(significant(d.hub.get(), 4))) ", U = " (kg(uncertainty(d.hub_expanded.get()))) " (k = 2)"
                        } @else { "none stated" }
                    }
                }
            }
        }
    }

    fn conditions(&self) -> Markup {
        html! {
            section aria-labelledby="conditions" {
                h2 #conditions { "Conditions" (self.reh()) }
                ul { @for c in &self.record.conditions { li { (T(c)) } } }
                p {
                    "Traceability: "
                    @if self.rehearsal { "none, every value was simulated." }
                    @else { "to what the disc\u{2019}s inertia was measured with, as its statement goes; no more is claimed." }
                }
            }
        }
    }

    fn section(&self) -> Markup {
        html! {
            section aria-labelledby="section" {
                h2 #section { "What the sheet takes" (self.reh()) }
                pre { (T(&self.record.section)) }
                p.quiet.small {
                    "Uncertainties by JCGM 100:2008; the same unrounded in inertia.json beside this page."
                    @if self.rehearsal { b { " REHEARSAL: amplifier and motor were simulated." } }
                }
            }
        }
    }
}

fn row(run: &CitedRun) -> Markup {
    html! {
        tr {
            th scope="row" { (T(&run.part)) br; span.quiet { (T(&run.id)) } }
            td.nb { (T(&when(&run.started))) }
            td.n { (significant(run.acceleration.get(), 6)) }
            td.n { (uncertainty(run.scatter.get())) }
            td.n { (run.degrees_of_freedom.map_or_else(|| "\u{221e}".to_owned(), |d| fixed(d.floor(), 0))) }
            td.n { (run.building_up.map_or_else(|| number::NONE.to_owned(), |b| uncertainty(b.get()))) }
            td { (T(&run.sheet_file)) ", CRC-32 " (T(&run.sheet_crc32)) }
        }
    }
}
