//! A hand turns the shaft while only control power is on: which way do the counts run, and how many are a revolution?
//!
//! The only check that ties the sense of the counts to what a person sees of the shaft without the command taking part.

mod plot;

use proofstand_units::Seconds;

use super::evidence::travel;
use super::rows::Row;
use super::{
    Check, Context, Deed, Judgement, Need, ObserveStep, Prompt, Step, StepEnding, StepEvidence, Turned,
};
use crate::estimate::lines::{LineCount, line_count, passes};
use crate::planner::CannotPlan;
use crate::record::model::{NotDone, ResultRow, Verdict};
use crate::sheet::{AxisSheet, BrakeDriver, FlagRole, Mounting};

/// The turn by hand.
pub(super) struct HandTurn;

/// Whole turns asked for: two passages of the index, wherever the shaft begins, are one interval.
const TURNS: u8 = 2;
/// Looked at after the person has said that it is done.
const AFTER: Seconds = Seconds::new(0.2);
/// Fewer counts than this are trembling, not turning.
const SOME: i64 = 8;

const POWER_OFF: &str = "motor power off";
const ONE_WAY: &str = "one way";
const OTHER_WAY: &str = "other way";
const POWER_ON: &str = "motor power on";
/// The two turns, with what an answer about each is called.
const WAYS: [&str; 2] = [ONE_WAY, OTHER_WAY];

impl Check for HandTurn {
    fn id(&self) -> &'static str {
        "hand-turn"
    }

    fn title(&self) -> &'static str {
        "Turned by hand: which way do the counts run?"
    }

    fn shows(&self) -> &'static str {
        "With motor power off a person turns the shaft and says which way; the counts run as the sheet says for that \
         way, and between two index pulses there are exactly four times the stated pulses."
    }

    fn needs(&self) -> &'static [Need] {
        // A pair that is not driven counts nothing: a shaft that turns would pass for one at rest.
        &[super::PAIRS_DRIVEN]
    }

    fn shown_also_by(&self) -> Option<&'static str> {
        Some("nudge and line-count-slow, which show the same with motion")
    }

    fn plan(&self, context: &Context<'_>) -> Result<Vec<Step>, CannotPlan> {
        allowed(context.sheet, context.attended)?;
        let turns = f64::from(TURNS);
        let observe = |name, what: &str, deed, text: String, time| {
            Step::Observe(Box::new(ObserveStep {
                name,
                what: what.to_owned(),
                contacts: None,
                prompt: Some(Prompt { deed, text }),
                time,
            }))
        };
        Ok(vec![
            observe(
                POWER_OFF,
                "Nothing moves: motor power is switched off for the turn by hand",
                Deed::MotorPowerOff,
                "Switch MOTOR POWER off. Wait the discharge time on the amplifier's label. Control power stays on; \
                 enable is open."
                    .to_owned(),
                AFTER,
            ),
            observe(
                ONE_WAY,
                "A person turns the shaft by hand, one way; nothing is driven",
                Deed::TurnShaft { turns: TURNS },
                format!(
                    "Turn the shaft by hand, slowly, a little more than {turns:.0} turns ONE WAY. Which way is for you \
                     to choose: remember it."
                ),
                AFTER,
            ),
            Step::AskWhichWay { about: ONE_WAY },
            observe(
                OTHER_WAY,
                "A person turns the shaft by hand, the other way; nothing is driven",
                Deed::TurnShaft { turns: TURNS },
                format!(
                    "Now turn it by hand THE OTHER WAY, slowly, a little more than {turns:.0} turns."
                ),
                AFTER,
            ),
            Step::AskWhichWay { about: OTHER_WAY },
            observe(
                POWER_ON,
                "Nothing moves yet: motor power is switched on again",
                Deed::MotorPowerOn,
                "Take your hands off, close the guard. Switch MOTOR POWER on again.".to_owned(),
                Seconds::new(0.5),
            ),
        ])
    }

    fn wants(&self, context: &Context<'_>, step: &Step, so_far: &[StepEvidence]) -> bool {
        let off = so_far.iter().any(|e| e.name == POWER_OFF && e.ending == StepEnding::Finished);
        match step {
            Step::Observe(step) if step.name == POWER_OFF => true,
            Step::Observe(step) if step.name == POWER_ON => off,
            // A turn that could not be made is not asked about, and no further one is asked for.
            // Nor is a hand asked for unless the amplifier's own flags say that torque is off, and can't be on.
            _ => {
                let safe = |role| says_off(context.sheet, role, so_far);
                off && [FlagRole::TorqueOn, FlagRole::CanEnable].into_iter().all(safe)
                    && !so_far.iter().any(|e| WAYS.contains(&e.name) && e.ending == StepEnding::Unanswered)
            }
        }
    }

    fn judge(&self, context: &Context<'_>, evidence: &[StepEvidence]) -> Judgement {
        let turns = turns(context, evidence);
        let ready = without_power(context.sheet, FlagRole::CanEnable, evidence).map(says_ready);
        if turns.is_empty() {
            let (why, would_allow) = if ready.as_ref().is_some_and(|r| r.verdict != Verdict::Accepted) {
                (
                    "the amplifier's own flag says that it could be enabled with motor power off: nobody touches a shaft that may \
                     still be powered",
                    "motor power that is really off, and a flag that says so; look at the switch, then at the flag's polarity",
                )
            } else if without_power(context.sheet, FlagRole::TorqueOn, evidence) == Some(true) {
                (
                    "the amplifier's own flag said that torque was on with enable open and motor power off: keep away \
                     from the shaft",
                    "a flag that goes off with motor power; look at its wiring and at the supply",
                )
            } else {
                ("nobody turned the shaft", "somebody who switches motor power off and turns it")
            };
            let not_done =
                NotDone { why: why.to_owned(), would_allow: would_allow.to_owned(), ..NotDone::default() };
            let results = ready.into_iter().filter(|r| r.verdict != Verdict::Accepted).collect();
            return Judgement { not_done: Some(not_done), results, ..Judgement::default() };
        }
        let mut out = Judgement::default();
        out.results.push(counts_come(&turns));
        out.results.extend(ready);
        out.results.extend(nothing_drives(context.sheet, &turns));
        out.results.push(sign(context, &turns));
        for turn in &turns {
            out.results.push(revolution(context, turn));
            out.plots.extend(plot::plot(context, turn));
        }
        out.notes.push(
            "Made with motor power off and enable open: the sense of the counts is tied to what a person saw of the \
             shaft, without the command taking part."
                .to_owned(),
        );
        out
    }
}

