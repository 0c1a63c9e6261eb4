//! Does the amplifier say on the stated pair that it holds the speed down, in time, and only then?

use proofstand_protocol::message::Event;
use proofstand_protocol::program::{End, Next, Segment};
use proofstand_protocol::units::Micros;
use proofstand_units::{Rpm, Seconds, Turns, Volts};

use super::rows::Row;
use super::speed_cap::{at_level, near_the_cap, slow_again};
use super::traces::{flag_lane, speed_plot};
use super::{Check, Context, Judgement, MoveStep, Need, Step, StepEvidence};
use crate::estimate::flags::{self, Edge, Known, Moment, Question};
use crate::estimate::speed::{self, Crossing};
use crate::metrology::{Budget, Limits};
use crate::planner::{
    CannotPlan, CapRun, LimitsFor, after, come_to_rest, milli_rpm, ramp, step_to, total_timeout,
};
use crate::record::model::{ResultRow, Verdict};
use crate::sheet::{Flag, FlagRole, Polarity};

/// The check.
pub(super) struct CapFlag;

/// Step names by direction, with the command's sign.
const RUNS: [(&str, f64); 2] = [("forward", 1.0), ("reverse", -1.0)];
/// The flag is due when the speed has come to this share of the cap.
const ONSET: f64 = 0.98;
/// By the time the speed has fallen to this share, the flag must be gone.
const RELEASE: f64 = 0.85;
/// A speed command is lowered to this share of the cap, and kept there for so long: the flag must be gone by then.
const LOWERED: f64 = 0.7;
const RELEASED: Seconds = Seconds::new(0.3);
/// How long the speed is held at the cap: chatter shows in it.
const HELD: Seconds = Seconds::new(0.3);

/// The segment that holds the speed near the cap.
const HOLD_AT: u8 = 1;
/// The segment that takes the command away, and the one that brakes.
const RELEASE_AT: u8 = 2;
const BRAKE_AT: u8 = 3;
/// Samples in a short window of speed.
const SHORT_WINDOW: usize = 10;
/// Half-width of what is not known of a flag input's delay, once its usual one is taken out (input stage: calculated).
const COUPLER: Seconds = Seconds::new(50e-6);

fn plan_of(context: &Context<'_>) -> Result<CapRun, CannotPlan> {
    // Not the lowest level: the cap's own check may have found that it says nothing.
    let runs = &context.motion.cap_runs;
    match runs.get(1).filter(|r| r.is_ok()).or(runs.first()) {
        Some(run) => run.clone(),
        None => {
            Err(CannotPlan { why: "no level reaches the cap".to_owned(), remedy: "a lower cap".to_owned() })
        }
    }
}

/// Up to the cap, held; hands off (0 V, friction slows the shaft) until the flag must be gone; then braked. A speed command
/// is lowered instead: taken away it would brake.
fn program(context: &Context<'_>, plan: &CapRun, sign: f64) -> Vec<Segment> {
    let hold = plan.settle + HELD;
    let turning = sign * context.count_sign();
    let fallen = milli_rpm(context.motion.axis.cap * (RELEASE * turning));
    let fallen = if turning > 0.0 { End::SpeedAtMost(fallen) } else { End::SpeedAtLeast(fallen) };
    if let Some(drive) = context.motion.hold.speed_command() {
        let slope = drive.volts_per_second();
        let lowered = drive.volts_for(context.motion.axis.cap * LOWERED) * sign;
        let falling = drive.time_to(context.motion.axis.cap) + RELEASED;
        return vec![
            ramp(plan.command * sign, slope, near_the_cap(context, turning), Next::Segment(1), plan.patience),
            ramp(
                plan.command * sign,
                slope,
                after(hold),
                Next::Segment(RELEASE_AT),
                hold + Seconds::new(1.0),
            ),
            ramp(lowered, slope, after(falling), Next::Segment(BRAKE_AT), falling + Seconds::new(1.0)),
            ramp(Volts::ZERO, slope, slow_again(turning), Next::Segment(4), plan.patience),
            come_to_rest(&context.motion.hold, Seconds::new(20.0)),
        ];
    }
    vec![
        step_to(plan.command * sign, near_the_cap(context, turning), Next::Segment(1), plan.patience),
        step_to(plan.command * sign, after(hold), Next::Segment(RELEASE_AT), hold + Seconds::new(1.0)),
        step_to(Volts::ZERO, fallen, Next::Segment(BRAKE_AT), Seconds::new(30.0)),
        step_to(plan.command * -sign, slow_again(turning), Next::Segment(4), plan.patience),
        come_to_rest(&context.motion.hold, Seconds::new(20.0)),
    ]
}

