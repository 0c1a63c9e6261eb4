//! Does a small speed command make about the speed it should? Known before any larger command is given.

use proofstand_protocol::units::Micros;
use proofstand_units::{PartsPerMillion, Rpm, RpmPerVolt, Volts};

use super::{Context, MEASURE_AT, NAMES, REVERSE_FROM_CRAWL, Row};
use crate::checks::StepEvidence;
use crate::estimate::track::between;
use crate::estimate::{SpeedEstimate, speed};
use crate::metrology::{Budget, Contribution, DegreesOfFreedom, KnownVoltage, Limits, Sensitivity};
use crate::record::model::ResultRow;

/// The row's id.
pub(in crate::checks) const ID: &str = "line-count-slow.scale";
/// A scale farther out than this, percent, is a wrong setting and no adjustment (common practice, no source).
const COARSE: f64 = 20.0;
/// The speed has settled so long after the command changed.
const SETTLED_US: u64 = 300_000;

/// Speed per volt by the half difference of both directions, in which an offset cancels.
pub(in crate::checks) struct SlowScale {
    /// The scale.
    pub(in crate::checks) gain: RpmPerVolt,
    /// Its standard uncertainty from the record alone, without calibration and clock.
    pub(in crate::checks) scatter: RpmPerVolt,
    /// The degrees of freedom of that.
    pub(in crate::checks) degrees_of_freedom: DegreesOfFreedom,
    forward: Held,
    reverse: Held,
}

impl SlowScale {
    /// From a slow count each way. None for a torque command, or where a direction was not counted.
    pub(in crate::checks) fn of(
        context: &Context<'_>,
        forward: &StepEvidence,
        reverse: &StepEvidence,
    ) -> Option<Self> {
        context.motion.axis.speed_gain?;
        let (forward, reverse) = (held(context, forward)?, held(context, reverse)?);
        let volts = (forward.volts - reverse.volts).get();
        let speeds = (forward.speed.speed - reverse.speed.speed) * context.count_sign();
        let u = |held: &Held| held.speed.standard_uncertainty.get();
        Some(Self {
            gain: RpmPerVolt::new(speeds.get() / volts),
            scatter: RpmPerVolt::new(u(&forward).hypot(u(&reverse)) / volts.abs()),
            degrees_of_freedom: DegreesOfFreedom::of_sum(
                [&forward, &reverse].map(|held| (u(held), held.speed.degrees_of_freedom)),
            ),
            forward,
            reverse,
        })
    }

    /// Half the difference of the two commands.
    pub(in crate::checks) fn level(&self) -> Volts {
        (self.forward.volts - self.reverse.volts) * 0.5
    }
}

/// The row. None for a torque command, or if a direction was not made.
pub(super) fn row(context: &Context<'_>, evidence: &[StepEvidence]) -> Option<ResultRow> {
    let target = context.motion.axis.speed_gain?;
    let made = |names: &[&str]| evidence.iter().find(|e| names.contains(&e.name));
    let (forward, reverse) = (made(&NAMES[0][..1]), made(&[NAMES[0][1], REVERSE_FROM_CRAWL]));
    let SlowScale { gain, forward, reverse, .. } = SlowScale::of(context, forward?, reverse?)?;
    let budget = budget(gain, (&forward, &reverse), &context.equipment.command, context.equipment.clock);
    let limits = Limits::around(target, target * (COARSE / 100.0)).ok()?;
    // A gate, not the scale's result: it needs no calibration in force to tell a doubled scale.
    Some(Row::number(ID, "Speed per volt, slowly", "rpm/V").target(target.get()).judged(
        &budget,
        &limits,
        context.by(),
    ))
}

/// The two speeds were counted with one clock, which moves the scale as a whole (JCGM 100:2008, 5.2.2, note 1); each has a
/// scatter of its own.
fn budget(
    gain: RpmPerVolt,
    (forward, reverse): (&Held, &Held),
    command: &KnownVoltage,
    clock: PartsPerMillion,
) -> Budget<RpmPerVolt> {
    let volts = forward.volts - reverse.volts;
    let per_speed = Sensitivity::new(1.0 / volts.get());
    let span = volts.get().abs();
    // Each of the two levels counts with 1/span: together √2 of it.
    let spread = gain.get() * core::f64::consts::SQRT_2 / span;
    Budget::new(gain)
        .with_all([forward, reverse].map(|held| held.speed.of_the_record().with_sensitivity(per_speed)))
        .with(Contribution::rectangular("clock of the fixture", gain * clock.to_ratio()))
        .with_all(command.in_slope("command at the terminals", gain, Volts::new(span / 2.0), spread).all())
}

struct Held {
    volts: Volts,
    speed: SpeedEstimate,
}

/// The speed that was counted, and the command that stood meanwhile.
fn held(context: &Context<'_>, made: &StepEvidence) -> Option<Held> {
    let counted: Vec<_> = made.segment_samples(MEASURE_AT).copied().collect();
    let (first, last) = (counted.first()?.at, counted.last()?.at);
    let settled = between(&counted, Micros(first.0 + SETTLED_US), last);
    let volts = settled.iter().map(|s| f64::from(s.command.0) * 1e-6).sum::<f64>() / settled.len() as f64;
    let speed = speed::speed(settled, context.motion.axis.counts_per_rev).ok()?;
    (speed.speed != Rpm::ZERO).then_some(Held { volts: Volts::new(volts), speed })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::estimate::synthetic::positions;
    use proofstand_units::CountsPerRev;

    #[test]
    fn one_clock_for_both_speeds_moves_the_scale_as_a_whole() {
        // JCGM 100:2008, 5.2.2, note 1 (r = 1), by hand: 50 ppm/√3 of the 100 rpm/V, and not 1/√2 of it.
        let cpr = CountsPerRev::new(10_000);
        let held = |rpm: f64| Held {
            volts: Volts::new(rpm / 100.0),
            speed: speed::speed(&positions(1000, cpr, |t| rpm / 60.0 * t + 0.3e-4), cpr).unwrap(),
        };
        let command = KnownVoltage::uncalibrated(Volts::new(0.01));
        let budget =
            budget(RpmPerVolt::new(100.0), (&held(50.0), &held(-50.0)), &command, PartsPerMillion::new(50.0));
        let clock: Vec<_> = budget.independent().iter().filter(|c| c.name.starts_with("clock")).collect();
        let squares: f64 = clock.iter().map(|c| c.signed().powi(2)).sum();
        assert!((squares.sqrt() - 100.0 * 50e-6 / 3.0_f64.sqrt()).abs() < 1e-9, "{clock:?}");
    }
}
