//! Everything that depends on the length of a step alone, worked out once per length.

use core::f64::consts::TAU;

use crate::lag::LagStep;
use crate::setup::{PlantSetup, WhenDisabled};

/// Time constants and rates of a setup, SI.
#[derive(Debug, Clone)]
struct Rates {
    input: f64,
    torque: f64,
    speed: f64,
    torque_out: f64,
    speed_out: f64,
    inertia: f64,
    viscous: f64,
    viscous_braking: f64,
}

/// What a step of one length does.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Coefficients {
    nanos: u64,
    braking: bool,
    /// Length in seconds.
    pub(crate) step: f64,
    pub(crate) input: LagStep,
    pub(crate) torque: LagStep,
    pub(crate) speed: LagStep,
    pub(crate) torque_out: LagStep,
    pub(crate) speed_out: LagStep,
    /// How speed goes on: `ω' = ω·keeps + T·gains`, exact for constant torque.
    pub(crate) motion: Motion,
}

/// Free motion under constant torque with viscous drag, over one length of time.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Motion {
    /// `exp(−B·h/J)`.
    pub(crate) keeps: f64,
    /// `(1 − exp(−B·h/J))/B`, in rad/s per N·m.
    pub(crate) gains: f64,
}

impl Motion {
    pub(crate) fn new(step: f64, inertia: f64, viscous: f64) -> Self {
        if viscous <= 0.0 {
            return Self { keeps: 1.0, gains: step / inertia };
        }
        let x = viscous * step / inertia;
        Self { keeps: (-x).exp(), gains: -(-x).exp_m1() / viscous }
    }
}

/// Odd lengths kept: those of a bench's tick that are not whole steps differ by a nanosecond now and then.
const ODD: usize = 8;

/// Coefficients for the regular step, and for the odd ones last used.
#[derive(Debug, Clone)]
pub(crate) struct Steps {
    rates: Rates,
    regular: Coefficients,
    odd: [Coefficients; ODD],
    /// Which of them is replaced next.
    oldest: usize,
}

impl Steps {
    pub(crate) fn new(setup: &PlantSetup, nanos: u64) -> Self {
        let a = &setup.amplifier;
        let viscous = setup.motor.viscous.get();
        let brake = match a.when_disabled {
            WhenDisabled::Coast => 0.0,
            WhenDisabled::DynamicBrake { rated_torque_at } => {
                a.rated_torque.get() / rated_torque_at.to_rad_per_sec().get()
            }
        };
        let rates = Rates {
            input: a.input_filter.get(),
            torque: a.torque_time_constant.get(),
            speed: a.speed_filter.get(),
            torque_out: a.torque_readout.output.filter.get(),
            speed_out: a.speed_readout.output.filter.get(),
            inertia: (setup.motor.rotor_inertia + setup.motor.added_inertia).get(),
            viscous,
            viscous_braking: viscous + brake,
        };
        let regular = rates.over(nanos, false);
        Self { rates, regular, odd: [regular; ODD], oldest: 0 }
    }

    /// For a step of this many nanoseconds, with the dynamic brake on or not.
    #[inline]
    pub(crate) fn of(&mut self, nanos: u64, braking: bool) -> &Coefficients {
        if nanos == self.regular.nanos && braking == self.regular.braking {
            return &self.regular;
        }
        self.odd_of(nanos, braking)
    }

    #[inline(never)]
    fn odd_of(&mut self, nanos: u64, braking: bool) -> &Coefficients {
        let known = self.odd.iter().position(|odd| nanos == odd.nanos && braking == odd.braking);
        let place = known.unwrap_or_else(|| {
            let place = self.oldest;
            self.oldest = (place + 1) % ODD;
            self.odd[place] = self.rates.over(nanos, braking);
            place
        });
        &self.odd[place]
    }

    pub(crate) fn inertia(&self) -> f64 {
        self.rates.inertia
    }

    pub(crate) fn viscous(&self, braking: bool) -> f64 {
        if braking { self.rates.viscous_braking } else { self.rates.viscous }
    }
}

impl Rates {
    fn over(&self, nanos: u64, braking: bool) -> Coefficients {
        let step = nanos as f64 * 1e-9;
        let viscous = if braking { self.viscous_braking } else { self.viscous };
        Coefficients {
            nanos,
            braking,
            step,
            input: LagStep::new(step, self.input),
            torque: LagStep::new(step, self.torque),
            speed: LagStep::new(step, self.speed),
            torque_out: LagStep::new(step, self.torque_out),
            speed_out: LagStep::new(step, self.speed_out),
            motion: Motion::new(step, self.inertia, viscous),
        }
    }
}

/// Turns in a radian.
pub(crate) const TURNS_PER_RADIAN: f64 = 1.0 / TAU;
