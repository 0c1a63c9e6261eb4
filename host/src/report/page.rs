//! The page for people: customer, auditor and technician.
//!
//! The outcome first, then what was tested, what is probably wrong, every check with its evidence, and at the end what an
//! auditor asks for. One file: no script, nothing loaded, fit for A4.

mod back;
mod check;
mod front;
mod results;
mod rule;

pub(super) use front::when;
pub(super) use results::{budget_head, budgets, parts};

use maud::{DOCTYPE, Markup, PreEscaped, html};

use super::kind::{REHEARSAL, is_rehearsal};
use super::style::style;
use super::text::{T, one_line};
use crate::record::model::Run;

/// `report.html`.
///
/// A rehearsal is marked on screen by a banner that stays, hatched edges, a pattern behind the text and a word in the
/// heading of every check; on paper by a strip at the head of every page, and the same edges, pattern and a line at the
/// foot. An acceptance has none of it.
#[must_use]
pub fn html(run: &Run) -> String {
    let page = Page { run, rehearsal: is_rehearsal(run) };
    page.markup().into_string()
}

struct Page<'a> {
    run: &'a Run,
    rehearsal: bool,
}

impl Page<'_> {
    fn markup(&self) -> Markup {
        let run = self.run;
        let title = one_line(&run.axis.title);
        // The foot of a printed page is a CSS string: letters that can't end it.
        let footer: String =
            run.id.chars().filter(|c| c.is_ascii_alphanumeric() || "-_.:+ ".contains(*c)).take(60).collect();
        html! {
            (DOCTYPE)
            html lang="en" {
                head {
                    meta charset="utf-8";
                    meta name="viewport" content="width=device-width, initial-scale=1";
                    meta name="generator" content=(T(&run.provenance.software));
                    title { @if self.rehearsal { (REHEARSAL) ": " } (T(&title)) ", run " (T(&run.id)) }
                    style { (PreEscaped(style(self.rehearsal, &footer))) }
                }
                body {
                    @if self.rehearsal { (marks("Simulated amplifier and motor. Nothing here says anything about a real machine.")) }
                    div.sheet {
                        div.running aria-hidden="true" {
                            @if self.rehearsal { div.reh-strip { (REHEARSAL) } }
                            div.line {
                                span { (T(&title)) }
                                span { "Run " (T(&run.id)) }
                            }
                        }
                        main {
                            (self.front())
                            section aria-labelledby="checks" {
                                h2 #checks { "The checks" }
                                @for (n, c) in run.checks.iter().enumerate() { (self.check(n, c)) }
                                @if run.checks.is_empty() { p { "No check was made." } }
                            }
                            (self.back())
                        }
                    }
                }
            }
        }
    }

    /// Name of a check's section, fit for a link and like no other.
    fn anchor(n: usize, id: &str) -> String {
        format!("check-{}-{}", n + 1, super::text::slug(id))
    }

    /// The mark in a heading of a rehearsal; nothing in an acceptance.
    fn reh(&self) -> Markup {
        html! { @if self.rehearsal { span.reh { (REHEARSAL) } } }
    }
}

pub(super) fn marks(simulated: &str) -> Markup {
    html! {
        div.banner role="note" {
            (REHEARSAL)
            span { (simulated) }
        }
        div.edge.left aria-hidden="true" {}
        div.edge.right aria-hidden="true" {}
        // Along a path, not turned: browsers drop a transformed element that stays in place from all pages but the first.
        svg.ghost aria-hidden="true" viewBox="0 0 210 280" preserveAspectRatio="xMidYMid slice" {
            @for (n, y) in [106, 194, 282].into_iter().enumerate() {
                path id={ "ghost-" (n) } d={ "M24 " (y - 8) "L186 " (y - 80) } {}
                text text-anchor="middle" { textPath href={ "#ghost-" (n) } startOffset="50%" { (REHEARSAL) } }
            }
        }
    }
}
