//! Refuses setups that describe nothing, before anything is simulated.

use proofstand_units::{NewtonMetres, Rpm};

use crate::setup::{CapLaw, CommandMode, PlantSetup, Regeneration, WhenDisabled};

/// A setup that can't be simulated: which quantity, and what it must be.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum SetupError {
    /// A quantity out of its range, or not a number.
    #[error("{what} is {value}, and must be {must}")]
    OutOfRange {
        /// Its name, as in the setup.
        what: &'static str,
        /// Its value, in the unit of its type.
        value: f64,
        /// What it must be.
        must: &'static str,
    },
    /// More counts than native positions: division can't make them.
    #[error(
        "{counts} counts a revolution can't be divided out of {native} native positions: lower the pulses"
    )]
    TooManyCounts {
        /// Counts per revolution, four to the pulse.
        counts: u64,
        /// Native positions per revolution.
        native: u32,
    },
    /// Break-away below turning friction.
    #[error("stiction {stiction:?} is below coulomb friction {coulomb:?}: raise it to that at least")]
    StictionBelowCoulomb {
        /// Break-away torque.
        stiction: NewtonMetres,
        /// Turning friction.
        coulomb: NewtonMetres,
    },
    /// The flag would release above where it sets.
    #[error("the cap flag's off_at lies above its on_at: swap them")]
    FlagHysteresisReversed,
    /// A limiter, brake or loop faster than the step can follow.
    #[error(
        "{what} acts in {time_us:.1} µs, too fast for steps of {step_us:.1} µs: widen its band or add inertia"
    )]
    TooStiff {
        /// Which.
        what: &'static str,
        /// Its time constant with this inertia, in microseconds.
        time_us: f64,
        /// The longest step, in microseconds.
        step_us: f64,
    },
}

type Verdict = Result<(), SetupError>;

fn within(what: &'static str, value: f64, ok: bool, must: &'static str) -> Verdict {
    if value.is_finite() && ok { Ok(()) } else { Err(SetupError::OutOfRange { what, value, must }) }
}

fn positive(what: &'static str, value: f64) -> Verdict {
    within(what, value, value > 0.0, "above zero")
}

fn not_negative(what: &'static str, value: f64) -> Verdict {
    within(what, value, value >= 0.0, "zero or above")
}

fn finite(what: &'static str, value: f64) -> Verdict {
    within(what, value, true, "a finite number")
}

pub(crate) fn check(setup: &PlantSetup) -> Verdict {
    let step = setup.longest_step.get();
    within("longest_step", step, (1e-7..=5e-5).contains(&step), "0.1 µs to 50 µs")?;
    if let Some(after) = &setup.after_power_cycle {
        check(after)?;
    }
    amplifier(setup)?;
    motor(setup)?;
    encoder(setup)?;
    let wiring = &setup.wiring;
    let loss = wiring.command_loss.get();
    within("wiring.command_loss", loss, (0.0..=100.0).contains(&loss), "0 to 100 %")?;
    not_negative("wiring.index_noise", wiring.index_noise.get())?;
    if let Some(noise) = wiring.pair_noise {
        not_negative("wiring.pair_noise.rate", noise.rate.get())?;
    }
    if let Some(decay) = wiring.ringing {
        positive("wiring.ringing", decay.get())?;
    }
    let drops = wiring.index_drops.get();
    within("wiring.index_drops", drops, (0.0..=100.0).contains(&drops), "0 to 100 %")?;
    if let Some(rate) = wiring.index_lost_above {
        not_negative("wiring.index_lost_above", rate.get())?;
    }
    if let Some(rate) = wiring.alarm_above {
        not_negative("wiring.alarm_above", rate.get())?;
    }
    if let Some(loss) = wiring.count_loss {
        not_negative("wiring.count_loss.above", loss.above.get())?;
        let share = loss.share.get();
        within("wiring.count_loss.share", share, (0.0..=100.0).contains(&share), "0 to 100 %")?;
    }
    not_negative("operator.smallest_seen", setup.operator.smallest_seen.get())?;
    positive("operator.fastest_by_hand", setup.operator.fastest_by_hand.get())
}

