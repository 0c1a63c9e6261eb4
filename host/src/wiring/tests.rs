//! Wires and drawings of the demonstration sheets, and of sheets made to be hard to draw.

use std::collections::BTreeSet;

use super::*;
use crate::sheet::{Fault, parse};

const WINDER: &str = include_str!("../../sheets/film-winder.toml");
const ROTOR: &str = include_str!("../../sheets/bare-rotor.toml");

fn sheet(text: &str) -> AxisSheet {
    parse("s.toml", text.as_bytes()).unwrap_or_else(|error| panic!("{error}"))
}

/// Every label as long and as wide as a sheet allows, and the longest title.
fn hard(letters: &str) -> String {
    let mut text = WINDER.replace(
        "title = \"Film winder, rewind spindle\"",
        &format!("title = \"{}\"", letters.repeat(120).chars().take(120).collect::<String>()),
    );
    for label in [
        "A1", "A2", "P0", "P1", "P2", "P3", "P4", "P5", "P6", "D0", "D1", "D2", "D3", "D4", "M0", "M1", "M2",
        "G1", "G2", "G3", "G4", "G5", "G6", "G7", "G8", "G9", "G10",
    ] {
        let long: String = format!("{label}{}", letters.repeat(32)).chars().take(32).collect();
        text = text.replace(&format!("\"{label}\""), &format!("\"{long}\""));
    }
    text
}

#[test]
fn every_terminal_of_the_sheet_has_its_wires_and_no_other_has_one() {
    for text in [WINDER, ROTOR] {
        let sheet = sheet(text);
        let wiring = Wiring::of(&sheet);
        let mut expected: Vec<_> = sheet.terminals().into_iter().map(|terminal| terminal.label).collect();
        let mut drawn: Vec<_> = wiring.wires().map(|wire| wire.amplifier.clone()).collect();
        expected.sort();
        drawn.sort();
        assert_eq!(drawn, expected);
        assert!(wiring.wires().map(|wire| wire.number).eq(1..=drawn.len()));
    }
}

#[test]
fn no_two_wires_and_no_screen_share_a_fixture_terminal() {
    let all: Vec<_> = COMMAND
        .into_iter()
        .chain(ENCODER)
        .chain(FLAGS.into_iter().flatten())
        .chain(CONTACTS.into_iter().flatten())
        .chain(READ_OUTS.into_iter().flatten())
        .collect();
    assert_eq!(all.iter().collect::<BTreeSet<_>>().len(), all.len());
    let wiring = Wiring::of(&sheet(WINDER));
    let used: Vec<_> = wiring
        .wires()
        .map(|wire| wire.fixture)
        .chain(wiring.cables.iter().filter_map(|cable| cable.screen))
        .collect();
    assert_eq!(used.iter().collect::<BTreeSet<_>>().len(), used.len());
    assert!(used.iter().all(|label| all.contains(label)));
}

#[test]
fn a_flag_that_opens_and_an_end_switch_are_normally_closed_and_enable_is_not() {
    let wiring = Wiring::of(&sheet(WINDER));
    let at_rest = |signal: &str| wiring.wires().find(|wire| wire.signal == signal).unwrap().at_rest;
    assert_eq!(at_rest("fault, collector"), Some(AtRest::Closed));
    assert_eq!(at_rest("end switch +"), Some(AtRest::Closed));
    assert_eq!(at_rest("enable"), Some(AtRest::Open));
    assert_eq!(at_rest("command +"), None);
}

#[test]
fn an_enable_that_is_active_while_open_is_warned_of() {
    let needle = "role = \"enable\"\nterminal = \"D1\"\ncommon_terminal = \"D0\"\nactive = \"conducting\"";
    assert!(WINDER.contains(needle));
    let wiring = Wiring::of(&sheet(&WINDER.replace(needle, &needle.replace("conducting", "open"))));
    assert!(wiring.cautions.iter().any(|caution| caution.starts_with("ENABLE IS ACTIVE WHILE OPEN")));
    assert!(wiring.wires().any(|wire| wire.note.contains("ENABLED WHILE OPEN")));
}

