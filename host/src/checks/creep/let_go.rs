//! A torque command rises until friction lets go, a few times either way.

mod plot;

use proofstand_protocol::message::Sample;
use proofstand_protocol::program::{End, Next};
use proofstand_protocol::units::{Counts, Ticks};
use proofstand_units::{Percent, Seconds, Turns, Volts};

use super::STEP;
use crate::checks::creep::sticks;
use crate::checks::evidence::excursion;
use crate::checks::rows::Row;
use crate::checks::{Context, Judgement, MoveStep, Step, StepEnding, StepEvidence};
use crate::metrology::{Budget, Contribution, DegreesOfFreedom, Limits};
use crate::planner::{LimitsFor, after, ramp, step_to, total_timeout};
use crate::record::model::{ResultRow, Verdict};

/// Enabled at 0 V for so long first: does it stand still?
const REST: Seconds = Seconds::new(0.15);
/// Motion at 0 V that is no trembling any more, in degrees.
const STILL_DEGREES: f64 = 2.0;
/// A ramp reaches its end in this time.
const RAMP: Seconds = Seconds::new(0.7);
/// Ramps each way. Where the shaft lets go depends on where it stands: one way it goes through several places, the other
/// way back through them.
const TIMES: u8 = 5;
/// A ramp ends when the shaft has gone so far: surely let go, and not fast yet.
const FAR_DEGREES: f64 = 3.0;
/// It had let go where it had moved so far.
const MOVED_DEGREES: f64 = 0.2;

/// The segments of the ramps, with the command's sign.
fn ramps() -> impl Iterator<Item = (u8, f64)> {
    (0..2 * TIMES).map(|n| (2 * n + 1, if n < TIMES { 1.0 } else { -1.0 }))
}

pub(super) fn step(context: &Context<'_>) -> Step {
    let motion = context.motion;
    let per_rev = f64::from(motion.axis.counts_per_rev.get());
    let far = Counts((per_rev * FAR_DEGREES / 360.0).max(8.0) as i64);
    let slope = motion.nudge_command / RAMP.get();
    let mut program = vec![step_to(Volts::ZERO, after(REST), Next::Segment(1), REST * 4.0)];
    for (slot, sign) in ramps() {
        let target = motion.nudge_command * sign;
        program.push(ramp(target, slope, End::Travel(far), Next::Segment(slot + 1), RAMP * 1.6));
        let next = if slot + 1 == 4 * TIMES { Next::Finish } else { Next::Segment(slot + 2) };
        program.push(step_to(Volts::ZERO, End::Standstill(Ticks(60)), next, Seconds::new(5.0)));
    }
    Step::Move(Box::new(MoveStep {
        name: STEP,
        what: format!(
            "The shaft is made to let go {TIMES} times each way, a few degrees each time, on a command that rises to \
             {:.2} V at most",
            motion.nudge_command.get()
        ),
        timeout: total_timeout(&program),
        program,
        limits: LimitsFor::slow(context, Turns::new(1.0)).limits(),
        expected: REST + (RAMP * 0.6 + Seconds::new(0.15)) * (2.0 * f64::from(TIMES)) + Seconds::new(0.5),
        acts: Vec::new(),
    }))
}