fn amplifier(setup: &PlantSetup) -> Verdict {
    let a = &setup.amplifier;
    let inertia = (setup.motor.rotor_inertia + setup.motor.added_inertia).get();
    let stiff = |what, per_speed: f64| {
        let time_us = inertia / per_speed * 1e6;
        let step_us = setup.longest_step.get() * 1e6;
        if time_us < 2.0 * step_us { Err(SetupError::TooStiff { what, time_us, step_us }) } else { Ok(()) }
    };
    positive("motor inertia", inertia)?;
    positive("amplifier.rated_torque", a.rated_torque.get())?;
    let by_band = |band: Rpm| a.rated_torque.get() / band.to_rad_per_sec().get();
    match a.mode {
        CommandMode::Torque { gain } => positive("amplifier.mode.gain", gain.get())?,
        CommandMode::Speed { gain, bandwidth, integral_time, ramp } => {
            positive("amplifier.mode.gain", gain.get())?;
            positive("amplifier.mode.bandwidth", bandwidth.get())?;
            not_negative("amplifier.mode.integral_time", integral_time.get())?;
            not_negative("amplifier.mode.ramp", ramp.get())?;
            stiff("the speed loop", inertia * core::f64::consts::TAU * bandwidth.get())?;
        }
    }
    positive("amplifier.input_range", a.input_range.get())?;
    finite("amplifier.input_offset", a.input_offset.get())?;
    not_negative("amplifier.dead_band", a.dead_band.get())?;
    not_negative("amplifier.input_noise", a.input_noise.get())?;
    not_negative("amplifier.input_filter", a.input_filter.get())?;
    positive("amplifier.torque_limit", a.torque_limit.get())?;
    not_negative("amplifier.torque_time_constant", a.torque_time_constant.get())?;
    positive("amplifier.cap.forward", a.cap.forward.get())?;
    positive("amplifier.cap.backward", a.cap.backward.get())?;
    let band = match a.cap.law {
        CapLaw::Proportional { band } => band,
        CapLaw::ProportionalIntegral { band, integral_time, windup } => {
            positive("amplifier.cap.law.integral_time", integral_time.get())?;
            not_negative("amplifier.cap.law.windup", windup.get())?;
            band
        }
    };
    positive("amplifier.cap.law.band", band.get())?;
    stiff("the speed limiter", by_band(band))?;
    let flag = a.cap_flag;
    positive("amplifier.cap_flag.on_at", flag.on_at.get())?;
    positive("amplifier.cap_flag.off_at", flag.off_at.get())?;
    if flag.off_at > flag.on_at {
        return Err(SetupError::FlagHysteresisReversed);
    }
    for (what, span) in [
        ("amplifier.cap_flag.on_delay", flag.on_delay),
        ("amplifier.cap_flag.off_delay", flag.off_delay),
        ("amplifier.speed_filter", a.speed_filter),
        ("amplifier.enable_delay", a.enable_delay),
        ("amplifier.disable_delay", a.disable_delay),
        ("amplifier.start_up", a.start_up),
        ("amplifier.brake_after", a.brake_after),
        ("amplifier.torque_readout.output.filter", a.torque_readout.output.filter),
        ("amplifier.speed_readout.output.filter", a.speed_readout.output.filter),
    ] {
        not_negative(what, span.get())?;
    }
    if let WhenDisabled::DynamicBrake { rated_torque_at } = a.when_disabled {
        positive("amplifier.when_disabled.rated_torque_at", rated_torque_at.get())?;
    }
    positive("amplifier.overspeed", a.overspeed.get())?;
    if let Regeneration::Absorbs { energy, bleed } = a.regeneration {
        positive("amplifier.regeneration.energy", energy.get())?;
        not_negative("amplifier.regeneration.bleed", bleed.get())?;
    }
    finite("amplifier.torque_readout.at_rated", a.torque_readout.at_rated.get())?;
    positive("amplifier.display.step", a.display.step.get())?;
    positive("amplifier.torque_constant", a.torque_constant.get())?;
    positive("amplifier.speed_readout.scale", a.speed_readout.scale.get())?;
    for output in [a.torque_readout.output, a.speed_readout.output] {
        finite("read-out offset", output.offset.get())?;
        not_negative("read-out noise", output.noise.get())?;
        positive("read-out range", output.range.get())?;
    }
    Ok(())
}

