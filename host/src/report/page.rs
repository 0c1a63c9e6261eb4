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

use maud::{Markup, html};

use super::frame::Frame;
use super::kind::{REHEARSAL, is_rehearsal};
use super::text::one_line;
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
        let main = html! {
            (self.front())
            section aria-labelledby="checks" {
                h2 #checks { "The checks" }
                @for (n, c) in run.checks.iter().enumerate() { (self.check(n, c)) }
                @if run.checks.is_empty() { p { "No check was made." } }
            }
            (self.back())
        };
        Frame {
            tab: &format!("{title}, run {}", run.id),
            title: &title,
            beside: &format!("Run {}", run.id),
            id: &run.id,
            software: &run.provenance.software,
            simulated: self
                .rehearsal
                .then_some("Simulated amplifier and motor. Nothing here says anything about a real machine."),
        }
        .round(&main)
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
