//! Runs a motion program on the tick: a reversal turns round at a speed, not at a host's message.

mod check;

use proofstand_protocol::message::{CommandMode, Ending, Limits, Refusal};
use proofstand_protocol::program::{Drive, End, Next, SEGMENTS_MAX, Segment};
use proofstand_protocol::units::{Counts, Microvolts, MicrovoltsPerTick, MilliRpm, Ticks};

use crate::speed_hold::{Setting, SpeedHold};

pub use check::PROGRAM_TIME_MAX;

/// What a program sees of the axis on one tick.
#[derive(Debug, Default, Clone, Copy, PartialEq, Eq)]
pub struct View {
    /// Position.
    pub position: Counts,
    /// Speed from counts, signed.
    pub speed: MilliRpm,
    /// Index passes since the start of the fixture.
    pub index_passes: u32,
    /// Flag inputs, bit n = input n conducts.
    pub flags: u8,
    /// Ticks since the last count.
    pub still: u32,
    /// Command that stands.
    pub command: Microvolts,
}

/// What a program wants on one tick.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Step {
    /// No program runs.
    Idle,
    /// Move the command towards the target by at most the slew.
    Drive {
        /// The target.
        target: Microvolts,
        /// The slew.
        slew: MicrovoltsPerTick,
        /// The segment was entered on this tick.
        entered: Option<u8>,
    },
    /// The program has ended on this tick: 0 V at once.
    Ended(Ending),
}

/// The slots and what runs.
#[derive(Debug, Default, Clone)]
pub struct Program {
    slots: [Option<Segment>; SEGMENTS_MAX],
    run: Option<Run>,
}

/// A running program.
#[derive(Debug, Clone, Copy)]
struct Run {
    slot: u8,
    segment: Segment,
    /// The first tick is still to come.
    fresh: bool,
    /// Ticks since the segment was entered, and since the program was.
    in_segment: u32,
    in_program: u32,
    timeout: Ticks,
    /// Where the segment was entered.
    from: Counts,
    passes: u32,
    hold: SpeedHold,
}

impl Program {
    /// No segment loaded.
    pub fn new() -> Self {
        Self::default()
    }

    /// The segment that runs.
    pub fn running(&self) -> Option<u8> {
        self.run.map(|run| run.slot)
    }

    /// Puts a segment into a slot.
    ///
    /// # Errors
    /// While a program runs, and for what no limits could allow.
    pub fn load(&mut self, slot: u8, segment: Segment) -> Result<(), Refusal> {
        if self.run.is_some() {
            return Err(Refusal::WrongState);
        }
        check::segment(slot, &segment).map_err(Refusal::OutOfRange)?;
        if let Some(place) = self.slots.get_mut(usize::from(slot)) {
            *place = Some(segment);
        }
        Ok(())
    }

    /// Starts from a slot; the first segment is entered on the next tick.
    ///
    /// # Errors
    /// While a program runs, for a slot that is needed and empty, and for what the limits do not allow. Every segment
    /// that can be reached is looked at.
    pub fn start(&mut self, first: u8, timeout: Ticks, limits: &Limits) -> Result<(), Refusal> {
        if self.run.is_some() {
            return Err(Refusal::WrongState);
        }
        check::program(&self.slots, first, timeout, limits)?;
        let segment = self.slot(first).ok_or(Refusal::MissingSegment(first))?;
        self.run = Some(Run {
            slot: first,
            segment,
            fresh: true,
            in_segment: 0,
            in_program: 0,
            timeout,
            from: Counts(0),
            passes: 0,
            hold: SpeedHold::default(),
        });
        Ok(())
    }

    /// Stops what runs. True if something did.
    pub fn stop(&mut self) -> bool {
        self.run.take().is_some()
    }

    /// One tick. A segment's end is looked at from the tick after its entry on, once per tick, before its time-out.
    pub fn tick(&mut self, view: &View, limits: &Limits) -> Step {
        let Some(mut run) = self.run else { return Step::Idle };
        let entered = if run.fresh {
            Some((run.slot, run.segment))
        } else {
            run.in_segment = run.in_segment.saturating_add(1);
            run.in_program = run.in_program.saturating_add(1);
            match self.successor(&run, view) {
                Ok(entered) => entered,
                Err(ending) => {
                    self.run = None;
                    return Step::Ended(ending);
                }
            }
        };
        if let Some((slot, segment)) = entered {
            run.enter(slot, segment, view);
        }
        let (target, slew) = run.drive(view, limits);
        self.run = Some(run);
        Step::Drive { target, slew, entered: entered.map(|(slot, _)| slot) }
    }

    /// The segment to enter now, if any; or how the program ends.
    fn successor(&self, run: &Run, view: &View) -> Result<Option<(u8, Segment)>, Ending> {
        let late = Ending::TimedOut { slot: run.slot };
        if run.ended(view) {
            let Next::Segment(slot) = run.segment.next else { return Err(Ending::Finished) };
            if run.in_program >= run.timeout.0 {
                return Err(late);
            }
            // Looked at when the program was started; slots cannot change while it runs.
            return self.slot(slot).map(|segment| Some((slot, segment))).ok_or(late);
        }
        let over = run.in_segment >= run.segment.timeout.0 || run.in_program >= run.timeout.0;
        if over { Err(late) } else { Ok(None) }
    }

    fn slot(&self, slot: u8) -> Option<Segment> {
        self.slots.get(usize::from(slot)).copied().flatten()
    }
}

impl Run {
    fn enter(&mut self, slot: u8, segment: Segment, view: &View) {
        (self.slot, self.segment, self.fresh, self.in_segment) = (slot, segment, false, 0);
        (self.from, self.passes) = (view.position, view.index_passes);
        self.hold = SpeedHold::new(view.command);
    }

    fn ended(&self, view: &View) -> bool {
        match self.segment.end {
            End::Time(ticks) => self.in_segment >= ticks.0,
            End::SpeedAtLeast(speed) => view.speed >= speed,
            End::SpeedAtMost(speed) => view.speed <= speed,
            End::Travel(counts) => view.position.0.abs_diff(self.from.0) >= counts.0.unsigned_abs(),
            End::IndexCount(passes) => view.index_passes.wrapping_sub(self.passes) >= u32::from(passes),
            End::Flag { input, conducting } => {
                u32::from(view.flags).checked_shr(u32::from(input)).unwrap_or(0) & 1 == u32::from(conducting)
            }
            // From the segment's entry on: a segment that sets a shaft in motion does not end because it stood before.
            End::Standstill(ticks) => view.still.min(self.in_segment) >= ticks.0,
        }
    }

    fn drive(&mut self, view: &View, limits: &Limits) -> (Microvolts, MicrovoltsPerTick) {
        if let Some(setting) = Setting::of(&self.segment.drive, limits.counts_up_on_positive) {
            return (self.hold.tick(&setting, view.speed), limits.slew);
        }
        match self.segment.drive {
            Drive::Command { target, slew } => (target, slew.min(limits.slew)),
            Drive::HoldSpeed { .. } => (Microvolts(0), limits.slew),
        }
    }
}

/// Whether a mode takes a drive.
fn suits(drive: &Drive, mode: CommandMode) -> bool {
    matches!((drive, mode), (Drive::Command { .. }, _) | (Drive::HoldSpeed { .. }, CommandMode::Torque))
}

#[cfg(test)]
mod tests;
