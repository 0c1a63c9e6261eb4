//! The page for people.

use maud::{DOCTYPE, html};

use super::kind::{REHEARSAL, is_rehearsal};
use super::text::T;
use crate::record::model::Run;

/// `report.html`: self-contained, without script, fit for A4.
#[must_use]
pub fn html(run: &Run) -> String {
    html! {
        (DOCTYPE)
        html lang="en" {
            head { meta charset="utf-8"; title { (T(&run.axis.title)) } }
            body {
                @if is_rehearsal(run) { p { strong { (REHEARSAL) } } }
                h1 { (T(&run.axis.title)) }
                p { (T(&run.outcome.sentence)) }
                @for check in &run.checks {
                    h2 { (T(&check.title)) }
                    @for r in &check.results { p { (T(&r.name)) ": " (T(&r.sentence)) } }
                }
            }
        }
    }
    .into_string()
}
