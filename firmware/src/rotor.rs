//! A small rotor in integers, for tests: torque gain, friction with sticking, a command delay, an encoder with index.

use std::collections::VecDeque;

use proofstand_protocol::units::{Micros, Microvolts, MilliRpm};

use crate::fixture::IndexLatch;

/// Milli-rpm times counts per revolution, summed over milliseconds, for one count.
const PER_COUNT: i64 = 60_000_000;
/// Width of Z in counts.
const Z_WIDTH: i64 = 4;

/// The rotor. All tunable, all integers.
#[derive(Debug, Clone)]
pub(crate) struct Rotor {
    /// Speed gained per tick and volt, in milli-rpm.
    pub(crate) gain: i64,
    /// Speed lost per tick by friction, in milli-rpm.
    pub(crate) friction: i64,
    /// Ticks before a command acts.
    pub(crate) delay: usize,
    /// Counts per revolution that the encoder really gives.
    pub(crate) per_rev: i64,
    speed: i64,
    phase: i64,
    position: i64,
    now: u64,
    edge: Option<Micros>,
    latch: Option<IndexLatch>,
    pending: VecDeque<i64>,
}

impl Default for Rotor {
    fn default() -> Self {
        Self {
            gain: 100_000,
            friction: 5_000,
            delay: 0,
            per_rev: 5_120,
            speed: 0,
            phase: 0,
            position: 100,
            now: 0,
            edge: None,
            latch: None,
            pending: VecDeque::new(),
        }
    }
}

impl Rotor {
    pub(crate) fn new(gain: i64, friction: i64) -> Self {
        Self { gain, friction, ..Self::default() }
    }

    pub(crate) fn speed(&self) -> MilliRpm {
        MilliRpm(self.speed as i32)
    }

    /// Spins the shaft by outside force.
    pub(crate) fn set_speed(&mut self, speed: i64) {
        self.speed = speed;
    }

    pub(crate) fn counter(&self) -> u32 {
        self.position as u32
    }

    pub(crate) fn last_edge(&self) -> Option<Micros> {
        self.edge
    }

    /// The index latch of this tick.
    pub(crate) fn latch(&self) -> Option<IndexLatch> {
        self.latch
    }

    /// One millisecond under a command.
    pub(crate) fn tick(&mut self, command: Microvolts) {
        self.pending.push_back(i64::from(command.0));
        let acting = if self.pending.len() > self.delay { self.pending.pop_front().unwrap_or(0) } else { 0 };
        let pull = self.gain * acting / 1_000_000;
        let free = self.speed + pull;
        self.speed = if self.speed == 0 && pull.abs() <= self.friction {
            0
        } else {
            let slowed = free - free.signum() * self.friction;
            if slowed.signum() == free.signum() { slowed } else { 0 }
        };
        self.turn();
    }

    fn turn(&mut self) {
        let start = self.now;
        self.now += 1_000;
        self.latch = None;
        let rate = self.speed * self.per_rev;
        let (from, before) = (self.position, self.phase);
        self.phase += rate;
        let moved = self.phase.div_euclid(PER_COUNT);
        self.phase = self.phase.rem_euclid(PER_COUNT);
        self.position += moved;
        if moved == 0 || rate == 0 {
            return;
        }
        // Time at which the shaft stood at the edge between two counts.
        let at = |edge: i64| {
            let travelled = (edge - from) * PER_COUNT - before;
            Micros(start + (travelled * 1_000 / rate).clamp(0, 1_000) as u64)
        };
        self.edge = Some(at(if moved > 0 { self.position } else { self.position + 1 }));
        let step = moved.signum();
        let mut here = from;
        while here != self.position {
            let was = here.rem_euclid(self.per_rev) < Z_WIDTH;
            here += step;
            if !was && here.rem_euclid(self.per_rev) < Z_WIDTH {
                let edge = if step > 0 { here } else { here + 1 };
                self.latch = Some(IndexLatch { counter: here as u32, at: at(edge) });
            }
        }
    }
}
