//! Index passes: where, which way, how many counts between like passes, and a speed that needs no line count.

use proofstand_protocol::units::{Counts, Micros, MilliRpm};

use super::Direction;

/// One revolution a microsecond, in thousandths of a revolution per minute.
const MILLI_RPM_PER_REV_PER_MICRO: u64 = 60_000_000_000;
/// Passes closer together than this are chatter of one edge: 1 ms would be 60 000 rpm.
pub const SHORTEST_TURN_US: u64 = 1_000;
/// No encoder gives fewer counts than this in a revolution. Common practice, no source: four pulses.
const FEWEST_COUNTS: u64 = 16;

/// From one pass to the next like it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct IndexInterval {
    /// Counts between the two passes, signed: on a sound encoder plus or minus the counts per revolution.
    pub counts: Counts,
    /// Microseconds between the two passes.
    pub micros: u64,
}

/// One pass of the index.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct IndexPass {
    /// Count at the first sample with Z high. Depends on the direction: the two differ by the width of Z.
    pub position: Counts,
    /// When.
    pub at: Micros,
    /// From which side Z was met.
    pub direction: Direction,
    /// Since the pass before, if that came from the same side and the shaft had turned in between.
    pub interval: Option<IndexInterval>,
}

/// Follows index passes.
#[derive(Debug, Default, Clone)]
pub struct IndexTracker {
    last: Option<IndexPass>,
    last_up: Option<Counts>,
    last_down: Option<Counts>,
    /// Time of the last turn, while turning on the same way.
    turn: Option<(u64, Direction)>,
    /// Travel has been seen since the last pass: the counter lives.
    travelled: bool,
    trembles: u32,
    passes: u32,
    chatter: u32,
}

impl IndexTracker {
    /// No pass seen.
    pub fn new() -> Self {
        Self::default()
    }

    /// Takes one pass. None if it is chatter.
    pub fn pass(&mut self, position: Counts, at: Micros, direction: Direction) -> Option<IndexPass> {
        let micros = self.last.map(|last| at.0.saturating_sub(last.at.0));
        if micros.is_some_and(|micros| micros < SHORTEST_TURN_US) {
            self.count_chatter();
            return None;
        }
        let like = self.last.filter(|last| last.direction == direction);
        let interval = like.zip(micros).map(|(last, micros)| {
            let counts = Counts(position.0.saturating_sub(last.position.0));
            IndexInterval { counts, micros }
        });
        let turn = interval.filter(|interval| self.is_turn(interval));
        if interval.is_some() && turn.is_none() {
            // The shaft trembled about the edge of Z and met it twice from the same side.
            self.trembles = self.trembles.saturating_add(1);
        }
        let interval = turn;
        match interval {
            Some(interval) => self.turn = Some((interval.micros, direction)),
            None if like.is_none() => self.turn = None,
            None => {}
        }
        let pass = IndexPass { position, at, direction, interval };
        match direction {
            Direction::Up => self.last_up = Some(position),
            Direction::Down => self.last_down = Some(position),
        }
        self.last = Some(pass);
        self.travelled = false;
        self.passes = self.passes.saturating_add(1);
        Some(pass)
    }

    /// Forgets where the index was: the encoder's output was dead, and nobody counted meanwhile. The passes stay counted.
    pub fn forget(&mut self) {
        (self.last, self.last_up, self.last_down, self.turn) = (None, None, None, None);
    }

    /// Takes the travel of a tick.
    pub fn travel(&mut self, moved: Counts) {
        self.travelled |= moved.0 != 0;
    }

    /// Speed by the time of the last turn; while the next pass is awaited, at most one revolution in the time waited.
    /// Signed by direction. None until a turn has been seen since the last reversal.
    pub fn speed(&self, now: Micros) -> Option<MilliRpm> {
        let (micros, direction) = self.turn?;
        let waited = now.0.saturating_sub(self.last?.at.0);
        let micros = micros.max(waited).max(SHORTEST_TURN_US);
        let speed = ((MILLI_RPM_PER_REV_PER_MICRO + micros / 2) / micros).min(i32::MAX as u64) as i32;
        Some(MilliRpm(if direction == Direction::Up { speed } else { -speed }))
    }

    /// The last pass.
    pub fn last(&self) -> Option<&IndexPass> {
        self.last.as_ref()
    }

    /// Position of the last pass from a side.
    pub fn last_from(&self, direction: Direction) -> Option<Counts> {
        match direction {
            Direction::Up => self.last_up,
            Direction::Down => self.last_down,
        }
    }

    /// Passes taken.
    pub fn passes(&self) -> u32 {
        self.passes
    }

