//! The events of a run, from its journal.

use std::io::{self, BufRead};
use std::path::Path;

use proofstand_protocol::message::Event;
use proofstand_protocol::units::Micros;
use serde::Deserialize;

/// An event as it stands in the journal.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RecordedEvent {
    /// Its number.
    pub number: u32,
    /// When, on the fixture's clock.
    pub at: Micros,
    /// What.
    pub event: Event,
}

#[derive(Deserialize)]
struct Line {
    at_us: Option<u64>,
    kind: String,
    data: serde_json::Value,
}

/// Reads the events of a run's folder, as far as the journal is sound.
///
/// # Errors
/// If the journal can't be read.
pub fn read_events(folder: &Path) -> io::Result<Vec<RecordedEvent>> {
    events_of(super::journal(folder)?)
}

/// The events among a journal's lines, as far as they are sound.
///
/// # Errors
/// If they can't be read.
pub fn events_of(mut from: impl BufRead) -> io::Result<Vec<RecordedEvent>> {
    let mut events = Vec::new();
    let mut bytes = Vec::new();
    while super::next_line(&mut from, &mut bytes)? {
        // A line that can't be read was cut by what ended the run; nothing follows it.
        if let Ok(line) = serde_json::from_slice::<Line>(&bytes)
            && line.kind == "event"
            && let (Some(at), Some((number, event))) = (line.at_us, event(line.data))
        {
            events.push(RecordedEvent { number, at: Micros(at), event });
        }
    }
    Ok(events)
}

fn event(mut data: serde_json::Value) -> Option<(u32, Event)> {
    let number = data.as_object_mut()?.remove("number")?.as_u64()?;
    Some((u32::try_from(number).ok()?, serde_json::from_value(data).ok()?))
}
