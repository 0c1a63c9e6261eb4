//! Comma-separated values after RFC 4180, UTF-8, with a header line.

use std::io::Write;

use super::columns::{POSITION, QUANTITIES, SAMPLE, SEGMENT, STATE, decimal, segment, state};
use super::step::{self, CHECK, STEP};
use super::{ExportError, Recorded};

/// Writes one line a sample.
///
/// # Errors
/// [`ExportError::Write`].
pub fn csv(of: &Recorded<'_>, to: impl Write) -> Result<(), ExportError> {
    let io = |e: ::csv::Error| ExportError::Write(e.into());
    let mut out = ::csv::WriterBuilder::new().terminator(::csv::Terminator::CRLF).from_writer(to);
    let mut head = vec!["kind".to_owned(), SAMPLE.0.to_owned()];
    head.extend(QUANTITIES.iter().map(|q| q.name.to_owned()));
    head.push(POSITION.0.to_owned());
    head.extend(of.flags.iter().map(|f| format!("{f}_conducting")));
    head.extend([SEGMENT.0, STATE.0, CHECK.0, STEP.0].map(str::to_owned));
    out.write_record(&head).map_err(io)?;
    let mut row: Vec<String> = Vec::with_capacity(head.len());
    for sample in &of.samples.samples {
        row.clear();
        row.extend([of.kind().to_owned(), sample.sequence.to_string()]);
        row.extend(QUANTITIES.iter().map(|q| decimal((q.whole)(sample), q.decimals)));
        row.push(sample.position.0.to_string());
        row.extend((0..of.flags.len()).map(|n| (sample.flags >> n & 1).to_string()));
        row.push(segment(sample).map(|s| s.to_string()).unwrap_or_default());
        row.push(state(sample.state).to_owned());
        let taken_for = step::of(&of.steps, sample);
        row.push(taken_for.map(|t| t.check.clone()).unwrap_or_default());
        row.push(taken_for.map(|t| t.step.to_string()).unwrap_or_default());
        out.write_record(&row).map_err(io)?;
    }
    Ok(out.flush()?)
}
