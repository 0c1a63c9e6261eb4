//! A campaign's result as text, as a page, as a table for a spreadsheet.

use std::fmt::Write as _;

use maud::{DOCTYPE, Markup, html};
use proofstand_plant::FaultSize;

use super::borderline::VERDICTS;
use super::faults::{FAULTS, Only};
use super::figures::{Scores, Standing, at_most, percent};
use super::score::{DetectionLimit, FaultScore};

/// Of the results that were left open on healthy axes, so many are listed.
const OPEN_LISTED: usize = 10;

const STYLE: &str = "body{font:15px/1.4 sans-serif;margin:2em;max-width:75em;color:#111;background:#fff}\
     table{border-collapse:collapse;margin:1em 0}td,th{border:1px solid #767676;padding:.25em .6em;text-align:left}\
     th{background:#eee}td.n{text-align:right;font-variant-numeric:tabular-nums}.fails{font-weight:bold}";

/// Faults that are not put into every axis that can have them.
fn left_out(tried: &[FaultScore]) -> impl Iterator<Item = (&'static str, Only)> {
    let is_tried = |name: &str| tried.iter().any(|f| f.tried > 0 && f.spec.split('=').next() == Some(name));
    FAULTS.iter().filter_map(|row| Some((row.name, row.only?))).filter(move |(name, _)| is_tried(name))
}

fn size(size: Option<FaultSize>) -> String {
    size.map_or_else(|| "none".to_owned(), |s| format!("{} {}", s.value, s.unit))
}

fn missed_at_most(score: &FaultScore) -> String {
    if score.tried == 0 { String::new() } else { at_most(score.tried - score.caught, score.tried) }
}

fn limit(limit: &DetectionLimit) -> String {
    match (limit.from, limit.missed) {
        (None, missed) => format!("not always caught up to {}", size(missed)),
        (from, None) => format!("always from {}, the mildest tried", size(from)),
        (from, missed) => format!("always from {}; missed at {}", size(from), size(missed)),
    }
}

impl Scores {
    /// For a terminal.
    #[must_use]
    pub fn text(&self) -> String {
        let mut out = format!(
            "REHEARSALS on simulated axes: this shows the tool, never an axis. Seeds from {}.\n\n",
            self.first_seed
        );
        for f in &self.faults {
            let must = if f.stated { "must" } else { "may" };
            let _ = writeln!(
                out,
                "{:28} {must:4} be caught: {:>5} of {:<5} on {:>2} axes  first {:>10}  in three {:>10}  undecided {}",
                f.spec,
                f.caught,
                f.tried,
                f.axes,
                percent(f.first, f.tried),
                percent(f.in_three, f.tried),
                f.undecided
            );
        }
        for l in self.limits() {
            let _ = writeln!(
                out,
                "detection limit of {:24} {} ({} runs, missed at most {})",
                l.name,
                limit(&l),
                l.tried,
                at_most(0, l.tried)
            );
        }
        for (name, only) in left_out(&self.faults) {
            let _ = writeln!(out, "not on every axis: {name}, since elsewhere {}", only.why);
        }
        for t in self.healthy.iter().flat_map(|h| &h.tight) {
            let _ = writeln!(
                out,
                "near a limit on healthy axes: {} on {} axes, tolerance at least {:.1} U, margin at least {:.1} U",
                t.id, t.axes, t.capability, t.margin
            );
        }
        for (id, times) in self.healthy.iter().flat_map(|h| &h.open).take(OPEN_LISTED) {
            let _ = writeln!(out, "not accepted on healthy axes: {id}, {times} times");
        }
        for n in &self.noise {
            let _ = writeln!(
                out,
                "noise {:8e} a byte: {} runs, {} finished, {} stopped, {} undecided, {} wrong, {} without an end, \
                 {} unplugged, {} ended by the fixture itself, {} not safe after their end",
                n.rate,
                n.tried,
                n.finished,
                n.stopped,
                n.undecided,
                n.wrong,
                n.hung,
                n.unplugged,
                n.by_itself,
                n.not_safe
            );
        }
        out.push('\n');
        for figure in self.figures() {
            let _ = writeln!(
                out,
                "{:9}  {}: {} (promised: {})",
                figure.standing.word(),
                figure.name,
                figure.reached,
                figure.promised
            );
        }
        out
    }

