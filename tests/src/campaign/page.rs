//! A campaign's result as text, as a page, as a table for a spreadsheet.

use std::fmt::Write as _;

use maud::{DOCTYPE, Markup, html};

use super::score::{BorderlineScore, FaultScore, HealthyScore, NoiseScore, upper_bound};

/// All scores of a campaign; a part that was not made is empty.
#[derive(Debug, Clone, Default)]
pub struct Scores {
    /// Faults.
    pub faults: Vec<FaultScore>,
    /// Axes without a fault.
    pub healthy: Option<HealthyScore>,
    /// Gains near the limit.
    pub borderline: Vec<BorderlineScore>,
    /// Noise on the cable.
    pub noise: Vec<NoiseScore>,
}

/// A figure that was promised, what it is, and whether it holds.
#[derive(Debug, Clone, PartialEq)]
pub struct Figure {
    /// What.
    pub name: String,
    /// What was promised.
    pub promised: String,
    /// What came out.
    pub reached: String,
    /// It holds.
    pub holds: bool,
}

fn percent(part: usize, of: usize) -> String {
    if of == 0 { "none tried".to_owned() } else { format!("{:.2} %", 100.0 * part as f64 / of as f64) }
}

impl Scores {
    /// The figures that a campaign is held against.
    #[must_use]
    pub fn figures(&self) -> Vec<Figure> {
        let mut all = Vec::new();
        let mut figure = |name: &str, promised: &str, reached: String, holds: bool| {
            all.push(Figure { name: name.to_owned(), promised: promised.to_owned(), reached, holds });
        };
        let stated = || self.faults.iter().filter(|f| f.stated);
        let sum = |what: fn(&FaultScore) -> usize| stated().map(what).sum::<usize>();
        let (tried, caught) = (sum(|f| f.tried), sum(|f| f.caught));
        if tried > 0 {
            let bound = 100.0 * upper_bound(tried - caught, tried);
            figure(
                "faults caught at their stated sizes",
                "100 %",
                format!("{caught} of {tried}; missed at most {bound:.3} % (95 %)"),
                caught == tried,
            );
            let (first, three) = (sum(|f| f.first), sum(|f| f.in_three));
            figure("named first", "at least 90 %", percent(first, tried), first * 10 >= tried * 9);
            figure("named among three", "at least 99 %", percent(three, tried), three * 100 >= tried * 99);
        }
        if let Some(healthy) = &self.healthy {
            let bound = 100.0 * upper_bound(healthy.rejected, healthy.tried);
            figure(
                "healthy axes rejected",
                "none",
                format!("{} of {}; at most {bound:.3} % (95 %)", healthy.rejected, healthy.tried),
                healthy.rejected == 0,
            );
            let open = healthy.undecided + healthy.stopped;
            figure(
                "healthy axes undecided",
                "at most 1 %",
                percent(open, healthy.tried),
                open * 100 <= healthy.tried,
            );
            figure(
                "time of a run on one core",
                "at most 0.3 s",
                format!("{:.2} s", healthy.seconds),
                healthy.seconds <= 0.3,
            );
        }
        for row in &self.borderline {
            // Four standard deviations of a binomial share, and half a trial for rounding.
            let holds = row.seen.iter().zip(row.foreseen).all(|(seen, foreseen)| {
                let share = foreseen / row.tried.max(1) as f64;
                let spread = (row.tried as f64 * share * (1.0 - share)).max(0.0).sqrt();
                (*seen as f64 - foreseen).abs() <= 4.0 * spread + 0.5
            });
            figure(
                &format!("verdicts at {} % lost", row.loss),
                &format!("{:.0} / {:.0} / {:.0}", row.foreseen[0], row.foreseen[1], row.foreseen[2]),
                format!(
                    "{} / {} / {} accepted / undecided / rejected",
                    row.seen[0], row.seen[1], row.seen[2]
                ),
                holds,
            );
        }
        for row in &self.noise {
            figure(
                &format!("verdicts turned by {:e} errors a byte", row.rate),
                "none",
                format!("{} of {} runs, {} errors", row.wrong, row.tried, row.errors),
                row.wrong == 0,
            );
        }
        if let Some(least) = self.noise.iter().find(|n| n.rate <= 1e-5) {
            figure(
                "finished with 1e-5 errors a byte",
                "all",
                format!("{} of {}", least.finished, least.tried),
                least.finished == least.tried,
            );
        }
        all
    }

