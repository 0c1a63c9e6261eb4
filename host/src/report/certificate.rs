//! The calibration certificate: one page set for people, self-contained, fit for A4.
//!
//! It claims what was entered and measured, and no traceability beyond it.

use maud::{Markup, html};
use proofstand_units::Volts;

use super::frame::{Frame, in_heading};
use super::number::{fixed, significant, uncertainty};
use super::page::{budget_head, parts};
use super::plot::draw;
use super::text::{T, one_line};
use crate::calibration::conduct::{LEFT_OFF, STOOD};
use crate::calibration::reading::{UNSETTLED, UP_AND_DOWN};
use crate::calibration::record::{CalibrationRecord, Stored};
use crate::record::model::{Band, ContributionRow, Panel, Plot, PlotAxis, Series, SeriesStyle};

/// `certificate.html`.
#[must_use]
pub fn certificate(record: &CalibrationRecord) -> String {
    Certificate { record, rehearsal: record.is_rehearsal() }.markup().into_string()
}

struct Certificate<'a> {
    record: &'a CalibrationRecord,
    rehearsal: bool,
}

/// Millivolts with a sign.
fn mv(volts: Volts, decimals: usize) -> String {
    let sign = if volts > Volts::ZERO { "+" } else { "" };
    format!("{sign}{}", within_mv(volts, decimals))
}

/// Millivolts either way.
fn within_mv(volts: Volts, decimals: usize) -> String {
    fixed(volts.get() * 1e3, decimals)
}

/// An expanded uncertainty, millivolts: two digits (JCGM 100:2008, 7.2.6).
fn u_mv(volts: Volts) -> String {
    uncertainty(volts.get() * 1e3)
}

fn uv(volts: Volts) -> String {
    fixed(volts.get() * 1e6, 0)
}

/// Contributions in volts, as they are read on a page.
fn in_microvolts(rows: &[ContributionRow]) -> Vec<ContributionRow> {
    let shown = |row: &ContributionRow| {
        let volts = row.input_unit == "V";
        let mut row = row.clone();
        row.standard_uncertainty *= 1e6;
        if volts {
            row.input_unit = "µV".to_owned();
            row.input_uncertainty = row.input_uncertainty.map(|u| u * 1e6);
        } else {
            row.sensitivity = row.sensitivity.map(|c| c * 1e6);
        }
        row
    };
    rows.iter().map(shown).collect()
}

