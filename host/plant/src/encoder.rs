//! The divided encoder output: counts, lines, index, and the exact moments of their edges.

mod divider;
mod pairs;

use core::ops::Range;
use std::collections::VecDeque;

use crate::history::Piece;
use crate::random::Random;
use crate::setup::PlantSetup;
use crate::time::PlantTime;

use divider::{Divider, margins};
use pairs::Pairs;

/// One of the three pairs, as the fixture sees them.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, serde::Serialize, serde::Deserialize)]
pub enum Line {
    /// Phase A.
    A,
    /// Phase B.
    B,
    /// Index.
    Z,
}

/// Levels of the three pairs.
#[derive(Debug, Default, Clone, Copy, PartialEq, Eq)]
pub struct Lines {
    /// Phase A is high.
    pub a: bool,
    /// Phase B is high.
    pub b: bool,
    /// Index is high.
    pub z: bool,
}

/// One change of one line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Edge {
    /// First whole nanosecond at which the line has changed.
    pub time: PlantTime,
    /// Which line.
    pub line: Line,
    /// High from then on.
    pub high: bool,
}

/// Z went high.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct IndexEdge {
    /// First whole nanosecond at which Z is high.
    pub time: PlantTime,
    /// The counter at that moment. Going down, Z is met at its other end: this differs from going up by Z's width
    /// less one count, as the width is a whole number of counts and both numbers are of counts inside it.
    pub counter: i64,
    /// The counter was rising.
    pub up: bool,
}

/// Length of a false pulse on Z, nanoseconds (a burst of coupled noise; common practice, no source).
const NOISE_PULSE: u64 = 2_000;

/// Index edges kept for somebody who never takes them: the oldest go first.
const KEPT_INDEX: usize = 4096;

/// False pulses kept for [`crate::Plant::edges`].
const KEPT_NOISE: usize = 256;

/// Encoder, division and wiring up to the fixture's counter.
#[derive(Debug, Clone)]
pub(crate) struct Encoder {
    divider: Divider,
    /// +1 where clockwise counts up in the amplifier.
    sense: f64,
    /// −1 where the fixture counts the other way round: A and B swapped, or one of them reversed.
    wired: i64,
    /// The fixture's count where the amplifier's is 0.
    shift: i64,
    pairs: Pairs,
    index_at: i64,
    index_width: i64,
    index_connected: bool,
    index_one_way: bool,
    /// Share of its passes at which it does not arrive, and what decides which these are.
    index_drops: f64,
    seed: u64,
    /// It does not arrive above this speed, turns per second; and the shaft turns faster.
    index_lost_above: f64,
    fast: bool,
    /// The counts rose with the last edge.
    rising: bool,
    count: i64,
    /// The count does not change between these places; empty where that is not known.
    same: Range<f64>,
    next_up: i64,
    next_down: i64,
    offset: i64,
    last_edge: Option<(Piece, i64, bool)>,
    index: VecDeque<IndexEdge>,
    noise: VecDeque<u64>,
}

impl Encoder {
    pub(crate) fn new(setup: &PlantSetup, seed: u64) -> Self {
        let e = &setup.encoder;
        let per_degree = 1.0 / 360.0 / f64::from(e.pulses.get());
        let (b, fall) = (e.phase_error.get() * per_degree, e.duty_error.get() * per_degree);
        let lag = [b, 0.0, b, fall];
        let divider = Divider {
            counts: 4 * i64::from(e.pulses.get()),
            per_turn: 4.0 * f64::from(e.pulses.get()),
            native: i64::from(e.native.get()),
            lag,
            lags: lag != [0.0; 4],
            margins: margins(&lag, 4.0 * f64::from(e.pulses.get()), f64::from(e.native.get())),
        };
        let sense = e.counts_up.sign();
        let w = &setup.wiring;
        let pairs = Pairs {
            swapped: w.encoder_swapped,
            a_reversed: w.a_reversed,
            b_reversed: w.b_reversed,
            dead: w.dead_pair.map(|dead| dead.line),
        };
        let mut encoder = Self {
            divider,
            sense,
            wired: pairs.way(),
            shift: pairs.state(0),
            pairs,
            index_at: i64::from(e.index_at),
            index_width: i64::from(e.index_width),
            index_connected: w.index_connected && pairs.dead != Some(Line::Z),
            index_one_way: e.index_one_way,
            index_drops: w.index_drops.get() / 100.0,
            seed,
            index_lost_above: w
                .index_lost_above
                .map_or(f64::INFINITY, |above| above.get() / (4.0 * f64::from(e.pulses.get()))),
            fast: false,
            rising: true,
            count: 0,
            same: 0.0..0.0,
            next_up: 0,
            next_down: 0,
            offset: 0,
            last_edge: None,
            index: VecDeque::new(),
            noise: VecDeque::new(),
        };
        encoder.jump_to(e.start_angle.get());
        encoder
    }

