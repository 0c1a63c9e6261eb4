//! A quadrature decoder in software, for boards without one in hardware and for tests.

use proofstand_protocol::units::Counts;

/// Levels of the two phases.
#[derive(Debug, Default, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Lines {
    /// Phase A is high.
    pub a: bool,
    /// Phase B is high.
    pub b: bool,
}

/// What one sample of the phases means.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Step {
    /// Nothing changed.
    Still,
    /// One count up: A leads B.
    Up,
    /// One count down: B leads A.
    Down,
    /// Both phases changed: the direction is not known, and two counts (or more) are wrong.
    Illegal,
}

/// The 16 transitions; index is 8·A + 4·B before, 2·A + B after. Forward runs through 00, 10, 11, 01.
const TRANSITIONS: [Step; 16] = {
    use Step::{Down, Illegal, Still, Up};
    [
        Still, Down, Up, Illegal, // from 00
        Up, Still, Illegal, Down, // from 01
        Down, Illegal, Still, Up, // from 10
        Illegal, Up, Down, Still, // from 11
    ]
};

/// Counts every edge of A and B (x4), and the transitions that cannot be.
#[derive(Debug, Clone)]
pub struct QuadratureDecoder {
    lines: Lines,
    counter: u32,
    ups: u32,
    downs: u32,
    illegal: u32,
}

impl QuadratureDecoder {
    /// Counter at 0.
    pub const fn new(lines: Lines) -> Self {
        Self { lines, counter: 0, ups: 0, downs: 0, illegal: 0 }
    }

    /// Takes one sample of the phases.
    pub fn sample(&mut self, lines: Lines) -> Step {
        let step = Self::transition(self.lines, lines);
        self.lines = lines;
        match step {
            Step::Still => {}
            Step::Up => {
                self.counter = self.counter.wrapping_add(1);
                self.ups = self.ups.wrapping_add(1);
            }
            Step::Down => {
                self.counter = self.counter.wrapping_sub(1);
                self.downs = self.downs.wrapping_add(1);
            }
            Step::Illegal => self.illegal = self.illegal.saturating_add(1),
        }
        step
    }

    /// What a transition means.
    pub fn transition(before: Lines, after: Lines) -> Step {
        let bit = |level: bool, weight: usize| if level { weight } else { 0 };
        let index = bit(before.a, 8) + bit(before.b, 4) + bit(after.a, 2) + bit(after.b, 1);
        TRANSITIONS.get(index).copied().unwrap_or(Step::Illegal)
    }

    /// The wrapping counter, as hardware would keep it.
    pub const fn counter(&self) -> u32 {
        self.counter
    }

    /// Net counts, for short runs: the counter read as signed.
    pub const fn counts(&self) -> Counts {
        Counts(self.counter.cast_signed() as i64)
    }

    /// Legal counts up and down.
    pub const fn legal(&self) -> (u32, u32) {
        (self.ups, self.downs)
    }

    /// Illegal transitions: a lower bound of what went wrong, since two lost edges in the same place look legal.
    pub const fn illegal(&self) -> u32 {
        self.illegal
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn lines(a: &str, b: &str) -> Lines {
        Lines { a: a == "1", b: b == "1" }
    }

    /// Source: tests/reference/quadrature-x4-truth-table.csv (2-bit reflected Gray code; agrees with sigrok's
    /// `graycode` decoder for all 16 transitions).
    #[test]
    fn all_sixteen_transitions_mean_what_the_truth_table_says() {
        let mut rows = 0;
        for line in include_str!("../../../tests/reference/quadrature-x4-truth-table.csv").lines().skip(1) {
            let f: std::vec::Vec<&str> = line.split(',').collect();
            let expected = match (f[5], f[6]) {
                (_, "true") => Step::Illegal,
                ("+1", _) => Step::Up,
                ("-1", _) => Step::Down,
                ("0", _) => Step::Still,
                other => panic!("{other:?}"),
            };
            assert_eq!(
                QuadratureDecoder::transition(lines(f[1], f[2]), lines(f[3], f[4])),
                expected,
                "{line}"
            );
            rows += 1;
        }
        assert_eq!(rows, 16);
    }

    /// Source: tests/reference/quadrature-sample.csv and quadrature-sample-expected.csv (counts and illegal
    /// transition as printed by sigrok-cli's `graycode` decoder for the same edges).
    #[test]
    fn the_sample_stream_gives_the_counts_that_sigrok_prints() {
        let stream: std::vec::Vec<Lines> = include_str!("../../../tests/reference/quadrature-sample.csv")
            .lines()
            .skip(1)
            .map(|line| line.split_once(',').map(|(a, b)| lines(a, b)).unwrap())
            .collect();
        let mut expected =
            include_str!("../../../tests/reference/quadrature-sample-expected.csv").lines().skip(2);
        let mut decoder = QuadratureDecoder::new(stream[0]);
        let mut events = 0;
        for (sample, level) in stream.iter().enumerate().skip(1) {
            let step = decoder.sample(*level);
            if step == Step::Still {
                continue;
            }
            let event = match step {
                Step::Up => "+1",
                Step::Down => "-1",
                _ => "illegal",
            };
            let (a, b) = (u8::from(level.a), u8::from(level.b));
            let seen = format!("{sample},{a},{b},{},{event}", decoder.counts().0);
            assert_eq!(Some(seen.as_str()), expected.next());
            events += 1;
        }
        assert_eq!((events, expected.next()), (14, None));
        assert_eq!((decoder.legal(), decoder.illegal()), ((10, 3), 1));
    }

    /// Source: tests/reference/quadrature-definitions.toml, `counts_per_revolution`: 4·N with x4 decoding.
    #[test]
    fn one_revolution_of_n_pulses_is_four_n_counts() {
        let forward = [("1", "0"), ("1", "1"), ("0", "1"), ("0", "0")];
        let mut decoder = QuadratureDecoder::new(Lines::default());
        for _ in 0..1_024 {
            for (a, b) in forward {
                decoder.sample(lines(a, b));
            }
        }
        assert_eq!(decoder.counts(), Counts(4 * 1_024));
        for _ in 0..2_048 {
            for (a, b) in [("0", "1"), ("1", "1"), ("1", "0"), ("0", "0")] {
                decoder.sample(lines(a, b));
            }
        }
        assert_eq!(decoder.counts(), Counts(-4 * 1_024));
        assert_eq!((decoder.counter(), decoder.illegal()), (0_u32.wrapping_sub(4_096), 0));
    }

    proptest! {
        #[test]
        fn any_walk_of_single_steps_is_counted_exactly_and_is_legal(steps in prop::collection::vec(-1_i8..=1, 0..500)) {
            let at = |position: i64| match position.rem_euclid(4) {
                0 => lines("0", "0"),
                1 => lines("1", "0"),
                2 => lines("1", "1"),
                _ => lines("0", "1"),
            };
            let mut position = 0_i64;
            let mut decoder = QuadratureDecoder::new(at(0));
            for step in steps {
                position += i64::from(step);
                decoder.sample(at(position));
                prop_assert_eq!(decoder.counts(), Counts(position));
            }
            prop_assert_eq!(decoder.illegal(), 0);
        }
    }
}
