//! Does the amplifier hold the speed down, at the stated speed, both ways?

use proofstand_protocol::message::{Sample, TripCause};
use proofstand_protocol::program::{End, Next, Segment};
use proofstand_protocol::units::Micros;
use proofstand_units::{CountsPerRev, Percent, Rpm, Seconds, Turns, Volts};

use super::line_count::intervals;
use super::rows::Row;
use super::traces::{cap_allowance, flag_lane, speed_plot};
use super::{Check, Context, Judgement, MoveStep, Need, Step, StepEvidence, too_low_to_move, worst};
use crate::estimate::track::between;
use crate::estimate::{ripple, speed};
use crate::metrology::{Budget, Contribution, Limits, Sensitivity};
use crate::planner::{
    CRAWL_RPM, CannotPlan, CapRun, LimitsFor, NEAR_THE_CAP, after, come_to_rest, milli_rpm, ramp, step_to,
    total_timeout,
};
use crate::record::model::{Plot, ResultRow, Verdict};

/// The check.
pub(super) struct SpeedCap;

/// A speed that changes by less than this share of the cap from one stretch to the next is held by something.
const STEADY: f64 = 0.005;
/// Samples in a short window of speed: 10 ms, the fastest ripple that is looked for.
const SHORT_WINDOW: usize = 10;
/// Step names by level and direction.
const NAMES: [[&str; 2]; 3] =
    [["low forward", "low reverse"], ["middle forward", "middle reverse"], ["high forward", "high reverse"]];
/// Levels that must have reached the cap; higher ones are then left alone.
const LEVELS: usize = 2;
/// The segment that runs up, and the one that holds.
const RUN_UP: u8 = 0;
pub(super) const HOLD: u8 = 1;

/// One run: its name, plan and the command's sign.
struct Run<'a> {
    name: &'static str,
    plan: &'a CapRun,
    sign: f64,
}

fn runs<'a>(context: &Context<'a>) -> Vec<Run<'a>> {
    let motion = context.motion;
    motion
        .cap_runs
        .iter()
        .zip(NAMES)
        .filter_map(|(plan, names)| plan.as_ref().ok().map(|plan| (plan, names)))
        .flat_map(|(plan, names)| {
            names.into_iter().zip([1.0, -1.0]).map(move |(name, sign)| Run { name, plan, sign })
        })
        .collect()
}

/// Up to near the cap, held there, braked by the opposite command until slow.
fn program(context: &Context<'_>, run: &Run<'_>) -> Vec<Segment> {
    let plan = run.plan;
    let hold = plan.settle + plan.window;
    let counting = run.sign * context.count_sign();
    let command = plan.command * run.sign;
    if let Some(drive) = context.motion.hold.speed_command() {
        // The amplifier brakes by itself when it is asked for standstill, no faster than it was asked to speed up.
        let slope = drive.volts_per_second();
        return vec![
            ramp(command, slope, near_the_cap(context, counting), Next::Segment(HOLD), plan.patience),
            ramp(command, slope, after(hold), Next::Segment(2), hold + Seconds::new(1.0)),
            ramp(Volts::ZERO, slope, slow_again(counting), Next::Segment(3), plan.patience),
            come_to_rest(&context.motion.hold, Seconds::new(20.0)),
        ];
    }
    vec![
        step_to(command, near_the_cap(context, counting), Next::Segment(HOLD), plan.patience),
        step_to(command, after(hold), Next::Segment(2), hold + Seconds::new(1.0)),
        step_to(command * -1.0, slow_again(counting), Next::Segment(3), plan.patience),
        come_to_rest(&context.motion.hold, Seconds::new(20.0)),
    ]
}

/// The program of a run at a level, by the command's sign.
pub(super) fn program_at(context: &Context<'_>, plan: &CapRun, sign: f64) -> Vec<Segment> {
    program(context, &Run { name: "", plan, sign })
}

/// The speed has come near the cap, in a motion whose counts go this way.
pub(super) fn near_the_cap(context: &Context<'_>, counting: f64) -> End {
    let near = milli_rpm(context.motion.axis.cap * (NEAR_THE_CAP * counting));
    if counting > 0.0 { End::SpeedAtLeast(near) } else { End::SpeedAtMost(near) }
}

/// The speed of a motion whose counts go this way has come down to a crawl.
pub(super) fn slow_again(turning: f64) -> End {
    let crawl = milli_rpm(Rpm::new(CRAWL_RPM * 2.0 * turning));
    if turning > 0.0 { End::SpeedAtMost(crawl) } else { End::SpeedAtLeast(crawl) }
}

