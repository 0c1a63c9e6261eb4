//! Samples of a window as exact offsets in time and place.

use proofstand_protocol::message::Sample;
use proofstand_protocol::units::Micros;
use proofstand_units::{CountsPerRev, RadPerSec, Rpm, Seconds, Turns};

use super::error::EstimateError;

/// The samples taken from `from` on and before `to`. Samples must be in the order of time.
#[must_use]
pub fn between(samples: &[Sample], from: Micros, to: Micros) -> &[Sample] {
    let first = samples.partition_point(|s| s.at < from);
    let last = samples.partition_point(|s| s.at < to);
    samples.get(first..last).unwrap_or(&[])
}

/// A stretch of samples taken while one segment of a motion program ran.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SegmentRun<'a> {
    /// Slot of the segment; 255: no segment ran.
    pub slot: u8,
    /// Its samples.
    pub samples: &'a [Sample],
}

/// Cuts samples into stretches of one segment each; a segment that runs twice gives two.
#[must_use]
pub fn segments(samples: &[Sample]) -> Vec<SegmentRun<'_>> {
    samples
        .chunk_by(|a, b| a.segment == b.segment)
        .filter_map(|run| run.first().map(|first| SegmentRun { slot: first.segment, samples: run }))
        .collect()
}

/// Positions over time, centred without rounding: integers less an integer.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Track {
    origin: Micros,
    counts_per_rev: f64,
    /// Microseconds after the origin, whole numbers.
    pub(super) micros: Vec<f64>,
    /// Counts after the first position, whole numbers.
    pub(super) counts: Vec<f64>,
}

impl Track {
    /// From samples of a window.
    pub(super) fn new(
        what: &'static str,
        samples: &[Sample],
        counts_per_rev: CountsPerRev,
        need: usize,
    ) -> Result<Self, EstimateError> {
        let too_few = EstimateError::TooFewSamples { what, have: samples.len(), need };
        let (Some(first), Some(last)) = (samples.first(), samples.last()) else { return Err(too_few) };
        if samples.len() < need {
            return Err(too_few);
        }
        if counts_per_rev.get() == 0 {
            return Err(EstimateError::NoCountsPerRev);
        }
        if let Some(pair) = samples.windows(2).find(|pair| pair[1].at <= pair[0].at) {
            return Err(EstimateError::TimeNotRising { sequence: pair[1].sequence });
        }
        let origin = Micros(first.at.0 + (last.at.0 - first.at.0) / 2);
        Ok(Self {
            origin,
            counts_per_rev: f64::from(counts_per_rev.get()),
            micros: samples.iter().map(|s| signed_micros(s.at, origin)).collect(),
            counts: samples.iter().map(|s| s.position.0.wrapping_sub(first.position.0) as f64).collect(),
        })
    }

    pub(super) fn len(&self) -> usize {
        self.micros.len()
    }

    /// Time from the first to the last sample.
    pub(super) fn duration(&self) -> Seconds {
        Seconds::new(1e-6 * (self.micros[self.len() - 1] - self.micros[0]))
    }

    /// Way from the first to the last sample, without sign.
    pub(super) fn turns(&self) -> Turns {
        Turns::new(self.counts[self.len() - 1].abs() / self.counts_per_rev)
    }

    /// A place on the track as a time of the fixture's clock.
    pub(super) fn at(&self, micros: f64) -> Micros {
        offset(self.origin, micros)
    }

    pub(super) fn rpm(&self, counts_per_micro: f64) -> Rpm {
        Rpm::new(counts_per_micro * 60e6 / self.counts_per_rev)
    }

    pub(super) fn rad_per_sec(&self, counts_per_micro: f64) -> RadPerSec {
        self.rpm(counts_per_micro).to_rad_per_sec()
    }

    /// Radians per count.
    pub(super) fn radians(&self) -> f64 {
        core::f64::consts::TAU / self.counts_per_rev
    }

    /// From −½ at the first sample to +½ at the last.
    pub(super) fn ramp(&self) -> Vec<f64> {
        let (first, span) = (self.micros[0], self.micros[self.len() - 1] - self.micros[0]);
        self.micros.iter().map(|t| (t - first) / span - 0.5).collect()
    }
}

/// Microseconds from `origin` to `at`, exact for any record shorter than 285 years.
pub(super) fn signed_micros(at: Micros, origin: Micros) -> f64 {
    at.0.wrapping_sub(origin.0).cast_signed() as f64
}

/// `origin` moved by a number of microseconds, rounded to a whole one.
pub(super) fn offset(origin: Micros, micros: f64) -> Micros {
    Micros(origin.0.saturating_add_signed(micros.round() as i64))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proofstand_protocol::units::Counts;

    fn sample(at: u64, position: i64, segment: u8) -> Sample {
        Sample { at: Micros(at), position: Counts(position), segment, ..Sample::default() }
    }

    #[test]
    fn centring_loses_nothing_however_far_from_zero() {
        let far = 9_007_199_254_740_993; // 2⁵³ + 1, which no f64 can hold
        let samples: Vec<Sample> =
            (0..5).map(|i| sample(far + 1000 * i, far as i64 + 7 * i as i64, 0)).collect();
        let track = Track::new("test", &samples, CountsPerRev::new(4), 3).unwrap();
        assert_eq!(track.micros, [-2000.0, -1000.0, 0.0, 1000.0, 2000.0]);
        assert_eq!(track.counts, [0.0, 7.0, 14.0, 21.0, 28.0]);
        assert_eq!(track.turns(), Turns::new(7.0));
        assert_eq!(track.at(2000.0), Micros(far + 4000));
    }

    #[test]
    fn a_record_out_of_order_is_refused() {
        let samples = [sample(0, 0, 0), sample(1000, 1, 0), sample(1000, 2, 0)];
        let error = Track::new("test", &samples, CountsPerRev::new(4), 3).unwrap_err();
        assert!(matches!(error, EstimateError::TimeNotRising { .. }));
        let none = Track::new("test", &samples[..2], CountsPerRev::new(0), 2).unwrap_err();
        assert_eq!(none, EstimateError::NoCountsPerRev);
    }

    #[test]
    fn windows_hold_their_start_and_not_their_end() {
        let samples: Vec<Sample> = (0..10).map(|i| sample(i * 1000, 0, (i / 4) as u8)).collect();
        assert_eq!(between(&samples, Micros(2000), Micros(5000)).len(), 3);
        assert!(between(&samples, Micros(5000), Micros(2000)).is_empty());
        let runs: Vec<(u8, usize)> = segments(&samples).iter().map(|r| (r.slot, r.samples.len())).collect();
        assert_eq!(runs, [(0, 4), (1, 4), (2, 2)]);
    }
}
