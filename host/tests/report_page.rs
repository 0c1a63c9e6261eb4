//! The page's structure, its safety against hostile text, and its contrast.

#![allow(clippy::unwrap_used, clippy::panic, clippy::expect_used)] // Only tests are built with this file.

mod report_example;

use std::collections::BTreeSet;

use proofstand::record::model::Run;
use proofstand::report::{self, Rgb, Use, contrast_ratio, pairs, relative_luminance};
use report_example::{acceptance, rehearsal};
use serde_json::Value;

const HOSTILE: &str =
    "\"'><script>alert(1)</script></style>-->]]>\u{0}\u{1b}[31m\u{202e}gnp\u{2066}&amp;\u{feff}\u{85}\\";

/// Every string of the model that is not a choice from a list, with something hostile behind it.
fn poison(value: &mut Value, key: &str) {
    match value {
        Value::String(text) if !["verdict", "kind", "style", "started"].contains(&key) => {
            text.push_str(HOSTILE)
        }
        Value::Array(items) => items.iter_mut().for_each(|v| poison(v, key)),
        // The rule that was agreed is a choice too.
        Value::Object(fields) => {
            fields.iter_mut().filter(|(k, _)| *k != "rule").for_each(|(k, v)| poison(v, k));
        }
        _ => {}
    }
}

fn poisoned() -> Run {
    let mut value = serde_json::to_value(acceptance()).unwrap();
    poison(&mut value, "");
    // A contribution's kind is free text, other kinds are choices.
    let mut run: Run = serde_json::from_value(value).unwrap();
    for row in run.checks.iter_mut().flat_map(|c| &mut c.results).flat_map(|r| &mut r.budget) {
        row.kind.push_str(HOSTILE);
    }
    run
}

fn harmless(text: &str) {
    assert!(!text.contains("<script"));
    for (at, c) in text.char_indices() {
        let control = c.is_control() && c != '\n' && c != '\t';
        let bidi = matches!(c, '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{200e}' | '\u{200f}' | '\u{61c}');
        let before: String =
            text[..at].chars().rev().take(80).collect::<Vec<_>>().into_iter().rev().collect();
        assert!(!control && !bidi && c != '\u{feff}', "U+{:04X} behind {before}", u32::from(c));
    }
}

#[test]
fn how_two_ways_to_one_quantity_are_held_against_each_other_is_said_where_there_are_two() {
    let mut run = acceptance();
    assert!(!report::html(&run).contains("standard uncertainties they are undecided"));
    let check = run.checks.iter_mut().find(|check| !check.results.is_empty()).unwrap();
    let mut row = check.results[0].clone();
    row.id = "command-scale.reversal-less-read-out".to_owned();
    check.results.push(row);
    let page = report::html(&run);
    for text in [
        "up to U they agree",
        "beyond U is a warning, which changes no verdict",
        "beyond 3 standard uncertainties they are undecided",
        "beyond 4.5 they are rejected",
    ] {
        assert!(page.contains(text), "{text}");
    }
}

#[test]
fn hostile_text_anywhere_in_the_model_is_only_text() {
    let page = report::html(&poisoned());
    harmless(&page);
    // Nothing closes the style sheet early, and no attribute ends before its time: the same tags, in the same order.
    let tags = |page: &str| -> Vec<String> {
        page.split('<').skip(1).map(|t| t.split([' ', '>']).next().unwrap().to_owned()).collect()
    };
    let counted = |page: &str, tag: &str| tags(page).iter().filter(|t| *t == tag).count();
    let clean = report::html(&acceptance());
    for tag in ["style", "/style", "svg", "table", "tr", "section", "h3", "figure", "pre", "p", "li", "dd"] {
        assert_eq!(counted(&page, tag), counted(&clean, tag), "{tag}");
    }
    harmless(&report::junit(&poisoned()).unwrap());
}

/// HTML Living Standard, 4.3.11: headings do not skip a level; WCAG 2.2, 1.3.1.
#[test]
fn headings_descend_without_a_gap_and_there_is_one_title() {
    for page in [report::html(&rehearsal()), report::html(&acceptance())] {
        let levels: Vec<u32> = page
            .match_indices("<h")
            .filter_map(|(i, _)| page[i + 2..].chars().next().and_then(|c| c.to_digit(10)))
            .collect();
        assert_eq!(levels.iter().filter(|l| **l == 1).count(), 1);
        assert_eq!(levels[0], 1);
        assert!(levels.windows(2).all(|w| w[1] <= w[0] + 1), "{levels:?}");
    }
}

/// WCAG 2.2, 3.1.1 (language), 1.1.1 (text for pictures), 1.3.1 (header cells), techniques H57 and H63.
#[test]
fn pictures_tables_and_language_are_described() {
    let page = report::html(&rehearsal());
    assert!(page.contains("<html lang=\"en\">"));
    for head in page.split("<th").skip(1).filter(|t| !t.starts_with("ead")) {
        assert!(head.split('>').next().unwrap().contains("scope=\""), "{}", &head[..60]);
    }
    let figures: Vec<_> = page.split("<figure").skip(1).collect();
    assert_eq!(figures.len(), 3);
    for figure in figures {
        let open = figure.split('>').next().unwrap();
        assert!(open.contains("role=\"img\"") && open.contains("aria-label=\""), "{open}");
        let inside = figure.split("</figure>").next().unwrap();
        for part in ["<title>", "<desc>", "<figcaption>"] {
            assert!(inside.contains(part), "{part}");
        }
    }
    for drawing in page.split("<svg").skip(1) {
        let open = drawing.split('>').next().unwrap();
        let told = open.contains("aria-hidden=\"true\"")
            || open.contains("aria-label=\"")
            || open.contains("class=\"plot\"");
        assert!(told, "{open}");
    }
}

