//! Counts from index to index.
//!
//! The index is latched at the first place at which Z is high. Turning forward that is one edge of Z, turning backward
//! the other: the two differ by the width of Z, which is no counting fault. So like is compared with like.

use core::cmp::Ordering;

use proofstand_protocol::message::{Event, Sample};
use proofstand_protocol::units::{Counts, Micros};
use proofstand_units::CountsPerRev;

use crate::metrology::Conformity;
use crate::metrology::counting::FaultCount;

/// Which way the counts ran.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Travel {
    /// Counts rising.
    Forward,
    /// Counts falling.
    Backward,
}

/// A passage of the index.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct IndexPass {
    /// When it was latched.
    pub at: Micros,
    /// The count that was latched.
    pub position: Counts,
    /// Which way the counts ran; none if the samples around it don't tell.
    pub travel: Option<Travel>,
}

/// Passages of the index among events, each with the way the counts ran around it.
#[must_use]
pub fn passes(events: &[(Micros, Event)], samples: &[Sample]) -> Vec<IndexPass> {
    events
        .iter()
        .filter_map(|(at, event)| match event {
            Event::Index { position } => {
                Some(IndexPass { at: *at, position: *position, travel: travel(samples, *at) })
            }
            _ => None,
        })
        .collect()
}

/// The way the counts ran at a moment, from the nearest samples before and after it that differ.
fn travel(samples: &[Sample], at: Micros) -> Option<Travel> {
    const LOOK: usize = 50;
    let after = samples.partition_point(|s| s.at < at);
    for reach in 1..=LOOK {
        let before = samples.get(after.checked_sub(reach)?)?;
        let behind = samples.get((after + reach - 1).min(samples.len().checked_sub(1)?))?;
        match behind.position.cmp(&before.position) {
            Ordering::Greater => return Some(Travel::Forward),
            Ordering::Less => return Some(Travel::Backward),
            Ordering::Equal => {}
        }
    }
    None
}

/// Counts between two neighbouring passages of the same edge.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Interval {
    /// Which way.
    pub travel: Travel,
    /// Counts, without sign.
    pub counts: Counts,
    /// First passage.
    pub from: Micros,
    /// Second passage.
    pub to: Micros,
}

/// All intervals turned one way.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Turned {
    /// Intervals.
    pub revolutions: u64,
    /// Sum of their counts.
    pub sum: Counts,
    /// Intervals that have another number of counts than expected.
    pub faults: u64,
    /// Of those, intervals of a whole multiple, two or more: as when an index was missed.
    pub multiples: u64,
    /// Of those, intervals of less than half: as when noise was taken for an index.
    pub short: u64,
}

/// Width of the index in counts, from places where the shaft turned back between two passages.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct IndexWidth {
    /// Smallest found.
    pub least: Counts,
    /// Largest found.
    pub most: Counts,
    /// How often it was found.
    pub times: u64,
}

/// Width of the index, from where it was latched turning forward and turning backward, in whatever order: those places
/// are its two ends, a count less apart than it is wide. None unless it was passed both ways.
#[must_use]
pub fn index_width(passes: &[IndexPass], per_rev: CountsPerRev) -> Option<IndexWidth> {
    let turn = i64::from(per_rev.get()).max(1);
    let latched = |way| passes.iter().filter(move |p| p.travel == Some(way)).map(|p| p.position.0);
    let mut found: Option<IndexWidth> = None;
    for forward in latched(Travel::Forward) {
        for backward in latched(Travel::Backward) {
            let width = Counts(backward.wrapping_sub(forward).rem_euclid(turn) + 1);
            found = Some(match found {
                None => IndexWidth { least: width, most: width, times: 1 },
                Some(w) => {
                    IndexWidth { least: w.least.min(width), most: w.most.max(width), times: w.times + 1 }
                }
            });
        }
    }
    found
}

/// A count of lines against the sheet.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LineCount {
    /// Counts expected from index to index.
    pub expected: Counts,
    /// Every interval, in the order of time.
    pub intervals: Vec<Interval>,
    /// Turned forward.
    pub forward: Turned,
    /// Turned backward.
    pub backward: Turned,
    /// Width of the index, if the shaft turned back at least once.
    pub width: Option<IndexWidth>,
    /// Passages whose direction the samples don't tell; they begin and end no interval.
    pub untold: u64,
}

impl LineCount {
    /// Intervals that differ from what is expected, of all intervals.
    #[must_use]
    pub const fn faults(&self) -> FaultCount {
        FaultCount {
            faults: self.forward.faults + self.backward.faults,
            trials: self.forward.revolutions + self.backward.revolutions,
        }
    }

    /// Accepted if there is at least one interval and every one is exactly as expected.
    #[must_use]
    pub const fn conformity(&self) -> Conformity {
        match self.faults() {
            FaultCount { trials: 0, .. } => Conformity::Undecided,
            FaultCount { faults: 0, .. } => Conformity::Accepted,
            FaultCount { .. } => Conformity::Rejected,
        }
    }

    /// The number of counts that most intervals have (the smaller one of a tie): what the amplifier seems set to.
    #[must_use]
    pub fn commonest(&self) -> Option<Counts> {
        let mut counts: Vec<Counts> = self.intervals.iter().map(|i| i.counts).collect();
        counts.sort_unstable();
        counts
            .chunk_by(|a, b| a == b)
            .max_by(|a, b| a.len().cmp(&b.len()).then_with(|| b.cmp(a)))
            .and_then(|run| run.first().copied())
    }
}

