//! Turning slowly: does opening enable take the torque away, how soon, and what slows the shaft then?
//!
//! At 0 V an amplifier that ignores enable looks like one that obeys. So the fixture lets the command go on for a moment
//! after it has opened the contact, and goes on asking for more and less speed: a shaft under torque follows, whatever its friction.
//!
//! What the cable lost of a record is not known of the command either: then enable is opened once more.
//!
//! A bare rotor stands so soon after torque has gone that one record dates the moment hardly better than what is
//! allowed. It is released up to four times each way then, and the mean of all dates it.

mod judge;
mod released;

use proofstand_protocol::program::{Next, Segment};
use proofstand_protocol::units::Ticks;
use proofstand_units::{Rpm, Seconds, Turns};

use super::{Act, ActAt, ActWhat, Check, Context, Judgement, MoveStep, Need, Step, StepEvidence};
use crate::planner::{CannotPlan, LimitsFor, after, hold, ticks, total_timeout};
use crate::sheet::BrakeDriver;

/// The check.
pub(super) struct EnableTurning;

/// Times that enable is opened each way, at most.
const MOST_RELEASES: usize = 4;
/// A direction.
struct Way {
    /// Its steps, in order; the first one's name is the direction's in the results.
    steps: [&'static str; MOST_RELEASES],
    /// The direction's sign.
    sign: f64,
}

impl Way {
    const fn name(&self) -> &'static str {
        self.steps[0]
    }

    /// Those of its steps that were made.
    fn made<'a>(&self, evidence: &'a [StepEvidence]) -> Vec<&'a StepEvidence> {
        self.steps.iter().filter_map(|name| evidence.iter().find(|e| e.name == *name)).collect()
    }
}

const WAYS: [Way; 2] = [
    Way { steps: ["forward", "forward again", "forward, third", "forward, fourth"], sign: 1.0 },
    Way { steps: ["reverse", "reverse again", "reverse, third", "reverse, fourth"], sign: -1.0 },
];
/// The two speeds asked for in turn. A brake by the windings acts in proportion to speed, so that too slow a shaft would
/// not tell it from friction.
const LOW_RPM: f64 = 60.0;
const HIGH_RPM: f64 = 120.0;
/// The low speed is held for so long first.
const RUN_IN: Seconds = Seconds::new(0.5);
/// Up and down for about so long before enable is opened: from this it is known how the shaft follows.
const UP_AND_DOWN: Seconds = Seconds::new(0.4);
/// Each speed for so long: as the fixture's own slow hold needs, or an amplifier's quick one.
const EACH_HELD: Seconds = Seconds::new(0.05);
const EACH_COMMANDED: Seconds = Seconds::new(0.02);

/// How long each speed is asked for.
fn each(context: &Context<'_>) -> Seconds {
    match context.motion.hold.speed_command() {
        None => EACH_HELD,
        Some(drive) => (drive.time_to(Rpm::new(HIGH_RPM - LOW_RPM)) * 2.0).max(EACH_COMMANDED).min(EACH_HELD),
    }
}

/// Whether friction may stop the shaft before half of the time is over for which the command goes on.
fn stands_soon(context: &Context<'_>) -> bool {
    let axis = &context.motion.axis;
    let coasts = Rpm::new(LOW_RPM).to_rad_per_sec().get() * axis.inertia.get() / axis.friction().get();
    coasts < 0.5 * f64::from(KEEP.0) * 1e-3
}

/// How many times enable may be opened each way: again for samples that the cable lost, and oftener where the shaft stands soon.
/// A holding brake is not closed on a turning shaft more often than it must be.
fn releases(context: &Context<'_>) -> usize {
    match context.sheet.enable.brake {
        BrakeDriver::None if stands_soon(context) => MOST_RELEASES,
        BrakeDriver::None => MOST_RELEASES - 1,
        _ => 1,
    }
}

/// How many times up and down before enable is opened.
fn times(context: &Context<'_>) -> u8 {
    (UP_AND_DOWN.get() / (2.0 * each(context).get())).round() as u8
}

/// The first segment of the two that go on for ever: at its beginning enable is opened.
fn loop_at(context: &Context<'_>) -> u8 {
    1 + 2 * times(context)
}