impl Certificate<'_> {
    fn markup(&self) -> Markup {
        let r = self.record;
        let title = format!("Calibration of analog board {}", one_line(&r.analog_serial));
        let main = html! {
            (self.head(&title))
            (self.statement())
            (self.found_and_left())
            (self.converter())
            (self.uncertainty())
            (self.inputs())
            (self.small_print())
        };
        Frame {
            tab: &title,
            title: &title,
            beside: &r.calibrated,
            id: &r.id,
            software: &r.software,
            simulated: self
                .rehearsal
                .then_some("Simulated board and meter. Nothing here says anything about a real fixture."),
        }
        .round(&main)
    }

    fn reh(&self) -> Markup {
        in_heading(self.rehearsal)
    }

    fn head(&self, title: &str) -> Markup {
        let r = self.record;
        let none = "not entered";
        html! {
            header {
                p.over { @if self.rehearsal { "Rehearsal of a calibration certificate" } @else { "Calibration certificate" } }
                h1 { (T(title)) }
                p.quiet { "Number " (T(&r.id)) ". Begun " (T(&r.started)) ", ended " (T(&r.finished)) "." }
            }
            dl.facts.two {
                dt { "Calibrated" } dd { (T(&r.calibrated)) }
                dt { "Due" } dd { (T(&r.due)) }
                dt { "Controller" } dd { (T(&r.controller_serial)) ", firmware " (T(&r.firmware)) }
                dt { "Temperature" } dd { (fixed(r.temperature.get(), 1)) "\u{a0}°C, as entered" }
                dt { "Operator" } dd { (T(r.operator.as_deref().unwrap_or(none))) }
                dt { "Program" } dd { (T(&r.software)) }
            }
            dl.facts {
                dt { "Reference meter" } dd { (T(&r.meter.name)) ", " (T(&r.meter.read)) ", " (r.meter.readings_each) " a level and direction" }
                dt { "Its stated accuracy" }
                dd {
                    "±(" (significant(r.meter.accuracy.of_reading_ppm.get(), 4)) " ppm of reading + "
                    (significant(r.meter.accuracy.of_range_ppm.get(), 4)) " ppm of " (significant(r.meter.accuracy.range.get(), 3)) "\u{a0}V)"
                }
                dt { "Its calibration" }
                dd {
                    @match &r.meter.traceability {
                        Some(words) => { "as entered by the operator, not checked: " (T(words)) }
                        None => b { "Nothing was entered. No traceability is claimed." }
                    }
                }
            }
        }
    }

    fn statement(&self) -> Markup {
        let r = self.record;
        let [zero, top, due] = r.expanded;
        html! {
            section aria-labelledby="statement" {
                h2 #statement { "Result" (self.reh()) }
                @if r.stored == Stored::LookedAt {
                    p { b { (T(&r.as_found.words)) } " Only looked at: nothing in the fixture was changed." }
                } @else {
                    p {
                        "Command at the terminals, corrected by this calibration, between "
                        (fixed(r.temperature_range[0].get(), 0)) "\u{a0}°C and " (fixed(r.temperature_range[1].get(), 0)) "\u{a0}°C, expanded uncertainty (k\u{a0}=\u{a0}2):"
                    }
                    table {
                        thead { tr { th {} th.n { "0\u{a0}V" } th.n { "±10\u{a0}V" } } }
                        tbody {
                            tr { th { "on the day" } td.n { "±" (u_mv(zero)) "\u{a0}mV" } td.n { "±" (u_mv(top)) "\u{a0}mV" } }
                            tr { th { "on the due date, " (T(&r.due)) } td.n { "±" (u_mv(zero)) "\u{a0}mV" } td.n { b { "±" (u_mv(due)) "\u{a0}mV" } } }
                        }
                    }
                    @if let Some(i) = &r.interval {
                        p {
                            "By the distributions of the budget below (JCGM 101:2008), ±10\u{a0}V on the due date: k\u{a0}=\u{a0}2 holds "
                            b { (fixed(i.within_two_percent, 1)) "\u{a0}%" } "; 95\u{a0}% lie within " b { "±" (u_mv(i.half_width_95)) "\u{a0}mV" } "."
                        }
                    }
                    p { (T(&r.due_because)) }
                }
                @if r.stored == Stored::Unconfirmed {
                    p.stop { b { "Not confirmed." } " The program ended before the fixture had answered: it holds this calibration or the one before." }
                }
                @if let Some(foreign) = &r.as_found.foreign {
                    p.stop { b { "The calibration found is another board's. " } (T(foreign)) " Results made with it are worth nothing." }
                }
            }
        }
    }

    fn found_and_left(&self) -> Markup {
        let r = self.record;
        let picture = draw(&self.plot());
        html! {
            section aria-labelledby="found" {
                h2 #found { "As found, as left" (self.reh()) }
                p {
                    (T(&r.as_found.words)) " Largest error " b { (mv(r.as_found.worst, 3)) "\u{a0}mV" } "."
                    @if r.as_found.holds.is_some() {
                        " It holds what it states where no error is larger than U, which is of the old statement and of this meter, by \
                         root of squares: |E" sub { "n" } "| ≤ 1 at every level, with no guard band."
                    }
                    @if let Some(p) = &r.previous {
                        " It was of " (T(&p.calibrated)) ", due " (T(&p.due)) ", meter " (T(&p.meter)) ", stated ±" (u_mv(p.stated)) "\u{a0}mV."
                    }
                }
                figure {
                    (picture.svg)
                    figcaption { b { "Meter less claimed. " } "As found: each level, mean of up and down, against what the fixture claimed." @if !r.as_left.is_empty() { " As left: levels between the points of the new correction, by the same meter: its error stands in both, and in U." } }
                }
                table {
                    caption { "As found" }
                    thead { tr { th.n { "Ideal, V" } th.n { "Up, V" } th.n { "Down, V" } th.n { "Error, mV" } th.n { "U (k\u{a0}=\u{a0}2), mV" } th.n { "From the line, µV" } } }
                    tbody {
                        @for (n, l) in r.levels.iter().enumerate() {
                            tr {
                                td.n { (fixed(l.nominal.get(), 5)) } td.n { (fixed(l.up.meter.get(), 6)) } td.n { (fixed(l.down.meter.get(), 6)) }
                                td.n { (r.as_found.errors.get(n).map_or(String::new(), |e| mv(*e, 3))) }
                                td.n { (r.as_found.uncertainty.get(n).map_or("\u{2013}".to_owned(), |u| u_mv(*u))) }
                                td.n { (r.residuals.get(n).map_or(String::new(), |v| uv(*v))) }
                            }
                        }
                    }
                }
                p { (self.settled()) }
                @if !r.as_left.is_empty() {
                    p { (self.left()) }
                    table {
                        caption { "As left " span.quiet { "(measured before it was stored, by the codes that it gives)" } }
                        thead { tr { @for _ in 0..2 { th.n { "Asked, V" } th.n { "Error, mV" } th.n { "U (k\u{a0}=\u{a0}2), mV" } } } }
                        tbody {
                            @for pair in r.as_left.chunks(2) {
                                tr { @for l in pair { td.n { (fixed(l.asked.get(), 5)) } td.n { (mv(l.error, 3)) } td.n { (u_mv(self.by_the_meter(l.asked))) } } }
                            }
                        }
                    }
                }
            }
        }
    }

    /// By what it shows that the levels had settled: the limits, and the worst that was met.
    fn settled(&self) -> Markup {
        let r = self.record;
        let readings = || r.levels.iter().flat_map(|l| [&l.up, &l.down]);
        let spread = readings().map(|one| one.spread).fold(Volts::ZERO, Volts::max);
        let apart = r.levels.iter().map(|l| (l.up.meter - l.down.meter).abs()).fold(Volts::ZERO, Volts::max);
        html! {
            "Each level had stood for at least " (fixed(STOOD.to_millis(), 0)) "\u{a0}ms when the meter was asked. "
            @if r.meter.readings_each > 1 {
                "Its readings of a level and direction were to lie within " (within_mv(UNSETTLED, 1)) "\u{a0}mV of each other: the farthest "
                "apart were " b { (within_mv(spread, 3)) "\u{a0}mV" } ". Up and down were to agree within "
            } @else {
                "Each level and direction was read once, so that only up and down show whether it had settled: they were to agree within "
            }
            (within_mv(UP_AND_DOWN, 1)) "\u{a0}mV: the farthest apart were " b { (within_mv(apart, 3)) "\u{a0}mV" } "."
        }
    }

    /// By what the new calibration was judged before it was stored, and what came of it.
    fn left(&self) -> Markup {
        let r = self.record;
        let most = r.uncertainty.residual * LEFT_OFF;
        let worst = r.as_left.iter().map(|l| l.error.abs()).fold(Volts::ZERO, Volts::max);
        let inside = r.as_left.iter().filter(|l| l.error.abs() <= most).count();
        html! {
            "As left: a level between the points of the new correction may be off by " (fixed(LEFT_OFF, 0)) " times what the budget has for "
            "curve, step and scatter of one level, ±" (within_mv(most, 3)) "\u{a0}mV; else nothing is stored. "
            b { (inside) " of " (r.as_left.len()) " levels are within it" } ", the farthest off by " (within_mv(worst, 3)) "\u{a0}mV."
        }
    }

    fn converter(&self) -> Markup {
        let r = self.record;
        html! {
            section aria-labelledby="converter" {
                h2 #converter { "The bare converter" (self.reh()) }
                table {
                    thead { tr { th {} th.n { "Offset, mV" } th.n { "Gain error, ppm" } th.n { "Largest non-linearity, steps" } } }
                    tbody {
                        tr { th { "Best fit (least squares)" } td.n { (mv(r.best_fit.offset, 3)) } td.n { (fixed(r.best_fit.gain_error * 1e6, 1)) } td.n { (fixed(r.best_fit.worst, 2)) } }
                        tr { th { "End points" } td.n { (mv(r.end_points.offset, 3)) } td.n { (fixed(r.end_points.gain_error * 1e6, 1)) } td.n { (fixed(r.end_points.worst, 2)) } }
                    }
                }
                p.quiet.small { "One step is 20\u{a0}V / 65\u{202f}536 = 305.2\u{a0}µV. The end points' offset is the error of the lowest level." }
                p { b { @if r.choice.table { "A table of " (r.command.len()) " points. " } @else { "A straight line. " } } (T(&r.choice.why)) }
            }
        }
    }

    fn uncertainty(&self) -> Markup {
        let r = self.record;
        let line = &r.line;
        html! {
            section aria-labelledby="uncertainty" {
                h2 #uncertainty { "Uncertainty" (self.reh()) }
                p { (T(&self.in_a_sentence())) }
                div.wide {
                    table.budget {
                        caption { "At +10\u{a0}V on the due date" }
                        (budget_head())
                        tbody { (parts(&in_microvolts(&r.budget), "µV")) }
                    }
                }
                p {
                    "Line of the readings: offset " (mv(line.offset, 3)) "\u{a0}mV (u " (uv(line.offset_uncertainty)) "\u{a0}µV), gain "
                    (fixed(line.gain, 6)) " (u " (fixed(line.gain_uncertainty * 1e6, 1)) "\u{a0}ppm), covariance "
                    (format!("{:.2e}", line.covariance.get())) "\u{a0}V: scatter and the meter's common errors, propagated through the fit. Scatter of a level's mean: "
                    (fixed(r.choice.noise.get() * 1e6, 1)) "\u{a0}µV."
                }
                ul { @for a in &r.assumed { li { "Assumed: " (T(a)) } } }
            }
        }
    }

    /// Expanded uncertainty (k = 2) of an error by the meter on the day: its zero, its gain, and the scatter of its readings.
    fn by_the_meter(&self, level: Volts) -> Volts {
        let (accuracy, noise) = (&self.record.meter.accuracy, self.record.choice.noise);
        let common = accuracy.zero().get().hypot(accuracy.gain() * level.get());
        Volts::new(2.0 * common.hypot(noise.get()))
    }

    /// What most of the uncertainty is.
    fn in_a_sentence(&self) -> String {
        let r = self.record;
        let largest = r.budget.iter().max_by(|a, b| a.share_percent.total_cmp(&b.share_percent));
        largest.map_or_else(String::new, |largest| {
            format!(
                "On the due date the command is known to ±{} mV (k = 2) at 10 V; {:.0} % of the variance is: {}.",
                u_mv(r.expanded[2]),
                largest.share_percent,
                largest.name
            )
        })
    }

    fn inputs(&self) -> Markup {
        html! {
            section aria-labelledby="inputs" {
                h2 #inputs { "Inputs" (self.reh()) }
                table {
                    thead { tr { th { "Input" } th.n { "Points" } th.n { "Its table leaves, µV" } th.n { "U (k\u{a0}=\u{a0}2) on the due date, mV" } } }
                    tbody {
                        @for i in &self.record.inputs {
                            tr { th { (T(&i.name)) } td.n { (i.points.len()) } td.n { (uv(i.leaves)) } td.n { (u_mv(i.standard_uncertainty * 2.0)) } }
                        }
                    }
                }
            }
        }
    }

    fn small_print(&self) -> Markup {
        html! {
            p.quiet.small {
                "Uncertainties by JCGM 100:2008. This page states what was measured on the day with the meter named above and what follows "
                "from the assumptions listed; the same with every reading is in calibration.json beside it. The fixture is a bench instrument."
                @if self.rehearsal { b { " REHEARSAL: board and meter were simulated; nothing here says anything about a real board." } }
            }
        }
    }

    fn plot(&self) -> Plot {
        let r = self.record;
        let found: Vec<[f64; 2]> =
            r.levels.iter().zip(&r.as_found.errors).map(|(l, e)| [l.nominal.get(), e.get() * 1e3]).collect();
        let mut series = vec![Series {
            name: "as found".into(),
            style: SeriesStyle::Line,
            points: found,
            uncertainty: Vec::new(),
        }];
        if !r.as_left.is_empty() {
            series.push(Series {
                name: "as left".into(),
                style: SeriesStyle::Points,
                points: r.as_left.iter().map(|l| [l.asked.get(), l.error.get() * 1e3]).collect(),
                uncertainty: Vec::new(),
            });
        }
        let band = |u: &[Volts]| Band {
            name: "its stated uncertainty, with the meter's".into(),
            points: r
                .levels
                .iter()
                .zip(u)
                .map(|(l, u)| [l.nominal.get(), -u.get() * 1e3, u.get() * 1e3])
                .collect(),
        };
        let bands =
            if r.as_found.uncertainty.is_empty() { Vec::new() } else { vec![band(&r.as_found.uncertainty)] };
        Plot {
            id: "calibration".into(),
            title: "Error of the command".into(),
            description: "Meter less claimed over the level, as found and as left.".into(),
            x: PlotAxis { label: "Level".into(), unit: "V".into() },
            panels: vec![Panel {
                y: PlotAxis { label: "Error".into(), unit: "mV".into() },
                series,
                bands,
                marks: Vec::new(),
            }],
            lanes: Vec::new(),
        }
    }
}
