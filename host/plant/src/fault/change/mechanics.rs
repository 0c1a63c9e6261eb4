//! Motor, brake, what is on the shaft.

use proofstand_units::{Hertz, Joules, NewtonMetres, Percent, Seconds};

use crate::setup::{HoldingBrake, PlantSetup};

/// A share of rated torque.
pub(super) fn share(setup: &PlantSetup, of_rated: Percent) -> NewtonMetres {
    setup.amplifier.rated_torque * (of_rated.get() / 100.0)
}

/// Energy of what turns, at the forward cap.
pub(super) fn energy_at_cap(setup: &PlantSetup) -> Joules {
    let inertia = (setup.motor.rotor_inertia + setup.motor.added_inertia).get();
    let speed = setup.amplifier.cap.forward.to_rad_per_sec().get();
    Joules::new(0.5 * inertia * speed * speed)
}

/// Counts per second at the forward cap.
pub(super) fn rate_at_cap(setup: &PlantSetup) -> Hertz {
    let counts = f64::from(setup.encoder.pulses.to_counts().get());
    Hertz::new(counts * setup.amplifier.cap.forward.get() / 60.0)
}

/// The usual brake of such a motor (common practice, no source).
pub(super) fn unasked_brake(setup: &PlantSetup) -> HoldingBrake {
    HoldingBrake {
        torque: setup.amplifier.rated_torque * 1.1,
        release_delay: Seconds::from_millis(30.0),
        close_delay: Seconds::from_millis(10.0),
    }
}