    /// Takes a position without having moved there.
    fn jump_to(&mut self, angle: f64) {
        let turns = angle * self.sense;
        (self.count, self.same) = self.divider.count_within(turns, self.divider.place(turns));
        self.find_index();
    }

    /// Output comes alive again after power: the amplifier starts from where the shaft is; the fixture's counter
    /// stays where it was but for what the lines themselves say (two bits).
    pub(crate) fn restart(&mut self, angle: f64) {
        let before = self.counter();
        self.jump_to(angle);
        let moved = self.counter() - before;
        self.offset -= (moved + 1).div_euclid(4) * 4;
    }

    /// Divides as another setup says from now on; the fixture's counter stays where it was, as in a restart.
    pub(crate) fn adopt(&mut self, setup: &PlantSetup, angle: f64) {
        let before = self.counter();
        let taken = Self { index: std::mem::take(&mut self.index), ..Self::new(setup, self.seed) };
        *self = taken;
        self.jump_to(angle);
        let moved = self.counter() - before;
        self.offset -= (moved + 1).div_euclid(4) * 4;
    }

    /// Counts in a turn.
    pub(crate) fn counts_per_turn(&self) -> f64 {
        self.divider.per_turn
    }

    /// The counter as the fixture keeps it.
    pub(crate) fn counter(&self) -> i64 {
        self.seen(self.count) + self.offset
    }

    /// What the fixture's counter makes of a count of the amplifier's: turned round and shifted by the wires; with a pair
    /// that stands still, to and fro between two neighbours.
    #[inline]
    fn seen(&self, count: i64) -> i64 {
        match self.pairs.dead {
            Some(Line::A | Line::B) => self.pairs.state(count),
            _ => self.wired * count + self.shift,
        }
    }

    /// Whole pulses that the fixture's receiver missed, in counts.
    pub(crate) fn lose(&mut self, counts: i64) {
        self.offset -= counts;
    }

    /// First whole nanosecond beyond an edge's place. A count holds from its place on, so that going down the shaft
    /// must be past it.
    fn edge_time(&self, piece: &Piece, edge: i64, up: bool) -> u64 {
        piece.time_of(self.divider.edge(edge) * self.sense, !up)
    }

    fn find_index(&mut self) {
        let turn = self.divider.counts;
        let past = (self.count - self.index_at).rem_euclid(turn);
        self.next_up = self.count - past + turn;
        let last = self.index_at + self.index_width - 1;
        let past = (last - self.count).rem_euclid(turn);
        self.next_down = self.count + past - turn;
    }

    /// Follows one stretch of motion.
    #[inline]
    pub(crate) fn follow(&mut self, piece: &Piece) {
        let turns = piece.end_angle * self.sense;
        // Most steps of a slow shaft, and all of one at rest.
        let place = self.divider.place(turns);
        if self.same.contains(&place) {
            return;
        }
        let (count, same) = self.divider.count_within(turns, place);
        self.same = same;
        if count == self.count {
            return;
        }
        let up = count > self.count;
        self.rising = up;
        self.fast = piece.speed.abs() > self.index_lost_above;
        self.count = count;
        // The edge into this count going up is the same place as the edge out of it going down, one further on.
        self.last_edge = Some((*piece, if up { count } else { count + 1 }, up));
        let turn = self.divider.counts;
        if count >= self.next_up || count <= self.next_down {
            let (edge, inside) =
                if up { (self.next_up, self.next_up) } else { (self.next_down + 1, self.next_down) };
            let time = self.edge_time(piece, edge, up);
            if self.index_arrives(inside, up, self.fast) {
                self.record_index(IndexEdge {
                    time: PlantTime::from_nanos(time),
                    counter: self.seen(inside) + self.offset,
                    up: up == (self.wired > 0),
                });
            }
            self.find_index();
        } else if count > self.next_down + turn || count < self.next_up - turn {
            self.find_index();
        }
    }

    /// Whether the pulse that this count lies in arrives, met this way. It does not at some passes, the same ones whoever looks
    /// at them, and at none above a speed.
    fn index_arrives(&self, inside: i64, up: bool, fast: bool) -> bool {
        if self.index_drops == 0.0 {
            return !fast;
        }
        let pass = (inside - self.index_at).div_euclid(self.divider.counts);
        let pass = (pass as u64).wrapping_mul(2).wrapping_add(u64::from(up));
        let drawn = Random::new(self.seed ^ pass.wrapping_mul(0x9e37_79b9_7f4a_7c15)).uniform();
        !fast && drawn >= self.index_drops
    }

    fn record_index(&mut self, edge: IndexEdge) {
        if self.index_connected && (edge.up || !self.index_one_way) {
            if self.index.len() == KEPT_INDEX {
                self.index.pop_front();
            }
            self.index.push_back(edge);
        }
    }

