//! What the image logs: defmt, taken out of its RTT buffer by the harness and put into words with the image's own table.

use std::path::Path;

use defmt_decoder::{DecodeError, Table};

use super::EmulatorError;

/// Puts logged bytes into words.
#[derive(Debug)]
pub struct LogDecoder {
    table: Table,
    waiting: Vec<u8>,
}

impl LogDecoder {
    /// For an image.
    ///
    /// # Errors
    /// If it can't be read or has no table of its words.
    pub fn new(image: &Path) -> Result<Self, EmulatorError> {
        let failed = |why: String| EmulatorError::Failed(format!("{}: {why}", image.display()));
        let table = Table::parse(&std::fs::read(image)?).map_err(|e| failed(e.to_string()))?;
        let table = table.ok_or_else(|| failed("it has no table of what it logs".to_owned()))?;
        Ok(Self { table, waiting: Vec::new() })
    }

    /// Takes bytes, in any pieces, and gives the lines that are complete: level, then message.
    pub fn lines(&mut self, bytes: &[u8]) -> Vec<String> {
        self.waiting.extend(bytes);
        let mut lines = Vec::new();
        // A frame ends with a zero (rzCOBS): only whole ones are given to the decoder.
        while let Some(end) = self.waiting.iter().position(|byte| *byte == 0) {
            let frame: Vec<u8> = self.waiting.drain(..=end).collect();
            let mut decoder = self.table.new_stream_decoder();
            decoder.received(&frame);
            match decoder.decode() {
                Ok(frame) => {
                    let level = frame.level().map_or("", |level| level.as_str());
                    lines.push(format!("{level}: {}", frame.display_message()));
                }
                Err(DecodeError::UnexpectedEof) => {}
                Err(DecodeError::Malformed) => lines.push("(a damaged line)".to_owned()),
            }
        }
        lines
    }
}