/// Whether somebody may be asked to turn this shaft.
fn allowed(sheet: &AxisSheet, attended: bool) -> Result<(), CannotPlan> {
    let refuse = |why: &str, remedy: &str| Err(CannotPlan { why: why.to_owned(), remedy: remedy.to_owned() });
    if sheet.bench.mounting != Mounting::FreeShaft {
        return refuse(
            "the shaft is coupled or carries a hanging load: nobody turns it by hand",
            "uncouple the motor for the acceptance",
        );
    }
    if !sheet.bench.control_power_separable {
        return refuse(
            "the axis has no control power without motor power, and nobody touches a shaft that could be driven",
            "an amplifier, or a bench supply, that gives control power alone (control_power_separable in the sheet)",
        );
    }
    if sheet.enable.brake == BrakeDriver::Amplifier {
        return refuse(
            "the amplifier drives the holding brake, and keeps it closed while enable is open",
            "releasing the brake by its own driver while motor power is off",
        );
    }
    if !attended {
        return refuse("nobody is there to turn the shaft and to say which way it went", "an attended run");
    }
    Ok(())
}

/// One turn by hand.
struct HandTurned<'a> {
    name: &'static str,
    made: &'a StepEvidence,
    /// Counts, net.
    moved: i64,
    answer: Option<Turned>,
    lines: LineCount,
}

impl HandTurned<'_> {
    /// Whether a person saw it turn as the sheet says for a positive command; none if nobody saw it turn.
    fn as_commanded(&self, context: &Context<'_>) -> Option<bool> {
        let seen = self.answer.filter(|a| *a != Turned::NotAtAll)?;
        Some(seen == Turned::from(context.sheet.direction.positive_command))
    }
}

