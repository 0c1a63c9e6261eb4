//! The speed limiter and the speed loop: what torque they let through.

use core::f64::consts::TAU;

use crate::floats::{greater, lesser, within};
use crate::setup::{CapLaw, CommandMode, PlantSetup};

/// Torque allowed forward and backward, N·m: `least` is negative or zero unless the limiter brakes.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Allowed {
    pub(crate) least: f64,
    pub(crate) most: f64,
}

impl Allowed {
    #[inline]
    fn clamp(self, torque: f64) -> f64 {
        // Not f64::clamp: the two limits may cross for a moment when both caps are overrun by a stiff limiter.
        greater(lesser(torque, self.most), self.least)
    }
}

/// Turns a command into the torque asked of the current loop. Forward is positive throughout.
#[derive(Debug, Clone)]
pub(crate) struct Limiter {
    /// Torque (N·m/V) or speed (rad/s per V) per volt.
    gain: f64,
    speed_loop: Option<SpeedLoop>,
    cap: [f64; 2],
    proportional: f64,
    /// `Kp/Ti`, none for a proportional limiter.
    integral: f64,
    windup: f64,
    wound: [f64; 2],
    peak: f64,
    /// Braking slope of an open end switch that is obeyed.
    stop: f64,
    /// Which end switch is obeyed: forward, backward.
    obeys: [bool; 2],
}

#[derive(Debug, Clone)]
struct SpeedLoop {
    proportional: f64,
    integral: f64,
    wound: f64,
    /// Steepest change of the reference, rad/s²; infinite without a ramp.
    ramp: f64,
    /// None while torque is off.
    reference: Option<f64>,
}

impl Limiter {
    pub(crate) fn new(setup: &PlantSetup) -> Self {
        let a = &setup.amplifier;
        let rated = a.rated_torque.get();
        let inertia = (setup.motor.rotor_inertia + setup.motor.added_inertia).get();
        let (gain, speed_loop) = match a.mode {
            CommandMode::Torque { gain } => (gain.get() / 100.0 * rated, None),
            CommandMode::Speed { gain, bandwidth, integral_time, ramp } => {
                let proportional = inertia * TAU * bandwidth.get();
                let ti = integral_time.get();
                let integral = if ti > 0.0 { proportional / ti } else { 0.0 };
                let ramp = if ramp.get() > 0.0 { ramp.get() } else { f64::INFINITY };
                let speed_loop = SpeedLoop { proportional, integral, wound: 0.0, ramp, reference: None };
                (gain.get() * TAU / 60.0, Some(speed_loop))
            }
        };
        let (band, ti, windup) = match a.cap.law {
            // At 0 rpm there is no speed for an integral part to have filled up below.
            CapLaw::ProportionalIntegral { band, .. } if a.limit_open => (band, None, 0.0),
            CapLaw::Proportional { band } => (band, None, 0.0),
            CapLaw::ProportionalIntegral { band, integral_time, windup } => {
                (band, Some(integral_time.get()), windup.get() / 100.0 * rated)
            }
        };
        let proportional = rated / band.to_rad_per_sec().get();
        Self {
            gain,
            speed_loop,
            cap: if a.limit_open {
                [0.0; 2]
            } else {
                [a.cap.forward.to_rad_per_sec().get(), a.cap.backward.to_rad_per_sec().get()]
            },
            proportional,
            integral: ti.map_or(0.0, |ti| proportional / ti),
            windup,
            wound: [windup; 2],
            peak: rated * a.torque_limit.get() / 100.0,
            stop: proportional,
            obeys: a.end_switches.obeyed(),
        }
    }

    /// Integral parts as they are with torque off: the limiter's filled up, the loop's empty.
    pub(crate) fn rest(&mut self) {
        self.wound = [self.windup; 2];
        if let Some(speed_loop) = &mut self.speed_loop {
            speed_loop.wound = 0.0;
            speed_loop.reference = None;
        }
    }

    /// Torque asked of the current loop in this step, for a filtered command and the speed as measured.
    #[inline]
    pub(crate) fn torque(&mut self, command: f64, speed: f64, ends_closed: [bool; 2], step: f64) -> f64 {
        let mut allowed = Allowed { least: -self.peak, most: self.peak };
        // As a cap of zero in that direction: brakes in proportion, lets the way back through.
        if self.obeys[0] && !ends_closed[0] {
            allowed.most = within(-self.stop * speed, -self.peak, self.peak);
        }
        if self.obeys[1] && !ends_closed[1] {
            allowed.least = within(-self.stop * speed, -self.peak, self.peak);
        }
        if let Some(speed_loop) = &mut self.speed_loop {
            let asked = within(command * self.gain, -self.cap[1], self.cap[0]);
            let before = speed_loop.reference.unwrap_or(speed);
            let reach = speed_loop.ramp * step;
            let reference = within(asked, before - reach, before + reach);
            speed_loop.reference = Some(reference);
            let error = reference - speed;
            let wanted = speed_loop.proportional * error + speed_loop.wound;
            let torque = allowed.clamp(wanted);
            // Conditional integration: hold while saturated, unless the error leads out of saturation.
            if torque == wanted || (wanted - torque) * error < 0.0 {
                speed_loop.wound += speed_loop.integral * error * step;
            }
            return torque;
        }
        let room = [self.cap[0] - speed, self.cap[1] + speed];
        if self.integral > 0.0 {
            for (wound, room) in self.wound.iter_mut().zip(room) {
                *wound = within(*wound + self.integral * room * step, -self.windup, self.windup);
            }
        }
        let reach =
            |n: usize| self.proportional * room[n] + if self.integral > 0.0 { self.wound[n] } else { 0.0 };
        allowed.most = greater(lesser(allowed.most, reach(0)), -self.peak);
        allowed.least = lesser(greater(allowed.least, -reach(1)), self.peak);
        allowed.clamp(command * self.gain)
    }
}
