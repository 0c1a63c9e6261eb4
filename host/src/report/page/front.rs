//! Outcome, what was tested, what is probably wrong, and all checks at a glance.

use maud::{Markup, html};

use super::Page;
use crate::record::model::{CheckRecord, Diagnosis, FollowWhy, ResultRow, Took, Verdict};
use crate::report::number::{self, Places};
use crate::report::symbol;
use crate::report::text::{T, one_line};

impl Page<'_> {
    pub(super) fn front(&self) -> Markup {
        html! {
            (self.outcome())
            (self.tested())
            (self.diagnoses())
            (self.summary())
            (self.follows())
        }
    }

    fn outcome(&self) -> Markup {
        let run = self.run;
        let o = &run.outcome;
        let counts = [
            (Verdict::Accepted, o.accepted),
            (Verdict::Undecided, o.undecided),
            (Verdict::Rejected, o.rejected),
            (Verdict::NotDone, o.not_done),
        ];
        html! {
            header {
                p.over {
                    @if self.rehearsal { "Rehearsal of the acceptance of one servo axis" } @else { "Acceptance record of one servo axis" }
                }
                h1 { (T(&one_line(&run.axis.title))) }
                p.quiet { "For " (T(&run.axis.customer)) ". Run " (T(&run.id)) ", started " (T(&when(&run.started))) "." }
            }
            section aria-labelledby="outcome" {
                h2 #outcome { "Outcome " (self.reh()) }
                div.outcome.(symbol::class(o.verdict)) {
                    (symbol::shape(o.verdict))
                    p.word { (symbol::word(o.verdict)) }
                    p.sentence { (T(&o.sentence)) }
                }
                ul.counts aria-label="Checks by verdict" {
                    @for (verdict, n) in counts {
                        li.(symbol::class(verdict)) { b { (n) } " " (symbol::tag(verdict)) }
                    }
                }
                @if !o.left_out.is_empty() {
                    p {
                        b { "Left out: " }
                        @for (n, l) in o.left_out.iter().enumerate() { @if n > 0 { "; " } (T(&l.title)) }
                        "."
                    }
                }
                @if let Some(why) = &o.stopped {
                    p.stop { b { "The run did not get to its end. " } (T(why)) }
                }
                @if !run.provenance.faults.is_empty() {
                    div.note {
                        "Faults put in on purpose: "
                        @for (n, f) in run.provenance.faults.iter().enumerate() { @if n > 0 { ", " } b { (T(f)) } }
                        "."
                    }
                }
                @if !run.provenance.calibration_valid {
                    div.note {
                        b { "No valid calibration on the day. " } (T(&run.provenance.calibration))
                        " Results that rest on it are undecided at best; counts, directions and flags don\u{2019}t need it."
                    }
                }
            }
        }
    }

    fn tested(&self) -> Markup {
        let axis = &self.run.axis;
        html! {
            section aria-labelledby="tested" {
                h2 #tested { "What was tested" }
                dl.facts {
                    dt { "Axis" } dd { (T(&axis.title)) }
                    dt { "Customer" } dd { (T(&axis.customer)) }
                    dt { "Axis sheet" } dd { (T(&axis.sheet_file)) ", CRC-32 " (T(&axis.sheet_crc32)) " (its text is at the end)" }
                    @for f in &axis.identity { dt { (T(&f.label)) } dd { (T(&f.value)) } }
                    dt { "Time" } dd { (T(&when(&self.run.started))) " to " (T(&when(&self.run.finished))) }
                    @if self.run.outcome.took != Took::default() {
                        dt { "Bench time" } dd { (self.run.outcome.took.words()) }
                    }
                }
                @if axis.invented { p.note { "The sheet says that its machine, customer and data are invented." } }
            }
        }
    }

    fn diagnoses(&self) -> Markup {
        let all = &self.run.diagnoses;
        html! {
            @if !all.is_empty() {
                section aria-labelledby="diagnoses" {
                    h2 #diagnoses { "What is probably wrong" }
                    @for d in all { (diagnosis(d)) }
                }
            }
        }
    }

    /// What comes from earlier runs, and what of them counts no more.
    fn follows(&self) -> Markup {
        let Some(follows) = &self.run.follows else { return html! {} };
        let why = match follows.why {
            FollowWhy::Resume => "This run goes on with run ",
            FollowWhy::Again => "This run makes checks again of run ",
        };
        html! {
            section aria-labelledby="follows" {
                h2 #follows { "Earlier runs " (self.reh()) }
                p {
                    (why) b { (T(&follows.run)) }
                    ". The newest attempt at a check counts, whether it came out better or worse."
                }
                @if !follows.same_unit.is_empty() {
                    p { b { "The same unit: " } (T(&follows.same_unit)) }
                }
                @if !follows.taken_over.is_empty() {
                    @for (run, with) in follows.measured_otherwise(&self.run.provenance) {
                        p { b { "Measured otherwise: " } "what is taken over from " (T(run)) ", with " (T(&with)) "." }
                    }
                    p {
                        "Taken over unchanged, with samples in the earlier run's own folder: "
                        @for (n, t) in follows.taken_over.iter().enumerate() {
                            @if n > 0 { "; " }
                            (T(self.run.title_of(&t.check))) " from " (T(&t.run))
                        }
                        "."
                    }
                    @let resting = || follows.taken_over.iter().filter(|t| !t.rests_on.is_empty());
                    @if resting().next().is_some() {
                        p { b { "Resting on superseded results." } " These were taken over, but what they need was made again since:" }
                        ul { @for t in resting() { li { b { (T(self.run.title_of(&t.check))) } ": " (T(&self.titles(&t.rests_on))) } } }
                    }
                }
                @if follows.superseded.is_empty() {
                    p { "No earlier result is superseded." }
                } @else {
                    div.wide {
                        table {
                            caption { "Superseded: these results count no more" }
                            thead { tr {
                                th scope="col" { "Check" }
                                th scope="col" { "Run" }
                                th scope="col" { "Results then" }
                                th scope="col" { "Verdict then" }
                            } }
                            tbody {
                                @for s in &follows.superseded {
                                    tr {
                                        th scope="row" { (T(&s.record.title)) }
                                        td { (T(&s.run)) br; span.quiet { (T(&when(&s.finished))) } }
                                        td { @for (n, r) in s.record.results.iter().enumerate() {
                                            @if n > 0 { br; }
                                            (T(&r.name)) ": " (then(r)) " " (symbol::tag(r.verdict))
                                        } }
                                        td { (symbol::tag(s.record.verdict)) }
                                    }
                                }
                            }
                        }
                    }
                }
            }
        }
    }

    fn titles(&self, checks: &[String]) -> String {
        checks.iter().map(|check| self.run.title_of(check)).collect::<Vec<_>>().join("; ")
    }

    fn summary(&self) -> Markup {
        html! {
            section aria-labelledby="summary" {
                h2 #summary { "All checks at a glance " (self.reh()) }
                div.wide {
                    table {
                        thead { tr {
                            th.n scope="col" { "No." }
                            th scope="col" { "Check" }
                            th scope="col" { "What it shows; why not accepted" }
                            th.n scope="col" { "Bench in s" }
                            th.n scope="col" { "People in s" }
                            th scope="col" { "Verdict" }
                        } }
                        tbody {
                            @for (n, c) in self.run.checks.iter().enumerate() {
                                tr {
                                    td.n { (n + 1) }
                                    th.nb scope="row" { a href={ "#" (Self::anchor(n, &c.id)) } { (T(&c.title)) } }
                                    td {
                                        (T(&c.shows))
                                        @for why in reasons(c) { br; b { (T(why)) } }
                                    }
                                    td.n { (number::fixed(c.took.bench_seconds, 1)) }
                                    td.n { (number::fixed(c.took.person_seconds, 1)) }
                                    td { (symbol::tag(c.verdict)) }
                                }
                            }
                        }
                    }
                }
            }
        }
    }
}

