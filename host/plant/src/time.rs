//! The plant's time: whole nanoseconds since it was set up.

use proofstand_units::Seconds;

/// A moment on the plant's own time scale, in whole nanoseconds since it was set up (584 years fit).
#[derive(Debug, Default, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct PlantTime(u64);

impl PlantTime {
    /// The moment the plant was set up.
    pub const ZERO: Self = Self(0);

    /// From nanoseconds since set-up.
    #[must_use]
    pub const fn from_nanos(nanos: u64) -> Self {
        Self(nanos)
    }

    /// From microseconds since set-up.
    #[must_use]
    pub const fn from_micros(micros: u64) -> Self {
        Self(micros.saturating_mul(1_000))
    }

    /// From milliseconds since set-up.
    #[must_use]
    pub const fn from_millis(millis: u64) -> Self {
        Self(millis.saturating_mul(1_000_000))
    }

    /// Nanoseconds since set-up.
    #[must_use]
    pub const fn nanos(self) -> u64 {
        self.0
    }

    /// Seconds since set-up, to double precision.
    #[must_use]
    pub const fn seconds(self) -> Seconds {
        Seconds::new(self.0 as f64 * 1e-9)
    }

    /// This moment and `span` later, to the nearest nanosecond; a negative span counts as none.
    #[must_use]
    pub fn after(self, span: Seconds) -> Self {
        Self(self.0.saturating_add(nanos(span)))
    }
}

/// Whole nanoseconds in a span; none in a negative one or in not-a-number (a float cast saturates).
pub(crate) fn nanos(span: Seconds) -> u64 {
    (span.get() * 1e9).round() as u64
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_span_is_rounded_to_the_nearest_nanosecond_and_a_negative_one_is_none() {
        assert_eq!(PlantTime::from_micros(50).after(Seconds::new(1.4e-9)).nanos(), 50_001);
        assert_eq!(PlantTime::from_millis(1).after(Seconds::new(-1.0)), PlantTime::from_millis(1));
        assert_eq!(PlantTime::from_millis(250).seconds(), Seconds::new(0.25));
    }
}
