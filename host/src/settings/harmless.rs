//! Foreign text made safe to show: on a terminal, in XML, in a spreadsheet.

use std::fmt::Write as _;

/// Text as it may be shown on a terminal or page: control characters, line separators and characters that reverse or
/// hide text are written out as `\u{…}`.
#[must_use]
pub fn visible(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        if c.is_control() || hides(c) {
            // Writing to a String does not fail.
            let _ = write!(out, "\\u{{{:04x}}}", u32::from(c));
        } else {
            out.push(c);
        }
    }
    out
}

/// Text of several lines, the same way: line feeds and tabs stay.
#[must_use]
pub fn lines(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        if c == '\n' || c == '\t' {
            out.push(c);
        } else {
            out.push_str(&visible(c.encode_utf8(&mut [0; 4])));
        }
    }
    out
}

/// Format characters that change how their neighbours are shown: bidirectional controls (Unicode Standard Annex 9),
/// line and paragraph separators, zero-width characters, byte order mark, tags.
const fn hides(c: char) -> bool {
    matches!(c,
        '\u{061C}' | '\u{200B}'..='\u{200F}' | '\u{2028}'..='\u{202E}' | '\u{2060}'..='\u{206F}' | '\u{FEFF}'
        | '\u{FFF9}'..='\u{FFFB}' | '\u{E0000}'..='\u{E007F}')
}

/// JSON text with every character that [`visible`] writes out as its JSON escape (RFC 8259, section 7): the same
/// document, harmless on a terminal. Line feeds between values stay.
#[must_use]
pub fn json(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        if c != '\n' && (c.is_control() || hides(c)) {
            for unit in c.encode_utf16(&mut [0; 2]) {
                // Writing to a String does not fail.
                let _ = write!(out, "\\u{unit:04x}");
            }
        } else {
            out.push(c);
        }
    }
    out
}

/// Text between the tags or in an attribute of XML 1.0: markup escaped, characters outside its `Char` production
/// (section 2.2) replaced.
#[must_use]
pub fn xml(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in visible(text).chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            '\u{FFFE}' | '\u{FFFF}' => out.push('\u{FFFD}'),
            _ => out.push(c),
        }
    }
    out
}

/// A cell that no spreadsheet takes for a formula: what begins with `=`, `+`, `-`, `@` gets an apostrophe in front, as
/// the OWASP page "CSV Injection" advises (from memory). A plain number keeps its sign: it can't run anything.
#[must_use]
pub fn cell(text: &str) -> String {
    let shown = visible(text);
    // The full-width forms are folded to the plain ones by some programs.
    let starts = ['=', '+', '-', '@', '\u{FF1D}', '\u{FF0B}', '\u{FF0D}', '\u{FF20}'];
    if shown.trim_start().starts_with(starts) && !plain_number(&shown) { format!("'{shown}") } else { shown }
}

fn plain_number(text: &str) -> bool {
    let digits = text.strip_prefix(['+', '-']).unwrap_or(text);
    let (whole, fraction) = digits.split_once('.').unwrap_or((digits, "0"));
    let all = |part: &str| !part.is_empty() && part.bytes().all(|b| b.is_ascii_digit());
    all(whole) && all(fraction)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_drives_a_terminal_or_turns_text_round_is_written_out() {
        for (hostile, shown) in [
            ("\u{1b}[2J", "\\u{001b}[2J"),
            ("a\r\nb", "a\\u{000d}\\u{000a}b"),
            ("\u{9b}31m", "\\u{009b}31m"),
            ("abc\u{202e}fed", "abc\\u{202e}fed"),
            ("Größe 大", "Größe 大"),
        ] {
            assert_eq!(visible(hostile), shown);
        }
    }

    #[test]
    fn json_stays_the_same_document_and_drives_no_terminal() {
        let hostile = "a\u{9b}31m\u{202e}\u{E0041}b\nc\u{1b}";
        let text = json(&serde_json::to_string_pretty(&[hostile]).unwrap());
        assert!(text.chars().all(|c| c == '\n' || visible(&c.to_string()) == c.to_string()), "{text}");
        assert_eq!(serde_json::from_str::<Vec<String>>(&text).unwrap(), [hostile]);
    }

    #[test]
    fn markup_is_text_in_xml() {
        assert_eq!(xml("</text><script>&'\""), "&lt;/text&gt;&lt;script&gt;&amp;&#39;&quot;");
        assert_eq!(xml("\u{0}\u{FFFF}"), "\\u{0000}\u{FFFD}");
    }

    #[test]
    fn a_formula_gets_an_apostrophe_and_a_signed_number_does_not() {
        for formula in
            ["=1+1", "+cmd|' /C calc'!A0", "-2+3", "@SUM(A1)", "  =1", "+", "-", "-1.", "\u{FF1D}1"]
        {
            assert_eq!(cell(formula), format!("'{formula}"), "{formula}");
        }
        for plain in ["-12.5", "+3", "0", "a=b", "", "end switch +"] {
            assert_eq!(cell(plain), plain);
        }
    }
}
