//! Flag inputs: state, debounce, and edges with the time at which they happened at the terminal.

use heapless::Deque;
use proofstand_protocol::units::Micros;

/// Flag inputs of a fixture.
pub const INPUTS: usize = 8;
/// Edges that wait to be taken; more are dropped and counted.
pub const EDGES_KEPT: usize = 32;

/// An input changed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct FlagEdge {
    /// Input number, 0 to 7.
    pub input: u8,
    /// Its new state.
    pub conducting: bool,
    /// When.
    pub at: Micros,
}

/// How the inputs are read.
#[derive(Debug, Default, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct FlagTiming {
    /// A state must last so many microseconds to count. 0: every edge counts.
    pub debounce_us: u32,
    /// The coupler is so late when it begins to conduct.
    pub on_delay_us: u32,
    /// The coupler is so late when it stops conducting.
    pub off_delay_us: u32,
}

/// A change that has not lasted long enough yet.
#[derive(Debug, Default, Clone, Copy)]
struct Pending {
    since: Option<Micros>,
}

/// Follows the flag inputs.
#[derive(Debug, Clone)]
pub struct Flags {
    timing: FlagTiming,
    /// State that counts, bit n = input n conducts.
    state: u8,
    /// State as last seen, before debounce.
    seen: u8,
    pending: [Pending; INPUTS],
    edges: Deque<FlagEdge, EDGES_KEPT>,
    overflow: u32,
    raw_edges: [u32; INPUTS],
}

impl Flags {
    /// Starts from the present levels, bit n = input n conducts. No edge is reported for them.
    pub fn new(levels: u8, timing: FlagTiming) -> Self {
        Self {
            timing,
            state: levels,
            seen: levels,
            pending: [Pending::default(); INPUTS],
            edges: Deque::new(),
            overflow: 0,
            raw_edges: [0; INPUTS],
        }
    }

    /// Takes one tick: the edges that the board has seen since the last one, oldest first, and the levels now.
    ///
    /// The levels have the last word: a board's list is bounded, and an edge that it lost is made up for at `now`.
    /// Edges of inputs that do not exist, and edges to the state that already is, are ignored.
    pub fn tick(&mut self, edges: &[FlagEdge], levels: u8, now: Micros) {
        for edge in edges {
            self.raw(edge);
        }
        for input in 0..INPUTS as u8 {
            let conducting = levels & mask(input) != 0;
            self.raw(&FlagEdge { input, conducting, at: now });
            self.settle(input, now);
        }
    }

    /// State that counts, bit n = input n conducts.
    pub fn state(&self) -> u8 {
        self.state
    }

    /// State of one input; `false` for one that does not exist.
    pub fn conducting(&self, input: u8) -> bool {
        self.state & mask(input) != 0
    }

    /// The oldest edge not taken yet.
    pub fn take(&mut self) -> Option<FlagEdge> {
        self.edges.pop_front()
    }

    /// Edges that were dropped because too many waited. The state is right all the same.
    pub fn overflow(&self) -> u32 {
        self.overflow
    }

    /// Changes of an input before debounce, to judge chatter by.
    pub fn raw_edges(&self, input: u8) -> u32 {
        self.raw_edges.get(usize::from(input)).copied().unwrap_or(0)
    }

    fn raw(&mut self, edge: &FlagEdge) {
        let bit = mask(edge.input);
        if bit == 0 || (self.seen & bit != 0) == edge.conducting {
            return;
        }
        self.seen ^= bit;
        let index = usize::from(edge.input);
        if let Some(count) = self.raw_edges.get_mut(index) {
            *count = count.saturating_add(1);
        }
        // An earlier change that had lasted long enough before this one counts.
        self.settle(edge.input, edge.at);
        let changed = (self.state & bit != 0) != edge.conducting;
        if let Some(pending) = self.pending.get_mut(index) {
            pending.since = changed.then_some(edge.at);
        }
        self.settle(edge.input, edge.at);
    }

    /// Lets a pending change count if it has lasted. Its time is that of its beginning, at the terminal.
    fn settle(&mut self, input: u8, now: Micros) {
        let Some(pending) = self.pending.get_mut(usize::from(input)) else { return };
        let Some(since) = pending.since else { return };
        if now.0.saturating_sub(since.0) < u64::from(self.timing.debounce_us) {
            return;
        }
        pending.since = None;
        self.state ^= mask(input);
        let conducting = self.state & mask(input) != 0;
        let late = if conducting { self.timing.on_delay_us } else { self.timing.off_delay_us };
        let at = Micros(since.0.saturating_sub(u64::from(late)));
        if self.edges.push_back(FlagEdge { input, conducting, at }).is_err() {
            self.overflow = self.overflow.saturating_add(1);
        }
    }
}

