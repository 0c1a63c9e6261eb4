//! What makes a segment, and a program under given limits, fit to run.

use proofstand_protocol::message::{Field, Limits, Refusal};
use proofstand_protocol::program::{Drive, End, Next, SEGMENTS_MAX, Segment};
use proofstand_protocol::units::{Microvolts, MilliRpm, Ticks};

use super::suits;
use crate::speed_hold::{INTEGRAL_MAX, PROPORTIONAL_MAX, SPEED_MIN};

/// Longest time of a whole program, and so of a segment: two minutes. Every loop of segments ends with it.
pub const PROGRAM_TIME_MAX: Ticks = Ticks(120_000);
/// Highest speed that a segment may name: the highest that limits may trip at.
const SPEED_MAX: MilliRpm = MilliRpm(12_000_000);
const FLAG_INPUTS: u8 = 8;

/// Checks what no limits could allow.
pub(super) fn segment(slot: u8, segment: &Segment) -> Result<(), Field> {
    require(usize::from(slot) < SEGMENTS_MAX, Field::Slot)?;
    require(time(segment.timeout), Field::Timeout)?;
    match segment.drive {
        Drive::Command { target, slew } => {
            require(target.magnitude() <= Microvolts::FULL_SCALE, Field::Command)?;
            require(slew.0 > 0, Field::Slew)?;
        }
        Drive::HoldSpeed { speed, bound, proportional, integral } => {
            require(speed.0 == 0 || speed.magnitude() >= SPEED_MIN, Field::Speed)?;
            require(speed.magnitude() <= SPEED_MAX, Field::Speed)?;
            require(bound > Microvolts(0) && bound <= Microvolts::FULL_SCALE, Field::Command)?;
            require(proportional <= PROPORTIONAL_MAX && integral <= INTEGRAL_MAX, Field::Gain)?;
            require(proportional.0 > 0 || integral.0 > 0, Field::Gain)?;
        }
    }
    match segment.end {
        End::Time(ticks) | End::Standstill(ticks) => require(time(ticks), Field::Timeout)?,
        End::SpeedAtLeast(speed) | End::SpeedAtMost(speed) => {
            require(speed.magnitude() <= SPEED_MAX, Field::Speed)?;
        }
        End::Travel(counts) => require(counts.0 > 0, Field::Travel)?,
        End::IndexCount(passes) => require(passes > 0, Field::Points)?,
        End::Flag { input, .. } => require(input < FLAG_INPUTS, Field::Input)?,
    }
    match segment.next {
        Next::Segment(next) => require(usize::from(next) < SEGMENTS_MAX, Field::Slot),
        Next::Finish => Ok(()),
    }
}

/// Checks every segment that can be reached from the first, under the limits.
pub(super) fn program(
    slots: &[Option<Segment>; SEGMENTS_MAX],
    first: u8,
    timeout: Ticks,
    limits: &Limits,
) -> Result<(), Refusal> {
    require(time(timeout), Field::Timeout).map_err(Refusal::OutOfRange)?;
    require(usize::from(first) < SEGMENTS_MAX, Field::Slot).map_err(Refusal::OutOfRange)?;
    // A segment has one successor: the program is a path that ends or runs into itself.
    let mut slot = first;
    for _ in 0..SEGMENTS_MAX {
        let segment = slots.get(usize::from(slot)).copied().flatten().ok_or(Refusal::MissingSegment(slot))?;
        if !suits(&segment.drive, limits.mode) {
            return Err(Refusal::WrongState);
        }
        allowed(&segment, limits).map_err(Refusal::OutOfRange)?;
        match segment.next {
            Next::Segment(next) => slot = next,
            Next::Finish => break,
        }
    }
    Ok(())
}

fn allowed(segment: &Segment, limits: &Limits) -> Result<(), Field> {
    let reach = match segment.drive {
        Drive::Command { target, .. } => target.magnitude(),
        Drive::HoldSpeed { speed, bound, .. } => {
            require(speed.magnitude() < limits.trip_speed, Field::Speed)?;
            bound
        }
    };
    require(reach <= limits.command, Field::Command)?;
    match segment.end {
        End::Travel(counts) => {
            require(counts.0.unsigned_abs() <= 2 * limits.travel.0.unsigned_abs(), Field::Travel)
        }
        _ => Ok(()),
    }
}

fn time(ticks: Ticks) -> bool {
    (1..=PROGRAM_TIME_MAX.0).contains(&ticks.0)
}

fn require(holds: bool, field: Field) -> Result<(), Field> {
    if holds { Ok(()) } else { Err(field) }
}
