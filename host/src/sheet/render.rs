//! Faults for people: a plain listing for files and pipes, carets in colour for a terminal.

use std::fmt::Write as _;

use miette::{
    GraphicalReportHandler, GraphicalTheme, LabeledSpan, MietteDiagnostic, MietteError, MietteSpanContents,
    Severity, SourceCode, SourceSpan, SpanContents,
};

use super::error::{Fault, SheetError};

/// More faults than this are counted, not shown: nobody reads them, and noise has thousands.
const SHOWN_MAX: usize = 40;
/// Longest piece of a line that is shown, characters.
const LINE_MAX: usize = 160;

/// Byte offsets of line starts.
struct Lines<'t> {
    text: &'t str,
    starts: Vec<usize>,
}

impl<'t> Lines<'t> {
    fn new(text: &'t str) -> Self {
        let starts = std::iter::once(0).chain(text.match_indices('\n').map(|(at, _)| at + 1)).collect();
        Self { text, starts }
    }

    /// Line and column from 1, column in characters; and the line's text.
    fn locate(&self, offset: usize) -> (usize, usize, &'t str) {
        let mut offset = offset.min(self.text.len());
        while !self.text.is_char_boundary(offset) {
            offset -= 1;
        }
        let line = self.starts.partition_point(|start| *start <= offset).max(1);
        let start = self.starts.get(line - 1).copied().unwrap_or(0);
        let end = self.starts.get(line).copied().unwrap_or(self.text.len());
        let column = self.text.get(start..offset).map_or(0, |before| before.chars().count()) + 1;
        (line, column, self.text.get(start..end).unwrap_or("").trim_end_matches(['\n', '\r']))
    }
}

/// Line and column, both from 1, the column in characters, of a byte offset.
#[must_use]
pub fn line_and_column(text: &str, offset: usize) -> (usize, usize) {
    let (line, column, _) = Lines::new(text).locate(offset);
    (line, column)
}

/// What is shown of any text: no control characters, which could drive a terminal.
fn harmless(text: &str) -> String {
    text.chars()
        .map(|c| {
            if c == '\t' {
                ' '
            } else if c.is_control() {
                '\u{FFFD}'
            } else {
                c
            }
        })
        .collect()
}

/// One paragraph for each fault: `file:line:column: key: why`, the line, a caret, what would be right.
#[must_use]
pub(super) fn plain(file: &str, text: &str, faults: &[Fault]) -> String {
    let lines = Lines::new(text);
    let mut out = String::new();
    for fault in faults.iter().take(SHOWN_MAX) {
        let (line, column, content) = lines.locate(fault.span.start);
        let key = if fault.key.is_empty() { String::new() } else { format!("{}: ", harmless(&fault.key)) };
        let _ = writeln!(out, "{}:{line}:{column}: {key}{}", harmless(file), harmless(&fault.why));
        if column <= LINE_MAX {
            let shown: String = harmless(content).chars().take(LINE_MAX).collect();
            let length = shown.chars().count();
            let wanted = text.get(fault.span.clone()).map_or(1, |marked| marked.chars().count());
            let carets = wanted.clamp(1, (length + 1).saturating_sub(column).max(1));
            let margin = line.to_string().len().max(4);
            let _ = writeln!(out, "{line:>margin$} | {shown}");
            let _ = writeln!(out, "{:margin$} | {}{}", "", " ".repeat(column - 1), "^".repeat(carets));
        }
        if let Some(help) = &fault.help {
            let _ = writeln!(out, "     = {}", harmless(help));
        }
    }
    let _ = write!(out, "{}", summary(file, faults.len()));
    out
}

fn summary(file: &str, count: usize) -> String {
    let more = if count > SHOWN_MAX { format!(", the first {SHOWN_MAX} shown") } else { String::new() };
    let plural = if count == 1 { "fault" } else { "faults" };
    format!("{}: {count} {plural} in the axis sheet{more}; nothing was done", harmless(file))
}

/// One line of the sheet under its own number. The whole text would be scanned again for every fault.
#[derive(Debug)]
struct OneLine {
    name: String,
    line: usize,
    content: String,
}

impl SourceCode for OneLine {
    fn read_span<'a>(
        &'a self,
        _: &SourceSpan,
        _: usize,
        _: usize,
    ) -> Result<Box<dyn SpanContents<'a> + 'a>, MietteError> {
        let span = SourceSpan::from((0, self.content.len()));
        let data = self.content.as_bytes();
        Ok(Box::new(MietteSpanContents::new_named(self.name.clone(), data, span, self.line - 1, 0, 1)))
    }
}

impl SheetError {
    /// For a terminal that shows colours. Without colours, print the error itself.
    #[must_use]
    pub fn in_colour(&self) -> String {
        let Self::Faults { file, text, faults } = self else { return self.to_string() };
        let lines = Lines::new(text);
        let handler = GraphicalReportHandler::new_themed(GraphicalTheme::unicode())
            .with_context_lines(0)
            .without_cause_chain()
            .with_links(false);
        let mut out = String::new();
        for fault in faults.iter().take(SHOWN_MAX) {
            let (line, column, content) = lines.locate(fault.span.start);
            let content = harmless(content);
            let start: usize = content.chars().take(column - 1).map(char::len_utf8).sum();
            let rest = content.get(start..).unwrap_or("");
            let wanted = text.get(fault.span.clone()).map_or(1, |marked| marked.chars().count());
            let length = rest.chars().take(wanted.max(1)).map(char::len_utf8).sum::<usize>();
            let mut diagnostic = MietteDiagnostic::new(format!(
                "{}:{line}:{column}: {}",
                harmless(file),
                if fault.key.is_empty() { "not TOML".to_owned() } else { harmless(&fault.key) }
            ))
            .with_severity(Severity::Error);
            if content.chars().count() <= LINE_MAX {
                diagnostic =
                    diagnostic.with_label(LabeledSpan::at(start..start + length, harmless(&fault.why)));
            } else {
                diagnostic.message = format!("{}: {}", diagnostic.message, harmless(&fault.why));
            }
            if let Some(help) = &fault.help {
                diagnostic = diagnostic.with_help(harmless(help));
            }
            let report = miette::Report::new(diagnostic).with_source_code(OneLine {
                name: harmless(file),
                line,
                content,
            });
            // Formatting into a String can't fail; a handler that did would leave the summary.
            let _ = handler.render_report(&mut out, report.as_ref());
        }
        out + &summary(file, faults.len())
    }
}