impl Check for SpeedCap {
    fn id(&self) -> &'static str {
        "speed-cap"
    }

    fn title(&self) -> &'static str {
        "Speed cap"
    }

    fn shows(&self) -> &'static str {
        "With more torque commanded than the shaft needs, or more speed than is allowed, the amplifier holds the speed \
         down to the stated cap, both ways, at two levels, lowest first; how far it overshoots and how evenly it holds."
    }

    fn needs(&self) -> &'static [Need] {
        &[super::COUNTS_PROVEN, super::ENABLE_OBEYED]
    }

    fn plan(&self, context: &Context<'_>) -> Result<Vec<Step>, CannotPlan> {
        let runs = runs(context);
        if runs.is_empty() {
            return Err(context.motion.cap_runs.iter().find_map(|r| r.as_ref().err().cloned()).unwrap_or(
                CannotPlan { why: "no level reaches the cap".to_owned(), remedy: "a lower cap".to_owned() },
            ));
        }
        let step = |run: &Run<'_>| {
            let program = program(context, run);
            Step::Move(Box::new(MoveStep {
                acts: Vec::new(),
                name: run.name,
                what: format!(
                    "The shaft speeds up {} {} until the amplifier holds it at {:.0} rpm, about {:.0} turns, then \
                     brakes",
                    context.way(Rpm::new(run.sign * context.count_sign())),
                    at_level(context, run.plan),
                    context.motion.axis.cap.get(),
                    run.plan.turns.get()
                ),
                timeout: total_timeout(&program),
                program,
                limits: LimitsFor::working(context, run.plan.turns * 6.0 + Turns::new(100.0))
                    .command(run.plan.command)
                    .limits(),
                expected: run.plan.run_up * 1.6 + run.plan.settle + run.plan.window + Seconds::new(0.5),
            }))
        };
        Ok(runs.iter().map(step).collect())
    }

    /// A level is tried both ways; higher ones only until enough have reached the cap.
    fn wants(&self, context: &Context<'_>, step: &Step, so_far: &[StepEvidence]) -> bool {
        let Step::Move(step) = step else { return true };
        let begun = runs(context).iter().any(|r| r.name == step.name && r.sign < 0.0);
        let other_way = begun && so_far.last().is_some_and(|e| partner(e.name) == Some(step.name));
        let enough = levels_held(context, so_far) >= LEVELS || nothing_holds(context, so_far);
        !enough || other_way
    }

    fn goes_on_after(&self, tripped: &StepEvidence) -> bool {
        too_low_to_move(tripped)
    }

    fn judge(&self, context: &Context<'_>, evidence: &[StepEvidence]) -> Judgement {
        let mut out = Judgement::default();
        for run in runs(context) {
            let Some(made) = evidence.iter().find(|e| e.name == run.name) else { continue };
            if says_nothing(context, made) {
                out.notes.push(format!(
                    "{}, {}: the speed had not settled after {:.0} % of the cap or {:.1} s, and nothing held it; this \
                     level says nothing about the cap.",
                    label(context, run.plan),
                    context.way(Rpm::new(run.sign * context.count_sign())),
                    NEAR_THE_CAP * 100.0,
                    run.plan.patience.get()
                ));
            } else {
                judge_run(context, &run, made, &mut out.results);
            }
            out.plots.extend(plot(context, &run, made));
        }
        let verdict = worst(&out.results);
        let both = levels_held(context, evidence) >= LEVELS;
        let row = Row::text("speed-cap.active", "The cap holds, both ways, at every level tried", "holds");
        out.results.push(match verdict {
            Verdict::Accepted if both => row.is("holds", verdict, "full levels are allowed"),
            Verdict::Accepted | Verdict::NotDone => row.is(
                "not seen at two levels",
                Verdict::Undecided,
                "too few levels came to the cap, both ways: more is needed than this axis allows here",
            ),
            other => row.is("not proven", other, "nothing runs at a full level"),
        });
        for refused in context.motion.cap_runs.iter().filter_map(|r| r.as_ref().err()) {
            out.notes.push(format!(
                "A level was left out: {}. What would allow it: {}.",
                refused.why, refused.remedy
            ));
        }
        out
    }
}

/// How a run is driven, in words.
pub(super) fn at_level(context: &Context<'_>, plan: &CapRun) -> String {
    match context.motion.axis.speed_gain {
        None => format!("at {:.0} % of rated torque", plan.level.get()),
        Some(_) => {
            format!("on a command for {:.0} % of the cap ({:.2} V)", plan.level.get(), plan.command.get())
        }
    }
}

