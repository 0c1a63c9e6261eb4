//! The last stretches of motion, each with constant acceleration, kept so that any moment in them can be looked at.

use crate::time::PlantTime;

/// The moment asked for is no longer, or not yet, in the kept history.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("{asked} ns is outside the kept history, {oldest} to {newest} ns: ask sooner, or for less at a time")]
pub struct HistoryGone {
    /// Nanoseconds asked for.
    pub asked: u64,
    /// Oldest that is kept.
    pub oldest: u64,
    /// Now.
    pub newest: u64,
}

/// A stretch of motion in which acceleration is constant and speed keeps its sign.
#[derive(Debug, Default, Clone, Copy)]
pub(crate) struct Piece {
    /// Start of the step it belongs to, nanoseconds.
    pub(crate) step_start: u64,
    /// Start within that step, seconds.
    pub(crate) from: f64,
    /// Length, seconds.
    pub(crate) length: f64,
    /// Turns at its start, clockwise.
    pub(crate) angle: f64,
    /// Turns at its end.
    pub(crate) end_angle: f64,
    /// Turns per second at its start.
    pub(crate) speed: f64,
    /// Turns per second².
    pub(crate) acceleration: f64,
    /// The encoder output was live.
    pub(crate) live: bool,
}

impl Piece {
    /// Angle `t` seconds into the piece.
    pub(crate) fn angle_after(&self, t: f64) -> f64 {
        let t = t.clamp(0.0, self.length);
        self.angle + t * (self.speed + 0.5 * self.acceleration * t)
    }

    /// First whole nanosecond at which the shaft has reached `angle`, or is beyond it; it must lie between the
    /// piece's ends.
    pub(crate) fn time_of(&self, angle: f64, beyond: bool) -> u64 {
        let way = angle - self.angle;
        let direction = if self.end_angle < self.angle { -1.0 } else { 1.0 };
        // The root that is reached first, in the form that does not cancel.
        let root = (self.speed * self.speed + 2.0 * self.acceleration * way).max(0.0).sqrt();
        let denominator = self.speed + direction * root;
        let t = if denominator == 0.0 { 0.0 } else { 2.0 * way / denominator };
        let t = self.from + t.clamp(0.0, self.length);
        // Times that are whole but for rounding (1e-5 ns) count as whole.
        let exact = t * 1e9;
        let nanos = if beyond { (exact + 1e-5).floor() as u64 + 1 } else { (exact - 1e-5).ceil() as u64 };
        // Whatever rounding does, an edge of this piece lies after its step's start and not after its own end, so
        // that windows that meet there neither lose it nor see it twice.
        let end = ((self.from + self.length) * 1e9 - 1e-5).ceil() as u64;
        self.step_start + nanos.clamp(1, end.max(1))
    }
}

/// Pieces kept: 25.6 ms at 50 µs, so that a burst of 20 ms fits.
const KEPT: usize = 512;

/// Ring of the last pieces.
#[derive(Debug, Clone)]
pub(crate) struct History {
    ring: Box<[Piece; KEPT]>,
    written: usize,
}

impl History {
    pub(crate) fn new() -> Self {
        Self { ring: Box::new([Piece::default(); KEPT]), written: 0 }
    }

    #[inline]
    pub(crate) fn push(&mut self, piece: Piece) {
        self.ring[self.written % KEPT] = piece;
        self.written += 1;
    }

    fn oldest_index(&self) -> usize {
        self.written.saturating_sub(KEPT)
    }

    fn at(&self, index: usize) -> &Piece {
        &self.ring[index % KEPT]
    }

    pub(crate) fn covers(&self, time: PlantTime, now: u64) -> Result<(), HistoryGone> {
        let oldest = if self.written == 0 { now } else { self.at(self.oldest_index()).step_start };
        let asked = time.nanos();
        if asked < oldest || asked > now { Err(HistoryGone { asked, oldest, newest: now }) } else { Ok(()) }
    }

    /// Index of the last piece whose step begins at or before `time`, and the first piece of that step.
    fn first_of_step(&self, time: u64) -> usize {
        let (mut low, mut high) = (self.oldest_index(), self.written);
        while high - low > 1 {
            let middle = low.midpoint(high);
            if self.at(middle).step_start <= time {
                low = middle;
            } else {
                high = middle;
            }
        }
        let step = self.at(low).step_start;
        while low > self.oldest_index() && self.at(low - 1).step_start == step {
            low -= 1;
        }
        low
    }

    /// Pieces from the step that holds `from` on.
    pub(crate) fn pieces_from(&self, from: u64) -> impl Iterator<Item = &Piece> {
        let first = if self.written == 0 { 0 } else { self.first_of_step(from) };
        (first..self.written).map(|index| self.at(index))
    }

    /// Angle at a moment that [`History::covers`] allows, with whether the encoder output was live; none when nothing has moved yet.
    pub(crate) fn angle_at(&self, time: u64) -> Option<(f64, bool)> {
        let mut found = None;
        for piece in self.pieces_from(time) {
            if piece.step_start > time {
                break;
            }
            let t = (time - piece.step_start) as f64 * 1e-9 - piece.from;
            if t < 0.0 && found.is_some() {
                break;
            }
            found = Some((piece.angle_after(t), piece.live));
        }
        found
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_time_of_an_angle_undoes_the_angle_of_a_time_speeding_up_slowing_down_and_from_rest() {
        for (speed, acceleration) in
            [(10.0, 3000.0), (10.0, -190_000.0), (0.0, 500.0), (-4.0, -900.0), (-3.0, 0.0)]
        {
            let mut piece =
                Piece { step_start: 1_000, from: 0.0, length: 5e-5, speed, acceleration, ..Piece::default() };
            piece.end_angle = piece.angle_after(5e-5);
            for nanos in [1u64, 10_000, 25_000, 49_000] {
                let angle = piece.angle_after(nanos as f64 * 1e-9);
                let found = piece.time_of(angle, false);
                assert!(found.abs_diff(1_000 + nanos) <= 1, "{speed} {acceleration} {nanos}: {found}");
            }
        }
    }
}