impl Check for CapFlag {
    fn id(&self) -> &'static str {
        "cap-flag"
    }

    fn title(&self) -> &'static str {
        "Flag for holding the speed down"
    }

    fn shows(&self) -> &'static str {
        "The flag comes on the stated pair soon after the speed reaches 98 % of the cap, stays while the speed is held, \
         and goes when the command is taken away or lowered, both ways."
    }

    fn needs(&self) -> &'static [Need] {
        &[Need {
            check: "speed-cap",
            result: "speed-cap.active",
            why: "the flag of a cap can't be judged before the cap itself holds",
        }]
    }

    fn plan(&self, context: &Context<'_>) -> Result<Vec<Step>, CannotPlan> {
        if context.sheet.flag(FlagRole::HoldingSpeedDown).is_none() {
            return Err(CannotPlan {
                why: "the sheet names no flag for holding the speed down".to_owned(),
                remedy: "a flag of that role in the sheet".to_owned(),
            });
        }
        let plan = plan_of(context)?;
        let step = |(name, sign): (&'static str, f64)| {
            let program = program(context, &plan, sign);
            Step::Move(Box::new(MoveStep {
                acts: Vec::new(),
                name,
                what: format!(
                    "The shaft speeds up {} {} to {:.0} rpm, about {:.0} turns; then the command goes {} and it slows \
                     down",
                    context.way(Rpm::new(sign * context.count_sign())),
                    at_level(context, &plan),
                    context.motion.axis.cap.get(),
                    plan.turns.get(),
                    if context.motion.axis.speed_gain.is_some() { "down" } else { "to 0 V" }
                ),
                timeout: total_timeout(&program),
                program,
                limits: LimitsFor::working(context, plan.turns * 6.0 + Turns::new(900.0))
                    .command(plan.command)
                    .limits(),
                expected: plan.run_up * 1.8 + plan.settle + HELD + Seconds::new(1.0),
            }))
        };
        Ok(RUNS.into_iter().map(step).collect())
    }

    fn judge(&self, context: &Context<'_>, evidence: &[StepEvidence]) -> Judgement {
        let mut out = Judgement::default();
        let Some(flag) = context.sheet.flag(FlagRole::HoldingSpeedDown) else { return out };
        for (name, sign) in RUNS {
            let Some(made) = evidence.iter().find(|e| e.name == name) else { continue };
            judge_run(context, flag, name, sign, made, &mut out.results);
            let title = format!("Speed and flag, {name}");
            if let Some(mut plot) = speed_plot(&format!("cap-flag-{name}"), &title, context, made) {
                plot.lanes.extend(flag_lane(context, made));
                out.plots.push(plot);
            }
        }
        out
    }
}

/// The flag's run.
struct Trace {
    /// The state of the pair while the flag is active.
    conducting_is_active: bool,
    /// Active before the run.
    active_before: bool,
    /// Changes of the pair.
    edges: Vec<Edge>,
}

impl Trace {
    fn of(made: &StepEvidence, flag: &Flag) -> Self {
        let conducting_is_active = flag.active == Polarity::Conducting;
        let at_start = made.samples.first().is_some_and(|s| s.flags & (1 << (flag.fixture_input & 7)) != 0);
        Self {
            conducting_is_active,
            active_before: at_start == conducting_is_active,
            edges: flags::edges_from_events(&made.timed_events(), flag.fixture_input),
        }
    }

    fn edges_between(&self, from: Micros, to: Micros) -> usize {
        self.edges.iter().filter(|e| (from..to).contains(&e.at)).count()
    }

    fn active_at(&self, at: Micros) -> bool {
        let last = self.edges.iter().take_while(|e| e.at <= at).last();
        last.map_or(self.active_before, |e| e.conducting == self.conducting_is_active)
    }
}