/// What a result said, with its uncertainty.
fn then(r: &ResultRow) -> Markup {
    let unit = number::unit_after(&one_line(&r.unit));
    html! {
        @if let Some(text) = &r.measured_text {
            (T(text))
        } @else if let Some(value) = r.measured {
            (number::value(value, r.expanded_uncertainty.and_then(Places::of_uncertainty))) (T(&unit))
            @if let Some(u) = r.expanded_uncertainty.filter(|u| *u > 0.0) {
                " \u{b1} " (number::uncertainty(u)) (T(&unit))
            }
        } @else {
            "not measured"
        }
    }
}

fn diagnosis(d: &Diagnosis) -> Markup {
    html! {
        div.diagnosis {
            h3 { span.rank { (d.rank) } (T(&d.title)) }
            dl.facts {
                dt { "Evidence" }
                dd { @for (n, e) in d.evidence.iter().enumerate() { @if n > 0 { br; } (T(e)) } }
                dt { "What to do" }
                dd { b { (T(&d.remedy)) } }
                @if !d.not_told_apart.is_empty() {
                    dt { "Looks the same" }
                    dd { @for (n, e) in d.not_told_apart.iter().enumerate() { @if n > 0 { br; } (T(e)) } }
                }
            }
        }
    }
}

/// Why a check is not accepted: the sentences of the results that have its verdict, or why it was not done.
fn reasons(c: &CheckRecord) -> Vec<&str> {
    if c.verdict == Verdict::Accepted {
        return Vec::new();
    }
    let sentences = c.results.iter().filter(|r| r.verdict == c.verdict).map(|r| r.sentence.as_str());
    sentences.chain(c.not_done.iter().map(|n| n.why.as_str())).take(3).collect()
}

/// A time as people write it: the date and the time of day apart.
pub(in crate::report) fn when(rfc3339: &str) -> String {
    one_line(rfc3339).replacen('T', " ", 1)
}
