//! The wiring as text: table for people, CSV for programs, labels to stick on.

use super::{AtRest, Cable, Line, Wire, Wiring};
use crate::settings::harmless::{cell, visible};
use crate::terminal::wrapped;

/// The terminal table, and what is missing: a line a wire, cable by cable, in so many columns.
///
/// A bracket joins the two wires of a pair.
#[must_use]
pub fn table(wiring: &Wiring, columns: usize) -> String {
    let para = |lead: &str, text: &str| wrapped(lead, text, columns) + "\n";
    let mut out = format!("{}\n{}\n", visible(&wiring.title), visible(&wiring.customer));
    if wiring.invented {
        out.push_str("INVENTED DATA: a demonstration, no real axis\n");
    }
    out.push_str("\nCautions\n");
    for caution in &wiring.cautions {
        out.push_str(&para("  - ", caution));
    }
    let labels = wiring.wires().map(|wire| visible(&wire.amplifier).chars().count());
    let room = labels.max().unwrap_or(0).max("amplifier".len());
    out.push_str(&format!("\n    wire  fixture  {:room$}  +/\u{2212}  signal\n", "amplifier"));
    for cable in &wiring.cables {
        out.push_str(&para("", &heading(cable)));
        for line in &cable.lines {
            let pair = matches!(line, Line::Pair { .. });
            for (wire, bracket) in line.wires().zip(["\u{256D}", "\u{2570}"]) {
                let lead = format!(
                    "  {} {:>4}  {:7}  {:room$}  {:^3}  ",
                    if pair { bracket } else { " " },
                    wire.number,
                    wire.fixture,
                    visible(&wire.amplifier),
                    wire.polarity.mark()
                );
                let rest = wire.at_rest.map(|state| format!("; {}", state.words().to_uppercase()));
                let rest = rest.filter(|_| wire.at_rest == Some(AtRest::Closed)).unwrap_or_default();
                let notes = Some(notes(wire)).filter(|notes| !notes.is_empty());
                let notes = notes.map_or(String::new(), |notes| format!("; {notes}"));
                out.push_str(&para(&lead, &format!("{}{rest}{notes}", wire.signal)));
            }
        }
        if let Some(screen) = cable.screen {
            let lead = format!("          {:7}  {:room$}  {:3}  ", screen, "\u{2013}", "");
            out.push_str(&para(&lead, "screen: tied here only; cut back and insulated at the amplifier"));
        }
    }
    out.push('\n');
    out.push_str(&para("", "Twisting, screens and tying a screen at one end: common practice, no source."));
    if !wiring.missing.is_empty() {
        out.push_str("\nNot in the sheet\n");
    }
    for missing in &wiring.missing {
        out.push_str(&para("  - ", &format!("{}: {}", missing.role, missing.cost)));
    }
    out
}

/// A cable's name and form: `encoder: twisted pairs, one screen over all`.
fn heading(cable: &Cable) -> String {
    let twisted = cable.lines.iter().any(|line| matches!(line, Line::Pair { twisted: true, .. }));
    let pairs = cable.lines.iter().filter(|line| matches!(line, Line::Pair { .. })).count();
    let form = match (twisted, pairs) {
        (true, 1) => "one twisted pair",
        (true, _) => "twisted pairs",
        (false, 1) => "one pair",
        (false, _) => "pairs",
    };
    let screened = if cable.screen.is_some() { ", screened" } else { "" };
    format!("{} ({form}{screened})", cable.name)
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