pub(super) fn judge(context: &Context<'_>, made: &StepEvidence) -> Judgement {
    let mut out = Judgement::default();
    let Some(rest) = rests(context, made) else { return out };
    out.plots.extend(plot::plot(context, made));
    let still = rest.verdict == Verdict::Accepted;
    out.results.push(rest);
    if !still {
        return out;
    }
    let let_go = |sign: f64| -> Vec<f64> {
        ramps()
            .filter(|(_, s)| *s == sign)
            .filter_map(|(slot, _)| let_go_at(context, made, slot))
            .map(Volts::get)
            .collect()
    };
    let (forward, reverse) = (let_go(1.0), let_go(-1.0));
    let row = Row::number("creep.offset", "Coarse offset, percent of rated torque", "%").target(0.0);
    let tolerance = context.sheet.tolerances.torque_offset.value;
    let Ok(limits) = Limits::around(Percent::ZERO, tolerance) else { return out };
    let all = forward.len() == usize::from(TIMES) && reverse.len() == usize::from(TIMES);
    if !all || made.ending != StepEnding::Finished {
        let why = match made.trip() {
            Some(trip) => crate::fixture::trip_in_words(trip),
            None if all => made.ended_in_words(),
            None => format!(
                "the shaft let go {} times of {TIMES} on a positive command and {} times on a negative one",
                forward.len(),
                reverse.len()
            ),
        };
        out.results.push(row.limits(&limits).without(Verdict::Undecided, &why));
        if !all && !forward.is_empty() && made.ending != StepEnding::Finished {
            out.results.push(sticks());
        }
        return out;
    }
    let (up, down) = (Mean::of(&forward), Mean::of(&reverse));
    let gain = context.motion.axis.gain.get();
    let scatter = up.uncertainty.hypot(down.uncertainty) / 2.0;
    let spread = Contribution::type_a(
        "scatter from place to place",
        Percent::new(scatter * gain),
        DegreesOfFreedom::of_fit(2 * usize::from(TIMES), 2),
    );
    // The torque at 0 V, as the command scale has it: what has to be commanded against it has the other sign.
    // Half the sum of a positive and a negative command: the gain of the calibration cancels, its offset does not, and the
    // curve is that of two levels.
    let command = context.equipment.command.at_zero(
        "command at the terminals",
        gain,
        gain * core::f64::consts::FRAC_1_SQRT_2,
    );
    let budget =
        Budget::new(Percent::new(-gain * (up.mean + down.mean) / 2.0)).with(spread.clone()).with_all(command);
    out.results.push(row.judged(&budget, &limits, context.by_command()));
    let friction = Budget::new(Percent::new(gain * (up.mean - down.mean) / 2.0)).with(spread).combined();
    out.notes.push(format!(
        "It lets go at {:+.3} V and {:+.3} V on average: friction when breaking away is ({:.2} ± {:.2}) % of rated torque \
         (k = {:.1}); the sheet's bound is {:.1} %{}.",
        up.mean,
        down.mean,
        friction.value.get(),
        friction.expanded.get(),
        friction.coverage_factor.get(),
        context.motion.axis.breakaway.get(),
        if friction.value > context.motion.axis.breakaway {
            ", and it is exceeded: motions are planned with too little"
        } else {
            ""
        }
    ));
    let bound = context.motion.axis.breakaway;
    if friction.value - friction.expanded > most(context) {
        out.results.push(beyond(friction.value, bound));
    }
    out.notes.push(
        "The coarse offset assumes friction alike both ways, and the scale that the sheet states. Gravity, or a load that \
         pulls one way, looks like an offset."
            .to_owned(),
    );
    out
}

/// The highest command at which a shaft within the sheet's bound is seen to have let go: the scale may be off by its
/// tolerance, and the ramp goes on rising until the shaft has got so far that it shows (θ = jerk·t³/6 from rest).
fn most(context: &Context<'_>) -> Percent {
    let axis = &context.motion.axis;
    let slope = context.motion.nudge_command.get() / RAMP.get() * axis.gain.get();
    let jerk = axis.acceleration(axis.torque_at(Percent::new(slope))).get();
    let unseen = (6.0 * MOVED_DEGREES.to_radians() / jerk).cbrt();
    axis.breakaway * (1.0 + context.sheet.tolerances.torque_gain.value.get() / 100.0)
        + Percent::new(slope * unseen)
}

/// What it takes to let go is more than the sheet allows for, and by more than its uncertainty.
fn beyond(found: Percent, bound: Percent) -> ResultRow {
    let row = Row::text(
        "creep.breakaway",
        "Command at which the shaft lets go, percent of rated torque",
        &format!("at most {:.1}", bound.get()),
    );
    row.is(
        &format!("{:.1}", found.get()),
        Verdict::Rejected,
        "more than the sheet's bound for friction: every motion is planned with too little",
    )
}

/// Enabled at 0 V, does it stand still? None where torque never came on.
fn rests(context: &Context<'_>, made: &StepEvidence) -> Option<ResultRow> {
    let degrees = excursion(context, made, 0)?;
    let row = Row::text("creep.rest", "Enabled at 0 V, the shaft stands still", "still");
    Some(if degrees.abs() <= STILL_DEGREES {
        row.is("still", Verdict::Accepted, "friction holds what offset there is")
    } else {
        let found = format!("{degrees:+.1}° in {:.0} ms", REST.to_millis());
        row.is(&found, Verdict::Rejected, "it moved before anything was commanded")
    })
}

/// The command at which the shaft had let go in a ramp that came to its end.
fn let_go_at(context: &Context<'_>, made: &StepEvidence, slot: u8) -> Option<Volts> {
    let_go_sample(context, made, slot).map(|s| Volts::new(f64::from(s.command.0) * 1e-6))
}

/// The sample in which the shaft had let go in a ramp that came to its end.
fn let_go_sample<'a>(context: &Context<'_>, made: &'a StepEvidence, slot: u8) -> Option<&'a Sample> {
    made.segment_start(slot + 1)?;
    let start = made.segment_samples(slot).next()?.position.0;
    let moved = f64::from(context.motion.axis.counts_per_rev.get()) * MOVED_DEGREES / 360.0;
    let moved = (moved as i64).max(2);
    made.segment_samples(slot).find(|s| (s.position.0 - start).abs() >= moved)
}

struct Mean {
    mean: f64,
    uncertainty: f64,
}

