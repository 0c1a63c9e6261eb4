//! Is everything still so after control power was off? An abbreviated set, each against its value before.
//!
//! What both measurements share (calibration, inertia, clock) cancels in their ratio: repeatability is all that counts.

mod change;
mod judge;
mod plot;
#[cfg(test)]
mod tests;

pub(crate) use judge::AS_BEFORE;

use proofstand_protocol::message::Sample;
use proofstand_units::{Percent, Rpm, Seconds, Turns};

use super::line_count::{self, again_slowly};
use super::{
    Check, Context, Deed, Judgement, MoveStep, Need, ObserveStep, Prompt, Step, StepEnding, StepEvidence,
    command_scale, speed_cap,
};
use crate::planner::{CannotPlan, CapRun, LimitsFor, ReversalLevel, total_timeout};
use crate::record::model::Verdict;

/// The check.
pub(super) struct Retention;

/// The command's sign, by direction.
const SIGNS: [f64; 2] = [1.0, -1.0];
const CAP_BEFORE: &str = "cap before";
const CAP_AFTER: &str = "cap after";
const SCALE_BEFORE: &str = "scale before";
const SCALE_AFTER: &str = "scale after";
const POWER_OFF: &str = "control power off";
const POWER_ON: &str = "control power on";
const COUNT_AFTER: [&str; 2] = ["counts after, forward", "counts after, reverse"];
/// Index intervals counted after the cycle, the one at a crawl among them; and the other way.
const INTERVALS: [u16; 2] = [3, 2];
/// Reversals that a scale is taken from: three, so that their scatter says something.
const REVERSALS: u8 = 3;
/// A level whose reversals scatter by no more than this will do (common practice, no source).
const EVEN: Percent = Percent::new(0.05);
/// How long the held speed is measured: only its mean is compared.
const HELD: Seconds = Seconds::new(0.1);
/// How long the lines are watched after the power went off.
const OFF: Seconds = Seconds::new(0.5);
/// An amplifier needs its time: the sheet's start-up so many times over, and a little more.
const START_UP_TIMES: f64 = 1.5;
const START_UP_MORE: Seconds = Seconds::new(0.5);

/// The level at which the cap is looked at: not the lowest, which may say nothing.
fn cap_level(context: &Context<'_>) -> Option<CapRun> {
    let runs = || context.motion.cap_runs.iter().filter_map(|r| r.as_ref().ok());
    let run = runs().nth(1).or_else(|| runs().next())?;
    Some(CapRun { window: HELD, ..*run })
}

/// The level at which a torque command's scale is looked at: the highest, which is the quickest, whose reversals are even
/// enough; else the most even one.
fn scale_level(context: &Context<'_>) -> Option<ReversalLevel> {
    let levels = || context.motion.reversals.iter().filter_map(|l| l.as_ref().ok());
    let even = levels().rfind(|l| l.scatter <= EVEN);
    let least = || levels().min_by(|a, b| a.scatter.get().total_cmp(&b.scatter.get()));
    even.or_else(least).map(|level| ReversalLevel { cycles: level.cycles.max(REVERSALS), ..*level })
}

/// Faster motion has been allowed before: counts and cap were accepted.
fn proven_before(context: &Context<'_>) -> bool {
    ["line-count-slow.gate", "speed-cap.active"].iter().all(|id| {
        let rows = context.earlier.iter().flat_map(|c| &c.results);
        rows.filter(|r| r.id == *id).any(|r| r.verdict == Verdict::Accepted)
    })
}

/// The encoder pairs are driven again, or, on a board that can't tell, the flags are what they were: nothing is enabled else.
fn came_back(off: &StepEvidence, on: &StepEvidence) -> bool {
    let flags = |sample: Option<&Sample>| sample.map(|s| s.flags);
    on.encoder_driven.unwrap_or_else(|| {
        on.samples.last().is_some() && flags(on.samples.last()) == flags(off.samples.first())
    })
}

/// Every counted revolution after the cycle was right, both ways: faster motion is allowed again.
fn counts_right_after(context: &Context<'_>, so_far: &[StepEvidence]) -> bool {
    COUNT_AFTER.iter().all(|name| counted_right(context, name, so_far))
}

fn counted_right(context: &Context<'_>, name: &str, so_far: &[StepEvidence]) -> bool {
    let per_rev = context.motion.axis.counts_per_rev;
    so_far.iter().any(|made| made.name == name && line_count::all_right(made, per_rev))
}