fn judge_run(
    context: &Context<'_>,
    flag: &Flag,
    name: &str,
    sign: f64,
    made: &StepEvidence,
    rows: &mut Vec<ResultRow>,
) {
    let tolerances = &context.sheet.tolerances;
    let id = |what: &str| format!("cap-flag.{name}.{what}");
    let trace = Trace::of(made, flag);
    let cap = context.motion.axis.cap;
    let driven: Vec<_> = made.samples.iter().filter(|s| s.segment < RELEASE_AT).copied().collect();
    let turning = sign * context.count_sign();
    let per_rev = context.motion.axis.counts_per_rev;
    let crossing = speed::first_crossing(&driven, per_rev, cap * (ONSET * turning), SHORT_WINDOW);

    let idle = Row::text(&id("idle"), &format!("Flag before the run, {name}"), "idle");
    rows.push(if trace.active_before {
        idle.is(
            "active",
            Verdict::Rejected,
            "the flag says that the speed is held down while the shaft stands",
        )
    } else {
        idle.is("idle", Verdict::Accepted, "nothing is held down, and the flag says so")
    });

    let limits = Limits::AtMost(tolerances.cap_flag_delay.value);
    let delay =
        Row::number(&id("delay"), &format!("From 98 % of the cap to the flag, {name}"), "ms").limits(&limits);
    let Ok(Crossing::At { at: crossed, standard_uncertainty }) = crossing else {
        rows.push(delay.without(Verdict::Undecided, "the speed never crossed 98 % of the cap"));
        return;
    };
    // The amplifier's own cap and estimate of the speed may bring the flag before our crossing, but not before the shaft
    // was near the cap at all.
    let early = made.segment_start(HOLD_AT).unwrap_or(crossed);
    let release_from = made.segment_start(RELEASE_AT).unwrap_or(Micros(u64::MAX));
    let question = Question {
        moment: Moment {
            at: crossed,
            known: Known::Standard(standard_uncertainty),
            name: "moment of the crossing",
        },
        becomes: trace.conducting_is_active,
        from: early,
        to: release_from,
        resolution: COUPLER,
    };
    let onset = flags::answer(&trace.edges, &question);
    match &onset {
        Some(answer) => {
            let measured = Budget::new(answer.delay).with_all(answer.contributions());
            rows.push(delay.judged(&measured, &limits, context.by()));
        }
        None => rows.push(delay.without(Verdict::Rejected, "the flag did not come while the speed was held")),
    }
    elsewhere(context, flag, name, made, (early, release_from), onset.is_none(), rows);

    let edges = trace.edges_between(early, release_from);
    let allowed = 1 + tolerances.cap_flag_chatter.value;
    let row = Row::number(&id("edges"), &format!("Edges of the flag up to the release, {name}"), "")
        .at_most(f64::from(allowed))
        .exact()
        .measured(edges as f64);
    rows.push(if onset.as_ref().is_some_and(|answer| !answer.holds) {
        row.verdict(Verdict::Rejected, "the flag went while the speed was still held")
    } else if edges as u64 <= u64::from(allowed) {
        row.verdict(Verdict::Accepted, "no chatter beyond what is allowed")
    } else {
        row.verdict(Verdict::Rejected, "the flag chatters while the speed is held")
    });

    let release =
        Row::text(&id("release"), &format!("Flag when the command is taken away or lowered, {name}"), "goes");
    let end = made.segment_start(BRAKE_AT);
    rows.push(match (&onset, end) {
        (None, _) => release.is("never came", Verdict::Rejected, "a flag that never came can't go"),
        (_, None) => release.is("not seen", Verdict::Undecided, "the shaft did not slow down in time"),
        (_, Some(end)) if trace.active_at(end) => release.is(
            "stays",
            Verdict::Rejected,
            "the speed had fallen to 85 % of the cap and the flag was still there",
        ),
        _ => release.is("goes", Verdict::Accepted, "it went while the shaft slowed down"),
    });
}

