//! Small views of a step's evidence that several checks take.

use proofstand_protocol::message::Event;
use proofstand_protocol::units::{Counts, Micros};

use super::{Context, StepEvidence};

/// The index is one place over so large a part of a revolution: it is as wide as a few counts.
pub(super) const SAME_PLACE: u32 = 64;

/// Counts moved from the first sample to the last.
#[must_use]
pub(super) fn travel(evidence: &StepEvidence) -> i64 {
    match (evidence.samples.first(), evidence.samples.last()) {
        (Some(first), Some(last)) => last.position.0 - first.position.0,
        _ => 0,
    }
}

/// How far the shaft was at most, in degrees, from where a segment began; with its sign. None where the segment never drove.
pub(super) fn excursion(context: &Context<'_>, made: &StepEvidence, slot: u8) -> Option<f64> {
    let first = made.segment_samples(slot).next()?.position.0;
    let farthest =
        made.segment_samples(slot).map(|s| s.position.0 - first).max_by_key(|moved| moved.abs())?;
    Some(farthest as f64 * 360.0 / f64::from(context.motion.axis.counts_per_rev.get()))
}

/// How many counts the shaft's places of a step lie apart at most.
pub(super) fn extent(made: &StepEvidence) -> u64 {
    let places = || made.samples.iter().map(|s| s.position.0);
    places().max().zip(places().min()).map_or(0, |(most, least)| most.abs_diff(least))
}

/// Index latches with their times.
pub(super) fn index_events(evidence: &StepEvidence) -> impl Iterator<Item = (Micros, Counts)> {
    evidence.events.iter().filter_map(|e| match e.event {
        Event::Index { position } => Some((e.at, position)),
        _ => None,
    })
}

/// Changes of a flag input with their times.
pub(super) fn flag_events(evidence: &StepEvidence, input: u8) -> impl Iterator<Item = (Micros, bool)> {
    evidence.events.iter().filter_map(move |e| match e.event {
        Event::Flag { input: i, conducting } if i == input => Some((e.at, conducting)),
        _ => None,
    })
}
