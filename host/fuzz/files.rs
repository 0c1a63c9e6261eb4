//! What must hold for any bytes taken for a table of settings, a journal, a file of samples or a calibration record. Fuzz
//! targets and stable tests both call it.
//!
//! Built with `PROOFSTAND_PLANTED` set, each check denies something that is true: a fault that a search must come upon. It
//! lies behind what an input has to get right first, so that finding it shows how deep the search goes.
#![allow(dead_code, reason = "each target calls one of them")]

#[path = "../../protocol/fuzz/planted.rs"]
mod planted;

use std::collections::BTreeMap;
use std::path::PathBuf;

use proofstand::calibration::{CalibrationRecord, image};
use proofstand::record::model::Verdict;
use proofstand::record::{RecordError, SampleWriter, events_of, journal_of, read_samples};
use proofstand::settings::{Comparison, Table, comparison_csv, comparison_text};
use proofstand::sheet::{DecimalSign, Delimiter, TableLayout, TextEncoding};
use proofstand_firmware::calibration::{RECORD_BYTES, decode, encode};

use planted::planted;

const CRC: crc::Crc<u32> = crc::Crc::<u32>::new(&crc::CRC_32_ISO_HDLC);

/// No control character that could drive a terminal, nothing that turns the reading order round.
fn harmless(text: &str) {
    for c in text.chars() {
        let breaks = matches!(c, '\n' | '\r' | '\t');
        let turns = matches!(c, '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}');
        assert!((breaks || !c.is_control()) && !turns, "U+{:04X} in {text:?}", u32::from(c));
    }
}

/// The first byte says how the file is laid out, the rest is the file.
pub(crate) fn settings(input: &[u8]) {
    let Some((&how, bytes)) = input.split_first() else { return };
    let encodings =
        [TextEncoding::Utf8, TextEncoding::Windows1252, TextEncoding::Utf16Le, TextEncoding::ShiftJis];
    let layout = TableLayout {
        number_column: Some("No".to_owned()),
        name_column: (how & 1 != 0).then(|| "Name".to_owned()),
        value_column: "Value".to_owned(),
        unit_column: (how & 2 != 0).then(|| "Unit".to_owned()),
        delimiter: (how & 4 != 0).then_some(Delimiter::Semicolon),
        decimal: if how & 8 != 0 { DecimalSign::Comma } else { DecimalSign::Point },
        encoding: encodings[usize::from(how >> 4) & 3],
    };
    match Table::parse("t.csv", bytes, &layout) {
        Ok(table) => {
            assert!(table.entries.len() <= bytes.len() / 2);
            assert!(table.entries.windows(2).all(|w| w[0].line < w[1].line));
            let same = Comparison::of(&table, &table, &BTreeMap::new());
            assert!(same.changes.is_empty(), "a table differs from itself: {:?}", same.changes);
            let nothing = Table { entries: Vec::new(), ..table.clone() };
            let gone = Comparison::of(&table, &nothing, &BTreeMap::new());
            harmless(&comparison_text(&gone, 100));
            let text = comparison_csv(&gone);
            harmless(&text);
            for record in csv::Reader::from_reader(text.as_bytes()).records().flatten() {
                assert!(record.iter().all(|cell| !cell.starts_with(['=', '@', '\t', '\r'])), "{record:?}");
            }
            let negative = |e: &proofstand::settings::Entry| e.number.is_some() && e.value.starts_with('-');
            planted(table.entries.len() >= 3 && table.entries.iter().any(negative));
        }
        Err(error) => {
            assert!(!error.to_string().is_empty());
            harmless(&error.to_string());
        }
    }
}