    /// For a terminal.
    #[must_use]
    pub fn text(&self) -> String {
        let mut out = String::from("REHEARSALS on simulated axes: this shows the tool, never an axis.\n\n");
        for f in &self.faults {
            let size = if f.stated { "must" } else { "may" };
            let _ = writeln!(
                out,
                "{:28} {size:4} be caught: {:>8} of {:<5} first {:>8}  in three {:>8}  undecided {}",
                f.spec,
                f.caught,
                f.tried,
                percent(f.first, f.tried),
                percent(f.in_three, f.tried),
                f.undecided
            );
        }
        for n in &self.noise {
            let _ = writeln!(
                out,
                "noise {:8e} a byte: {} runs, {} finished, {} stopped, {} undecided, {} wrong",
                n.rate, n.tried, n.finished, n.stopped, n.undecided, n.wrong
            );
        }
        out.push('\n');
        for figure in self.figures() {
            let held = if figure.holds { "holds " } else { "FAILS " };
            let _ =
                writeln!(out, "{held} {}: {} (promised: {})", figure.name, figure.reached, figure.promised);
        }
        out
    }

    /// For a spreadsheet: one line a fault and size.
    #[must_use]
    pub fn csv(&self) -> String {
        let mut out =
            "rehearsal,fault,family,must be caught,tried,caught,named first,named in three,undecided\n"
                .to_owned();
        for f in &self.faults {
            let _ = writeln!(
                out,
                "REHEARSAL,{},{},{},{},{},{},{},{}",
                f.spec, f.family, f.stated, f.tried, f.caught, f.first, f.in_three, f.undecided
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
                    title { "REHEARSAL: faults put in, and what came out" }
                    style { "body{font:15px/1.4 sans-serif;margin:2em;max-width:75em;color:#111;background:#fff}\
                             table{border-collapse:collapse;margin:1em 0}td,th{border:1px solid #767676;padding:.25em .6em;text-align:left}\
                             td.n{text-align:right;font-variant-numeric:tabular-nums}.fails{font-weight:bold}" }
                }
                body {
                    h1 { "Faults put in, and what came out" }
                    p { strong { "REHEARSAL" } ": every run was made on a simulated amplifier and motor. This shows the tool, \
                         never an axis. The axes are invented." }
                    h2 { "Figures" }
                    table {
                        tr { th { "figure" } th { "promised" } th { "reached" } th { "" } }
                        @for f in self.figures() {
                            tr { td { (f.name) } td { (f.promised) } td { (f.reached) }
                                 td class=[(!f.holds).then_some("fails")] { (if f.holds { "holds" } else { "FAILS" }) } }
                        }
                    }
                    @if !self.faults.is_empty() {
                        h2 { "Faults" }
                        p { "Named: the right cause, or one that looks the same from the fixture's place. A size that need not \
                             be caught shows how small a fault can be seen." }
                        table {
                            tr { th { "fault" } th { "family" } th { "must be caught" } th { "tried" } th { "caught" }
                                 th { "named first" } th { "among three" } th { "undecided" } }
                            @for f in &self.faults {
                                tr { td { (f.spec) } td { (f.family) } td { (if f.stated { "yes" } else { "no" }) }
                                     td.n { (f.tried) } td.n { (f.caught) } td.n { (percent(f.first, f.tried)) }
                                     td.n { (percent(f.in_three, f.tried)) } td.n { (f.undecided) } }
                            }
                        }
                    }
                    @if !self.noise.is_empty() {
                        h2 { "Noise on the cable" }
                        table {
                            tr { th { "errors a byte" } th { "runs" } th { "errors" } th { "accepted" } th { "stopped" }
                                 th { "undecided" } th { "wrong" } }
                            @for n in &self.noise {
                                tr { td.n { (format!("{:e}", n.rate)) } td.n { (n.tried) } td.n { (n.errors) }
                                     td.n { (n.finished) } td.n { (n.stopped) } td.n { (n.undecided) } td.n { (n.wrong) } }
                            }
                        }
                    }
                }
            }
        };
        page.into_string()
    }
}
