//! Text from outside made harmless: what a reader sees is what stands in the model, in the order it stands there.

use std::borrow::Cow;
use std::fmt::Write as _;

use maud::{Escaper, Render};

/// Text of the model, to be written into HTML.
///
/// Escapes markup, and shows as its number every character that can't be seen or that turns the reading order round.
#[derive(Debug, Clone, Copy)]
pub(super) struct T<'a>(pub &'a str);

impl Render for T<'_> {
    fn render_to(&self, buffer: &mut String) {
        let _ = Escaper::new(buffer).write_str(&visible(self.0));
    }
}

/// Replaces control characters, bidirectional controls (Unicode Standard Annex 9) and what XML 1.0 can't carry (its
/// production 2, `Char`) by `[U+XXXX]`. Line feed and tab stay.
pub(super) fn visible(text: &str) -> Cow<'_, str> {
    if !text.contains(hidden) {
        return Cow::Borrowed(text);
    }
    let mut out = String::with_capacity(text.len() + 16);
    for c in text.chars() {
        if hidden(c) {
            let _ = write!(out, "[U+{:04X}]", u32::from(c));
        } else {
            out.push(c);
        }
    }
    Cow::Owned(out)
}

/// One line of it: line ends become spaces.
pub(super) fn one_line(text: &str) -> String {
    visible(text).split_whitespace().collect::<Vec<_>>().join(" ")
}

/// A name fit for an `id` and a link: ASCII letters, digits and hyphens.
pub(super) fn slug(text: &str) -> String {
    let mut out = String::new();
    for c in text.chars().take(64) {
        if c.is_ascii_alphanumeric() {
            out.push(c.to_ascii_lowercase());
        } else if !out.is_empty() && !out.ends_with('-') {
            out.push('-');
        }
    }
    let trimmed = out.trim_end_matches('-');
    if trimmed.is_empty() { "x".to_owned() } else { trimmed.to_owned() }
}

fn hidden(c: char) -> bool {
    let control = c.is_control() && c != '\n' && c != '\t';
    let bidi =
        matches!(c, '\u{061c}' | '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}');
    let unseen = matches!(c, '\u{200b}' | '\u{2028}' | '\u{2029}' | '\u{feff}' | '\u{fff9}'..='\u{fffb}');
    // Every plane's last two code points are noncharacters (Unicode Standard, 23.7); XML 1.0 forbids two of them.
    let noncharacter = u32::from(c) & 0xfffe == 0xfffe || matches!(c, '\u{fdd0}'..='\u{fdef}');
    control || bidi || unseen || noncharacter
}

#[cfg(test)]
mod tests {
    use maud::html;

    use super::*;

    #[test]
    fn markup_is_escaped() {
        let page = html! { p title=(T("\"><script>")) { (T("<b>&'\"")) } }.into_string();
        assert_eq!(page, "<p title=\"&quot;&gt;&lt;script&gt;\">&lt;b&gt;&amp;'&quot;</p>");
    }

    /// The twelve bidirectional formatting characters are those of Unicode Standard Annex 9, section 2.
    #[test]
    fn nothing_can_turn_the_reading_order_round() {
        let controls = "\u{061c}\u{200e}\u{200f}\u{202a}\u{202b}\u{202c}\u{202d}\u{202e}\u{2066}\u{2067}\u{2068}\u{2069}";
        for c in controls.chars() {
            assert_eq!(visible(&c.to_string()), format!("[U+{:04X}]", u32::from(c)));
        }
    }

    #[test]
    fn control_characters_are_shown_and_line_ends_stay() {
        assert_eq!(visible("a\u{0}b\u{1b}[2Jc\u{7f}\u{85}"), "a[U+0000]b[U+001B][2Jc[U+007F][U+0085]");
        assert_eq!(visible("a\n\tb"), "a\n\tb");
        assert_eq!(one_line("a\r\n b"), "a[U+000D] b");
    }

    #[test]
    fn ordinary_text_of_any_script_is_left_alone() {
        for text in ["23 °C ± 1 K", "Ångström µm", "שלום", "数控", "\u{1f6d1}", "N·m"] {
            assert!(matches!(visible(text), Cow::Borrowed(_)), "{text}");
        }
    }

    #[test]
    fn a_slug_holds_only_what_a_link_can() {
        assert_eq!(slug("Line count (slow)"), "line-count-slow");
        assert_eq!(slug("\"><script>"), "script");
        assert_eq!(slug("数"), "x");
        assert_eq!(slug(""), "x");
    }
}
