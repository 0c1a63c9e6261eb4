//! From a sheet to a simulated axis: what the sheet says, within what it leaves open, drawn from a seed.
//!
//! The truth drawn here must never be known to a judge. Each quantity that a sheet states with an uncertainty is drawn
//! from that uncertainty; settings are drawn well inside their tolerances, as a good technician leaves them.

use core::f64::consts::TAU;

use proofstand_plant::{
    AmplifierSetup, AnalogOutput, CapFlag, CapLaw, CoggingHarmonic, CommandMode,
    DisplayShown as PlantDisplayShown, EncoderSetup, EndSwitches, FixtureSetup, FlagSource, FlagWire,
    HoldingBrake, MotorSetup, OperatorSetup, PlantSetup, Random, Regeneration, Rotation as PlantRotation,
    SpeedCap, SpeedReadout, TorqueDisplay, TorqueReadout, TorqueShown as PlantTorqueShown, WhenDisabled,
    WiringSetup,
};
use proofstand_units::{
    Degrees, Hertz, NewtonMetres, NewtonMetresPerRadPerSec, Percent, PercentPerVolt, RadPerSec2, RpmPerVolt,
    Seconds, Turns, Volts, Watts,
};

use crate::sheet::{
    AxisSheet, Basis, BrakeDriver, CommandPair, CountDirection, DisplayShown, FlagRole, Handling, InputRole,
    Polarity, Rotation, Stop, TorqueShown, Viewpoint,
};

/// The simulated axis of a sheet.
pub(super) fn setup(sheet: &AxisSheet, random: &mut Random) -> PlantSetup {
    let forward = plant_rotation(sheet.direction.positive_command, sheet.direction.seen_from);
    PlantSetup {
        amplifier: amplifier(sheet, forward, random),
        motor: motor(sheet, random),
        encoder: encoder(sheet, forward, random),
        wiring: wiring(sheet),
        operator: OperatorSetup::default(),
        fixture: FixtureSetup::default(),
        longest_step: Seconds::new(50e-6),
        after_power_cycle: None,
    }
}

/// The plant sees from the shaft end only.
const fn plant_rotation(rotation: Rotation, seen_from: Viewpoint) -> PlantRotation {
    match (rotation, seen_from) {
        (Rotation::Clockwise, Viewpoint::ShaftEnd) | (Rotation::Counterclockwise, Viewpoint::OtherEnd) => {
            PlantRotation::Clockwise
        }
        (Rotation::Counterclockwise, Viewpoint::ShaftEnd) | (Rotation::Clockwise, Viewpoint::OtherEnd) => {
            PlantRotation::CounterClockwise
        }
    }
}

/// Bandwidth of a speed loop that a sheet says nothing of, Hz.
const BANDWIDTH: f64 = 40.0;
/// Integral time over that of the proportional part: little overshoot.
const INTEGRAL_OVER_PROPORTIONAL: f64 = 7.5;
/// A technician tunes the loop to this share of the time constant that is stated.
const TUNED_TO: f64 = 0.9;
/// Such a loop makes 63.2 % of a step in this share of the time constant that its proportional part alone has: the integral
/// part helps (worked out by integrating the loop).
const HELPED: f64 = 0.87;

/// Crossover of the speed loop's proportional part, Hz: what is left of the time constant beside the command's filter.
fn bandwidth(sheet: &AxisSheet) -> f64 {
    let constant = sheet.amplifier.speed_time_constant;
    if constant.basis != Basis::Sheet {
        return BANDWIDTH;
    }
    let rest = constant.value * TUNED_TO - sheet.amplifier.command_filter.value;
    // No loop of the plant is quicker than its own filters allow.
    HELPED / (TAU * rest.get().max(1e-3))
}

