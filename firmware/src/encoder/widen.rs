//! From a wrapping hardware counter to a position that does not wrap.

use proofstand_protocol::units::Counts;

/// Widens a wrapping 32-bit counter to 64 bits.
///
/// Right as long as the shaft moves less than 2³¹ counts between two updates; at 10 million counts a second that is
/// 214 s, and updates come every millisecond.
#[derive(Debug, Default, Clone, Copy, PartialEq, Eq)]
pub struct WideCounter {
    raw: u32,
    position: i64,
}

impl WideCounter {
    /// Position 0 is where the counter stands now.
    pub const fn new(raw: u32) -> Self {
        Self { raw, position: 0 }
    }

    /// Takes the counter's present value; gives the position.
    pub fn update(&mut self, raw: u32) -> Counts {
        self.position = self.peek(raw).0;
        self.raw = raw;
        Counts(self.position)
    }

    /// The position that a counter value near the present one stands for.
    pub fn peek(&self, raw: u32) -> Counts {
        // The difference modulo 2^32, read as signed, is the shorter way round.
        let travel = raw.wrapping_sub(self.raw).cast_signed();
        Counts(self.position.saturating_add(i64::from(travel)))
    }

    /// The position.
    pub const fn position(&self) -> Counts {
        Counts(self.position)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn the_wrap_is_crossed_both_ways() {
        let mut counter = WideCounter::new(u32::MAX - 1);
        assert_eq!(counter.update(1), Counts(3));
        assert_eq!(counter.peek(u32::MAX), Counts(1));
        assert_eq!(counter.update(u32::MAX - 4), Counts(-3));
        assert_eq!(counter.position(), Counts(-3));
    }

    proptest! {
        #[test]
        fn widening_follows_any_path(start: u32, steps in prop::collection::vec(any::<i32>(), 0..200)) {
            let mut counter = WideCounter::new(start);
            let mut position = 0_i64;
            for step in steps {
                position += i64::from(step);
                // What a 32-bit counter shows of an unbounded position is its remainder modulo 2^32.
                let raw = (i64::from(start) + position).rem_euclid(1 << 32) as u32;
                prop_assert_eq!(counter.update(raw), Counts(position));
            }
        }
    }
}