#[test]
fn shared_commons_name_each_other() {
    let wiring = Wiring::of(&sheet(WINDER));
    let on: Vec<_> = wiring.wires().filter(|wire| wire.amplifier == "D0").collect();
    assert_eq!(on.len(), 4);
    for wire in &on {
        let mut all = wire.shared_with.clone();
        all.push(wire.number);
        all.sort_unstable();
        assert!(all.iter().copied().eq(on.iter().map(|wire| wire.number)));
    }
}

#[test]
fn a_sheet_without_the_caps_flag_is_refused_at_its_line_and_one_with_one_end_switch_is_told_so() {
    let start = WINDER.find("[[flag]]\nrole = \"holding_speed_down\"").unwrap();
    let end = WINDER.find("[[flag]]\nrole = \"can_enable\"").unwrap();
    let text = format!("{}{}", &WINDER[..start], &WINDER[end..]);
    let wiring = Wiring::of(&sheet(&text));
    let refused: Vec<_> = wiring.refused().map(|missing| missing.role).collect();
    assert_eq!(refused, ["holding speed down"]);
    // The last [[flag]] stands where an editor would add another.
    let line = line_of(&text, "flag");
    assert_eq!(text.lines().nth(line - 1), Some("[[flag]]"));
    assert!(text.lines().skip(line).all(|line| line != "[[flag]]"));

    let start = WINDER.find("[[input]]\nrole = \"end_switch_negative\"").unwrap();
    let end = WINDER.find("[enable]").unwrap();
    let wiring = Wiring::of(&sheet(&format!("{}{}", &WINDER[..start], &WINDER[end..])));
    // An acceptance takes such an axis too: it checks the one switch that there is.
    assert_eq!(wiring.refused().count(), 0);
    let told = wiring.missing.iter().find(|missing| missing.role == "end switch -").unwrap();
    assert!(told.cost.contains("at one end"), "{told:?}");
    assert_eq!(Wiring::of(&sheet(WINDER)).refused().count(), 0);
}

#[test]
fn a_terminal_used_twice_never_becomes_a_wire() {
    let error = parse("s.toml", WINDER.replace("\"G3\"", "\"G1\"").as_bytes()).unwrap_err();
    let why: Vec<&Fault> = error.faults().iter().collect();
    assert_eq!(why.len(), 1);
    assert!(error.to_string().starts_with("s.toml:"), "{error}");
}

fn drawings() -> Vec<(String, Vec<Sheet>)> {
    [WINDER.to_owned(), ROTOR.to_owned(), hard("W"), hard("\u{7AEF}"), hard("i "), hard("<&'>")]
        .into_iter()
        .map(|text| {
            let sheets = pages(&Wiring::of(&sheet(&text)), "s.toml", "00000000");
            (text, sheets)
        })
        .collect()
}

#[test]
fn no_text_overlaps_another_or_a_line_or_leaves_the_page() {
    for (_, sheets) in drawings() {
        for (page, sheet) in sheets.iter().enumerate() {
            let texts: Vec<_> =
                sheet.drawing.shapes.iter().filter(|shape| matches!(shape, Shape::Text { .. })).collect();
            assert!(texts.len() > 10);
            for (number, text) in texts.iter().enumerate() {
                let here = text.bounds();
                assert!(
                    here.left >= 5.0
                        && here.top >= 5.0
                        && here.right <= PAGE_WIDTH - 5.0
                        && here.bottom <= PAGE_HEIGHT - 5.0,
                    "page {page}: {text:?}"
                );
                for other in &texts[number + 1..] {
                    assert!(!here.overlaps(&other.bounds()), "page {page}: {text:?} {other:?}");
                }
                for line in sheet.drawing.shapes.iter().filter(|shape| {
                    matches!(shape, Shape::Line { .. } | Shape::Turn { .. } | Shape::Dot { .. })
                }) {
                    // A line has no area: half of its stroke on both sides.
                    let mut there = line.bounds();
                    (there.left, there.right) = (there.left - 0.2, there.right + 0.2);
                    (there.top, there.bottom) = (there.top - 0.2, there.bottom + 0.2);
                    assert!(!here.overlaps(&there), "page {page}: {text:?} {line:?}");
                }
            }
        }
    }
}

