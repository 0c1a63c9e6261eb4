//! Targets, what to undo, cautions, with what it was measured, and the sheet.

use maud::{Markup, html};

use super::Page;
use super::front::when;
use crate::report::number;
use crate::report::text::{T, one_line};

impl Page<'_> {
    pub(super) fn back(&self) -> Markup {
        html! {
            (self.undo())
            (self.targets())
            (self.cautions())
            (self.rule())
            (self.provenance())
            section aria-labelledby="sheet" {
                h2 #sheet { "The axis sheet" }
                p { (T(&self.run.axis.sheet_file)) ", CRC-32 " (T(&self.run.axis.sheet_crc32)) ", as it was read:" }
                pre { (T(&self.run.axis.sheet_text)) }
            }
        }
    }

    fn undo(&self) -> Markup {
        let run = self.run;
        let open: Vec<&str> = run.still_to_undo().collect();
        html! {
            @if !run.undo.is_empty() {
                section aria-labelledby="undo" {
                    h2 #undo { "To undo before handover" }
                    @if open.is_empty() {
                        p { "Nothing is left to undo." }
                    } @else {
                        ul.boxes { @for u in &open { li { (T(u)) } } }
                    }
                    @if !run.undone.is_empty() {
                        dl.facts {
                            @for u in &run.undone {
                                dt { "Undone, says " (T(&u.by)) }
                                dd { (T(&u.item)) " " span.quiet { (T(&when(&u.at))) } }
                            }
                        }
                    }
                }
            }
        }
    }

    fn targets(&self) -> Markup {
        html! {
            @if !self.run.targets.is_empty() {
                section aria-labelledby="targets" {
                    h2 #targets { "Targets that follow from the sheet" }
                    div.wide {
                        table {
                            thead { tr {
                                th scope="col" { "Target" }
                                th.n scope="col" { "Value" }
                                th scope="col" { "Unit" }
                                th scope="col" { "Meaning" }
                            } }
                            tbody {
                                @for t in &self.run.targets {
                                    tr {
                                        th scope="row" { (T(&t.name)) }
                                        td.n { (number::significant(t.value, 6)) }
                                        td.nb { (T(&one_line(&t.unit))) }
                                        td.quiet { (T(&t.note)) }
                                    }
                                }
                            }
                        }
                    }
                }
            }
        }
    }

    fn cautions(&self) -> Markup {
        html! {
            @if !self.run.cautions.is_empty() {
                section aria-labelledby="cautions" {
                    h2 #cautions { "Cautions" }
                    ul { @for c in &self.run.cautions { li { (T(c)) } } }
                    @if let Some(by) = &self.run.acknowledged_by {
                        p { "Acknowledged before anything moved by " b { (T(by)) } "." }
                    }
                }
            }
        }
    }

    /// As the record states it; of a rehearsal none, whatever it states.
    fn traceability(&self) -> Markup {
        let facts = &self.run.provenance.traceability;
        html! {
            @if self.rehearsal {
                "None: every value was simulated."
            } @else if facts.is_empty() {
                "This record states none, and none is claimed."
            } @else {
                @for (n, f) in facts.iter().enumerate() { @if n > 0 { br; } b { (T(&f.label)) ": " } (T(&f.value)) "." }
            }
        }
    }

    fn provenance(&self) -> Markup {
        let run = self.run;
        let p = &run.provenance;
        html! {
            section aria-labelledby="provenance" {
                h2 #provenance { "With what, and how" }
                dl.facts {
                    dt { "Kind of run" }
                    dd { @if self.rehearsal { "Rehearsal on a simulated amplifier and motor: not evidence" } @else { "Acceptance on a fixture" } }
                    dt { "Run" } dd { (T(&run.id)) ", " (T(&when(&run.started))) " to " (T(&when(&run.finished))) }
                    dt { "Software" } dd { (T(&p.software)) }
                    dt { "Wire protocol" } dd { (T(&p.protocol)) }
                    dt { "Fixture firmware" } dd { (T(&p.firmware)) }
                    dt { "Fixture controller" } dd { "serial number " (T(&p.controller_serial)) }
                    dt { "Analog board" } dd { "serial number " (T(&p.analog_serial)) }
                    dt { "Calibration" }
                    dd { (T(&p.calibration)) @if p.calibration_valid { " (valid on the day)" } @else { b { " (not valid on the day)" } } }
                    dt { "Traceability" }
                    dd { (self.traceability()) }
                    dt { "Conditions" }
                    dd {
                        "The temperature of the day is not measured: whoever made the run answers for its lying within that \
                         of the calibration. Budgets count the whole range."
                    }
                    dt { "Raw data" }
                    dd {
                        "Every sample in samples.bin, every step, answer and event in journal.jsonl, every number of this page \
                         unrounded in run.json, in this page's folder; proofstand export makes tables of the samples."
                    }
                    dt { "Fixture" } dd { @if p.simulated { "simulated" } @else { "real" } }
                    @if let Some(seed) = p.seed { dt { "Seed" } dd { (seed) } }
                    @if !p.faults.is_empty() {
                        dt { "Faults put in" }
                        dd { @for (n, f) in p.faults.iter().enumerate() { @if n > 0 { ", " } (T(f)) } }
                    }
                    dt { "Model" } dd { (T(&run.schema)) }
                }
                @if !p.warnings.is_empty() {
                    h3 { "Warnings" }
                    ul { @for w in &p.warnings { li { (T(w)) } } }
                }
            }
        }
    }
}
