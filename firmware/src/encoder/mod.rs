//! The shaft: position without wrap, index passes, and two speeds that do not depend on one another.

pub mod index;
pub mod quadrature;
pub mod speed;
pub mod widen;

use proofstand_protocol::units::{Counts, CountsPerRev, Micros, MilliRpm};

pub use index::{IndexInterval, IndexPass, IndexTracker};
pub use quadrature::{Lines, QuadratureDecoder, Step};
pub use speed::{SpeedEstimator, speed_from_edges};
pub use widen::WideCounter;

/// Which way the shaft went, by its counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Direction {
    /// Counting up: A leads B.
    Up,
    /// Counting down: B leads A.
    Down,
}

impl Direction {
    /// The direction of a travel; none if there was none.
    pub fn of(travel: Counts) -> Option<Self> {
        match travel.0.signum() {
            1 => Some(Self::Up),
            -1 => Some(Self::Down),
            _ => None,
        }
    }
}

/// The board's record of one index pass: the counter at the first sample with Z high.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct IndexLatch {
    /// The wrapping hardware counter then.
    pub raw: u32,
    /// When.
    pub at: Micros,
}

/// What the board hands over on each tick.
#[derive(Debug, Clone, Copy)]
pub struct EncoderSample<'a> {
    /// The wrapping hardware counter, in counts.
    pub raw: u32,
    /// When it was read.
    pub at: Micros,
    /// When the counter last changed, at or before `at`; none if the board does not know. A board knows it always or never.
    pub edge: Option<Micros>,
    /// Index passes since the last tick, oldest first.
    pub latches: &'a [IndexLatch],
}

/// Most index passes in one tick: 8 per millisecond would be 480 000 rpm. More than these are counted as chatter.
pub const PASSES_PER_TICK: usize = 8;

/// What is known about the shaft after a tick.
#[derive(Debug, Clone)]
pub struct EncoderReading {
    /// Position, without wrap.
    pub position: Counts,
    /// Travel since the last tick.
    pub moved: Counts,
    /// Speed from counts and the stated counts per revolution.
    pub speed: MilliRpm,
    /// Speed from the time between index passes alone, independent of the stated counts per revolution; an upper
    /// bound while the next pass is awaited. None until two like passes have been seen since the last reversal.
    pub index_speed: Option<MilliRpm>,
    /// Index passes of this tick, in order.
    pub passes: heapless::Vec<IndexPass, PASSES_PER_TICK>,
}

/// Follows one encoder, tick by tick.
#[derive(Debug, Clone)]
pub struct Encoder {
    counter: WideCounter,
    speed: SpeedEstimator,
    index: IndexTracker,
    /// Direction of the latest travel, for a pass that falls on a tick without any.
    direction: Direction,
    reading: EncoderReading,
}

impl Encoder {
    /// Starts at position 0 wherever the counter stands.
    pub fn new(raw: u32, at: Micros, counts_per_rev: CountsPerRev) -> Self {
        Self {
            counter: WideCounter::new(raw),
            speed: SpeedEstimator::new(counts_per_rev, at),
            index: IndexTracker::new(),
            direction: Direction::Up,
            reading: EncoderReading {
                position: Counts(0),
                moved: Counts(0),
                speed: MilliRpm(0),
                index_speed: None,
                passes: heapless::Vec::new(),
            },
        }
    }

    /// Uses another number of counts per revolution from now on; position and index stay.
    pub fn set_counts_per_rev(&mut self, counts_per_rev: CountsPerRev) {
        self.speed.set_counts_per_rev(counts_per_rev);
    }

    /// The output was dead on this tick: no interval is counted across it.
    pub fn forget_index(&mut self) {
        self.index.forget();
    }

