//! Settings of the amplifier.

use proofstand_units::{Percent, PercentPerVolt, PulsesPerRev, RpmPerVolt, Seconds};

use super::{Fault, FaultError};
use crate::setup::{CapLaw, CommandMode, PlantSetup};

/// Right now; after a power cycle the fault is there.
pub(super) fn forgets(setup: &mut PlantSetup, fault: Fault) -> Result<(), FaultError> {
    let mut after = setup.clone();
    fault.change(&mut after)?;
    setup.after_power_cycle = Some(Box::new(after));
    Ok(())
}

/// The fault is there; after a power cycle it is gone.
pub(super) fn waits(setup: &mut PlantSetup, fault: Fault) -> Result<(), FaultError> {
    let after = setup.clone();
    fault.change(setup)?;
    setup.after_power_cycle = Some(Box::new(after));
    Ok(())
}

pub(super) fn rescale_pulses(setup: &mut PlantSetup, times: u32, over: u32) {
    let encoder = &mut setup.encoder;
    encoder.pulses =
        PulsesPerRev::new((encoder.pulses.get().saturating_mul(times) / over).clamp(1, u32::MAX / 4));
    let counts = encoder.pulses.to_counts().get();
    // The index stays where it is on the shaft, and one pulse wide at most.
    encoder.index_at = (u64::from(encoder.index_at) * u64::from(times) / u64::from(over)) as u32 % counts;
    encoder.index_width = encoder.index_width.min(counts - 1);
}

pub(super) fn scale_gain(mode: &mut CommandMode, factor: f64) {
    match mode {
        CommandMode::Torque { gain } => *gain = PercentPerVolt::new(gain.get() * factor),
        CommandMode::Speed { gain, .. } => *gain = RpmPerVolt::new(gain.get() * factor),
    }
}

/// Gain and integral time of the speed loop, as shares of what they were.
pub(super) fn retune(mode: &mut CommandMode, gain: f64, time: f64) {
    if let CommandMode::Speed { bandwidth, integral_time, .. } = mode {
        *bandwidth = *bandwidth * gain;
        *integral_time = *integral_time * time;
    }
}

pub(super) fn mirror(setup: &mut PlantSetup) {
    setup.amplifier.forward = setup.amplifier.forward.reversed();
    setup.encoder.counts_up = setup.encoder.counts_up.reversed();
}

/// An integral time shorter than the delay of the estimated speed: such a loop swings whatever turns (by the criterion of
/// Routh and Hurwitz, `integral time > filter` for this loop). The swing is as large as the rotor is light.
pub(super) fn hunt(setup: &mut PlantSetup) {
    let amplifier = &mut setup.amplifier;
    let cap = amplifier.cap.forward.min(amplifier.cap.backward);
    amplifier.cap.law = CapLaw::ProportionalIntegral {
        band: cap * 0.3,
        integral_time: Seconds::from_millis(4.0),
        windup: Percent::new(40.0),
    };
    amplifier.speed_filter = Seconds::from_millis(10.0);
}