/// If the flag did not come where it should: did another input do what it should have done?
fn elsewhere(
    context: &Context<'_>,
    flag: &Flag,
    name: &str,
    made: &StepEvidence,
    (from, to): (Micros, Micros),
    missing: bool,
    rows: &mut Vec<ResultRow>,
) {
    if !missing {
        return;
    }
    let other = made.events.iter().find_map(|e| match e.event {
        Event::Flag { input, .. } if input != flag.fixture_input && (from..to).contains(&e.at) => Some(input),
        _ => None,
    });
    let Some(input) = other else { return };
    let terminal = context.sheet.flags.iter().find(|f| f.fixture_input == input).map_or_else(
        || format!("fixture input {input}, which the sheet does not use"),
        |f| format!("terminal {} ({})", f.terminal, f.role.words()),
    );
    let row = Row::text(
        &format!("cap-flag.{name}.elsewhere"),
        &format!("Terminal that changes at the cap, {name}"),
        &format!("terminal {}", flag.terminal),
    );
    rows.push(row.is(
        &terminal,
        Verdict::Rejected,
        "another terminal changed at the moment when this one should have",
    ));
}

#[cfg(test)]
mod tests {
    use proofstand_protocol::message::Sample;
    use proofstand_protocol::units::{Counts, MilliRpm};

    use super::super::tests::with_film_winder;
    use super::*;
    use crate::fixture::Numbered;

    /// Up to 2000 rpm in 400 ms, held for 600 ms, then slowing down for 400 ms. The pair changes as told, in milliseconds.
    fn made(changes: &[(u64, bool)]) -> StepEvidence {
        let rpm = |ms: u64| match ms {
            0..400 => 5.0 * ms as f64,
            400..1000 => 2000.0,
            _ => 2000.0 - (ms - 1000) as f64,
        };
        let mut position = 0.0;
        let mut samples = Vec::new();
        for ms in 0..1400 {
            position += rpm(ms) / 60e3 * 10_000.0;
            let on = changes.iter().rev().find(|(at, _)| *at <= ms).is_some_and(|(_, on)| *on);
            samples.push(Sample {
                at: Micros(ms * 1000),
                position: Counts(position as i64),
                speed: MilliRpm((rpm(ms) * 1e3) as i32),
                segment: if ms < 380 {
                    0
                } else if ms < 1000 {
                    HOLD_AT
                } else {
                    RELEASE_AT
                },
                flags: u8::from(on),
                ..Sample::default()
            });
        }
        let segments = [(0, 0), (380, HOLD_AT), (1000, RELEASE_AT), (1350, BRAKE_AT)];
        let mut events: Vec<Numbered> = segments
            .into_iter()
            .map(|(ms, slot)| (ms, Event::Segment { slot }))
            .chain(changes.iter().map(|(ms, on)| (*ms, Event::Flag { input: 0, conducting: *on })))
            .map(|(ms, event)| Numbered { number: 0, at: Micros(ms * 1000), event })
            .collect();
        events.sort_by_key(|e| e.at);
        StepEvidence { samples, events, ..StepEvidence::named("forward") }
    }

    fn verdicts(changes: &[(u64, bool)]) -> Vec<(String, Verdict)> {
        with_film_winder(|context| {
            let judged = CapFlag.judge(context, &[made(changes)]);
            judged.results.into_iter().map(|r| (r.id, r.verdict)).collect()
        })
    }

    fn of(verdicts: &[(String, Verdict)], what: &str) -> Verdict {
        verdicts.iter().find(|(id, _)| id == &format!("cap-flag.forward.{what}")).unwrap().1
    }

    #[test]
    fn a_flag_that_pulses_once_or_goes_while_the_speed_is_held_is_rejected() {
        let healthy = verdicts(&[(398, true), (1120, false)]);
        assert!(healthy.iter().all(|(_, v)| *v == Verdict::Accepted), "{healthy:?}");
        let pulse = verdicts(&[(398, true), (450, false)]);
        assert_eq!(of(&pulse, "delay"), Verdict::Accepted);
        assert_eq!(of(&pulse, "edges"), Verdict::Rejected, "{pulse:?}");
        let chatter: Vec<(u64, bool)> = (0..9).map(|n| (398 + 20 * n, n % 2 == 0)).collect();
        assert_eq!(of(&verdicts(&chatter), "edges"), Verdict::Rejected);
        let stays = verdicts(&[(398, true)]);
        assert_eq!(of(&stays, "release"), Verdict::Rejected);
        let never = verdicts(&[]);
        assert_eq!(of(&never, "delay"), Verdict::Rejected);
    }
}