/// Counts each interval between neighbouring passages in the same direction.
#[must_use]
pub fn line_count(passes: &[IndexPass], expected: CountsPerRev) -> LineCount {
    let expected = Counts(i64::from(expected.get()));
    let mut count = LineCount {
        expected,
        intervals: Vec::new(),
        forward: Turned::default(),
        backward: Turned::default(),
        width: None,
        untold: passes.iter().filter(|p| p.travel.is_none()).count() as u64,
    };
    for pair in passes.windows(2) {
        let [a, b] = pair else { continue };
        let (Some(was), Some(is)) = (a.travel, b.travel) else { continue };
        let moved = b.position.0.wrapping_sub(a.position.0);
        if was == is {
            let way = if is == Travel::Forward { moved } else { moved.wrapping_neg() };
            count.intervals.push(Interval { travel: is, counts: Counts(way), from: a.at, to: b.at });
            let turned = if is == Travel::Forward { &mut count.forward } else { &mut count.backward };
            turned.add(way, expected.0);
        } else {
            // Forward then back (or back then forward) over the same index: its last count and its first.
            let width = if was == Travel::Forward { moved } else { moved.wrapping_neg() };
            let width = Counts(width.rem_euclid(expected.0.max(1)) + 1);
            count.width = Some(match count.width {
                None => IndexWidth { least: width, most: width, times: 1 },
                Some(w) => {
                    IndexWidth { least: w.least.min(width), most: w.most.max(width), times: w.times + 1 }
                }
            });
        }
    }
    count
}

impl Turned {
    fn add(&mut self, way: i64, expected: i64) {
        self.revolutions += 1;
        self.sum.0 = self.sum.0.saturating_add(way);
        if way != expected {
            self.faults += 1;
            self.multiples += u64::from(expected > 0 && way > expected && way % expected == 0);
            self.short += u64::from(way.saturating_mul(2) < expected);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const N4: CountsPerRev = CountsPerRev::new(4096);

    fn pass(at: u64, position: i64, travel: Travel) -> IndexPass {
        IndexPass { at: Micros(at), position: Counts(position), travel: Some(travel) }
    }

    /// Passages of a true encoder: Z is high from 10 to 13 of every revolution, so it is latched at 10 forward and at
    /// 13 backward (by the definition of the latch).
    fn there_and_back(revolutions: i64) -> Vec<IndexPass> {
        let there = (0..=revolutions).map(|i| pass(i as u64, 10 + 4096 * i, Travel::Forward));
        let back = (0..=revolutions)
            .map(|i| pass((revolutions + 1 + i) as u64, 13 + 4096 * (revolutions - i), Travel::Backward));
        there.chain(back).collect()
    }

    #[test]
    fn a_hundred_turns_each_way_are_exact_and_the_width_of_z_is_no_fault() {
        let got = line_count(&there_and_back(100), N4);
        assert_eq!((got.forward.revolutions, got.backward.revolutions), (100, 100));
        assert_eq!((got.forward.sum, got.backward.sum), (Counts(409_600), Counts(409_600)));
        assert_eq!(got.faults(), FaultCount { faults: 0, trials: 200 });
        assert_eq!(got.width, Some(IndexWidth { least: Counts(4), most: Counts(4), times: 1 }));
        assert_eq!(got.conformity(), Conformity::Accepted);
        // Rule of three (Hanley and Lippman-Hand 1983).
        assert!((got.faults().rate_at_most().per_trial() - 0.015).abs() < 1e-15);
    }

    #[test]
    fn one_count_lost_spoils_one_interval_and_the_sum() {
        let mut seen = there_and_back(20);
        for p in &mut seen[5..] {
            p.position.0 -= 1;
        }
        let got = line_count(&seen, N4);
        assert_eq!(got.faults(), FaultCount { faults: 1, trials: 40 });
        assert_eq!(got.forward.sum, Counts(20 * 4096 - 1));
        assert_eq!((got.conformity(), got.commonest()), (Conformity::Rejected, Some(Counts(4096))));
    }

    #[test]
    fn a_missed_index_and_one_too_many_are_told_from_lost_counts() {
        let mut seen = there_and_back(10);
        seen.remove(4);
        assert_eq!((line_count(&seen, N4).forward.faults, line_count(&seen, N4).forward.multiples), (1, 1));
        let mut seen = there_and_back(10);
        seen.insert(1, pass(0, 110, Travel::Forward));
        let got = line_count(&seen, N4).forward;
        assert_eq!((got.faults, got.short), (2, 1));
    }

    #[test]
    fn pulses_taken_for_counts_show_as_the_commonest_number() {
        let got = line_count(&there_and_back(5), CountsPerRev::new(1024));
        assert_eq!((got.commonest(), got.conformity()), (Some(Counts(4096)), Conformity::Rejected));
        assert_eq!(line_count(&[], N4).conformity(), Conformity::Undecided);
    }

    #[test]
    fn direction_is_read_from_the_samples_around_the_passage() {
        let samples: Vec<Sample> = [0, 5, 10, 10, 10, 4, -2]
            .iter()
            .enumerate()
            .map(|(i, p)| Sample { at: Micros(1000 * i as u64), position: Counts(*p), ..Sample::default() })
            .collect();
        let events = [
            (Micros(500), Event::Index { position: Counts(3) }),
            (Micros(1200), Event::Flag { input: 0, conducting: true }),
            (Micros(4500), Event::Index { position: Counts(6) }),
            (Micros(0), Event::Index { position: Counts(0) }),
        ];
        let told: Vec<Option<Travel>> = passes(&events, &samples).iter().map(|p| p.travel).collect();
        assert_eq!(told, [Some(Travel::Forward), Some(Travel::Backward), None]);
        assert_eq!(passes(&events, &[])[0].travel, None);
    }
}
