//! What is not as it should be with an axis and shows in every step: counts lost, pairs disturbed, a motor that warms, a supply
//! that dips, an index with noise on it.

use super::Plant;
use crate::amplifier::torque_sign;
use crate::setup::PlantSetup;

/// Loss of whole pulses at speed, ready for use.
#[derive(Debug, Clone)]
pub(super) struct Loss {
    pub(super) above: f64,
    pub(super) share: f64,
    pub(super) lost: i64,
}

/// A dip of the amplifier's control power takes so long, nanoseconds (common practice, no source).
const DIP: u64 = 40_000_000;

/// A dip to come.
#[derive(Debug, Clone, Copy)]
pub(super) struct Dip {
    /// Time with torque until then, seconds.
    pub(super) left: f64,
    /// When it will be over, once it has come.
    pub(super) ends: Option<u64>,
}

/// How warm the motor is, as a share of as warm as it gets.
#[derive(Debug, Clone, Copy)]
pub(super) struct Warmth {
    share: f64,
    /// The torque constant cold, and what of it goes.
    cold: f64,
    falls: f64,
}

/// With rated torque a motor warms with this time constant, seconds: short, for a small one whose magnets are near its
/// winding (common practice, no source). It cools far more slowly than a run takes.
const WARMS_IN: f64 = 2.0;

impl Warmth {
    pub(super) fn new(setup: &PlantSetup) -> Option<Self> {
        let falls = setup.motor.heating.get() / 100.0;
        let cold = setup.amplifier.torque_constant.get() / 100.0 * torque_sign(setup);
        (falls > 0.0).then_some(Self { share: 0.0, cold, falls })
    }

    /// The torque constant after a step under a share of rated torque.
    fn after(&mut self, step: f64, load: f64) -> f64 {
        self.share += (1.0 - self.share) * load * step / WARMS_IN;
        self.cold * (1.0 - self.falls * self.share)
    }
}

impl Plant {
    /// What is not as it should be, over the step that began at `start`, with the shaft and the counter as they were then.
    #[inline(never)]
    pub(super) fn disturb(&mut self, start: u64, step: f64, before: f64, count_before: i64) {
        let counted = self.encoder.counter() - count_before;
        if self.loss.is_some() || self.alarm_above.is_some() || self.ringing.is_some() {
            let turns = (self.motor.angle - before).abs();
            let rate = turns * self.encoder.counts_per_turn() / step;
            self.ring(counted, rate);
            self.lose_counts(counted, rate);
            self.alarm = self.alarm_above.is_some_and(|above| rate > above);
        }
        self.disturb_pairs(step);
        self.wear(step);
        if self.index_noise > 0.0 && self.live && self.random.uniform() < self.index_noise * step {
            let length = self.now - start;
            let time = start + 1 + (self.random.uniform() * (length - 1) as f64) as u64;
            if let Some((angle, _)) = self.history.angle_at(time) {
                self.encoder.disturb_index(time, angle, self.motor.angle >= before);
            }
        }
    }

    /// Loses whole pulses of what was counted at a rate of counts per second: four counts each, so that the lines' two bits
    /// stay right. The rate is the shaft's: one count in a short step is no high rate.
    fn lose_counts(&mut self, counted: i64, rate: f64) {
        let Some(loss) = &mut self.loss else { return };
        if rate <= loss.above {
            return;
        }
        let over = counted.unsigned_abs() as f64 * (1.0 - loss.above / rate);
        let expected = over * loss.share / 4.0;
        let whole = expected.floor();
        let pulses = whole as i64 + i64::from(self.random.uniform() < expected - whole);
        let lost = 4 * pulses * counted.signum();
        loss.lost += lost;
        self.encoder.lose(lost);
    }

    /// Reflections that have not died away when the next edge comes: with the share that is left of them, a pulse too few or
    /// too many, and transitions that can't be. At low rates there are none: their time is short beside that between edges.
    fn ring(&mut self, counted: i64, rate: f64) {
        let Some(decay) = self.ringing.filter(|_| rate > 0.0) else { return };
        let expected = counted.unsigned_abs() as f64 * (-1.0 / (rate * decay)).exp();
        let whole = expected.floor();
        let times = whole as u32 + u32::from(self.random.uniform() < expected - whole);
        for _ in 0..times {
            let pulse = if self.random.uniform() < 0.5 { 4 } else { -4 };
            self.encoder.lose(pulse);
            self.illegal = self.illegal.wrapping_add(2);
        }
    }

    /// Bursts on pairs A and B: a pulse too few or too many, and transitions that can't be.
    fn disturb_pairs(&mut self, step: f64) {
        let Some(noise) = self.pair_noise else { return };
        let share = if noise.with_torque { self.amplifier.load_share() } else { 1.0 };
        if !self.live || self.random.uniform() >= noise.rate.get() * share * step {
            return;
        }
        let pulse = if self.random.uniform() < 0.5 { 4 } else { -4 };
        self.encoder.lose(pulse);
        self.illegal = self.illegal.wrapping_add(2);
    }

    /// What time under torque does: the motor warms, the supply dips.
    fn wear(&mut self, step: f64) {
        if let Some(warmth) = &mut self.warmth {
            self.amplifier.set_torque_factor(warmth.after(step, self.amplifier.load_share()));
        }
        let Some(mut dip) = self.dip else { return };
        match dip.ends {
            None if self.amplifier.gate_on() => {
                dip.left -= step;
                if dip.left <= 0.0 {
                    dip.ends = Some(self.now + DIP);
                    self.amplifier.set_control_power(false, self.now, &mut self.flags);
                }
            }
            Some(end) if self.now >= end => {
                self.amplifier.set_control_power(true, self.now, &mut self.flags);
                self.dip = None;
                return;
            }
            _ => {}
        }
        self.dip = Some(dip);
    }
}