    /// For a spreadsheet: one line a fault and size.
    #[must_use]
    pub fn csv(&self) -> String {
        let mut out =
            "rehearsal,seeds from,fault,size,unit,family,must be caught,axes,tried,caught,missed at most (95 %),\
             named first,named in three,undecided\n"
                .to_owned();
        for f in &self.faults {
            let name = f.spec.split('=').next().unwrap_or_default();
            let (value, unit) =
                f.size.map_or_else(Default::default, |s| (s.value.to_string(), s.unit.to_owned()));
            let _ = writeln!(
                out,
                "REHEARSAL,{},{name},{value},{unit},{},{},{},{},{},{},{},{},{}",
                self.first_seed,
                f.family,
                f.stated,
                f.axes,
                f.tried,
                f.caught,
                missed_at_most(f),
                f.first,
                f.in_three,
                f.undecided
            );
        }
        out
    }

    /// For a browser.
    #[must_use]
    pub fn html(&self) -> String {
        let page: Markup = html! {
            (DOCTYPE)
            html lang="en" {
                head {
                    meta charset="utf-8";
                    meta name="viewport" content="width=device-width";
                    title { "REHEARSAL: faults put in, and what came out" }
                    style { (STYLE) }
                }
                body {
                    h1 { "Faults put in, and what came out" }
                    p { strong { "REHEARSAL" } ": every run was made on a simulated amplifier and motor. This shows the tool, \
                         never an axis. The axes are invented. Seeds from " (self.first_seed) "." }
                    (self.figures_table())
                    @if !self.faults.is_empty() { (self.faults_table()) (self.limits_table()) (self.left_out_table()) }
                    (self.tight_table())
                    (self.open_table())
                    @if !self.borderline.is_empty() { (self.borderline_table()) }
                    @if !self.noise.is_empty() { (self.noise_table()) }
                }
            }
        };
        page.into_string()
    }

    fn figures_table(&self) -> Markup {
        html! {
            h2 { "Figures" }
            table {
                tr { th { "figure" } th { "promised" } th { "reached" } th { "" } }
                @for f in self.figures() {
                    tr { td { (f.name) } td { (f.promised) } td { (f.reached) }
                         td class=[(f.standing == Standing::Fails).then_some("fails")] { (f.standing.word()) } }
                }
            }
        }
    }

    fn faults_table(&self) -> Markup {
        html! {
            h2 { "Faults" }
            p { "Named: the right cause, or one that looks the same from the fixture's place. A size that need not be caught \
                 shows how small a fault can be seen. Axes: how many of the population it was put into, which are those that can have it \
                 and on which it shows by their sheet. Missed at most: the upper bound (95 %) of the share that is missed; \
                 where none of n was, 3/n." }
            table {
                tr { th { "fault" } th { "size" } th { "family" } th { "must be caught" } th { "axes" } th { "tried" } th { "caught" }
                     th { "missed at most" } th { "named first" } th { "among three" } th { "undecided" } }
                @for f in &self.faults {
                    tr { td { (f.spec.split('=').next().unwrap_or_default()) }
                         td.n { (f.size.map(|s| size(Some(s))).unwrap_or_default()) } td { (f.family) }
                         td { (if f.stated { "yes" } else { "no" }) }
                         td.n { (f.axes) } td.n { (f.tried) }
                         td.n class=[(f.stated && f.caught < f.tried).then_some("fails")] { (f.caught) }
                         td.n { (missed_at_most(f)) } td.n { (percent(f.first, f.tried)) }
                         td.n { (percent(f.in_three, f.tried)) } td.n { (f.undecided) } }
                }
            }
        }
    }

    fn limits_table(&self) -> Markup {
        html! {
            h2 { "Detection limits" }
            p { "The mildest size from which on every run of every size was caught." }
            table {
                tr { th { "fault" } th { "detection limit" } th { "runs from there on" } th { "missed at most" } }
                @for l in self.limits() {
                    tr { td { (l.name) } td { (limit(&l)) } td.n { (l.tried) } td.n { (at_most(0, l.tried)) } }
                }
            }
        }
    }