impl Mean {
    /// Mean and its standard deviation, s/√n (JCGM 100:2008, 4.2.3).
    fn of(values: &[f64]) -> Self {
        let n = values.len() as f64;
        let mean = values.iter().sum::<f64>() / n;
        let variance = values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0);
        Self { mean, uncertainty: (variance / n).sqrt() }
    }
}

#[cfg(test)]
pub(super) mod tests {
    use proofstand_protocol::message::Event;
    use proofstand_protocol::units::{Micros, Microvolts};

    use super::*;
    use crate::checks::tests::with_film_winder;
    use crate::fixture::Numbered;

    #[test]
    fn a_mean_has_the_standard_deviation_of_the_guide() {
        // JCGM 100:2008, 4.2.2 and 4.2.3, worked by hand: 1, 2, 3, 4, 5 have s² = 2.5 and s/√n = √0.5.
        let mean = Mean::of(&[1.0, 2.0, 3.0, 4.0, 5.0]);
        assert!((mean.mean - 3.0).abs() < 1e-12 && (mean.uncertainty - 0.5_f64.sqrt()).abs() < 1e-12);
    }

    /// A breakaway of 2.5 % of rated torque: the sheet's bound is 3 %.
    pub(super) const EASILY: f64 = 2e3;

    /// At rest at 0 V but for what is told, then every ramp lets go after 100 ms at so many microvolts a millisecond.
    pub(super) fn let_go(context: &Context<'_>, swings_at_rest: i64, ramp: f64) -> StepEvidence {
        let mut samples: Vec<Sample> = Vec::new();
        let mut events = Vec::new();
        let (mut at, mut position) = (0, 0);
        let mut sample = |at: u64, position: i64, segment: u8, command: i32| {
            samples.push(Sample {
                at: Micros(at * 1000),
                position: Counts(position),
                command: Microvolts(command),
                segment,
                ..Sample::default()
            });
        };
        let far = i64::from(context.motion.axis.counts_per_rev.get()) / 100;
        for slot in 0..=4 * TIMES {
            events.push(Numbered { number: 0, at: Micros(at * 1000), event: Event::Segment { slot } });
            let sign = ramps().find(|(ramp, _)| *ramp == slot).map_or(0.0, |(_, sign)| sign);
            for n in 0..150 {
                let swing = if slot == 0 && (50..100).contains(&n) { swings_at_rest } else { 0 };
                if sign != 0.0 && n == 100 {
                    position += far * (sign * context.count_sign()) as i64;
                }
                sample(at, position + swing, slot, (sign * ramp * n as f64) as i32);
                at += 1;
            }
        }
        StepEvidence { samples, events, ..StepEvidence::named(STEP) }
    }

    fn verdicts(judged: &Judgement) -> Vec<(&str, Verdict)> {
        judged.results.iter().map(|r| (r.id.as_str(), r.verdict)).collect()
    }

    #[test]
    fn a_shaft_that_swings_out_and_back_at_0_v_does_not_stand_still() {
        with_film_winder(|context| {
            let still = judge(context, &let_go(context, 0, EASILY));
            assert_eq!(
                verdicts(&still),
                [("creep.rest", Verdict::Accepted), ("creep.offset", Verdict::Accepted)],
                "{:#?}",
                still.results
            );
            let swings = judge(context, &let_go(context, 200, EASILY));
            assert_eq!(verdicts(&swings), [("creep.rest", Verdict::Rejected)], "{:#?}", swings.results);
        });
    }

    #[test]
    fn a_shaft_that_lets_go_beyond_the_sheet_s_bound_for_friction_is_rejected() {
        with_film_winder(|context| {
            let stiff = judge(context, &let_go(context, 0, 2.0 * EASILY));
            let wanted = [
                ("creep.rest", Verdict::Accepted),
                ("creep.offset", Verdict::Accepted),
                ("creep.breakaway", Verdict::Rejected),
            ];
            assert_eq!(verdicts(&stiff), wanted, "{:#?}", stiff.results);
        });
    }

    #[test]
    fn an_offset_is_not_taken_from_ramps_that_did_not_come_to_their_end() {
        with_film_winder(|context| {
            let ending = StepEnding::TimedOut { slot: 4 * TIMES };
            let cut = judge(context, &StepEvidence { ending, ..let_go(context, 0, EASILY) });
            assert_eq!(
                verdicts(&cut),
                [("creep.rest", Verdict::Accepted), ("creep.offset", Verdict::Undecided)],
                "{:#?}",
                cut.results
            );
        });
    }

    #[test]
    fn the_ramps_go_one_way_first_and_then_back_and_fit_the_fixtures_slots() {
        let all: Vec<(u8, f64)> = ramps().collect();
        assert_eq!(all.len(), 2 * usize::from(TIMES));
        assert!(all.iter().all(|(slot, sign)| (*slot < 2 * TIMES) == (*sign > 0.0)));
        assert!(usize::from(4 * TIMES) < proofstand_protocol::program::SEGMENTS_MAX);
    }
}
