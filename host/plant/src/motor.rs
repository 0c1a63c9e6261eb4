//! The motor's mechanics: inertia, friction that really sticks, cogging, load.

use core::f64::consts::TAU;

use crate::coefficients::{Motion, TURNS_PER_RADIAN};
use crate::floats::{floor, integer};
use crate::history::Piece;
use crate::setup::{MotorSetup, PlantSetup};

/// Cogging torque over one revolution, as a table of its harmonics' sum, read with linear interpolation.
#[derive(Debug, Clone)]
struct Cogging {
    table: Vec<f64>,
}

impl Cogging {
    /// Points for each period of the highest harmonic: keeps the interpolation's error below (2π/64)²/8 = 0.12 %.
    const POINTS_PER_PERIOD: u32 = 64;

    fn new(motor: &MotorSetup) -> Option<Self> {
        let highest = motor.cogging.iter().map(|harmonic| harmonic.per_rev).max()?;
        let points = (highest * Self::POINTS_PER_PERIOD).next_power_of_two();
        let at = |n: u32| -> f64 {
            let turns = f64::from(n) / f64::from(points);
            let part = |h: &crate::setup::CoggingHarmonic| {
                let periods = (turns * f64::from(h.per_rev)).fract() + h.phase.get() / 360.0;
                h.amplitude.get() * (TAU * periods).sin()
            };
            motor.cogging.iter().map(part).sum()
        };
        // One more at the end, so that the last interval needs no wrap.
        Some(Self { table: (0..=points).map(at).collect() })
    }

    #[inline]
    fn torque(&self, turns: f64) -> f64 {
        let points = self.table.len() - 1;
        let place = (turns - floor(turns)) * points as f64;
        // The fraction can round up to a whole revolution: that is the last interval's end.
        let n = (integer(floor(place)) as usize).min(points - 1);
        let (a, b) = (self.table[n], self.table[n + 1]);
        a + (b - a) * (place - n as f64)
    }
}

/// A disc that slips on the shaft.
#[derive(Debug, Clone, Copy)]
struct Slip {
    /// Torque above which it does, and by which it is dragged then.
    above: f64,
    rotor: f64,
    disc: f64,
    /// Its own speed while it slips, rad/s.
    speed: Option<f64>,
}

/// State and constants of the mechanics; clockwise is positive.
#[derive(Debug, Clone)]
pub(crate) struct Motor {
    coulomb: f64,
    stiction: f64,
    load: f64,
    cogging: Option<Cogging>,
    brake: f64,
    slip: Option<Slip>,
    /// Torque through the hub of what slips, on the rotor.
    hub: f64,
    /// Electrical turns per mechanical turn and where the rotor stood, with two phases swapped.
    swapped_phases: Option<(f64, f64)>,
    /// Turns.
    pub(crate) angle: f64,
    /// Radians per second.
    pub(crate) speed: f64,
}

/// What acts on the shaft over a step, apart from what the motor itself knows.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Acting {
    /// Motor torque, N·m.
    pub(crate) torque: f64,
    /// Drag by the operator's strap, N·m, as friction.
    pub(crate) strap: f64,
    /// The holding brake is closed.
    pub(crate) brake_closed: bool,
    /// Inertia and viscous drag, for parts of a step.
    pub(crate) inertia: f64,
    /// Viscous drag with whatever adds to it.
    pub(crate) viscous: f64,
}

impl Motor {
    pub(crate) fn new(setup: &PlantSetup) -> Self {
        let m = &setup.motor;
        let angle = setup.encoder.start_angle.get();
        Self {
            coulomb: m.coulomb.get(),
            stiction: m.stiction.get(),
            load: m.load.get(),
            cogging: Cogging::new(m),
            brake: m.brake.map_or(0.0, |brake| brake.torque.get()),
            slip: m.slips_above.map(|above| Slip {
                above: above.get(),
                rotor: m.rotor_inertia.get(),
                disc: m.added_inertia.get(),
                speed: None,
            }),
            hub: 0.0,
            swapped_phases: setup.wiring.phases_swapped.then(|| (f64::from(m.pole_pairs), angle)),
            angle,
            speed: m.start_speed.to_rad_per_sec().get(),
        }
    }

    #[inline]
    fn driving(&self, acting: &Acting, angle: f64) -> f64 {
        let mut torque = acting.torque;
        if let Some((pole_pairs, start)) = self.swapped_phases {
            // The field turns against the commutation that follows the rotor: the angle between them grows with
            // twice the rotor's, and the torque is a standing wave over the revolution instead of a constant.
            torque *= (2.0 * TAU * pole_pairs * (angle - start)).cos();
        }
        torque += self.load + self.hub;
        if let Some(cogging) = &self.cogging {
            torque += cogging.torque(angle);
        }
        torque
    }

    /// Moves over one step of free motion; hands every stretch of constant acceleration to `keep`. Returns the work
    /// that the motor's torque did on the shaft.
    #[inline]
    pub(crate) fn step(
        &mut self,
        step: f64,
        motion: &Motion,
        acting: &Acting,
        mut keep: impl FnMut(Piece),
    ) -> f64 {
        let (start, speed) = (self.angle, self.speed);
        // Nearly always the shaft turns, goes on turning, and nothing slips.
        if speed != 0.0 && self.slip.is_none() {
            let driving = self.driving(acting, start + 0.5 * step * (speed * TURNS_PER_RADIAN));
            let direction = speed.signum();
            let net = driving - direction * (self.coulomb + self.held(acting));
            let end_speed = speed * motion.keeps + net * motion.gains;
            if end_speed * direction > 0.0 {
                self.coast_to(end_speed, 0.0, step, &mut keep);
                return acting.torque * (self.angle - start) * TAU;
            }
        }
        self.step_by_stretches(step, motion, acting, &mut keep)
    }