/// What is left of a run is reported as not accepted, whatever its journal holds.
pub(crate) fn journal(input: &[u8]) {
    let events = events_of(input).expect("reading from memory does not fail");
    assert!(events.len() <= input.len() / 20);
    match journal_of(input, PathBuf::from("journal.jsonl")) {
        Ok(journal) => {
            let damaged = journal.damaged_lines;
            let run = proofstand::acceptance::cut_off(journal, "2026-03-04T09:14:09Z".to_owned());
            assert!(run.outcome.stopped.is_some() && run.outcome.verdict != Verdict::Accepted);
            // A page takes a thousand times as long as all the rest.
            if input.len().is_multiple_of(16) {
                let page = proofstand::report::html(&run);
                assert!(!page.contains("<script>"));
                harmless(&page);
                harmless(&proofstand::report::junit(&run).unwrap_or_default());
            }
            let _ = proofstand::report::json(&run);
            planted(damaged == 3);
        }
        Err(RecordError::Model { why, .. }) => assert!(!why.is_empty()),
        Err(other) => panic!("{other}"),
    }
}

/// Odd first byte: the rest goes into segments whose length and checksum are right, as no search would find them.
pub(crate) fn samples(input: &[u8]) {
    let mut file = b"PSSAMPL2".to_vec();
    match input.split_first() {
        Some((how, mut rest)) if how % 2 == 1 => {
            file.push(1);
            while let Some((&length, after)) = rest.split_first() {
                let body = after.get(..usize::from(length)).unwrap_or(after);
                file.extend((body.len() as u32).to_le_bytes());
                file.extend(CRC.checksum(body).to_le_bytes());
                file.extend(body);
                rest = after.get(body.len()..).unwrap_or_default();
            }
        }
        _ => file.extend(input),
    }
    let _ = read_samples(input);
    let Ok(read) = read_samples(file.as_slice()) else { return };
    assert!(read.samples.len() * 43 <= file.len());
    assert!(read.bursts.iter().map(|b| b.bytes.len()).sum::<usize>() <= file.len());
    let mut again = Vec::new();
    let mut writer = SampleWriter::new(&mut again, read.rehearsal).expect("memory");
    writer.push(0, &read.samples).expect("memory");
    drop(writer);
    let told = read_samples(again.as_slice()).expect("what was written");
    assert_eq!((told.samples.len(), told.damaged_segments), (read.samples.len(), 0));
    assert!(told.samples == read.samples, "samples come back otherwise");
    planted(read.samples.len() == 5 && read.bursts.len() == 2);
}

/// Odd first byte: magic, length and checksum are made right first, as no search would find them.
pub(crate) fn calibration(input: &[u8]) {
    let Some((how, bytes)) = input.split_first() else { return };
    let mut record = bytes.to_vec();
    if how % 2 == 1 {
        record.resize(RECORD_BYTES, 0);
        let (body, checksum) = record.split_at_mut(RECORD_BYTES - 4);
        body[..8].copy_from_slice(b"PSCR\x02\0\0\0");
        body[8..12].copy_from_slice(&(RECORD_BYTES as u32).to_le_bytes());
        checksum.copy_from_slice(&CRC.checksum(body).to_le_bytes());
    }
    if let Ok(calibration) = decode(&record) {
        // One image for each calibration, and none that can't be made again.
        assert_eq!(encode(&calibration).expect("what was read can be written").as_slice(), record.as_slice());
        let known = image::read(&record).expect("the host reads what the fixture reads");
        assert!(known.temperature.get().is_finite() && known.stated.get().is_finite());
        harmless(&known.meter);
        for volts in [-10.0, -0.1, 0.0, 5.0, 10.0] {
            let u = known.uncertainty.expanded(proofstand_units::Volts::new(volts), 100.0).get();
            assert!(u.is_finite() && u >= 0.0, "{u} at {volts} V");
        }
        planted(known.temperature.get() > 45.0);
    } else {
        assert!(image::read(&record).is_none(), "the host reads what no fixture takes");
    }
    if let Ok(record) =
        std::str::from_utf8(bytes).map_err(drop).and_then(|t| CalibrationRecord::from_json(t).map_err(drop))
    {
        harmless(&proofstand::report::certificate(&record));
    }
}