fn turns<'a>(context: &Context<'_>, evidence: &'a [StepEvidence]) -> Vec<HandTurned<'a>> {
    let per_rev = context.motion.axis.counts_per_rev;
    let turned = WAYS.into_iter().filter_map(|name| {
        let at = evidence.iter().position(|e| e.name == name && e.ending == StepEnding::Finished)?;
        let made = evidence.get(at)?;
        let answer = evidence.get(at + 1).and_then(|e| match e.ending {
            StepEnding::Answered(turned) => Some(turned),
            _ => None,
        });
        let lines = line_count(&passes(&made.timed_events(), &made.samples), per_rev);
        Some(HandTurned { name, made, moved: travel(made), answer, lines })
    });
    turned.collect()
}

/// Whether a flag, if there is one, was idle when motor power was off, and all the time that a hand has been on the shaft.
fn says_off(sheet: &AxisSheet, role: FlagRole, so_far: &[StepEvidence]) -> bool {
    let Some(flag) = sheet.flag(role) else { return true };
    let turned = so_far.iter().filter(|e| WAYS.contains(&e.name)).flat_map(|e| &e.samples);
    without_power(sheet, role, so_far) == Some(false) && !turned.into_iter().any(|s| flag.is_active(s.flags))
}

/// Whether a flag was active at the end of the time without motor power; none if there is no such flag.
fn without_power(sheet: &AxisSheet, role: FlagRole, evidence: &[StepEvidence]) -> Option<bool> {
    let last =
        evidence.iter().filter(|e| e.name == POWER_OFF).filter_map(|e| e.samples.last()).next_back()?;
    Some(sheet.flag(role)?.is_active(last.flags))
}

/// The flag's idle state, which no other check sees: without motor power nothing can be enabled.
fn says_ready(active: bool) -> ResultRow {
    let name = format!("Flag {} with motor power off", FlagRole::CanEnable.words());
    let row = Row::text("hand-turn.can-enable", &name, "idle");
    if active {
        row.is(
            "active",
            Verdict::Undecided,
            "motor power is still on: switch it off and test again; still active, the flag is inverted or stuck",
        )
    } else {
        row.is("idle", Verdict::Accepted, "the amplifier says that it can't be enabled now")
    }
}