/// Bit of an input; 0 for one that does not exist.
fn mask(input: u8) -> u8 {
    1_u8.checked_shl(u32::from(input)).unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn edge(input: u8, conducting: bool, at: u64) -> FlagEdge {
        FlagEdge { input, conducting, at: Micros(at) }
    }

    fn all(flags: &mut Flags) -> std::vec::Vec<FlagEdge> {
        std::iter::from_fn(|| flags.take()).collect()
    }

    #[test]
    fn an_edge_keeps_the_time_that_the_board_gave_it() {
        let mut flags = Flags::new(0b1000, FlagTiming::default());
        flags.tick(&[edge(1, true, 1_234), edge(3, false, 1_500)], 0b0010, Micros(2_000));
        assert_eq!(all(&mut flags), [edge(1, true, 1_234), edge(3, false, 1_500)]);
        assert_eq!(flags.state(), 0b0010);
        assert!(flags.conducting(1) && !flags.conducting(3) && !flags.conducting(200));
    }

    #[test]
    fn the_couplers_delays_are_taken_off() {
        let timing = FlagTiming { debounce_us: 0, on_delay_us: 15, off_delay_us: 50 };
        let mut flags = Flags::new(0, timing);
        flags.tick(&[edge(0, true, 1_015), edge(0, false, 1_550)], 0, Micros(2_000));
        assert_eq!(all(&mut flags), [edge(0, true, 1_000), edge(0, false, 1_500)]);
    }

    #[test]
    fn with_debounce_chatter_is_one_edge_at_the_time_of_the_last_change() {
        let mut flags = Flags::new(0, FlagTiming { debounce_us: 2_000, ..FlagTiming::default() });
        let chatter = [edge(2, true, 1_100), edge(2, false, 1_150), edge(2, true, 1_300)];
        flags.tick(&chatter, 0b100, Micros(2_000));
        flags.tick(&[], 0b100, Micros(3_000));
        assert_eq!((flags.state(), flags.take()), (0, None));
        flags.tick(&[], 0b100, Micros(4_000));
        assert_eq!((flags.state(), all(&mut flags)), (0b100, vec![edge(2, true, 1_300)]));
        assert_eq!(flags.raw_edges(2), 3);
    }

    #[test]
    fn a_state_that_lasted_between_two_ticks_counts_even_if_it_is_over() {
        let mut flags = Flags::new(0, FlagTiming { debounce_us: 300, ..FlagTiming::default() });
        flags.tick(&[edge(0, true, 1_100), edge(0, false, 1_500)], 0, Micros(1_600));
        assert_eq!(all(&mut flags), [edge(0, true, 1_100)]);
        flags.tick(&[], 0, Micros(2_600));
        assert_eq!(all(&mut flags), [edge(0, false, 1_500)]);
    }

    #[test]
    fn an_edge_that_the_board_lost_is_made_up_for_from_the_levels() {
        let mut flags = Flags::new(0, FlagTiming::default());
        flags.tick(&[edge(5, true, 1_100), edge(5, false, 1_200)], 0b10_0000, Micros(2_000));
        assert_eq!(all(&mut flags), [edge(5, true, 1_100), edge(5, false, 1_200), edge(5, true, 2_000)]);
    }

    #[test]
    fn impossible_edges_are_ignored_and_too_many_are_counted() {
        let mut flags = Flags::new(0, FlagTiming::default());
        flags.tick(&[edge(8, true, 1), edge(255, true, 1), edge(0, false, 1)], 0, Micros(1_000));
        assert_eq!((flags.take(), flags.state()), (None, 0));
        let chatter: std::vec::Vec<_> = (0..41).map(|n| edge(0, n % 2 == 0, 1_000 + n)).collect();
        flags.tick(&chatter, 1, Micros(2_000));
        assert_eq!((flags.overflow(), flags.state(), flags.raw_edges(0)), (9, 1, 41));
        assert_eq!(all(&mut flags).len(), EDGES_KEPT);
    }

    proptest! {
        #[test]
        fn whatever_comes_the_state_follows_levels_that_last_and_edges_of_an_input_alternate(
            ticks in prop::collection::vec(
                (prop::collection::vec((0_u8..10, any::<bool>(), 0_u64..1_000), 0..6), any::<u8>()), 1..30),
            debounce_us in 0_u32..5_000,
        ) {
            let mut flags = Flags::new(0, FlagTiming { debounce_us, ..FlagTiming::default() });
            let mut shown = 0_u8;
            let (mut now, mut last) = (0, 0);
            for (edges, levels) in ticks {
                let mut edges: std::vec::Vec<_> =
                    edges.into_iter().map(|(input, on, at)| edge(input, on, now + at)).collect();
                edges.sort_by_key(|edge| edge.at);
                now += 1_000;
                last = levels;
                flags.tick(&edges, levels, Micros(now));
                while let Some(edge) = flags.take() {
                    prop_assert_ne!(shown & (1 << edge.input) != 0, edge.conducting);
                    shown ^= 1 << edge.input;
                }
                prop_assert_eq!(shown, flags.state());
            }
            for _ in 0..=5 {
                now += 1_000;
                flags.tick(&[], last, Micros(now));
            }
            prop_assert_eq!(flags.state(), last);
        }
    }
}
