//! What stands round every page for people: its head, and the marks of a rehearsal on screen and on each sheet of paper.

use maud::{DOCTYPE, Markup, PreEscaped, html};

use super::kind::REHEARSAL;
use super::style::style;
use super::text::T;

/// A page's frame.
pub(super) struct Frame<'a> {
    /// Name of the page in a browser's tab.
    pub(super) tab: &'a str,
    /// Name at the head of each printed page, one line.
    pub(super) title: &'a str,
    /// What stands beside it.
    pub(super) beside: &'a str,
    /// What it is told from others by, at the foot of each printed page.
    pub(super) id: &'a str,
    /// The program that made it.
    pub(super) software: &'a str,
    /// What was simulated, in a sentence; none: it is no rehearsal.
    pub(super) simulated: Option<&'a str>,
}

impl Frame<'_> {
    /// The page with this in it.
    pub(super) fn round(&self, main: &Markup) -> Markup {
        let rehearsal = self.simulated.is_some();
        // The foot of a printed page is a CSS string: letters that can't end it.
        let footer: String =
            self.id.chars().filter(|c| c.is_ascii_alphanumeric() || "-_.:+ ".contains(*c)).take(60).collect();
        html! {
            (DOCTYPE)
            html lang="en" {
                head {
                    meta charset="utf-8";
                    meta name="viewport" content="width=device-width, initial-scale=1";
                    meta name="generator" content=(T(self.software));
                    title { @if rehearsal { (REHEARSAL) ": " } (T(self.tab)) }
                    style { (PreEscaped(style(rehearsal, &footer))) }
                }
                body {
                    @if let Some(simulated) = self.simulated { (marks(simulated)) }
                    div.sheet {
                        div.running aria-hidden="true" {
                            @if rehearsal { div.reh-strip { (REHEARSAL) } }
                            div.line { span { (T(self.title)) } span { (T(self.beside)) } }
                        }
                        main { (main) }
                    }
                }
            }
        }
    }
}

/// The mark behind the words of a heading; nothing where it is no rehearsal.
pub(super) fn in_heading(rehearsal: bool) -> Markup {
    html! { @if rehearsal { " " span.reh { (REHEARSAL) } } }
}

fn marks(simulated: &str) -> Markup {
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