#[test]
fn ids_are_unique_and_labels_point_at_them() {
    let page = report::html(&rehearsal());
    let ids: Vec<&str> = page.split(" id=\"").skip(1).map(|t| t.split('"').next().unwrap()).collect();
    assert_eq!(ids.iter().collect::<BTreeSet<_>>().len(), ids.len());
    for label in page.split("aria-labelledby=\"").skip(1) {
        let name = label.split('"').next().unwrap();
        assert!(ids.contains(&name), "{name}");
    }
}

/// `tests/reference/wcag-contrast.csv`: values of W3C WCAG 2.x, definitions *relative luminance* and *contrast ratio*.
#[test]
fn contrast_is_computed_as_wcag_defines_it() {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../tests/reference/wcag-contrast.csv");
    let mut rows = 0;
    for row in csv::Reader::from_path(path).unwrap().records() {
        let row = row.unwrap();
        let number = |i: usize| row[i].parse::<f64>().unwrap();
        let (front, back) = (colour(&row[0]), colour(&row[1]));
        assert!((relative_luminance(front) - number(2)).abs() < 1e-9, "{row:?}");
        assert!((relative_luminance(back) - number(3)).abs() < 1e-9, "{row:?}");
        let ratio = contrast_ratio(front, back);
        assert!((ratio - number(4)).abs() < 1e-9, "{row:?}");
        if !row[5].is_empty() {
            assert!((ratio - number(5)).abs() <= 0.005, "{row:?}");
        }
        assert_eq!(
            [ratio >= 4.5, ratio >= 3.0, ratio >= 7.0].map(|b| b.to_string()),
            [&row[6], &row[7], &row[8]]
        );
        rows += 1;
    }
    assert_eq!(rows, 28);
}

fn colour(hex: &str) -> Rgb {
    let part = |i: usize| u8::from_str_radix(&hex[i..i + 2], 16).unwrap();
    Rgb(part(1), part(3), part(5))
}

/// W3C WCAG 2.2: 4.5 for text (1.4.3, AA), 3 for what must be made out (1.4.11, AA). What the style sheet uses must be
/// in the list of pairs with the right use, and no colour may stand outside the palette.
#[test]
fn every_colour_of_the_style_sheet_is_in_a_pair_with_enough_contrast() {
    let page = report::html(&rehearsal());
    let (style, body) = page.split_once("</style>").unwrap();
    let rules = style.split_once("}@page").unwrap().1;
    assert!(!body.contains("style=\"") && !body.contains("fill=\"#") && !body.contains("stroke=\"#"));
    assert!(!rules.contains('#'), "a colour outside the palette");
    let has =
        |does: &[Use], front: &str| pairs().iter().any(|(p, ..)| p.front == front && does.contains(&p.does));
    let mut seen = 0;
    for declaration in rules.split(['{', ';', '}']) {
        let Some((property, value)) = declaration.split_once(':') else { continue };
        for name in value.split("var(--").skip(1).map(|v| v.split(')').next().unwrap()) {
            seen += 1;
            let fine = match property.trim() {
                "color" => has(&[Use::Text], name),
                "background" => pairs().iter().any(|(p, ..)| p.back == name),
                _ => has(&[Use::Text, Use::Graphic, Use::Decoration], name),
            };
            assert!(fine, "{declaration}");
        }
    }
    assert!(seen > 60, "{seen}");
    for (pair, front, back) in pairs() {
        let least = match pair.does {
            Use::Text => 4.5,
            Use::Graphic => 3.0,
            Use::Decoration => continue,
        };
        assert!(contrast_ratio(front, back) >= least, "{pair:?}");
    }
}

#[test]
fn a_page_of_long_series_stays_below_a_megabyte() {
    let mut run = rehearsal();
    for series in run
        .checks
        .iter_mut()
        .flat_map(|c| &mut c.plots)
        .flat_map(|p| &mut p.panels)
        .flat_map(|p| &mut p.series)
    {
        series.points = (0..100_000).map(|n| [f64::from(n) * 3.4e-5, f64::from(n % 977)]).collect();
        series.uncertainty.clear();
    }
    let length = report::html(&run).len();
    assert!(length < 1_000_000, "{length}");
}

/// Advance widths of the words in DejaVu Sans Bold, the widest usual face that a page falls back to, read from the
/// font: 16.66 em.
#[test]
fn the_words_behind_a_rehearsals_page_fit_their_line() {
    let page = report::html(&rehearsal());
    let (_, path) = page.split_once("<path id=\"ghost-0\" d=\"M").unwrap();
    let (from, to) = path.split_once('"').unwrap().0.split_once('L').unwrap();
    let point = |text: &str| {
        let (x, y) = text.trim().split_once(' ').unwrap();
        (x.parse::<f64>().unwrap(), y.parse::<f64>().unwrap())
    };
    let ((x1, y1), (x2, y2)) = (point(from), point(to));
    let length = (x2 - x1).hypot(y2 - y1);
    let (_, size) = page.split_once(".ghost text{").unwrap().1.split_once("font:700 ").unwrap();
    let size: f64 = size.split_once("px").unwrap().0.parse().unwrap();
    assert!(16.66 * size < 0.97 * length, "{} on {length}", 16.66 * size);
}
