//! What a fixture sees of the plant: now, since it last looked, and at any moment of the last steps.

use proofstand_units::Volts;

use super::Plant;
use crate::encoder::{Edge, IndexEdge, Lines};
use crate::flags::FlagEdge;
use crate::history::HistoryGone;
use crate::time::PlantTime;

impl Plant {
    /// The counter that a fixture keeps of the lines: divided, four counts to the pulse, up when A leads B.
    #[must_use]
    pub fn counter(&self) -> i64 {
        self.encoder.counter()
    }

    /// Levels of the lines now; all low while the output is dead.
    #[must_use]
    pub fn lines(&self) -> Lines {
        if self.live { self.encoder.lines_for(self.motor.angle, self.now) } else { Lines::default() }
    }

    /// The receivers report no pair: all are connected and driven, control power is on, start-up over.
    #[must_use]
    pub const fn encoder_pairs_ok(&self) -> bool {
        self.live && !self.pair_reported && !self.alarm
    }

    /// No pair is driven: nothing is connected, or the output is dead.
    #[must_use]
    pub const fn encoder_silent(&self) -> bool {
        !self.live
    }

    /// Transitions of A and B that can't be, since set-up; wraps.
    #[must_use]
    pub const fn illegal_transitions(&self) -> u32 {
        self.illegal
    }

    /// The fixture's flag inputs: bit n is set while input n conducts.
    #[must_use]
    pub const fn flags(&self) -> u8 {
        self.flags.bits()
    }

    /// Changes of the flag inputs since they were last taken, in order of time; at most the last 4096.
    pub fn take_flag_edges(&mut self) -> Vec<FlagEdge> {
        self.flags.take()
    }

    /// Rising edges of Z since they were last taken, in order of time; at most the last 4096.
    pub fn take_index_edges(&mut self) -> Vec<IndexEdge> {
        self.encoder.take_index()
    }

    /// The torque read-out's output.
    #[must_use]
    pub fn torque_readout(&self) -> Volts {
        Volts::new(self.amplifier.torque_readout())
    }

    /// The speed read-out's output.
    #[must_use]
    pub fn speed_readout(&self) -> Volts {
        Volts::new(self.amplifier.speed_readout())
    }

    /// When A or B last changed; none before the first change.
    #[must_use]
    pub fn last_edge_time(&self) -> Option<PlantTime> {
        self.encoder.last_edge_time()
    }

    /// The counter at a moment of the last steps, with losses as they are now.
    ///
    /// # Errors
    /// The moment is not in the kept history (at least 20 ms of regular steps).
    pub fn counter_at(&self, time: PlantTime) -> Result<i64, HistoryGone> {
        self.history.covers(time, self.now)?;
        Ok(match self.history.angle_at(time.nanos()) {
            Some((angle, true)) => self.encoder.counter_for(angle),
            _ => self.encoder.counter(),
        })
    }

    /// The lines at a moment of the last steps.
    ///
    /// # Errors
    /// The moment is not in the kept history (at least 20 ms of regular steps).
    pub fn lines_at(&self, time: PlantTime) -> Result<Lines, HistoryGone> {
        self.history.covers(time, self.now)?;
        Ok(match self.history.angle_at(time.nanos()) {
            Some((angle, true)) => self.encoder.lines_for(angle, time.nanos()),
            Some(_) => Lines::default(),
            None => self.lines(),
        })
    }

    /// Adds every edge of A, B and Z after `from` up to and with `to`, in order of time, to `out`: solved from the
    /// motion, not sampled. These are the lines' edges; what a receiver loses at rate is still in them.
    ///
    /// # Errors
    /// One of the moments is not in the kept history (at least 20 ms of regular steps).
    pub fn edges(&self, from: PlantTime, to: PlantTime, out: &mut Vec<Edge>) -> Result<(), HistoryGone> {
        self.history.covers(from, self.now)?;
        self.history.covers(to, self.now)?;
        let (from, to) = (from.nanos(), to.nanos());
        let start = out.len();
        for piece in self.history.pieces_from(from) {
            if piece.step_start > to {
                break;
            }
            if piece.live {
                self.encoder.edges_in(piece, from, to, out);
            }
        }
        if self.index_noise > 0.0 {
            self.encoder.noise_edges(from, to, out);
            out[start..].sort_by_key(|edge| edge.time);
        }
        Ok(())
    }
}
