//! Shafts whose motion is known, for the tests of the estimates.

use proofstand_protocol::message::Sample;
use proofstand_protocol::units::{Counts, Micros, Microvolts};
use proofstand_units::CountsPerRev;

/// A small repeatable source of noise (the multiplier of Knuth's MMIX generator).
pub(crate) struct Noise(u64);

impl Noise {
    pub(crate) fn new(seed: u64) -> Self {
        Self(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1)
    }

    /// 0 to 1.
    pub(crate) fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// About normal, standard deviation 1.
    pub(crate) fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.uniform()).sum::<f64>() - 6.0
    }
}

/// Samples at 1 kHz of a shaft whose place in turns is a function of time in seconds, floored to counts.
pub(crate) fn positions(n: usize, counts_per_rev: CountsPerRev, turns: impl Fn(f64) -> f64) -> Vec<Sample> {
    (0..n)
        .map(|i| Sample {
            sequence: i as u32,
            at: Micros(1000 * i as u64),
            position: Counts((turns(1e-3 * i as f64) * f64::from(counts_per_rev.get())).floor() as i64),
            ..Sample::default()
        })
        .collect()
}

/// A motor on the bench: inertia, friction, torque that follows the command with a lag.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Motor {
    /// kg·m².
    pub(crate) inertia: f64,
    /// N·m/V.
    pub(crate) gain: f64,
    /// V at the input.
    pub(crate) offset: f64,
    /// N·m.
    pub(crate) coulomb: f64,
    /// N·m·s/rad.
    pub(crate) viscous: f64,
    /// s.
    pub(crate) lag: f64,
}

/// Runs alternating segments +level, −level, … that turn round at ±`turn_round` (rad/s), the first from rest, seen at
/// 1 kHz in whole counts. Integrated in steps of 5 µs by the midpoint rule.
pub(crate) fn reversals(
    motor: Motor,
    level: f64,
    turn_round: f64,
    segments: u8,
    counts_per_rev: CountsPerRev,
) -> Vec<Sample> {
    let (mut theta, mut omega, mut torque) = (0.12345, 0.0_f64, 0.0);
    let mut samples = Vec::new();
    let (mut segment, mut tick) = (0_u8, 0_u64);
    while segment < segments && tick < 200_000 {
        let sign = if segment % 2 == 0 { 1.0 } else { -1.0 };
        let command = (1e6 * sign * level) as i32;
        samples.push(Sample {
            sequence: tick as u32,
            at: Micros(1_000_000 + 1000 * tick),
            position: Counts(
                (theta * f64::from(counts_per_rev.get()) / core::f64::consts::TAU).floor() as i64
            ),
            command: Microvolts(command),
            readback: Microvolts(command),
            segment,
            ..Sample::default()
        });
        for _ in 0..200 {
            let h = 5e-6;
            let rate = |omega: f64, torque: f64| {
                let friction = if omega == 0.0 { 0.0 } else { motor.coulomb.copysign(omega) };
                let wanted = motor.gain * (sign * level + motor.offset);
                let lagging = if motor.lag > 0.0 { (wanted - torque) / motor.lag } else { 0.0 };
                ((torque - friction - motor.viscous * omega) / motor.inertia, lagging)
            };
            if motor.lag == 0.0 {
                torque = motor.gain * (sign * level + motor.offset);
            }
            let (a, t) = rate(omega, torque);
            let (middle_omega, middle_torque) = (omega + 0.5 * h * a, torque + 0.5 * h * t);
            let (a, t) = rate(middle_omega, middle_torque);
            theta += h * middle_omega;
            omega += h * a;
            torque += h * t;
        }
        if sign * omega >= turn_round {
            segment += 1;
        }
        tick += 1;
    }
    samples
}
