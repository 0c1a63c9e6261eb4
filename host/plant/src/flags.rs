//! Flags: outputs with delay, and the fixture's inputs they are wired to.

use std::collections::VecDeque;

use crate::setup::{FLAG_INPUTS, FlagSource, FlagWire, WiringSetup};
use crate::time::PlantTime;

/// One change of a flag input.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct FlagEdge {
    /// When.
    pub time: PlantTime,
    /// Which of the fixture's inputs, from 0.
    pub input: u8,
    /// Conducts from then on.
    pub conducting: bool,
}

/// A state that follows a condition after a delay, and only if the condition lasts for it.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Delayed {
    state: bool,
    wanted: bool,
    due: u64,
}

impl Delayed {
    pub(crate) const fn new(state: bool) -> Self {
        Self { state, wanted: state, due: u64::MAX }
    }

    pub(crate) const fn state(self) -> bool {
        self.state
    }

    /// When the state will follow, in nanoseconds; `u64::MAX` when nothing is due.
    pub(crate) const fn due(self) -> u64 {
        self.due
    }

    pub(crate) const fn wanted(self) -> bool {
        self.wanted
    }

    /// The condition is `wanted` from `at` on.
    pub(crate) const fn want(&mut self, wanted: bool, at: u64, delay: u64) {
        if wanted != self.wanted {
            self.wanted = wanted;
            self.due = if wanted == self.state { u64::MAX } else { at.saturating_add(delay) };
        }
    }

    /// Drops whatever is due and takes a state at once.
    pub(crate) const fn force(&mut self, state: bool) {
        *self = Self::new(state);
    }

    /// The new state and when it came, if it came by `now`.
    #[inline]
    pub(crate) const fn poll(&mut self, now: u64) -> Option<(bool, u64)> {
        if self.due > now {
            return None;
        }
        let at = self.due;
        self.state = self.wanted;
        self.due = u64::MAX;
        Some((self.state, at))
    }
}

/// Edges kept for somebody who never takes them: the oldest go first.
const KEPT_EDGES: usize = 4096;

const SOURCES: usize = 6;

const fn slot(source: FlagSource) -> usize {
    match source {
        FlagSource::HoldingSpeed => 0,
        FlagSource::Ready => 1,
        FlagSource::TorqueOn => 2,
        FlagSource::Fault => 3,
        FlagSource::BrakeRelease => 4,
        FlagSource::Supply => 5,
    }
}

/// The amplifier's flag outputs as they reach the fixture's inputs.
#[derive(Debug, Clone)]
pub(crate) struct FlagLines {
    active: [bool; SOURCES],
    powered: bool,
    wires: [Option<FlagWire>; FLAG_INPUTS],
    shared: [Option<FlagWire>; FLAG_INPUTS],
    bits: u8,
    edges: VecDeque<FlagEdge>,
}

impl FlagLines {
    pub(crate) fn new(wiring: &WiringSetup, powered: bool) -> Self {
        let mut lines = Self {
            active: [false; SOURCES],
            powered,
            wires: wiring.flags,
            shared: wiring.flags_shared,
            bits: 0,
            edges: VecDeque::new(),
        };
        lines.active[slot(FlagSource::Supply)] = true;
        lines.bits = lines.evaluate();
        lines
    }

    /// States before time began: no edges.
    pub(crate) fn preset(&mut self, source: FlagSource, active: bool) {
        self.active[slot(source)] = active;
        self.bits = self.evaluate();
    }

    pub(crate) fn set(&mut self, source: FlagSource, active: bool, at: u64) {
        self.active[slot(source)] = active;
        self.settle(at);
    }

    pub(crate) fn power(&mut self, powered: bool, at: u64) {
        self.powered = powered;
        self.settle(at);
    }

    pub(crate) const fn bits(&self) -> u8 {
        self.bits
    }

    pub(crate) fn take(&mut self) -> Vec<FlagEdge> {
        let mut edges: Vec<FlagEdge> = self.edges.drain(..).collect();
        // A delayed flag's edge is dated back to when it was due, inside the step.
        edges.sort_by_key(|edge| edge.time);
        edges
    }

    fn evaluate(&self) -> u8 {
        if !self.powered {
            return 0;
        }
        let conducts = |wire: &Option<FlagWire>| {
            wire.is_some_and(|wire| self.active[slot(wire.source)] == wire.conducts_when_active)
        };
        let pairs = self.wires.iter().zip(&self.shared).enumerate();
        pairs.fold(0, |bits, (input, (wire, shared))| {
            bits | u8::from(conducts(wire) || conducts(shared)) << input
        })
    }

    fn settle(&mut self, at: u64) {
        let bits = self.evaluate();
        let changed = bits ^ self.bits;
        for input in 0..FLAG_INPUTS as u8 {
            if changed & (1 << input) != 0 {
                if self.edges.len() == KEPT_EDGES {
                    self.edges.pop_front();
                }
                let conducting = bits & (1 << input) != 0;
                self.edges.push_back(FlagEdge { time: PlantTime::from_nanos(at), input, conducting });
            }
        }
        self.bits = bits;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_delayed_state_follows_only_a_condition_that_lasts() {
        let mut flag = Delayed::new(false);
        flag.want(true, 100, 50);
        assert_eq!(flag.poll(149), None);
        flag.want(false, 149, 50);
        assert_eq!(flag.poll(1_000), None);
        flag.want(true, 2_000, 50);
        assert_eq!(flag.poll(3_000), Some((true, 2_050)));
        assert!(flag.state());
    }

    #[test]
    fn without_power_every_flag_is_open_whatever_its_sense() {
        let mut lines = FlagLines::new(&WiringSetup::default(), true);
        assert_eq!(lines.bits(), 0b1000, "no fault conducts");
        lines.power(false, 7);
        assert_eq!(lines.bits(), 0);
        assert_eq!(lines.take(), [FlagEdge { time: PlantTime::from_nanos(7), input: 3, conducting: false }]);
    }
}
