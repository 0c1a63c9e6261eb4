//! When is a shaft at rest?

use proofstand_protocol::message::Sample;
use proofstand_protocol::units::Micros;

/// The shaft is at rest when not more than one count came in this time.
const REST_US: u64 = 150_000;

/// Watches for standstill.
#[derive(Debug, Default)]
pub(super) struct Rest {
    /// Samples before this are old and say nothing.
    from: Micros,
    since: Option<(Micros, i64)>,
    latest: Micros,
}

impl Rest {
    /// Looks only at samples from this time on.
    pub(super) fn from(from: Micros) -> Self {
        Self { from, ..Self::default() }
    }

    /// Takes the next sample.
    pub(super) fn see(&mut self, sample: &Sample) {
        if sample.at < self.from {
            return;
        }
        self.latest = sample.at;
        match self.since {
            Some((_, position)) if (sample.position.0 - position).abs() <= 1 => {}
            _ => self.since = Some((sample.at, sample.position.0)),
        }
    }

    /// No more than a count came for long enough.
    pub(super) fn is_at_rest(&self) -> bool {
        self.since.is_some_and(|(since, _)| self.latest.0.saturating_sub(since.0) >= REST_US)
    }
}
