//! The pairs of A and B on their way to the fixture.

use super::Line;

/// How the pairs of A and B reach the fixture.
#[derive(Debug, Clone, Copy)]
pub(super) struct Pairs {
    pub(super) swapped: bool,
    pub(super) a_reversed: bool,
    pub(super) b_reversed: bool,
    /// The pair that stands still, high: the receivers' bias keeps it there.
    pub(super) dead: Option<Line>,
}

impl Pairs {
    /// Levels that the fixture's receivers see at a count of the amplifier's.
    pub(super) fn levels(self, count: i64) -> (bool, bool) {
        let (a, b) = levels(count);
        let (a, b) = if self.swapped { (b, a) } else { (a, b) };
        let (a, b) = (a ^ self.a_reversed, b ^ self.b_reversed);
        (a || self.dead == Some(Line::A), b || self.dead == Some(Line::B))
    }

    /// The way the fixture counts where the amplifier counts up.
    pub(super) const fn way(self) -> i64 {
        if self.swapped ^ self.a_reversed ^ self.b_reversed { -1 } else { 1 }
    }

    /// What the levels at a count of the amplifier's say of the fixture's: two bits.
    pub(super) fn state(self, count: i64) -> i64 {
        let (a, b) = self.levels(count);
        [[0, 3], [1, 2]][usize::from(a)][usize::from(b)]
    }
}

/// A and B for a counter: 00, 10, 11, 01 as it rises, A leading.
const fn levels(counter: i64) -> (bool, bool) {
    match counter & 3 {
        0 => (false, false),
        1 => (true, false),
        2 => (true, true),
        _ => (false, true),
    }
}