/// The estimate of widths is generous enough: advances of usual letters in two faces most systems have. Source: the
/// AFM files of the PostScript base fonts (Helvetica), 1/1000 em, from memory.
#[test]
fn estimated_widths_are_above_those_of_a_usual_face() {
    for (text, advance) in
        [("a", 556), ("i", 222), ("A", 667), ("W", 944), ("m", 833), ("0", 556), ("+", 584), ("%", 889)]
    {
        assert!(lettering::width(text, 1000.0, false) >= f64::from(advance), "{text}");
    }
}

#[test]
fn every_text_can_be_read_at_arms_length_and_nothing_depends_on_colour() {
    for (_, sheets) in drawings() {
        for sheet in sheets {
            for shape in &sheet.drawing.shapes {
                if let Shape::Text { size, .. } = shape {
                    assert!(*size >= 2.5, "{shape:?}");
                }
            }
            let colours = ["stroke=\"", "fill=\""].into_iter().flat_map(|attribute| {
                sheet.svg.split(attribute).skip(1).filter_map(|rest| rest.split('"').next())
            });
            assert!(colours.into_iter().all(|colour| ["black", "white", "none"].contains(&colour)));
        }
    }
}

#[test]
fn every_page_is_well_formed_a4_with_title_description_number_and_source() {
    for (text, sheets) in drawings() {
        let count = sheets.len();
        for (number, sheet) in sheets.iter().enumerate() {
            let mut reader = quick_xml::Reader::from_str(&sheet.svg);
            let mut tags = Vec::new();
            loop {
                match reader.read_event().unwrap() {
                    quick_xml::events::Event::Eof => break,
                    quick_xml::events::Event::Start(tag) | quick_xml::events::Event::Empty(tag) => {
                        tags.push(String::from_utf8_lossy(tag.name().as_ref()).into_owned());
                    }
                    _ => {}
                }
            }
            assert_eq!(&tags[..3], ["svg", "title", "desc"]);
            let known = ["svg", "title", "desc", "text", "path", "rect", "circle"];
            assert!(tags.iter().all(|tag| known.contains(&tag.as_str())), "{tags:?}");
            // A4 is 210 mm x 297 mm (ISO 216).
            assert!(sheet.svg.contains("width=\"210mm\" height=\"297mm\" viewBox=\"0 0 210 297\""));
            assert!(sheet.svg.contains(&format!(">page {}/{count}<", number + 1)));
            assert!(sheet.svg.contains("CRC-32 00000000"));
            assert!(sheet.svg.contains("INVENTED DATA"), "{text}");
        }
    }
}

#[test]
fn both_ends_of_every_wire_are_drawn_with_its_number_and_twisted_wires_end_on_their_own_row() {
    let wiring = Wiring::of(&sheet(WINDER));
    let sheets = pages(&wiring, "s.toml", "00000000");
    // Between the fixture's terminals and the notes, which name wires too.
    let ends = 60.0..160.0;
    let count = |wanted: &str| {
        let shapes = sheets.iter().flat_map(|sheet| &sheet.drawing.shapes);
        shapes.filter(|shape| matches!(shape, Shape::Text { content, x, .. } if content == wanted && ends.contains(x))).count()
    };
    for wire in wiring.wires() {
        assert_eq!(count(&wire.number.to_string()), 2, "wire {}", wire.number);
        assert_eq!(count(wire.fixture), 1, "{}", wire.fixture);
        assert_eq!(count(&wire.amplifier), 1 + wire.shared_with.len(), "{}", wire.amplifier);
    }
    // Following the curves from a pair's upper row leads back to it: an even number of half turns.
    let turns: Vec<_> = sheets[0]
        .drawing
        .shapes
        .iter()
        .filter_map(|shape| match shape {
            Shape::Turn { ends, .. } => Some(*ends),
            _ => None,
        })
        .collect();
    let start = turns[0];
    let mut at = (start[0], start[1]);
    while let Some(next) = turns.iter().find(|turn| (turn[0] - at.0).abs() < 1e-9 && turn[1] == at.1) {
        at = (next[2], next[3]);
    }
    assert_eq!(at.1, start[1]);
    assert!(at.0 > start[0] + 20.0);
}

