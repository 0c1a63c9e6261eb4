//! Short names for the segments that programs are made of.

use proofstand_protocol::program::{Drive, End, Next, Segment};
use proofstand_protocol::units::{
    Microvolts, MicrovoltsPerRpm, MicrovoltsPerRpmSecond, MicrovoltsPerTick, MilliRpm, Ticks,
};
use proofstand_units::{Rpm, Seconds, Volts};

use super::Holding;

/// The fastest slew: the whole span in one tick.
pub(super) const STEP: MicrovoltsPerTick = MicrovoltsPerTick(20_000_000);

/// Volts as they go on the wire, within the output's range.
#[must_use]
pub fn microvolts(volts: Volts) -> Microvolts {
    let full = f64::from(Microvolts::FULL_SCALE.0);
    Microvolts((volts.get() * 1e6).round().clamp(-full, full) as i32)
}

/// Speed as it goes on the wire.
#[must_use]
pub fn milli_rpm(speed: Rpm) -> MilliRpm {
    MilliRpm((speed.get() * 1e3).round().clamp(f64::from(i32::MIN), f64::from(i32::MAX)) as i32)
}

/// Time as it goes on the wire, rounded up.
#[must_use]
pub fn ticks(time: Seconds) -> Ticks {
    Ticks(time.to_millis().ceil().clamp(1.0, f64::from(u32::MAX)) as u32)
}

/// A segment that steps the command.
#[must_use]
pub fn step_to(target: Volts, end: End, next: Next, timeout: Seconds) -> Segment {
    Segment {
        drive: Drive::Command { target: microvolts(target), slew: STEP },
        end,
        next,
        timeout: ticks(timeout),
    }
}

/// A segment that moves the command slowly, so much a second.
#[must_use]
pub fn ramp(target: Volts, per_second: Volts, end: End, next: Next, timeout: Seconds) -> Segment {
    let slew = slew(per_second);
    Segment { drive: Drive::Command { target: microvolts(target), slew }, end, next, timeout: ticks(timeout) }
}

/// Volts in a second as they go on the wire.
pub(super) fn slew(per_second: Volts) -> MicrovoltsPerTick {
    MicrovoltsPerTick((per_second.get() * 1e3).round().clamp(1.0, f64::from(STEP.0)) as u32)
}

/// A segment that holds a speed, signed as the counts are.
#[must_use]
pub fn hold(speed: Rpm, holding: &Holding, end: End, next: Next, timeout: Seconds) -> Segment {
    let drive = match holding {
        Holding::ByTorque(gains) => Drive::HoldSpeed {
            speed: milli_rpm(speed),
            bound: microvolts(gains.bound),
            proportional: MicrovoltsPerRpm(gains.microvolts_per_rpm),
            integral: MicrovoltsPerRpmSecond(gains.microvolts_per_rpm_second),
        },
        Holding::BySpeed(drive) => Drive::Command {
            target: microvolts(drive.volts_for(speed * drive.count_sign)),
            slew: slew(drive.volts_per_second()),
        },
    };
    Segment { drive, end, next, timeout: ticks(timeout) }
}

/// The last segment of a program: 0 V until the shaft stands. A speed command at 0 V may creep by its offset and never stand:
/// it has a while, and friction does the rest when enable opens.
#[must_use]
pub fn come_to_rest(holding: &Holding, timeout: Seconds) -> Segment {
    let end = match holding {
        Holding::ByTorque(_) => STANDS,
        Holding::BySpeed(_) => after(STOPPED),
    };
    step_to(Volts::ZERO, end, Next::Finish, timeout)
}

/// The fixture sees no motion for so long; the host goes on looking when torque is off.
const STANDS: End = End::Standstill(Ticks(50));
/// From a crawl the amplifier stops the shaft well within this.
const STOPPED: Seconds = Seconds::new(0.3);

/// End after a time.
#[must_use]
pub fn after(time: Seconds) -> End {
    End::Time(ticks(time))
}

/// The longest a program may take as a whole: the sum of its segments' time-outs, within the fixture's ceiling.
#[must_use]
pub fn total_timeout(program: &[Segment]) -> Ticks {
    Ticks(program.iter().map(|s| s.timeout.0).sum::<u32>().min(PROGRAM_CEILING.0))
}

/// The fixture takes no longer program.
const PROGRAM_CEILING: Ticks = Ticks(120_000);