fn counts_come(turns: &[HandTurned<'_>]) -> ResultRow {
    let row = Row::text("hand-turn.counts", "Counts come when a hand turns the shaft", "counts");
    let silent = turns.iter().filter(|t| t.moved.abs() < SOME).count();
    let seen_turning = turns.iter().any(|t| {
        t.moved.abs() < SOME && matches!(t.answer, Some(Turned::Clockwise | Turned::Counterclockwise))
    });
    if silent == 0 && turns.len() < WAYS.len() {
        row.is("counts", Verdict::Undecided, "they came, but the shaft was turned one way only")
    } else if silent == 0 {
        row.is("counts", Verdict::Accepted, "they came both times")
    } else if seen_turning {
        row.is("no counts", Verdict::Rejected, "a person saw the shaft turn and no count came")
    } else {
        row.is("no counts", Verdict::Undecided, "no count came, and nobody saw the shaft turn")
    }
}

/// The flag that says torque is on stayed inactive; none if there is no such flag.
fn nothing_drives(sheet: &AxisSheet, turns: &[HandTurned<'_>]) -> Option<ResultRow> {
    let flag = sheet.flag(FlagRole::TorqueOn)?;
    let row = Row::text("hand-turn.torque", "Torque stays off while a hand turns the shaft", "off");
    Some(if turns.iter().flat_map(|t| &t.made.samples).any(|s| flag.is_active(s.flags)) {
        row.is(
            "on",
            Verdict::Rejected,
            "the amplifier's own flag says that torque was on with enable open: keep away from the shaft",
        )
    } else {
        row.is("off", Verdict::Accepted, "the amplifier's flag said so all the time")
    })
}

/// Do the counts run as the sheet says, for the way a person saw?
fn sign(context: &Context<'_>, turns: &[HandTurned<'_>]) -> ResultRow {
    let word = |sign: f64| if sign > 0.0 { "count up" } else { "count down" };
    let direction = context.sheet.direction;
    let wanted = context.count_sign();
    let name = format!(
        "Counts when the shaft is turned {}, {}",
        direction.positive_command.words(),
        direction.seen_from.words()
    );
    let row = Row::text("hand-turn.sign", &name, word(wanted));
    // What each answer makes of the way that the sheet speaks of.
    let told = turns.iter().filter(|t| t.moved.abs() >= SOME).filter_map(|t| {
        let same = t.as_commanded(context)?;
        Some(if same { t.moved.signum() as f64 } else { -t.moved.signum() as f64 })
    });
    let told: Vec<f64> = told.collect();
    match told.first() {
        None => row.is("nobody could tell", Verdict::Undecided, "no answer, or no counts to hold it against"),
        Some(first) if told.iter().any(|t| t != first) => row.is(
            "contradictory",
            Verdict::Undecided,
            "the two answers contradict each other: one of them, or the counts of one turn, went the other way",
        ),
        Some(first) if *first == wanted => row.is(
            word(*first),
            Verdict::Accepted,
            &format!("a person saw it {} times, asked before being told what to expect", told.len()),
        ),
        Some(first) => row.is(word(*first), Verdict::Rejected, "the counts run the other way for what a person saw"),
    }
}

/// Counts between passages of the index in one turn.
fn revolution(context: &Context<'_>, turn: &HandTurned<'_>) -> ResultRow {
    let per_rev = i64::from(context.motion.axis.counts_per_rev.get());
    let id = format!("hand-turn.{}", turn.name.replace(' ', "-"));
    let name = format!("Counts per revolution by hand, {}", turn.name);
    let row = Row::number(&id, &name, "counts").target(per_rev as f64).exact();
    let intervals = &turn.lines.intervals;
    match intervals.iter().map(|i| i.counts.0).max_by_key(|c| (c - per_rev).abs()) {
        None => row.without(
            Verdict::Undecided,
            &format!(
                "fewer than two passages of the index in {:.1} counted turns: not turned far enough, no index, or \
                 another number of counts to the turn",
                turn.moved.abs() as f64 / per_rev as f64
            ),
        ),
        Some(worst) if worst == per_rev => row
            .measured(worst as f64)
            .verdict(Verdict::Accepted, &format!("{} of {} intervals are exact", intervals.len(), intervals.len())),
        Some(worst) => row
            .measured(worst as f64)
            .verdict(Verdict::Rejected, "a revolution turned by hand has another number of counts"),
    }
}

#[cfg(test)]
mod tests {
    use proofstand_protocol::message::Sample;

    use super::*;
    use crate::checks::tests::with_film_winder;

    #[test]
    fn no_hand_is_asked_for_while_the_amplifier_says_that_it_could_be_enabled() {
        with_film_winder(|context| {
            let flag = context.sheet.flag(FlagRole::CanEnable).unwrap();
            let conducting = 1_u8 << flag.fixture_input;
            let idle = if flag.is_active(conducting) { 0 } else { conducting };
            let after = |flags| {
                let samples = vec![Sample { flags, ..Sample::default() }];
                vec![StepEvidence { samples, ending: StepEnding::Finished, ..StepEvidence::named(POWER_OFF) }]
            };
            let (off, on) = (after(idle), after(idle ^ conducting));
            let steps = HandTurn.plan(context).unwrap();
            let asked = |so_far: &[StepEvidence]| {
                let turn = steps.iter().find(|s| matches!(s, Step::Observe(step) if step.name == ONE_WAY));
                HandTurn.wants(context, turn.unwrap(), so_far)
            };
            assert!(asked(&off));
            assert!(!asked(&on));
            let judged = HandTurn.judge(context, &on);
            assert!(judged.not_done.unwrap().why.contains("could be enabled"));
            let told: Vec<_> = judged.results.iter().map(|r| (r.id.as_str(), r.verdict)).collect();
            assert_eq!(told, [("hand-turn.can-enable", Verdict::Undecided)]);
            // Nor a second time where it said so while the hand was on the shaft.
            let turned = |flags| {
                let samples =
                    vec![Sample { flags: idle, ..Sample::default() }, Sample { flags, ..Sample::default() }];
                let turned =
                    StepEvidence { samples, ending: StepEnding::Finished, ..StepEvidence::named(ONE_WAY) };
                [off.clone(), vec![turned]].concat()
            };
            assert!(asked(&turned(idle)));
            assert!(!asked(&turned(idle ^ conducting)));
        });
    }
}
