//! The wiring as text: table for people, CSV for programs, labels to stick on.

use comfy_table::{ContentArrangement, LineStyle, Table, presets};

use super::{Wire, Wiring};
use crate::settings::harmless::{cell, visible};

/// The terminal table, and what is missing.
#[must_use]
pub fn table(wiring: &Wiring) -> String {
    let mut table = Table::new();
    table.load_style(presets::UTF8_HORIZONTAL_ONLY.row_separator(LineStyle::none()));
    table.set_content_arrangement(ContentArrangement::Dynamic);
    table.set_header(["Wire", "Fixture", "Amplifier", "Signal", "+/\u{2212}", "Cable", "At rest", "Note"]);
    for cable in &wiring.cables {
        for line in &cable.lines {
            for wire in line.wires() {
                table.add_row([
                    wire.number.to_string(),
                    wire.fixture.to_owned(),
                    visible(&wire.amplifier),
                    wire.signal.clone(),
                    wire.polarity.mark().to_owned(),
                    format!("{}{}", line.words(), if cable.screen.is_some() { ", screened" } else { "" }),
                    wire.at_rest.map_or("", super::AtRest::words).to_owned(),
                    notes(wire),
                ]);
            }
        }
        if let Some(screen) = cable.screen {
            let signal = format!("screen of {}", cable.name);
            let note = "tied here only; cut back and insulated at the amplifier".to_owned();
            table.add_row([
                String::new(),
                screen.to_owned(),
                "-".to_owned(),
                signal,
                String::new(),
                String::new(),
                String::new(),
                note,
            ]);
        }
    }
    let mut out = format!("{}\n{}\n", visible(&wiring.title), visible(&wiring.customer));
    if wiring.invented {
        out.push_str("INVENTED DATA: a demonstration, no real axis\n");
    }
    out.push_str("\nCautions\n");
    for caution in &wiring.cautions {
        out.push_str(&format!("  - {caution}\n"));
    }
    out.push_str(&format!("\n{table}\n"));
    out.push_str("Twisting, screens and tying a screen at one end: common practice, no source.\n");
    if !wiring.missing.is_empty() {
        out.push_str("\nNot in the sheet\n");
    }
    for missing in &wiring.missing {
        out.push_str(&format!("  - {}: {}\n", missing.role, missing.cost));
    }
    out
}

/// All that is to be said of a wire in one sentence.
fn notes(wire: &Wire) -> String {
    let mut notes = Vec::new();
    if !wire.note.is_empty() {
        notes.push(wire.note.clone());
    }
    if let Some(shared) = shared(wire) {
        notes.push(shared);
    }
    notes.join("; ")
}

/// Which wires meet this one, if any do.
pub(super) fn shared(wire: &Wire) -> Option<String> {
    if wire.shared_with.is_empty() {
        return None;
    }
    let numbers: Vec<_> = wire.shared_with.iter().map(ToString::to_string).collect();
    Some(format!("shared with {}", numbers.join(", ")))
}

/// The table as CSV (RFC 4180: header, comma, CRLF, quoted where needed); no cell can be taken for a formula.
#[must_use]
pub fn csv(wiring: &Wiring) -> String {
    let mut rows = vec![
        [
            "wire",
            "fixture_terminal",
            "amplifier_terminal",
            "signal",
            "polarity",
            "cable",
            "form",
            "screened",
            "at_rest",
            "delivered_unwired",
            "note",
        ]
        .map(str::to_owned),
    ];
    for cable in &wiring.cables {
        for line in &cable.lines {
            for wire in line.wires() {
                rows.push([
                    wire.number.to_string(),
                    wire.fixture.to_owned(),
                    wire.amplifier.clone(),
                    wire.signal.clone(),
                    wire.polarity.words().to_owned(),
                    cable.name.to_owned(),
                    line.words().to_owned(),
                    yes(cable.screen.is_some()).to_owned(),
                    wire.at_rest.map_or("", super::AtRest::words).to_owned(),
                    yes(wire.delivered_unwired).to_owned(),
                    notes(wire),
                ]);
            }
        }
        if let Some(screen) = cable.screen {
            let mut row = <[String; 11]>::default();
            screen.clone_into(&mut row[1]);
            "screen".clone_into(&mut row[3]);
            cable.name.clone_into(&mut row[5]);
            "screen".clone_into(&mut row[6]);
            "tied here only; cut back and insulated at the amplifier".clone_into(&mut row[10]);
            rows.push(row);
        }
    }
    crate::settings::delimited::write(rows.iter().map(|row| row.iter().map(|text| cell(text))))
}

const fn yes(yes: bool) -> &'static str {
    if yes { "yes" } else { "no" }
}

/// Labels to stick on, one a line: for each wire the label of the fixture's end, then that of the amplifier's end. A
/// label names its own terminal first, then where the other end goes (*common practice, no source*).
#[must_use]
pub fn markers(wiring: &Wiring) -> String {
    let mut out = String::new();
    for cable in &wiring.cables {
        for wire in cable.wires() {
            let (number, here, there) = (wire.number, wire.fixture, visible(&wire.amplifier));
            out.push_str(&format!("{number}  {here} / {there}\n{number}  {there} / {here}\n"));
        }
        if let Some(screen) = cable.screen {
            out.push_str(&format!("{screen} / screen\nscreen {} / insulated\n", cable.name));
        }
    }
    out
}
