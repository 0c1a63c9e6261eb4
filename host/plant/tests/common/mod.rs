//! Axes for tests: pure mechanics, without lags, noise or limits.
#![allow(
    dead_code,
    unreachable_pub,
    clippy::unwrap_used,
    reason = "shared by several test crates, each using a part"
)]

use std::path::{Path, PathBuf};

use proofstand_plant::{Drive, Plant, PlantSetup, PlantTime, Regeneration};
use proofstand_units::{
    KilogramSquareMetres, NewtonMetres, NewtonMetresPerRadPerSec, Percent, RadPerSec, Rpm, Seconds, Turns,
    Volts,
};

/// A file of published check values.
pub fn reference(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/reference").join(name)
}

/// Torque for one volt in [`ideal`].
pub const TORQUE_PER_VOLT: f64 = 0.5;

/// An axis that is nothing but mechanics: torque follows the command at once, nothing limits it.
pub fn ideal(inertia: f64, viscous: f64, coulomb: f64, stiction: f64, start_speed: f64) -> PlantSetup {
    let mut setup = PlantSetup::default();
    let a = &mut setup.amplifier;
    a.mode = proofstand_plant::CommandMode::Torque { gain: proofstand_units::PercentPerVolt::new(50.0) };
    a.rated_torque = NewtonMetres::new(1.0);
    a.torque_limit = Percent::new(1000.0);
    a.input_offset = Volts::ZERO;
    a.input_noise = Volts::ZERO;
    a.input_filter = Seconds::ZERO;
    a.torque_time_constant = Seconds::ZERO;
    a.speed_filter = Seconds::ZERO;
    a.enable_delay = Seconds::ZERO;
    a.disable_delay = Seconds::ZERO;
    a.cap.forward = Rpm::new(1e6);
    a.cap.backward = Rpm::new(1e6);
    a.cap.law = proofstand_plant::CapLaw::Proportional { band: Rpm::new(1e5) };
    a.overspeed = Rpm::new(1e6);
    a.regeneration = Regeneration::Resistor;
    let m = &mut setup.motor;
    m.rotor_inertia = KilogramSquareMetres::new(inertia);
    m.viscous = NewtonMetresPerRadPerSec::new(viscous);
    m.coulomb = NewtonMetres::new(coulomb);
    m.stiction = NewtonMetres::new(stiction);
    m.cogging.clear();
    m.start_speed = RadPerSec::new(start_speed).to_rpm();
    setup.encoder.start_angle = Turns::ZERO;
    setup
}

/// Torque on, with this much of it on an [`ideal`] axis.
pub fn torque(newton_metres: f64) -> Drive {
    command(newton_metres / TORQUE_PER_VOLT)
}

/// Torque on, with this command.
pub fn command(volts: f64) -> Drive {
    Drive {
        command: Volts::new(volts),
        enable: true,
        clear_fault: false,
        end_plus_closed: true,
        end_minus_closed: true,
    }
}

/// Nothing driven; end switches not reached.
pub fn idle() -> Drive {
    Drive { enable: false, ..command(0.0) }
}

/// A shaft without friction that turns at a constant speed, torque off.
pub fn spinning(rpm: f64) -> PlantSetup {
    ideal(1e-4, 0.0, 0.0, 0.0, Rpm::new(rpm).to_rad_per_sec().get())
}

/// Angular speed, rad/s clockwise.
pub fn speed(plant: &Plant) -> f64 {
    plant.truth().speed.to_rad_per_sec().get()
}

/// Angle, rad clockwise.
pub fn angle(plant: &Plant) -> f64 {
    plant.truth().angle.get() * core::f64::consts::TAU
}

/// A moment given in seconds.
pub fn at(seconds: f64) -> PlantTime {
    PlantTime::ZERO.after(Seconds::new(seconds))
}