/// The command outlasts enable by so much: the fixture's ceiling.
const KEEP: Ticks = Ticks(100);
/// Time after torque must be gone in which it is looked at whether the shaft follows.
const LOOK: Seconds = Seconds::new(0.04);
/// Time that the contact may take to open (a small relay; common practice, no source).
const CONTACT: Seconds = Seconds::new(8e-3);

fn program(context: &Context<'_>, sign: f64) -> Vec<Segment> {
    let counting = sign * context.count_sign();
    let at = |rpm: f64, time: Seconds, next: u8| {
        let speed = Rpm::new(rpm * counting);
        hold(speed, &context.motion.hold, after(time), Next::Segment(next), time + Seconds::new(1.0))
    };
    let (each, times) = (each(context), times(context));
    let mut program = vec![at(LOW_RPM, RUN_IN, 1)];
    for n in 0..=times {
        let slot = 1 + 2 * n;
        program.push(at(HIGH_RPM, each, slot + 1));
        program.push(at(LOW_RPM, each, if n == times { loop_at(context) } else { slot + 2 }));
    }
    program
}

impl Check for EnableTurning {
    fn id(&self) -> &'static str {
        "enable-off-turning"
    }

    fn title(&self) -> &'static str {
        "Enable off, turning slowly"
    }

    fn shows(&self) -> &'static str {
        "Turning slowly, with something commanded, opening enable takes the torque away in time, both ways; the shaft then \
         coasts or is braked as the sheet says."
    }

    fn needs(&self) -> &'static [Need] {
        &[
            super::PAIRS_DRIVEN,
            Need {
                check: "line-count-slow",
                result: "line-count-slow.gate",
                why: "the shaft is made to follow a changing speed only when its counts are known to be right",
            },
        ]
    }

    fn plan(&self, context: &Context<'_>) -> Result<Vec<Step>, CannotPlan> {
        super::can_open_enable(context)?;
        let limit = context.sheet.tolerances.enable_off.value;
        if ticks(limit + CONTACT + LOOK) > KEEP {
            return Err(CannotPlan {
                why: format!(
                    "the sheet gives the amplifier {:.0} ms to take torque away, and the fixture keeps up a command for {} \
                     ms at most after it has opened enable",
                    limit.to_millis(),
                    KEEP.0
                ),
                remedy: "a shorter time in the sheet".to_owned(),
            });
        }
        let step = |n: usize, way: &Way| {
            let program = program(context, way.sign);
            let turns = context.way(Rpm::new(way.sign * context.count_sign()));
            let once_more = if n == 0 { "" } else { "Once more, since the record left the moment unsure: " };
            Step::Move(Box::new(MoveStep {
                acts: vec![Act {
                    at: ActAt { slot: loop_at(context), after: Seconds::ZERO },
                    what: ActWhat::OpenEnable { keep: KEEP },
                }],
                name: way.steps[n],
                what: format!(
                    "{once_more}The shaft turns {turns} at {LOW_RPM:.0} to {HIGH_RPM:.0} rpm, about 2 turns; then enable is \
                     opened and it comes to rest"
                ),
                timeout: total_timeout(&program).min(Ticks(10_000)),
                program,
                limits: LimitsFor::working(context, Turns::new(40.0))
                    .command(context.motion.hold.bound_at(Rpm::new(HIGH_RPM)))
                    .limits(),
                expected: RUN_IN + UP_AND_DOWN + Seconds::new(0.7),
            }))
        };
        Ok((0..releases(context)).flat_map(|n| WAYS.iter().map(move |way| step(n, way))).collect())
    }

    /// Once more where samples are missing, or where torque went and it is not well known when.
    fn wants(&self, context: &Context<'_>, step: &Step, so_far: &[StepEvidence]) -> bool {
        let Step::Move(step) = step else { return true };
        WAYS.iter()
            .filter(|way| way.name() != step.name)
            .find(|way| way.steps.contains(&step.name))
            .is_none_or(|way| {
                let made = way.made(so_far);
                released::none_is_whole(&made) || stands_soon(context) && judge::unsure(context, &made)
            })
    }

    /// A trip with enable open is this check's own finding; the other way is not tried then.
    fn judge(&self, context: &Context<'_>, evidence: &[StepEvidence]) -> Judgement {
        judge::judge(context, evidence)
    }
}
