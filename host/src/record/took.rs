//! How long something took: the bench, and the people that it waited for.

use core::time::Duration;

use serde::{Deserialize, Serialize};

/// Time, the bench's and people's apart. Both together are what went by.
#[derive(Debug, Default, Clone, Copy, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct Took {
    /// Seconds of the bench: motion, settling, looking on.
    pub bench_seconds: f64,
    /// Seconds in which the bench waited for a person: to turn, switch, read or answer something.
    pub person_seconds: f64,
}

impl Took {
    /// From all that went by, and the part of it that a person took.
    #[must_use]
    pub fn of(all: Duration, person: Duration) -> Self {
        Self {
            bench_seconds: all.saturating_sub(person).as_secs_f64(),
            person_seconds: person.min(all).as_secs_f64(),
        }
    }

    /// In words, for a line of text: `12.7 s`, or `0.9 s, and 7.0 s for a person`.
    #[must_use]
    pub fn words(&self) -> String {
        let bench = format!("{:.1} s", self.bench_seconds);
        if self.person_seconds < 0.05 {
            bench
        } else {
            format!("{bench}, and {:.1} s for a person", self.person_seconds)
        }
    }
}

impl core::iter::Sum for Took {
    fn sum<I: Iterator<Item = Self>>(all: I) -> Self {
        all.fold(Self::default(), |sum, one| Self {
            bench_seconds: sum.bench_seconds + one.bench_seconds,
            person_seconds: sum.person_seconds + one.person_seconds,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_persons_time_is_no_time_of_the_bench() {
        let took = Took::of(Duration::from_millis(7_900), Duration::from_millis(7_000));
        assert!((took.bench_seconds - 0.9).abs() < 1e-9 && (took.person_seconds - 7.0).abs() < 1e-9);
        assert_eq!(took.words(), "0.9 s, and 7.0 s for a person");
        assert_eq!(Took::of(Duration::from_millis(12_740), Duration::ZERO).words(), "12.7 s");
        let more_than_all = Took::of(Duration::from_secs(1), Duration::from_secs(2));
        assert_eq!(more_than_all, Took { bench_seconds: 0.0, person_seconds: 1.0 });
    }
}
