//! Delimited text, written and read.

use std::fmt::Write as _;

/// Rows as CSV of RFC 4180: commas, CRLF after each row, a field quoted where it holds a comma, a quote or a line
/// break, quotes doubled.
pub fn write<R: IntoIterator<Item = String>>(rows: impl IntoIterator<Item = R>) -> String {
    let mut out = String::new();
    for row in rows {
        for (number, field) in row.into_iter().enumerate() {
            if number > 0 {
                out.push(',');
            }
            if field.contains(['"', ',', '\r', '\n']) {
                // Writing to a String does not fail.
                let _ = write!(out, "\"{}\"", field.replace('"', "\"\""));
            } else {
                out.push_str(&field);
            }
        }
        out.push_str("\r\n");
    }
    out
}