fn amplifier(sheet: &AxisSheet, forward: PlantRotation, random: &mut Random) -> AmplifierSetup {
    let bandwidth = bandwidth(sheet);
    let gain_error = 1.0 + 0.003 * random.normal();
    let mode = match sheet.command.pair {
        CommandPair::Torque { volts, percent_of_rated } => CommandMode::Torque {
            gain: PercentPerVolt::new(percent_of_rated.get() / volts.get() * gain_error),
        },
        CommandPair::Speed { volts, speed } => CommandMode::Speed {
            gain: RpmPerVolt::new(speed.get() / volts.get() * gain_error),
            bandwidth: Hertz::new(bandwidth),
            integral_time: Seconds::new(INTEGRAL_OVER_PROPORTIONAL / (TAU * bandwidth)),
            ramp: RadPerSec2::new(sheet.amplifier.steepest_ramp().map_or(0.0, |ramp| ramp.get())),
        },
    };
    let cap = sheet.cap.speed * (1.0 + 0.002 * random.normal());
    let output = AnalogOutput {
        offset: Volts::new(3e-3 * random.normal()),
        filter: Seconds::from_millis(0.5),
        noise: Volts::new(2e-3),
        range: Volts::new(10.0),
    };
    let obeyed = |role| sheet.input(role).is_some_and(|input| input.handling == Handling::Obeyed);
    let end_switches = match (obeyed(InputRole::EndSwitchPositive), obeyed(InputRole::EndSwitchNegative)) {
        (true, true) => EndSwitches::Obeyed,
        (true, false) => EndSwitches::PositiveObeyed,
        (false, true) => EndSwitches::NegativeObeyed,
        (false, false) => EndSwitches::Ignored,
    };
    let torque = sheet.torque_read_out.as_ref();
    let speed = sheet.speed_read_out.as_ref();
    AmplifierSetup {
        mode,
        input_range: sheet.command.input_range,
        // A speed command's zero is adjusted more narrowly: what is left of it turns the shaft.
        input_offset: Volts::new(
            if sheet.command.pair.is_torque() { 4e-3 } else { 1.5e-3 } * random.normal(),
        ),
        input_noise: Volts::new(1e-3),
        input_filter: sheet.amplifier.command_filter.value,
        rated_torque: sheet.motor.rated_torque,
        torque_limit: Percent::new(100.0 * (sheet.motor.peak_torque / sheet.motor.rated_torque)),
        torque_time_constant: sheet.amplifier.torque_time_constant.value,
        forward,
        cap: SpeedCap {
            forward: cap,
            backward: cap,
            law: CapLaw::ProportionalIntegral {
                band: cap * 0.12,
                integral_time: Seconds::from_millis(60.0),
                windup: Percent::new(15.0),
            },
        },
        cap_flag: CapFlag {
            on_at: Percent::new(98.0),
            off_at: Percent::new(95.0),
            on_delay: Seconds::from_millis(3.0 + 2.0 * random.uniform()),
            off_delay: Seconds::from_millis(4.0),
        },
        speed_filter: Seconds::from_millis(0.5),
        enable_delay: sheet.enable.on_delay * (0.5 + 0.3 * random.uniform()),
        disable_delay: sheet.amplifier.off_delay.value * 0.5,
        when_disabled: match sheet.enable.off {
            Stop::Coast => WhenDisabled::Coast,
            Stop::Brake => WhenDisabled::DynamicBrake { rated_torque_at: sheet.motor.rated_speed },
        },
        end_switches,
        overspeed: sheet.motor.maximum_speed * 1.05,
        regeneration: match (sheet.bench.regeneration.brake_resistor, sheet.bench.regeneration.absorbs) {
            (false, Some(energy)) => Regeneration::Absorbs { energy, bleed: Watts::new(10.0) },
            _ => Regeneration::Resistor,
        },
        start_up: sheet.encoder.start_up.value,
        torque_readout: TorqueReadout {
            shows: match torque.map(|t| t.shows) {
                Some(TorqueShown::Reference) => PlantTorqueShown::Reference,
                _ => PlantTorqueShown::Actual,
            },
            at_rated: torque.map_or(Volts::new(3.0), |t| {
                t.volts_at_rated * (1.0 + t.scale_uncertainty.value.get() / 200.0 * random.normal())
            }),
            output,
        },
        speed_readout: SpeedReadout {
            scale: RpmPerVolt::new(speed.map_or(500.0, |s| 1000.0 / s.volts_per_thousand_rpm.get())),
            output,
        },
        display: sheet.display.map_or(AmplifierSetup::default().display, |display| TorqueDisplay {
            shows: match display.shows {
                DisplayShown::Command => PlantDisplayShown::Command,
                DisplayShown::Reference => PlantDisplayShown::Reference,
                DisplayShown::Actual => PlantDisplayShown::Actual,
            },
            step: display.step,
        }),
        ..AmplifierSetup::default()
    }
}

