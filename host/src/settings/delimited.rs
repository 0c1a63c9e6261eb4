//! Delimited text, written and read by the grammar of RFC 4180, section 2, with any delimiter.
//!
//! A reader of our own because every field must know its line and column for messages, and because a stray quote must
//! be refused, not guessed at; it is held against the crate `csv` in its tests.

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

/// A field and where it begins.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Field {
    /// The text, without its quotes.
    pub text: String,
    /// Line, from 1.
    pub line: usize,
    /// Column in characters, from 1.
    pub column: usize,
}

/// Fields of one record; an empty line is a record of one empty field.
pub type Record = Vec<Field>;

/// What breaks the grammar.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Breach {
    /// A quote within a field that does not begin with one.
    StrayQuote,
    /// Something between a closing quote and the next delimiter.
    AfterQuote,
    /// A quote that is never closed.
    Unclosed,
}

impl Breach {
    /// In words.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::StrayQuote => "a quote inside a field that does not begin with one",
            Self::AfterQuote => "something follows a closing quote",
            Self::Unclosed => "a quote is opened here and never closed",
        }
    }
}

/// Reads all records. Lines end with CRLF, LF or CR.
///
/// # Errors
/// What breaks the grammar, with line and column, both from 1.
pub fn read(text: &str, delimiter: char) -> Result<Vec<Record>, (Breach, usize, usize)> {
    let mut reader = Reader { rest: text.chars().peekable(), line: 1, column: 1 };
    let mut records = Vec::new();
    while reader.rest.peek().is_some() {
        records.push(reader.record(delimiter)?);
    }
    Ok(records)
}

struct Reader<'t> {
    rest: std::iter::Peekable<std::str::Chars<'t>>,
    line: usize,
    column: usize,
}

impl Reader<'_> {
    /// The next character; a line break of two characters is one `\n`.
    fn next(&mut self) -> Option<char> {
        let c = self.rest.next()?;
        if c == '\r' {
            self.rest.next_if_eq(&'\n');
        }
        if matches!(c, '\r' | '\n') {
            (self.line, self.column) = (self.line + 1, 1);
            return Some('\n');
        }
        self.column += 1;
        Some(c)
    }

    fn record(&mut self, delimiter: char) -> Result<Record, (Breach, usize, usize)> {
        let mut record = Record::new();
        loop {
            let (line, column) = (self.line, self.column);
            let (text, end) = self.field(delimiter)?;
            record.push(Field { text, line, column });
            if end != Some(delimiter) {
                return Ok(record);
            }
        }
    }

    /// The text of a field and what ended it.
    fn field(&mut self, delimiter: char) -> Result<(String, Option<char>), (Breach, usize, usize)> {
        let mut text = String::new();
        let opened = (self.line, self.column);
        if self.rest.peek() == Some(&'"') {
            self.next();
            loop {
                match self.next() {
                    None => return Err((Breach::Unclosed, opened.0, opened.1)),
                    Some('"') if self.rest.peek() == Some(&'"') => {
                        self.next();
                        text.push('"');
                    }
                    Some('"') => break,
                    Some(c) => text.push(c),
                }
            }
            let (line, column) = (self.line, self.column);
            return match self.next() {
                end @ (None | Some('\n')) => Ok((text, end)),
                Some(c) if c == delimiter => Ok((text, Some(c))),
                Some(_) => Err((Breach::AfterQuote, line, column)),
            };
        }
        loop {
            let (line, column) = (self.line, self.column);
            match self.next() {
                end @ (None | Some('\n')) => return Ok((text, end)),
                Some(c) if c == delimiter => return Ok((text, Some(c))),
                Some('"') => return Err((Breach::StrayQuote, line, column)),
                Some(c) => text.push(c),
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn texts(records: &[Record]) -> Vec<Vec<&str>> {
        records.iter().map(|record| record.iter().map(|field| field.text.as_str()).collect()).collect()
    }

    /// The examples of RFC 4180, section 2, points 1, 2 and 5 to 7.
    #[test]
    fn the_examples_of_rfc_4180_are_read_as_it_says() {
        for (text, expected) in [
            ("aaa,bbb,ccc\r\nzzz,yyy,xxx\r\n", vec![vec!["aaa", "bbb", "ccc"], vec!["zzz", "yyy", "xxx"]]),
            ("aaa,bbb,ccc\r\nzzz,yyy,xxx", vec![vec!["aaa", "bbb", "ccc"], vec!["zzz", "yyy", "xxx"]]),
            (
                "\"aaa\",\"bbb\",\"ccc\"\r\nzzz,yyy,xxx",
                vec![vec!["aaa", "bbb", "ccc"], vec!["zzz", "yyy", "xxx"]],
            ),
            (
                "\"aaa\",\"b\r\nbb\",\"ccc\"\r\nzzz,yyy,xxx",
                vec![vec!["aaa", "b\nbb", "ccc"], vec!["zzz", "yyy", "xxx"]],
            ),
            ("\"aaa\",\"b\"\"bb\",\"ccc\"", vec![vec!["aaa", "b\"bb", "ccc"]]),
        ] {
            assert_eq!(texts(&read(text, ',').unwrap()), expected);
        }
    }

    #[test]
    fn a_breach_has_its_line_and_column() {
        for (text, breach) in [
            ("a;b\nc;3\" shaft", (Breach::StrayQuote, 2, 4)),
            ("a;\"b\"x", (Breach::AfterQuote, 1, 6)),
            ("a;b\n\"c;d\n", (Breach::Unclosed, 2, 1)),
        ] {
            assert_eq!(read(text, ';').unwrap_err(), breach);
        }
    }

    proptest! {
        #[test]
        fn reading_never_panics(text in ".{0,200}|[\",;\r\n a]{0,60}") {
            for delimiter in [',', ';', '\t'] {
                let _ = read(&text, delimiter);
            }
        }

        /// Against the crate `csv`: what it writes, this reads; what this writes, it reads.
        #[test]
        fn tables_pass_to_and_from_the_csv_crate(
            rows in proptest::collection::vec(proptest::collection::vec("[a-z\",; \n]{0,6}x", 3), 1..6)
        ) {
            let mut theirs = csv::Writer::from_writer(Vec::new());
            for row in &rows {
                theirs.write_record(row).unwrap();
            }
            let theirs = String::from_utf8(theirs.into_inner().unwrap()).unwrap();
            let records = read(&theirs, ',').unwrap();
            prop_assert_eq!(texts(&records), rows.clone());
            let ours = write(rows.clone());
            let mut reader = csv::ReaderBuilder::new().has_headers(false).from_reader(ours.as_bytes());
            let back: Vec<Vec<String>> = reader.records()
                .map(|record| record.unwrap().iter().map(str::to_owned).collect()).collect();
            prop_assert_eq!(back, rows);
        }
    }
}