    /// Takes one tick's sample.
    pub fn tick(&mut self, sample: &EncoderSample<'_>) -> &EncoderReading {
        let before = self.reading.position;
        self.reading.passes.clear();
        for latch in sample.latches {
            let position = self.counter.peek(latch.raw);
            let approach = Direction::of(Counts(position.0.saturating_sub(before.0)));
            let direction = approach.unwrap_or(self.direction);
            if let Some(pass) = self.index.pass(position, latch.at, direction)
                && self.reading.passes.push(pass).is_err()
            {
                self.index.count_chatter();
            }
        }
        let position = self.counter.update(sample.raw);
        let moved = Counts(position.0.saturating_sub(before.0));
        if let Some(direction) = Direction::of(moved) {
            self.direction = direction;
        }
        self.index.travel(moved);
        self.reading.position = position;
        self.reading.moved = moved;
        self.reading.speed = self.speed.tick(position, sample.at, sample.edge);
        self.reading.index_speed = self.index.speed(sample.at);
        &self.reading
    }

    /// What the last tick gave.
    pub fn reading(&self) -> &EncoderReading {
        &self.reading
    }

    /// The index passes so far.
    pub fn index(&self) -> &IndexTracker {
        &self.index
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const PER_REV: i64 = 4_000;
    /// Z is high from count 0 up to and with count 9 of every revolution.
    const WIDTH: i64 = 10;

    /// A shaft turned by software: A/B/Z by definition, latches as a board takes them.
    struct Shaft {
        position: i64,
        now: u64,
        edge: u64,
    }

    impl Shaft {
        fn z(position: i64) -> bool {
            position.rem_euclid(PER_REV) < WIDTH
        }

        /// One tick at a steady rate of counts; latches and edge time as a board would report them.
        fn turn(&mut self, counts: i64) -> (u32, Micros, Micros, std::vec::Vec<IndexLatch>) {
            let mut latches = std::vec::Vec::new();
            for step in 1..=counts.abs() {
                let was = Self::z(self.position);
                self.position += counts.signum();
                self.edge = self.now + (1_000 * step / counts.abs()) as u64;
                if !was && Self::z(self.position) {
                    latches.push(IndexLatch { raw: self.position as u32, at: Micros(self.edge) });
                }
            }
            self.now += 1_000;
            (self.position as u32, Micros(self.now), Micros(self.edge), latches)
        }
    }

    fn run(encoder: &mut Encoder, shaft: &mut Shaft, counts: i64) -> EncoderReading {
        let (raw, at, edge, latches) = shaft.turn(counts);
        let sample = EncoderSample { raw, at, edge: Some(edge), latches: &latches };
        encoder.tick(&sample).clone()
    }

    #[test]
    fn ten_turns_each_way_give_the_counts_per_turn_between_like_passes_and_z_wide_between_unlike() {
        let start = 2_000_u32;
        let mut encoder = Encoder::new(start, Micros(0), CountsPerRev(PER_REV as u32));
        let mut shaft = Shaft { position: i64::from(start), now: 0, edge: 0 };
        let (mut up, mut down) = (std::vec::Vec::new(), std::vec::Vec::new());
        for rate in [133_i64, -133] {
            for _ in 0..10 * PER_REV / 133 {
                for pass in run(&mut encoder, &mut shaft, rate).passes {
                    if pass.direction == Direction::Up { up.push(pass) } else { down.push(pass) }
                }
            }
        }
        assert_eq!((up.len(), down.len()), (10, 10));
        for pass in up.iter().skip(1) {
            assert_eq!(pass.interval.unwrap().counts, Counts(PER_REV));
        }
        for pass in down.iter().skip(1) {
            assert_eq!(pass.interval.unwrap().counts, Counts(-PER_REV));
        }
        assert_eq!(down[0].interval, None, "unlike passes are not compared");
        let width = down[0].position.0 - up[9].position.0;
        assert_eq!(width, WIDTH - 1, "Z seen from above begins at its last count");
    }

    #[test]
    fn both_speeds_agree_at_a_steady_rate_and_only_one_knows_the_wrong_line_count() {
        // 100 counts in 1 ms of 4000: 1500 rpm.
        let mut encoder = Encoder::new(0, Micros(0), CountsPerRev(PER_REV as u32));
        let mut shaft = Shaft { position: 0, now: 0, edge: 0 };
        for _ in 0..200 {
            run(&mut encoder, &mut shaft, 100);
        }
        let reading = encoder.reading();
        assert_eq!(reading.speed, MilliRpm(1_500_000));
        assert_eq!(reading.index_speed, Some(MilliRpm(1_500_000)));
        encoder.set_counts_per_rev(CountsPerRev(4 * PER_REV as u32));
        for _ in 0..50 {
            run(&mut encoder, &mut shaft, 100);
        }
        let reading = encoder.reading();
        assert_eq!(reading.speed, MilliRpm(375_000), "a quarter: pulses and counts mixed");
        assert_eq!(reading.index_speed, Some(MilliRpm(1_500_000)));
    }

    #[test]
    fn a_counter_that_stands_still_while_the_index_comes_still_gives_a_speed() {
        let mut encoder = Encoder::new(0, Micros(0), CountsPerRev(PER_REV as u32));
        let mut fastest = None;
        for tick in 1..=100_u64 {
            // One index pass every 10 ms: 6000 rpm; A and B dead.
            let latch = [IndexLatch { raw: 0, at: Micros(tick * 1_000) }];
            let latches = if tick % 10 == 0 { &latch[..] } else { &[] };
            let at = Micros(tick * 1_000);
            fastest =
                encoder.tick(&EncoderSample { raw: 0, at, edge: None, latches }).index_speed.max(fastest);
        }
        assert_eq!(encoder.reading().speed, MilliRpm(0));
        assert_eq!(fastest, Some(MilliRpm(6_000_000)));
    }

    proptest! {
        /// No stop-and-go makes the estimate exceed what the shaft really did in the window by more than the two
        /// counts in a millisecond that uneven edges are allowed: an overspeed trip must not come from arithmetic.
        #[test]
        fn the_speed_never_exceeds_the_fastest_of_the_window(
            rates in prop::collection::vec(prop_oneof![Just(0_i64), -3_i64..=3, -300_i64..=300], 1..200),
        ) {
            let mut encoder = Encoder::new(0, Micros(0), CountsPerRev(PER_REV as u32));
            let mut shaft = Shaft { position: 0, now: 0, edge: 0 };
            for (tick, rate) in rates.iter().enumerate() {
                let speed = run(&mut encoder, &mut shaft, *rate).speed;
                let window = &rates[(tick + 1).saturating_sub(speed::WINDOW_TICKS + 2)..=tick];
                let fastest = window.iter().map(|rate| rate.abs()).max().unwrap_or(0);
                // One count of 4000 in a millisecond is 15 rpm.
                prop_assert!(i64::from(speed.magnitude().0) <= (fastest + 2) * 15_000, "{speed:?} at tick {tick}");
            }
        }

        #[test]
        fn position_follows_any_path_and_every_pass_lies_on_an_end_of_z(
            start: u32, rates in prop::collection::vec(-300_i64..=300, 1..400),
        ) {
            let mut encoder = Encoder::new(start, Micros(0), CountsPerRev(PER_REV as u32));
            let mut shaft = Shaft { position: i64::from(start), now: 0, edge: 0 };
            for rate in rates {
                let reading = run(&mut encoder, &mut shaft, rate);
                prop_assert_eq!(reading.position.0, shaft.position - i64::from(start));
                prop_assert_eq!(reading.moved.0, rate);
                for pass in &reading.passes {
                    let place = (pass.position.0 + i64::from(start)).rem_euclid(PER_REV);
                    let expected = if pass.direction == Direction::Up { 0 } else { WIDTH - 1 };
                    prop_assert_eq!(place, expected);
                    if let Some(interval) = pass.interval {
                        prop_assert_eq!(interval.counts.0.abs(), PER_REV);
                    }
                }
            }
        }
    }
}