fn motor(setup: &PlantSetup) -> Verdict {
    let m = &setup.motor;
    positive("motor.rotor_inertia", m.rotor_inertia.get())?;
    not_negative("motor.added_inertia", m.added_inertia.get())?;
    not_negative("motor.coulomb", m.coulomb.get())?;
    not_negative("motor.stiction", m.stiction.get())?;
    if m.stiction < m.coulomb {
        return Err(SetupError::StictionBelowCoulomb { stiction: m.stiction, coulomb: m.coulomb });
    }
    not_negative("motor.viscous", m.viscous.get())?;
    for harmonic in &m.cogging {
        let per_rev = harmonic.per_rev;
        within("motor.cogging.per_rev", f64::from(per_rev), (1..=256).contains(&per_rev), "1 to 256")?;
        finite("motor.cogging.amplitude", harmonic.amplitude.get())?;
        finite("motor.cogging.phase", harmonic.phase.get())?;
    }
    finite("motor.load", m.load.get())?;
    if let Some(torque) = m.slips_above {
        positive("motor.slips_above", torque.get())?;
        positive("motor.rotor_inertia, with something that slips on it", m.rotor_inertia.get())?;
    }
    let heating = m.heating.get();
    within("motor.heating", heating, (0.0..100.0).contains(&heating), "0 up to, not including, 100 %")?;
    finite("motor.start_speed", m.start_speed.get())?;
    positive("motor.highest_speed", m.highest_speed.get())?;
    positive("motor.pole_pairs", f64::from(m.pole_pairs))?;
    if let Some(brake) = m.brake {
        positive("motor.brake.torque", brake.torque.get())?;
        not_negative("motor.brake.release_delay", brake.release_delay.get())?;
        not_negative("motor.brake.close_delay", brake.close_delay.get())?;
    }
    Ok(())
}

fn encoder(setup: &PlantSetup) -> Verdict {
    let e = &setup.encoder;
    let native = e.native.get();
    let counts = 4 * u64::from(e.pulses.get());
    positive("encoder.pulses", f64::from(e.pulses.get()))?;
    within("encoder.native", f64::from(native), (4..=1 << 26).contains(&native), "4 to 67108864")?;
    if counts > u64::from(native) {
        return Err(SetupError::TooManyCounts { counts, native });
    }
    let (at, width) = (u64::from(e.index_at), u64::from(e.index_width));
    within("encoder.index_at", at as f64, at < counts, "below the counts of a revolution")?;
    within(
        "encoder.index_width",
        width as f64,
        width >= 1 && width < counts,
        "1 up to a revolution less one",
    )?;
    // Edges must stay in their order: the shift of B must be less than the shortest distance between two edges,
    // which a fractional division makes floor(R/4N) native positions.
    let shortest = (u64::from(native) / counts) as f64 * counts as f64 / f64::from(native) * 90.0;
    for (name, error) in [
        ("encoder.phase_error", e.phase_error.get()),
        ("encoder.duty_error", e.duty_error.get()),
        ("encoder.phase_error less encoder.duty_error", e.phase_error.get() - e.duty_error.get()),
    ] {
        within(name, error, error.abs() < shortest, "less than the shortest edge separation")?;
    }
    let start = e.start_angle.get();
    within("encoder.start_angle", start, start.abs() <= 1e6, "at most a million turns")
}