    fn left_out_table(&self) -> Markup {
        html! {
            h2 { "Not put into every axis" }
            p { "Beside what an axis can't have at all, such as a fault of a brake where there is none." }
            table {
                tr { th { "fault" } th { "not put into the other axes, since there" } }
                @for (name, only) in left_out(&self.faults) { tr { td { (name) } td { (only.why) } } }
            }
        }
    }

    fn tight_table(&self) -> Markup {
        html! {
            @if let Some(healthy) = self.healthy.as_ref().filter(|h| !h.tight.is_empty()) {
                h2 { "Near a limit on healthy axes" }
                p { "A healthy axis is one whose tolerances are four U or more and whose results lie three U or more within \
                     them. These results break that on some axes, or on all, and are asked to be accepted all the same. Tolerance: \
                     half the width between two limits; of one limit, its distance from the value that is aimed at, or from nothing." }
                table {
                    tr { th { "result" } th { "axes" } th { "least tolerance over U" } th { "least margin over U" } }
                    @for t in &healthy.tight {
                        tr { td { (t.id) } td.n { (t.axes) " of " (healthy.axes) } td.n { (format!("{:.1}", t.capability)) }
                             td.n { (format!("{:.1}", t.margin)) } }
                    }
                }
            }
        }
    }

    fn open_table(&self) -> Markup {
        let open = self.healthy.iter().flat_map(|h| &h.open).take(OPEN_LISTED);
        html! {
            @if self.healthy.as_ref().is_some_and(|h| !h.open.is_empty()) {
                h2 { "Not accepted on healthy axes" }
                table {
                    tr { th { "result or check" } th { "times" } }
                    @for (id, times) in open { tr { td { (id) } td.n { (times) } } }
                }
            }
        }
    }

    fn borderline_table(&self) -> Markup {
        html! {
            h2 { "Verdicts near the limit" }
            p { "A known part of the command is taken away, so that the true gain is known; what share of verdicts that must \
                 give follows from the uncertainty and from the guard band U (JCGM 106:2012; ILAC-G8:09/2019). Chance: of as \
                 few, and of as many, if the tool keeps to its rule; below 1 in 10 000 it fails." }
            table {
                tr { th { "lost" } th { "runs" } th { "gave a gain" } th { "verdict" } th { "came" } th { "foreseen" }
                     th { "chance of as few" } th { "of as many" } }
                @for row in &self.borderline {
                    @for (verdict, share) in VERDICTS.iter().zip(&row.shares) {
                        tr { td.n { (row.loss) " %" } td.n { (row.tried) } td.n { (row.measured) } td { (verdict) }
                             td.n { (share.seen) } td.n { (format!("{:.1}", share.foreseen)) }
                             td.n { (format!("{:.4}", share.as_few)) } td.n { (format!("{:.4}", share.as_many)) } }
                    }
                }
            }
        }
    }

    fn noise_table(&self) -> Markup {
        html! {
            h2 { "Noise on the cable" }
            p { "A third of the runs have a fault that is always caught without noise. Not safe: a tenth of a second after the \
                 end of the run, and half as much to spare, something stands at the command terminals, or enable is closed." }
            table {
                tr { th { "errors a byte" } th { "runs" } th { "errors" } th { "finished, own verdict" } th { "stopped" }
                     th { "undecided" } th { "wrong" } th { "without an end" } th { "unplugged" } th { "ended by the fixture itself" }
                     th { "not safe after their end" } }
                @for n in &self.noise {
                    tr { td.n { (format!("{:e}", n.rate)) } td.n { (n.tried) } td.n { (n.errors) }
                         td.n { (n.finished) } td.n { (n.stopped) } td.n { (n.undecided) } td.n { (n.wrong) }
                         td.n { (n.hung) } td.n { (n.unplugged) } td.n { (n.by_itself) } td.n { (n.not_safe) } }
                }
            }
        }
    }
}
