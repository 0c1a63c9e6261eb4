//! One check: what it shows, its results, pictures, budgets and what moved.

use maud::{Markup, html};

use super::Page;
use super::results::{budgets, keep, results};
use crate::record::model::{CheckRecord, Plot, StepRecord, Took};
use crate::report::text::{T, one_line};
use crate::report::{number, plot, symbol};

impl Page<'_> {
    pub(super) fn check(&self, n: usize, c: &CheckRecord) -> Markup {
        let anchor = Self::anchor(n, &c.id);
        html! {
            section.check aria-labelledby=(anchor) {
                h3 #(anchor) {
                    span.title { (n + 1) "\u{2002}" (T(&c.title)) }
                    (self.reh())
                    (symbol::tag(c.verdict))
                }
                p { (T(&c.shows)) }
                @if c.took != Took::default() { p.quiet { "It took " (c.took.words()) "." } }
                @if let Some(not) = &c.not_done {
                    div.note {
                        dl.facts {
                            dt { "Why not" } dd { (T(&not.why)) }
                            dt { "What would allow it" } dd { (T(&not.would_allow)) }
                            @if let Some(others) = &not.shown_also_by {
                                dt { "What stands for it" } dd { (T(others)) }
                            }
                        }
                    }
                }
                @if !c.results.is_empty() { (results(&c.results)) }
                @for p in &c.plots { (figure(p)) }
                @if !c.notes.is_empty() {
                    h4 { "Remarks" }
                    ul { @for note in &c.notes { li { (T(note)) } } }
                }
                (budgets(&c.results))
                @if !c.steps.is_empty() { (steps(&c.steps)) }
            }
        }
    }
}

fn figure(p: &Plot) -> Markup {
    let picture = plot::draw(p);
    html! {
        figure role="img" aria-label={ (T(&one_line(&p.title))) ". " (T(&one_line(&p.description))) } {
            (picture.svg)
            figcaption {
                b { (T(&p.title)) ". " } (T(&p.description))
                @if let Some(remark) = picture.remark { " " (remark) }
            }
        }
    }
}

fn steps(all: &[StepRecord]) -> Markup {
    html! {
        h4 { "What moved" }
        div.wide {
            table.(keep(all.len())) {
                thead { tr {
                    th.n scope="col" { "Step" }
                    th scope="col" { "What moved" }
                    th scope="col" { "How it ended" }
                    th.n scope="col" { "Start in s" }
                    th.n scope="col" { "Length in s" }
                    th.n scope="col" { "Samples" }
                    th.n scope="col" { "Lost" }
                } }
                tbody {
                    @for (n, s) in all.iter().enumerate() {
                        tr {
                            td.n { (n + 1) }
                            th scope="row" { (T(&s.what)) }
                            td { (T(&s.ended)) }
                            td.n { (number::fixed(s.start_seconds, 3)) }
                            td.n { (number::fixed(s.duration_seconds, 3)) }
                            td.n { @if s.last_sample > 0 { (s.first_sample) "\u{2013}" (s.last_sample) } @else { (number::NONE) } }
                            td.n { (s.samples_lost) }
                        }
                    }
                }
            }
        }
    }
}