impl Check for Retention {
    fn id(&self) -> &'static str {
        "retention"
    }

    fn title(&self) -> &'static str {
        "After a power cycle"
    }

    fn shows(&self) -> &'static str {
        "Control power is switched off and on; counts per revolution, scale, speed cap and its flag are what they were \
         before: the settings are stored, and all of them are in force."
    }

    fn needs(&self) -> &'static [Need] {
        &[super::MOVES, super::RESTS, super::COUNTS_FOLLOW]
    }

    fn compares_with(&self) -> &'static [&'static str] {
        &["line-count-slow", "speed-cap"]
    }

    fn plan(&self, context: &Context<'_>) -> Result<Vec<Step>, CannotPlan> {
        if !context.attended {
            return Err(CannotPlan {
                why: "nobody is there to switch the amplifier's power off and on".to_owned(),
                remedy: "somebody beside the bench: the same without --unattended".to_owned(),
            });
        }
        let mut steps = fast_set(context, CAP_BEFORE, SCALE_BEFORE);
        steps.extend(power_cycle(context));
        steps.extend((0..2).map(|way| count(context, way)));
        steps.extend(fast_set(context, CAP_AFTER, SCALE_AFTER));
        Ok(steps)
    }

    fn wants(&self, context: &Context<'_>, step: &Step, so_far: &[StepEvidence]) -> bool {
        let name = match step {
            Step::Move(step) => step.name,
            Step::Observe(step) => step.name,
            _ => return true,
        };
        // Power that was not switched is not switched back, and nothing is compared.
        if so_far.iter().any(|e| e.ending == StepEnding::Unanswered) {
            return false;
        }
        let find = |name: &str| so_far.iter().find(|e| e.name == name);
        if let (Some(off), Some(on)) = (find(POWER_OFF), find(POWER_ON))
            && !came_back(off, on)
        {
            return false;
        }
        let fast = |cap: &str, scale: &str| name == cap || name == scale;
        if fast(CAP_BEFORE, SCALE_BEFORE) {
            proven_before(context)
        } else if fast(CAP_AFTER, SCALE_AFTER) {
            proven_before(context) && counts_right_after(context, so_far)
        } else if name == COUNT_AFTER[1] {
            // It begins without a crawl.
            counted_right(context, COUNT_AFTER[0], so_far)
        } else {
            true
        }
    }

    fn judge(&self, context: &Context<'_>, evidence: &[StepEvidence]) -> Judgement {
        judge::judge(context, evidence)
    }
}

/// The cap, and the scale of a torque command at one level. A speed command's scale is in the slow counts.
fn fast_set(context: &Context<'_>, cap: &'static str, scale: &'static str) -> Vec<Step> {
    let mut steps = Vec::new();
    if let Some(plan) = cap_level(context) {
        let program = speed_cap::program_at(context, &plan, 1.0);
        steps.push(Step::Move(Box::new(MoveStep {
            name: cap,
            what: format!(
                "The shaft speeds up {} {} until the amplifier holds it at {:.0} rpm, about {:.0} turns",
                context.way(Rpm::new(context.count_sign())),
                speed_cap::at_level(context, &plan),
                context.motion.axis.cap.get(),
                plan.turns.get()
            ),
            timeout: total_timeout(&program),
            program,
            limits: LimitsFor::working(context, plan.turns * 6.0 + Turns::new(100.0))
                .command(plan.command)
                .limits(),
            expected: plan.run_up * 1.6 + plan.settle + plan.window + Seconds::new(0.5),
            acts: Vec::new(),
        })));
    }
    if let Some(level) = scale_level(context) {
        let program = command_scale::program(context, &level);
        steps.push(Step::Move(Box::new(MoveStep {
            name: scale,
            what: format!(
                "The shaft swings to and fro at {:.0} % of rated torque, up to {:.0} rpm each way",
                level.level.get(),
                level.turn_round.get()
            ),
            timeout: total_timeout(&program),
            program,
            limits: LimitsFor::working(context, Turns::new(20.0) + level.turns * 10.0)
                .command(level.command)
                .limits(),
            expected: level.cycle_time * (f64::from(level.cycles) + 0.75) + Seconds::new(0.5),
            acts: Vec::new(),
        })));
    }
    steps
}

/// Off, and on again. Where control power can't be switched alone, all of the amplifier's supply is.
fn power_cycle(context: &Context<'_>) -> [Step; 2] {
    let supply = if context.sheet.bench.control_power_separable { "CONTROL POWER" } else { "SUPPLY" };
    let observe = |name, what: &str, on, text: String, time| {
        Step::Observe(Box::new(ObserveStep {
            name,
            what: what.to_owned(),
            contacts: None,
            prompt: Some(Prompt { deed: Deed::ControlPower { on }, text }),
            time,
        }))
    };
    let start_up = context.sheet.encoder.start_up.value * START_UP_TIMES + START_UP_MORE;
    [
        observe(
            POWER_OFF,
            "Nothing moves: the amplifier's control power is switched off",
            false,
            format!(
                "Switch the amplifier's {supply} off. Wait until its display and lamps are dark; touch no terminal before \
                 the discharge time on its label is over."
            ),
            OFF,
        ),
        observe(
            POWER_ON,
            "Nothing moves yet: control power is switched on again, and the encoder given its time",
            true,
            format!(
                "Switch the amplifier's {supply} on again, all of it. Stay clear of the shaft from now on."
            ),
            start_up,
        ),
    ]
}

/// A settings change may have come into force: the counts are gone through as slowly as at first, one way after the other.
fn count(context: &Context<'_>, way: usize) -> Step {
    let (name, sign, intervals) = (COUNT_AFTER[way], SIGNS[way], INTERVALS[way]);
    let (program, expected) = again_slowly(context, name, sign, intervals, way == 0);
    Step::Move(Box::new(MoveStep {
        name,
        what: format!(
            "The shaft turns {} at {:.0} rpm, about {} turns",
            context.way(Rpm::new(sign)),
            context.motion.slow_speed.get(),
            intervals + 1
        ),
        timeout: total_timeout(&program),
        program,
        limits: LimitsFor::slow(context, Turns::new(f64::from(intervals) * 1.5 + 60.0)).limits(),
        expected,
        acts: Vec::new(),
    }))
}