/// A speed command above the cap has turned the shaft faster than the cap allows: a higher one would only do more of it.
/// With a torque command nothing but a trip ends that.
fn nothing_holds(context: &Context<'_>, so_far: &[StepEvidence]) -> bool {
    let most = context.motion.axis.cap + cap_allowance(context);
    context.motion.axis.speed_gain.is_some()
        && so_far
            .iter()
            .any(|made| reached(made) && last_speed(context, made, 200_000, 0).is_some_and(|s| s > most))
}

/// The speed came near the cap.
fn reached(made: &StepEvidence) -> bool {
    made.segment_samples(HOLD).next().is_some()
}

/// The same level's run the other way.
fn partner(name: &str) -> Option<&'static str> {
    NAMES.iter().find(|pair| pair[0] == name).map(|pair| pair[1])
}

/// Levels at which the speed was held, both ways.
fn levels_held(context: &Context<'_>, evidence: &[StepEvidence]) -> usize {
    let held = |name: &str| {
        evidence.iter().any(|e| e.name == name && e.trip().is_none() && !says_nothing(context, e))
    };
    NAMES.iter().filter(|pair| pair.iter().all(|name| held(name))).count()
}

/// The level was too low to say anything about the cap: it did not get the shaft there, or was still getting it there,
/// and nothing but friction held it.
fn says_nothing(context: &Context<'_>, made: &StepEvidence) -> bool {
    if made.trip().is_some() {
        return too_low_to_move(made);
    }
    if !reached(made) {
        return !steady(context, made, 400_000);
    }
    // Below the cap and still rising. A speed that falls, or hunts, is the limiter's doing and is judged.
    let (before, now) = (last_speed(context, made, 400_000, 200_000), last_speed(context, made, 200_000, 0));
    let (Some(before), Some(now)) = (before, now) else { return false };
    let below = now < context.motion.axis.cap + cap_allowance(context);
    below && now - before > context.motion.axis.cap * STEADY
}

/// Mean speed, as a magnitude, of a stretch before the end of the driven segments.
fn last_speed(context: &Context<'_>, made: &StepEvidence, from_us: u64, to_us: u64) -> Option<Rpm> {
    let driven: Vec<Sample> = driven(made).collect();
    let end = driven.last()?.at.0;
    let stretch = between(&driven, Micros(end.saturating_sub(from_us)), Micros(end.saturating_sub(to_us)));
    speed::speed(stretch, context.motion.axis.counts_per_rev).ok().map(|s| s.speed.abs())
}

/// The speed no longer changes from one stretch to the next, at the end of the driven segments.
fn steady(context: &Context<'_>, made: &StepEvidence, stretch_us: u64) -> bool {
    let before = last_speed(context, made, 2 * stretch_us, stretch_us);
    let now = last_speed(context, made, stretch_us, 0);
    let (Some(before), Some(now)) = (before, now) else { return false };
    let still = context.motion.axis.cap * STEADY;
    (now - before).abs() < still && now > still
}

/// Samples of the run-up and of the hold.
fn driven(made: &StepEvidence) -> impl Iterator<Item = Sample> + '_ {
    made.samples.iter().filter(|s| s.segment == RUN_UP || s.segment == HOLD).copied()
}

/// A level's short name.
fn label(context: &Context<'_>, plan: &CapRun) -> String {
    let of = if context.motion.axis.speed_gain.is_some() { "speed asked for" } else { "torque" };
    format!("{:.0} % {of}", plan.level.get())
}