    /// What the brake and the strap hold.
    #[inline]
    fn held(&self, acting: &Acting) -> f64 {
        if acting.brake_closed { self.brake + acting.strap } else { acting.strap }
    }

    /// The same where the shaft stands, comes to a stand, or its disc slips.
    #[inline(never)]
    fn step_by_stretches(
        &mut self,
        step: f64,
        motion: &Motion,
        acting: &Acting,
        mut keep: &mut dyn FnMut(Piece),
    ) -> f64 {
        let held = self.held(acting);
        let start = self.angle;
        let mut from = 0.0;
        let mut left = step;
        let (mut part, inertia) = match self.slips(step, acting) {
            Some(rotor) => (Motion::new(step, rotor, acting.viscous), rotor),
            None => (*motion, acting.inertia),
        };
        // At most three stretches: up to standstill, through it; the third ends the step whatever rounding does.
        for last in [false, false, true] {
            let speed = self.speed;
            let turns_per_second = speed * TURNS_PER_RADIAN;
            let driving = self.driving(acting, self.angle + 0.5 * left * turns_per_second);
            if speed == 0.0 && driving.abs() <= self.stiction + held {
                keep(Piece {
                    from,
                    length: left,
                    angle: self.angle,
                    end_angle: self.angle,
                    ..Piece::default()
                });
                break;
            }
            let direction = if speed == 0.0 { driving.signum() } else { speed.signum() };
            let net = driving - direction * (self.coulomb + held);
            let end_speed = speed * part.keeps + net * part.gains;
            let reaches_standstill = speed != 0.0 && end_speed * direction <= 0.0;
            if reaches_standstill && !last {
                // Speed is straight over the step to second order: it meets zero here.
                let length = left * (speed / (speed - end_speed)).clamp(0.0, 1.0);
                let end_angle = self.angle + 0.5 * length * turns_per_second;
                let acceleration = if length > 0.0 { -turns_per_second / length } else { 0.0 };
                keep(Piece {
                    from,
                    length,
                    angle: self.angle,
                    end_angle,
                    speed: turns_per_second,
                    acceleration,
                    ..Piece::default()
                });
                self.angle = end_angle;
                self.speed = 0.0;
                from += length;
                left -= length;
                if left <= 0.0 {
                    break;
                }
                part = Motion::new(left, inertia, acting.viscous);
                continue;
            }
            let end_speed = if reaches_standstill { 0.0 } else { end_speed };
            self.coast_to(end_speed, from, left, &mut keep);
            break;
        }
        self.sticks_again();
        acting.torque * (self.angle - start) * TAU
    }

    /// Does the disc slip in this step? The inertia that is left then. The disc is dragged along by the hub meanwhile.
    fn slips(&mut self, step: f64, acting: &Acting) -> Option<f64> {
        self.hub = 0.0;
        let mut slip = self.slip?;
        let driving = self.driving(acting, self.angle);
        let (speed, ahead) = match slip.speed {
            Some(speed) => (speed, (self.speed - speed).signum()),
            None => {
                let friction = if self.speed == 0.0 { 0.0 } else { self.coulomb * self.speed.signum() };
                let through = slip.disc * (driving - friction) / (slip.rotor + slip.disc);
                if through.abs() <= slip.above {
                    return None;
                }
                (self.speed, through.signum())
            }
        };
        self.hub = -slip.above * ahead;
        slip.speed = Some(speed + slip.above * ahead / slip.disc * step);
        self.slip = Some(slip);
        Some(slip.rotor)
    }

    /// A disc that has caught up sticks: both go on with the momentum that they have together.
    fn sticks_again(&mut self) {
        let Some(slip) = &mut self.slip else { return };
        let Some(disc) = slip.speed else { return };
        if (self.speed - disc) * self.hub >= 0.0 {
            self.speed = (slip.rotor * self.speed + slip.disc * disc) / (slip.rotor + slip.disc);
            slip.speed = None;
        }
    }

    /// Moves with speed running straight to `end_speed` over `length` seconds.
    #[inline]
    fn coast_to(&mut self, end_speed: f64, from: f64, length: f64, keep: &mut impl FnMut(Piece)) {
        let speed = self.speed * TURNS_PER_RADIAN;
        let end = end_speed * TURNS_PER_RADIAN;
        let end_angle = self.angle + 0.5 * (speed + end) * length;
        let acceleration = (end - speed) / length;
        keep(Piece { from, length, angle: self.angle, end_angle, speed, acceleration, ..Piece::default() });
        self.angle = end_angle;
        self.speed = end_speed;
    }

    /// Led by a hand: speed runs straight to `end_speed` (rad/s).
    pub(crate) fn lead(&mut self, step: f64, end_speed: f64, mut keep: impl FnMut(Piece)) {
        self.coast_to(end_speed, 0.0, step, &mut keep);
    }
}
