//! How verdicts come about, by the rule of the run.

use maud::{Markup, html};

use super::Page;
use crate::record::model::{AgreedRule, Verdict, WAYS_DOUBTFUL, WAYS_IMPOSSIBLE};
use crate::report::text::T;
use crate::report::{number, symbol};

impl Page<'_> {
    /// Some result is the difference of two ways to one quantity.
    fn compares_ways(&self) -> bool {
        self.run.checks.iter().flat_map(|check| &check.results).any(|row| row.id.contains("-less-"))
    }

    pub(super) fn rule(&self) -> Markup {
        let agreed = self.run.rule;
        let all = [Verdict::Accepted, Verdict::Undecided, Verdict::Rejected, Verdict::NotDone];
        html! {
            section aria-labelledby="rule" {
                h2 #rule { "How the verdicts come about" }
                p {
                    (T(&in_words(agreed)))
                    " A measured result whose budget names no rule was decided as its sentence says."
                }
                @if self.compares_ways() { p { (T(&ways_in_words())) } }
                dl.facts.key { @for v in all { dt { (symbol::tag(v)) } dd { (T(&meaning(v, agreed))) } } }
                p {
                    "Uncertainties follow JCGM 100:2008 (GUM). U is the combined standard uncertainty times the coverage \
                     factor k beside it, for a coverage of about 95 %. U is rounded to two significant digits and the \
                     value to the same place (GUM 7.2.6); verdicts are made before rounding, and limits are printed with \
                     all the digits they have. Type A and B as in the GUM: from scatter, and from other knowledge. Counts \
                     are whole numbers and are compared exactly."
                }
                p {
                    "A pulse is one full cycle of phase A; a count is one quadrature edge, four to the pulse. Clockwise and \
                     counterclockwise are seen facing the shaft end of the motor (IEC 60034-8), unless the axis sheet says \
                     otherwise under " code { "seen_from" } "."
                }
            }
        }
    }
}

/// How ways to one quantity are held against each other, whichever rule the sheet has.
fn ways_in_words() -> String {
    format!(
        "Where a quantity was found in two ways, what they share cancels in their difference (JCGM 100:2008, F.1.2.3), and the \
         difference is held against its own uncertainty, whichever rule the sheet has for limits: up to U they agree; beyond U is \
         a warning, which changes no verdict; beyond {WAYS_DOUBTFUL} standard uncertainties they are undecided; beyond \
         {WAYS_IMPOSSIBLE} they are rejected, since not both can be right. Chance alone passes these limits once in twenty, \
         three times in a thousand and seven times in a million (control charts; common practice)."
    )
}

/// The rule and the risk it leaves.
fn in_words(rule: Option<AgreedRule>) -> String {
    match rule {
        Some(AgreedRule::Guarded) => {
            "A result is accepted if it lies inside its limits by at least its expanded uncertainty U, rejected if it lies \
             outside a limit by more than U, and undecided in between: a guard band w = U on either side of every limit \
             (ILAC-G8:09/2019; JCGM 106:2012), for limits on one side as on two. The chance that an accepted result is in \
             truth outside is then at most 2.5 % at each limit: where U nearly fills the tolerance both limits count, and it \
             is at most 5 %."
                .to_owned()
        }
        Some(AgreedRule::Simple) => {
            "A result is accepted if it lies inside its limits and rejected if it lies outside: simple acceptance without a \
             guard band, as the axis sheet asks (ILAC-G8:09/2019, 4.2.1; JCGM 106:2012, 8.2). Where the limits are two and U \
             is as large as half of the tolerance it is undecided unless it lies outside by more than U. The chance that an \
             accepted result is in truth outside is up to 50 % at a limit; the probability of conformity of each result \
             stands with its budget."
                .to_owned()
        }
        Some(AgreedRule::SpecificRisk { risk_percent }) => format!(
            "A result is accepted if the probability that it is in truth outside its limits, all of them together, is at \
             most {risk} %, rejected if the probability that it is inside is at most {risk} %, and undecided in between: a \
             specific risk, as the axis sheet asks (JCGM 106:2012, 7 and 8.3). The probability of conformity of each result \
             stands with its budget.",
            risk = number::significant(risk_percent, 4)
        ),
        None => {
            "This record does not say which decision rule the axis sheet chose. By which rule a result was decided stands \
             with its budget, and its probability of conformity."
                .to_owned()
        }
    }
}

/// What a verdict means, for the key.
fn meaning(verdict: Verdict, rule: Option<AgreedRule>) -> String {
    let risk = |percent| number::significant(percent, 4);
    match (verdict, rule) {
        (Verdict::NotDone, _) => "not carried out; never counts as passed".to_owned(),
        (Verdict::Accepted, Some(AgreedRule::Guarded)) => "inside the limits by at least U".to_owned(),
        (Verdict::Accepted, Some(AgreedRule::Simple)) => "inside the limits".to_owned(),
        (Verdict::Accepted, Some(AgreedRule::SpecificRisk { risk_percent })) => {
            format!("outside the limits with a probability of at most {} %", risk(risk_percent))
        }
        (Verdict::Accepted, None) => "inside the limits by the rule of the result".to_owned(),
        (Verdict::Undecided, Some(AgreedRule::Guarded)) => {
            "within U of a limit, or the means don\u{2019}t suffice".to_owned()
        }
        (Verdict::Undecided, Some(AgreedRule::Simple)) => {
            "U is as large as half of the tolerance, or the means don\u{2019}t suffice".to_owned()
        }
        (Verdict::Undecided, _) => {
            "not surely enough inside or outside for the rule, or the means don\u{2019}t suffice".to_owned()
        }
        (Verdict::Rejected, Some(AgreedRule::Guarded)) => {
            "outside a limit by more than U, or plainly not what the sheet says".to_owned()
        }
        (Verdict::Rejected, Some(AgreedRule::Simple)) => {
            "outside a limit, or plainly not what the sheet says".to_owned()
        }
        (Verdict::Rejected, Some(AgreedRule::SpecificRisk { risk_percent })) => format!(
            "inside the limits with a probability of at most {} %, or plainly not what the sheet says",
            risk(risk_percent)
        ),
        (Verdict::Rejected, None) => {
            "outside a limit by the rule of the result, or plainly not what the sheet says".to_owned()
        }
    }
}