    /// Passes refused as chatter. Not zero: Z is noisy or its wiring is.
    pub fn chatter(&self) -> u32 {
        self.chatter
    }

    /// Passes from the same side as the one before without a turn in between.
    pub fn trembles(&self) -> u32 {
        self.trembles
    }

    pub(super) fn count_chatter(&mut self) {
        self.chatter = self.chatter.saturating_add(1);
    }

    /// A turn moves the counter, unless the counter is dead; a tremble moves it by next to nothing, and what it does to and
    /// fro within one tick is not seen as such.
    ///
    /// A counter with one dead phase trembles as well, and can't be told from a shaft that hunts about the edge of Z:
    /// against that fault stand the watch for missing travel and the receiver's alarm.
    fn is_turn(&self, interval: &IndexInterval) -> bool {
        interval.counts.0.unsigned_abs() >= FEWEST_COUNTS || !self.travelled
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn turning(direction: Direction, period: u64) -> IndexTracker {
        let sign = if direction == Direction::Up { 1 } else { -1 };
        let mut tracker = IndexTracker::new();
        for turn in 1..=3 {
            tracker.pass(Counts(sign * 4_000 * turn), Micros(turn as u64 * period), direction);
        }
        tracker
    }

    /// By definition: one revolution in 20 ms is 3000 rpm, in 1 s 60 rpm.
    #[test]
    fn the_speed_is_one_revolution_in_the_interval_with_the_sign_of_the_direction() {
        let up = turning(Direction::Up, 20_000);
        assert_eq!(up.speed(Micros(60_000)), Some(MilliRpm(3_000_000)));
        let down = turning(Direction::Down, 1_000_000);
        assert_eq!(down.speed(Micros(3_000_000)), Some(MilliRpm(-60_000)));
        assert_eq!(down.last().unwrap().interval.unwrap().counts, Counts(-4_000));
    }

    #[test]
    fn while_no_index_comes_the_speed_is_at_most_one_revolution_in_the_time_waited() {
        let tracker = turning(Direction::Up, 20_000);
        assert_eq!(tracker.speed(Micros(80_000)), Some(MilliRpm(3_000_000)), "20 ms waited: not late yet");
        assert_eq!(tracker.speed(Micros(100_000)), Some(MilliRpm(1_500_000)));
        assert_eq!(tracker.speed(Micros(60_060_000)), Some(MilliRpm(1_000)));
    }

    #[test]
    fn a_reversal_forgets_the_speed_until_two_like_passes() {
        let mut tracker = turning(Direction::Up, 20_000);
        let pass = tracker.pass(Counts(12_009), Micros(90_000), Direction::Down).unwrap();
        assert_eq!((pass.interval, tracker.speed(Micros(90_000))), (None, None));
        tracker.pass(Counts(8_009), Micros(120_000), Direction::Down);
        assert_eq!(tracker.speed(Micros(120_000)), Some(MilliRpm(-2_000_000)));
        assert_eq!(tracker.last_from(Direction::Up), Some(Counts(12_000)));
        assert_eq!(tracker.last_from(Direction::Down), Some(Counts(8_009)));
    }

    #[test]
    fn passes_within_a_millisecond_are_chatter_and_give_no_speed() {
        let mut tracker = turning(Direction::Up, 20_000);
        assert_eq!(tracker.pass(Counts(12_001), Micros(60_400), Direction::Up), None);
        assert_eq!((tracker.chatter(), tracker.passes()), (1, 3));
        assert_eq!(tracker.speed(Micros(60_400)), Some(MilliRpm(3_000_000)));
    }

    #[test]
    fn hunting_about_the_edge_of_z_is_no_turn_but_a_counter_without_any_travel_is_dead() {
        let mut tracker = IndexTracker::new();
        for pass in 1..=5_u64 {
            let pass = tracker.pass(Counts(0), Micros(pass * 5_000), Direction::Up).unwrap();
            assert_eq!((pass.interval, tracker.speed(pass.at)), (None, None));
            tracker.travel(Counts(-1));
            tracker.travel(Counts(1));
        }
        assert_eq!(tracker.trembles(), 4);
        // The way back lay within a tick with more of the way there: only one sign was seen.
        tracker.travel(Counts(-1));
        let pass = tracker.pass(Counts(-1), Micros(30_000), Direction::Up).unwrap();
        assert_eq!((pass.interval, tracker.speed(pass.at)), (None, None));
        let mut dead = IndexTracker::new();
        dead.pass(Counts(0), Micros(5_000), Direction::Up);
        dead.pass(Counts(0), Micros(10_000), Direction::Up);
        assert_eq!(dead.speed(Micros(10_000)), Some(MilliRpm(12_000_000)), "one turn in 5 ms");
    }
}