/// Pages are hung up beside each other or handed out singly: what a wire's sign means is on the wire's own page.
#[test]
fn every_page_says_what_its_dangerous_signs_mean_and_where_the_cautions_are() {
    for (text, sheets) in drawings() {
        for (number, sheet) in sheets.iter().enumerate() {
            let at = |wanted: &str| {
                let texts = sheet.drawing.shapes.iter().filter_map(|shape| match shape {
                    Shape::Text { content, y, .. } if content == wanted => Some(*y),
                    _ => None,
                });
                texts.collect::<Vec<_>>()
            };
            // In the foot, not in the legend of the last page.
            let key = |words: &str| at(words).into_iter().any(|y| y > PAGE_HEIGHT - 20.0);
            let drawn = &sheet.drawing.shapes;
            let dashed = drawn.iter().any(|shape| match shape {
                Shape::Line { ends: [x1, _, x2, _], dashed: true, .. } => *x1 > 60.0 && x2 - x1 > 14.1,
                Shape::Turn { dashed: true, .. } => true,
                _ => false,
            });
            let closed = drawn.iter().any(
                |shape| matches!(shape, Shape::Text { content, x, .. } if content == "NC" && *x > 165.0),
            );
            let legend = !at("Signs").is_empty();
            let dashes = "delivered unwired: off again before handover";
            assert_eq!(key("normally closed"), closed && !legend, "page {number}: {text}");
            assert_eq!(key(dashes), dashed && !legend, "page {number}: {text}");
            assert_eq!(key("Cautions: page 1"), number > 0, "page {number}: {text}");
        }
    }
    // Both happen, and on more than the last page.
    let signs = |sheet: &Sheet| {
        sheet.drawing.shapes.iter().any(|shape| matches!(shape, Shape::Text { content, y, .. } if content == "normally closed" && *y > PAGE_HEIGHT - 20.0))
    };
    assert!(drawings().iter().flat_map(|(_, sheets)| &sheets[..sheets.len() - 1]).any(signs));
}

#[test]
fn terminals_that_differ_by_capitals_or_spaces_are_asked_about() {
    let clear = Wiring::of(&sheet(WINDER));
    assert!(clear.doubtful.is_empty());
    for slip in ["p1", "P 1"] {
        let wiring = Wiring::of(&sheet(&WINDER.replace("\"P2\"", &format!("\"{slip}\""))));
        assert_eq!(wiring.doubtful.len(), 1, "{slip}");
        assert!(wiring.doubtful[0].contains("\"P1\"") && wiring.doubtful[0].contains(&format!("\"{slip}\"")));
        assert!(wiring.cautions.contains(&wiring.doubtful[0]));
    }
}

#[test]
fn a_screen_is_tied_at_one_end_only() {
    let wiring = Wiring::of(&sheet(WINDER));
    let screened: Vec<_> = wiring.cables.iter().filter(|cable| cable.screen.is_some()).collect();
    assert_eq!(screened.len(), 4);
    // No amplifier terminal is ever given to a screen.
    let table = text::csv(&wiring);
    for row in table.lines().filter(|line| line.split(',').nth(3) == Some("screen")) {
        assert_eq!(row.split(',').nth(2), Some(""), "{row}");
    }
}