    /// A false pulse on Z at `time`, with the shaft at `angle`.
    pub(crate) fn disturb_index(&mut self, time: u64, angle: f64, up: bool) {
        let counter = self.counter_for(angle);
        self.record_index(IndexEdge {
            time: PlantTime::from_nanos(time),
            counter,
            up: up == (self.sense * self.wired as f64 > 0.0),
        });
        if self.index_connected {
            if self.noise.len() == KEPT_NOISE {
                self.noise.pop_front();
            }
            self.noise.push_back(time);
        }
    }

    pub(crate) fn take_index(&mut self) -> Vec<IndexEdge> {
        let mut edges: Vec<IndexEdge> = self.index.drain(..).collect();
        edges.sort_by_key(|edge| edge.time);
        edges
    }

    pub(crate) fn last_edge_time(&self) -> Option<PlantTime> {
        let (piece, edge, up) = self.last_edge.as_ref()?;
        Some(PlantTime::from_nanos(self.edge_time(piece, *edge, *up)))
    }

    fn count_at(&self, angle: f64) -> i64 {
        self.divider.count(angle * self.sense)
    }

    /// The fixture's counter for an angle near the present one.
    pub(crate) fn counter_for(&self, angle: f64) -> i64 {
        self.seen(self.count_at(angle)) + self.offset
    }

    fn z_high(&self, count: i64) -> bool {
        (count - self.index_at).rem_euclid(self.divider.counts) < self.index_width
    }

    /// Levels at an angle and time.
    pub(crate) fn lines_for(&self, angle: f64, time: u64) -> Lines {
        let count = self.count_at(angle);
        let (a, b) = self.pairs.levels(count);
        let disturbed = self.noise.iter().any(|&start| (start..start + NOISE_PULSE).contains(&time));
        // The way it goes now; a burst is short.
        let gated = self.index_one_way && self.rising != (self.wired > 0);
        let driven = self.z_high(count) && !gated && self.index_arrives(count, self.rising, self.fast);
        Lines { a, b, z: self.index_connected && (driven || disturbed) }
    }

    /// Every edge of A, B and Z in one stretch of motion, after `from` up to and with `to`.
    pub(crate) fn edges_in(&self, piece: &Piece, from: u64, to: u64, out: &mut Vec<Edge>) {
        let (first, last) = (self.count_at(piece.angle), self.count_at(piece.end_angle));
        let up = last > first;
        // Places of Z's two ends, named as they are going up.
        let rises = self.index_at;
        let falls = (self.index_at + self.index_width) % self.divider.counts;
        let turn = self.divider.counts;
        // Revolutions and rest are carried along: a division less for each edge, and there may be many.
        let edge = if up { first + 1 } else { first };
        let (mut rev, mut place) = (edge.div_euclid(turn), edge.rem_euclid(turn));
        for n in 0..(last - first).abs() {
            let (at_rev, at_place) = (rev, place);
            // What is read beyond the edge.
            let count = if up { first + 1 + n } else { first - n - 1 };
            if up {
                place += 1;
                if place == turn {
                    (rev, place) = (rev + 1, 0);
                }
            } else {
                place -= 1;
                if place < 0 {
                    (rev, place) = (rev - 1, turn - 1);
                }
            }
            let time = piece.time_of(self.divider.edge_at(at_rev, at_place) * self.sense, !up);
            if time <= from || time > to {
                continue;
            }
            let time = PlantTime::from_nanos(time);
            // A changes between counts 4k+1 and 4k, and between 4k+3 and 4k+2: at odd places.
            let (a, b) = self.pairs.levels(count);
            let a_changes = (at_place & 1 != 0) != self.pairs.swapped;
            let (line, high) = if a_changes { (Line::A, a) } else { (Line::B, b) };
            if self.pairs.dead != Some(line) {
                out.push(Edge { time, line, high });
            }
            let gated = self.index_one_way && up != (self.wired > 0);
            let z_changes = at_place == rises || at_place == falls;
            let inside = if up == (at_place == rises) { count } else { count - if up { 1 } else { -1 } };
            let fast = piece.speed.abs() > self.index_lost_above;
            if self.index_connected && !gated && z_changes && self.index_arrives(inside, up, fast) {
                out.push(Edge { time, line: Line::Z, high: up == (at_place == rises) });
            }
        }
    }

    /// Edges of false pulses on Z after `from` up to and with `to`.
    pub(crate) fn noise_edges(&self, from: u64, to: u64, out: &mut Vec<Edge>) {
        for &start in &self.noise {
            for (time, high) in [(start, true), (start + NOISE_PULSE, false)] {
                if time > from && time <= to {
                    out.push(Edge { time: PlantTime::from_nanos(time), line: Line::Z, high });
                }
            }
        }
    }
}
