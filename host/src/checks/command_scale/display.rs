//! The operator's way: the amplifier's own display, read by a person while the speed cap holds the shaft.

use proofstand_protocol::program::{Next, Segment};
use proofstand_units::{Percent, Rpm, Seconds, Turns};

use crate::checks::speed_cap::{near_the_cap, slow_again};
use crate::checks::{AskNumberStep, Context, MoveStep, Step, StepEnding, StepEvidence};
use crate::estimate::readout::{self, Channel};
use crate::estimate::scale::DisplayReading;
use crate::planner::{CapRun, LimitsFor, after, come_to_rest, step_to, total_timeout};
use crate::sheet::DisplayShown;

/// Names of the motions and of their questions, lowest level first, forward and reverse.
const NAMES: [[(&str, &str); 2]; 3] = [
    [
        ("display, first level +", "reading, first level +"),
        ("display, first level -", "reading, first level -"),
    ],
    [
        ("display, second level +", "reading, second level +"),
        ("display, second level -", "reading, second level -"),
    ],
    [
        ("display, third level +", "reading, third level +"),
        ("display, third level -", "reading, third level -"),
    ],
];
/// The segment that holds while the person reads.
const HOLD: u8 = 1;
/// How long the person has for it.
const READING: Seconds = Seconds::new(4.0);

/// Why there is nothing to read, or none: there is.
pub(super) fn nothing_to_read(context: &Context<'_>) -> Option<&'static str> {
    match context.sheet.display {
        None => Some("the sheet names no display of torque"),
        Some(display) if display.shows != DisplayShown::Command => Some(
            "the display shows torque after the speed limiter, which at a held speed is what friction needs; a locked shaft \
             would allow it",
        ),
        Some(_) if !context.attended => Some("nobody is there to read the display"),
        Some(_) => None,
    }
}

fn levels<'a>(
    context: &Context<'a>,
) -> impl Iterator<Item = (&'static [(&'static str, &'static str); 2], &'a CapRun)> {
    let runs = context.motion.cap_runs.iter().filter_map(|run| run.as_ref().ok());
    NAMES.iter().zip(runs)
}

/// Levels rising, each with both signs.
pub(super) fn steps(context: &Context<'_>) -> Vec<Step> {
    if nothing_to_read(context).is_some() {
        return Vec::new();
    }
    let mut steps = Vec::new();
    let quickest = levels(context).last().map(|(_, run)| *run);
    let Some(quickest) = quickest else { return steps };
    for (names, run) in levels(context) {
        for ((name, question), sign) in names.iter().zip([1.0, -1.0]) {
            let program = program(context, &quickest, run, sign);
            let way = context.way(Rpm::new(sign * context.count_sign()));
            steps.push(Step::Move(Box::new(MoveStep {
                name,
                what: format!(
                    "The shaft speeds up {way} at {:.0} % of rated torque, then the cap holds it near {:.0} rpm at {:.0} % \
                     ({:+.2} V) for {:.0} s: read the torque on the amplifier's display",
                    quickest.level.get(),
                    context.motion.axis.cap.get(),
                    run.level.get(),
                    run.command.get() * sign,
                    READING.get()
                ),
                timeout: total_timeout(&program),
                program,
                limits: LimitsFor::working(
                    context,
                    run.turns * 3.0 + Turns::new(context.motion.axis.cap.get() / 60.0 * READING.get() + 100.0),
                )
                .command(quickest.command)
                .limits(),
                expected: quickest.run_up * 1.8 + READING + Seconds::new(1.0),
                acts: Vec::new(),
            })));
            steps.push(Step::AskNumber(Box::new(AskNumberStep {
                name: question,
                about: name,
                reads_in: HOLD,
                before: format!(
                    "Next the shaft turns {way} and is held at the cap for {:.0} s. Stand where you can see the amplifier's \
                     display, not near the shaft; read the torque on it while the speed is held, and keep the number in mind.",
                    READING.get()
                ),
                question: "What torque did the display show, with its sign?".to_owned(),
                unit: "%",
            })));
        }
    }
    steps
}

/// Up to the cap, and down again, as quickly as it goes: only what is held in between is read.
fn program(context: &Context<'_>, quickest: &CapRun, run: &CapRun, sign: f64) -> Vec<Segment> {
    let turning = sign * context.count_sign();
    let (up, down) = (quickest.command * sign, quickest.command * -sign);
    vec![
        step_to(up, near_the_cap(context, turning), Next::Segment(HOLD), quickest.patience),
        step_to(run.command * sign, after(READING), Next::Segment(2), READING + Seconds::new(1.0)),
        step_to(down, slow_again(turning), Next::Segment(3), quickest.patience),
        come_to_rest(&context.motion.hold, Seconds::new(20.0)),
    ]
}

/// What was read, level by level; a level that misses a sign is left out.
pub(super) fn readings(context: &Context<'_>, evidence: &[StepEvidence]) -> Vec<DisplayReading> {
    let one = |(name, question): &(&str, &str)| {
        let made = evidence.iter().find(|e| e.name == *name && e.ending == StepEnding::Finished)?;
        let shown = evidence.iter().find(|e| e.name == *question)?.number?;
        let held: Vec<_> = made.segment_samples(HOLD).copied().collect();
        // The first read-back may still be of the command before.
        let command = readout::mean(held.get(1..)?, Channel::Readback).ok()?;
        Some((command.mean, shown))
    };
    levels(context)
        .filter_map(|(names, _)| {
            let (plus, minus) = (one(&names[0])?, one(&names[1])?);
            Some(DisplayReading {
                level: (plus.0 - minus.0) * 0.5,
                shown: Percent::new((plus.1 - minus.1) / 2.0),
                middle: (plus.0 + minus.0) * 0.5,
                shown_middle: Percent::new((plus.1 + minus.1) / 2.0),
            })
        })
        .collect()
}
