//! A shape and a word for every verdict: two limits, and where the measured value lies.

use maud::{Markup, html};

use crate::record::model::Verdict;

/// The verdict's word.
pub(super) const fn word(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Accepted => "Accepted",
        Verdict::Undecided => "Undecided",
        Verdict::Rejected => "Rejected",
        Verdict::NotDone => "Not done",
    }
}

/// The verdict's style class.
pub(super) const fn class(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Accepted => "accepted",
        Verdict::Undecided => "undecided",
        Verdict::Rejected => "rejected",
        Verdict::NotDone => "not-done",
    }
}

/// The shape alone: a dot between two limits, on one, a cross beyond one, or limits with nothing between.
pub(super) fn shape(verdict: Verdict) -> Markup {
    html! {
        svg class="sym" viewBox="0 0 30 20" width="30" height="20" aria-hidden="true" focusable="false" {
            @match verdict {
                Verdict::Accepted => {
                    path class="sym-line" d="M8 2H4V18H8M22 2H26V18H22" {}
                    circle class="sym-fill" cx="15" cy="10" r="4.6" {}
                }
                Verdict::Undecided => {
                    path class="sym-line" d="M5 2H1V18H5M17 2H21V18H17" {}
                    path class="sym-line" d="M21 5a5 5 0 0 1 0 10" {}
                    path class="sym-fill" d="M21 4a6 6 0 0 0 0 12z" {}
                }
                Verdict::Rejected => {
                    path class="sym-line" d="M6 2H2V18H6M11 2H15V18H11" {}
                    path class="sym-line" d="M20 5.5L28.5 14.5M28.5 5.5L20 14.5" {}
                }
                Verdict::NotDone => {
                    path class="sym-line" d="M8 2H4V18H8M22 2H26V18H22" stroke-dasharray="2.4 2" {}
                }
            }
        }
    }
}

/// Shape and word.
pub(super) fn tag(verdict: Verdict) -> Markup {
    html! { span.verdict.(class(verdict)) { (shape(verdict)) " " (word(verdict)) } }
}