fn judge_run(context: &Context<'_>, run: &Run<'_>, made: &StepEvidence, rows: &mut Vec<ResultRow>) {
    let cap = context.motion.axis.cap;
    let tolerances = &context.sheet.tolerances;
    let per_rev = context.motion.axis.counts_per_rev;
    let counting = run.sign * context.count_sign();
    let slug = run.name.replace(' ', "-");
    let label = format!("{}, {}", label(context, run.plan), context.way(Rpm::new(counting)));
    let allowed = cap_allowance(context);
    let Ok(limits) = Limits::around(cap, allowed) else { return };
    let held_row = Row::number(&format!("speed-cap.{slug}.held"), &format!("Held speed, {label}"), "rpm")
        .target(cap.get())
        .limits(&limits);
    rows.extend(counts(made, per_rev, &slug, &label));
    if let Some(trip) = made.trip() {
        let speed = f64::from(trip.speed.0).abs() / 1e3;
        // By the read-out alone only where the counts say so too.
        let passed = match trip.cause {
            TripCause::OverspeedCounts | TripCause::OverspeedIndex => speed > cap.get(),
            TripCause::OverspeedReadout => speed > cap.get() * WITNESSED,
            _ => false,
        };
        let why = if passed {
            format!(
                "nothing held the speed down: it passed the cap of {:.0} rpm and the fixture tripped at {speed:.0} rpm",
                cap.get()
            )
        } else {
            format!("the run tripped: {}", crate::fixture::trip_in_words(trip))
        };
        rows.push(held_row.measured(f64::from(trip.speed.0).abs() / 1e3).verdict(Verdict::Rejected, &why));
        return;
    }
    let driven: Vec<Sample> = driven(made).collect();
    let window = window(run, &driven);
    let (Ok(speed), Ok(ripple), Ok(overshoot)) = (
        speed::speed(window, per_rev),
        ripple::ripple(window, per_rev, SHORT_WINDOW),
        ripple::overshoot(&driven, per_rev, cap * counting, SHORT_WINDOW),
    ) else {
        rows.push(held_row.without(Verdict::Undecided, "too few samples at the held speed"));
        return;
    };
    let held = Budget::new(speed.speed * counting).with_all(speed.contributions(context.equipment.clock));
    rows.push(held_row.judged(&held, &limits, context.by()));

    let percent = |rpm: Rpm| Percent::new(rpm.get() / cap.get() * 100.0);
    let per_cent = Sensitivity::new(100.0 / cap.get());
    let beyond = Budget::new(percent(overshoot.overshoot))
        .with_all(overshoot.contributions().into_iter().map(|c| c.with_sensitivity(per_cent)));
    rows.push(
        Row::number(&format!("speed-cap.{slug}.overshoot"), &format!("Overshoot, {label}"), "%").judged(
            &beyond,
            &Limits::AtMost(tolerances.cap_overshoot.value),
            context.by(),
        ),
    );

    // Noise widens the span between highest and lowest; what it adds is taken out in quadrature, and all of that
    // correction is in doubt.
    let (seen, noise) = (ripple.peak_to_peak.get(), ripple.noise_peak_to_peak.get());
    let real = (seen.powi(2) - noise.powi(2)).max(0.0).sqrt();
    let uneven = Budget::new(percent(Rpm::new(real)))
        .with(Contribution::rectangular("noise in the span of speeds", percent(Rpm::new(seen - real))))
        .with(Contribution::normal("quantisation of a short window", percent(ripple.noise)));
    rows.push(
        Row::number(&format!("speed-cap.{slug}.ripple"), &format!("Ripple, peak to peak, {label}"), "%")
            .judged(&uneven, &Limits::AtMost(tolerances.cap_ripple.value), context.by()),
    );
}

/// A trip by the speed read-out is the shaft's own where counts had it so far above the cap: half of what is between cap and trip
/// at the least (common practice, no source).
const WITNESSED: f64 = 1.1;

/// Counts of the revolutions that were passed: every speed here is had from counts, and rests on their being right.
fn counts(made: &StepEvidence, per_rev: CountsPerRev, slug: &str, label: &str) -> Option<ResultRow> {
    let expected = i64::from(per_rev.get());
    let all = intervals(made, per_rev);
    let worst = all.iter().copied().max_by_key(|c| (c - expected).abs())?;
    let wrong = all.iter().filter(|c| **c != expected).count();
    let row = Row::number(
        &format!("speed-cap.{slug}.counts"),
        &format!("Counts per revolution, {label}"),
        "counts",
    )
    .target(expected as f64)
    .exact()
    .measured(worst as f64);
    Some(if wrong == 0 {
        row.verdict(Verdict::Accepted, &format!("all {} intervals are exact", all.len()))
    } else {
        let why = format!(
            "{wrong} of {} intervals differ from {expected}: the speeds beside them mean nothing{}",
            all.len(),
            match made.illegal_transitions {
                0 => String::new(),
                seen => format!("; {seen} {}", super::NO_ENCODER_MAKES),
            }
        );
        row.verdict(Verdict::Rejected, &why)
    })
}

/// The held speed: the planned window at the end of the run.
fn window<'a>(run: &Run<'_>, driven: &'a [Sample]) -> &'a [Sample] {
    let end = driven.last().map_or(0, |s| s.at.0);
    let length = (run.plan.window.get() * 1e6) as u64;
    between(driven, Micros(end.saturating_sub(length)), Micros(end))
}

fn plot(context: &Context<'_>, run: &Run<'_>, made: &StepEvidence) -> Option<Plot> {
    let title = format!("Speed, {}", run.name);
    let mut plot = speed_plot(&format!("speed-cap-{}", run.name.replace(' ', "-")), &title, context, made)?;
    plot.lanes.extend(flag_lane(context, made));
    Some(plot)
}
