//! When is a shaft at rest?

use proofstand_protocol::message::Sample;
use proofstand_protocol::units::Micros;

/// The shaft is at rest when not more than one count came in this time.
const REST_US: u64 = 150_000;
/// Nothing is known of a longer time without a sample.
const GAP_US: u64 = 10_000;

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
        if sample.at.0.saturating_sub(self.latest.0) > GAP_US {
            self.since = None;
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

    /// It is at rest, and this is known of the time up to now.
    pub(super) fn is_at_rest_until(&self, now: Micros) -> bool {
        self.latest >= now && self.is_at_rest()
    }
}

#[cfg(test)]
mod tests {
    use proofstand_protocol::units::Counts;

    use super::*;

    fn seen(rest: &mut Rest, ms: core::ops::Range<u64>, position: i64) {
        for ms in ms {
            rest.see(&Sample { at: Micros(ms * 1000), position: Counts(position), ..Sample::default() });
        }
    }

    #[test]
    fn standstill_seen_without_a_gap_holds_on_into_the_next_step_and_a_gap_begins_it_anew() {
        let mut rest = Rest::default();
        seen(&mut rest, 0..150, 7);
        assert!(!rest.is_at_rest());
        seen(&mut rest, 150..152, 8);
        assert!(rest.is_at_rest(), "a single count is no motion");
        assert!(rest.is_at_rest_until(Micros(151_000)));
        assert!(!rest.is_at_rest_until(Micros(152_000)), "nothing is known of now");
        seen(&mut rest, 152..155, 8);
        assert!(rest.is_at_rest_until(Micros(152_000)));
        seen(&mut rest, 170..300, 8);
        assert!(!rest.is_at_rest(), "it may have moved while nobody looked");
        seen(&mut rest, 300..325, 8);
        assert!(rest.is_at_rest());
        seen(&mut rest, 325..330, 10);
        assert!(!rest.is_at_rest());
    }
}
