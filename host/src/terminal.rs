//! How wide the terminal is, and text that fits it.

use comfy_table::{ContentArrangement, Table};

/// Longer lines are hard to read.
const WIDEST: usize = 120;
/// What is narrower than this is not laid out for.
const NARROWEST: usize = 40;

/// Where text goes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Stream {
    /// Standard output.
    Out,
    /// Standard error.
    Err,
}

/// Columns to print at: the terminal's, at most 120; 120 where there is none, as in a log.
#[must_use]
pub(crate) fn width(stream: Stream) -> usize {
    let mut table = Table::new();
    table.set_content_arrangement(ContentArrangement::Dynamic);
    if stream == Stream::Err {
        table.use_stderr();
    }
    table.width().map_or(WIDEST, usize::from).clamp(NARROWEST, WIDEST)
}

/// A paragraph in so many columns: `lead` before its first line, all further lines set in under it.
#[must_use]
pub(crate) fn wrapped(lead: &str, text: &str, columns: usize) -> String {
    let indent = lead.chars().count();
    let room = columns.saturating_sub(indent).max(NARROWEST / 2);
    let mut out = lead.to_owned();
    let mut used = 0;
    for word in text.split_whitespace() {
        let length = word.chars().count();
        if used > 0 && used + 1 + length > room {
            out.push('\n');
            out.extend(std::iter::repeat_n(' ', indent));
            used = 0;
        }
        if used > 0 {
            out.push(' ');
            used += 1;
        }
        out.push_str(word);
        used += length;
    }
    out
}

#[cfg(test)]
mod tests {
    use super::wrapped;

    #[test]
    fn a_paragraph_is_broken_between_words_and_set_in_under_its_lead() {
        assert_eq!(wrapped("- ", "one two three four five", 24), "- one two three four\n  five");
        assert_eq!(wrapped("- ", "", 24), "- ");
        // A word that is too long stands by itself, whole: a path can still be copied.
        let long = "/a/very/long/path/that/does/not/fit";
        assert_eq!(wrapped("", &format!("see {long} there"), 40), format!("see {long}\nthere"));
        assert_eq!(wrapped("", &format!("see {long} there"), 20), format!("see\n{long}\nthere"));
    }
}