fn motor(sheet: &AxisSheet, random: &mut Random) -> MotorSetup {
    let rated = sheet.motor.rated_torque;
    let running = sheet.torque_at(sheet.motor.running_friction.value) * (1.0 + 0.05 * random.normal());
    let breakaway = sheet.torque_at(sheet.motor.breakaway_bound) * 0.9;
    let coulomb = running.min(breakaway);
    // Coverage factor 2: the sheet states expanded uncertainties.
    let (of_rotor, of_disc) = (random.normal(), random.normal());
    // A rotor that was measured with the disc is off by what the disc is off by.
    let of_disc = if sheet.measured_inertia.is_some() { of_rotor } else { of_disc };
    let rotor = 1.0 + sheet.motor.rotor_inertia_uncertainty.get() / 200.0 * of_rotor;
    let disc = 1.0 + sheet.disc.map_or(0.0, |d| d.uncertainty.get()) / 200.0 * of_disc;
    MotorSetup {
        rotor_inertia: sheet.motor.rotor_inertia * rotor,
        added_inertia: sheet.disc.map_or_else(Default::default, |d| d.inertia * disc),
        coulomb,
        stiction: (coulomb * 1.2).min(breakaway),
        // One percent of rated torque at rated speed.
        viscous: NewtonMetresPerRadPerSec::new(
            0.01 * rated.get() / sheet.motor.rated_speed.to_rad_per_sec().get(),
        ),
        cogging: vec![
            CoggingHarmonic {
                per_rev: 10,
                amplitude: rated * 0.002,
                phase: Degrees::new(360.0 * random.uniform()),
            },
            CoggingHarmonic {
                per_rev: 60,
                amplitude: rated * 0.003,
                phase: Degrees::new(360.0 * random.uniform()),
            },
        ],
        load: NewtonMetres::ZERO,
        highest_speed: sheet.motor.maximum_speed,
        brake: (sheet.enable.brake == BrakeDriver::Amplifier).then(|| HoldingBrake {
            torque: rated * 1.5,
            release_delay: Seconds::from_millis(30.0),
            close_delay: Seconds::from_millis(20.0),
        }),
        ..MotorSetup::default()
    }
}

fn encoder(sheet: &AxisSheet, forward: PlantRotation, random: &mut Random) -> EncoderSetup {
    let counts = sheet.encoder.pulses.to_counts().get();
    EncoderSetup {
        native: sheet.encoder.native,
        pulses: sheet.encoder.pulses,
        counts_up: match sheet.direction.positive_counts {
            CountDirection::Up => forward,
            CountDirection::Down => forward.reversed(),
        },
        index_at: (random.uniform() * f64::from(counts)) as u32 % counts.max(1),
        phase_error: sheet.encoder.phase_error.value * (random.uniform() - 0.5),
        start_angle: Turns::new(random.uniform()),
        ..EncoderSetup::default()
    }
}

fn wiring(sheet: &AxisSheet) -> WiringSetup {
    let mut flags = WiringSetup::default().flags;
    flags.fill(None);
    for flag in &sheet.flags {
        let source = match flag.role {
            FlagRole::HoldingSpeedDown => FlagSource::HoldingSpeed,
            FlagRole::CanEnable => FlagSource::Ready,
            FlagRole::TorqueOn => FlagSource::TorqueOn,
            FlagRole::Fault => FlagSource::Fault,
            FlagRole::BrakeRelease => FlagSource::BrakeRelease,
        };
        if let Some(input) = flags.get_mut(usize::from(flag.fixture_input)) {
            *input = Some(FlagWire { source, conducts_when_active: flag.active == Polarity::Conducting });
        }
    }
    WiringSetup { flags, torque_readout: sheet.torque_read_out.is_some(), ..WiringSetup::default() }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_rotation_has_the_other_name_from_the_other_end() {
        // IEC 60034-8: the sense of rotation is that seen facing the drive end (from memory; the rest is geometry).
        use Rotation::{Clockwise, Counterclockwise};
        use Viewpoint::{OtherEnd, ShaftEnd};
        assert_eq!(plant_rotation(Clockwise, ShaftEnd), PlantRotation::Clockwise);
        assert_eq!(plant_rotation(Counterclockwise, OtherEnd), PlantRotation::Clockwise);
        assert_eq!(plant_rotation(Counterclockwise, ShaftEnd), PlantRotation::CounterClockwise);
        assert_eq!(plant_rotation(Clockwise, OtherEnd), PlantRotation::CounterClockwise);
    }
}
