//! The first motion: slow, short, bounded. Do counts follow the command, is there an index, which way does it turn?

mod plot;

use proofstand_protocol::message::{Contacts, Limits, TripCause};
use proofstand_protocol::program::{End, Next};
use proofstand_protocol::units::{Counts, Micros};
use proofstand_units::{Rpm, Seconds, Turns, Volts};

use super::evidence::{SAME_PLACE, excursion, index_events, travel};
use super::rows::Row;
use super::{
    Check, Context, Judgement, MoveStep, Need, ObserveStep, Step, StepEnding, StepEvidence, Turned,
    as_delivered,
};
use crate::estimate::lines::{line_count, passes};
use crate::fixture::cause_in_words;
use crate::planner::{CRAWL_RPM, CannotPlan, LimitsFor, after, come_to_rest, hold, ramp, step_to};
use crate::record::model::{ResultRow, Verdict};
use crate::sheet::{AxisSheet, InputRole, Polarity};

/// The first motion.
pub(super) struct Nudge;

/// How far the shaft goes: once past every index position, and a little.
const TURNS: f64 = 1.2;
/// Enabled at 0 V for so long first: does it stand still? Short, since an offset above friction speeds up.
const REST: Seconds = Seconds::new(0.15);
/// Motion at 0 V that is no trembling any more, in degrees.
const CREEP_DEGREES: f64 = 2.0;
/// The amplifier's inputs have followed after this (common practice, no source).
const CONTACTS: Seconds = Seconds::new(0.1);
/// The segment at 0 V, and the one that ramps.
const REST_AT: u8 = 0;
const RAMP_AT: u8 = 1;
/// The ramp reaches its end in this time.
const RAMP: Seconds = Seconds::new(4.5);
/// Fewer counts than this are no motion: a counter that stands, with one pair dead, trembles by one or two.
const TREMBLE: i64 = 8;
/// What is said where index pulses come with no counts between them, and a person saw no motion, saw it, or did not look.
pub(crate) const INDEX_STANDING: &str = "index pulses, no motion";
/// A person saw motion.
pub(crate) const TURNS_UNCOUNTED: &str = "turns, no counts";
/// Nobody looked.
pub(crate) const INDEX_UNCOUNTED: &str = "index pulses, no counts";
const STEP: &str = "nudge";
/// The same again with the end switches' contacts as if nothing were tripped, if the shaft did not move.
const RELEASED: &str = "nudge, end switches released";
const RELEASE: &str = "release the end switches";
const RESTORE: &str = "end switches as delivered";

impl Check for Nudge {
    fn id(&self) -> &'static str {
        "nudge"
    }

    fn title(&self) -> &'static str {
        "First motion: does the shaft turn, and which way?"
    }

    fn shows(&self) -> &'static str {
        "A small positive command turns the shaft slowly; the counts follow it with the right sign, the index comes, \
         and a person says which way the shaft turned."
    }

    fn needs(&self) -> &'static [Need] {
        &[super::PAIRS_DRIVEN]
    }

    fn plan(&self, context: &Context<'_>) -> Result<Vec<Step>, CannotPlan> {
        let motion = context.motion;
        let per_rev = i64::from(motion.axis.counts_per_rev.get());
        let sign = context.count_sign();
        let program = vec![
            step_to(Volts::ZERO, after(REST), Next::Segment(RAMP_AT), REST * 4.0),
            ramp(
                motion.nudge_command,
                motion.nudge_command / RAMP.get(),
                End::Travel(Counts((per_rev / 200).max(4))),
                Next::Segment(2),
                RAMP * 1.5,
            ),
            hold(
                Rpm::new(CRAWL_RPM * sign),
                &motion.hold,
                End::Travel(Counts(per_rev * 12 / 10)),
                Next::Segment(3),
                Seconds::new(4.0 * TURNS * 60.0 / CRAWL_RPM),
            ),
            come_to_rest(&motion.hold, Seconds::new(10.0)),
        ];
        let limits = limits(context);
        let motion = |name: &'static str| {
            Step::Move(Box::new(MoveStep {
                acts: Vec::new(),
                name,
                what: format!(
                    "The shaft turns slowly one way, {TURNS} turns at {CRAWL_RPM:.0} rpm, on a positive command of at \
                     most {:.2} V. Watch which way",
                    motion.nudge_command.max(motion.hold.bound_at(Rpm::new(CRAWL_RPM))).get()
                ),
                timeout: crate::planner::total_timeout(&program),
                program: program.clone(),
                limits,
                expected: Seconds::new(RAMP.get() * 0.4 + TURNS * 60.0 / CRAWL_RPM + 0.5),
            }))
        };
        let mut steps = vec![motion(STEP), Step::AskWhichWay { about: STEP }];
        if let Some(released) = released(context.sheet) {
            steps.push(set(
                RELEASE,
                "Nothing moves: the end switches' contacts are set as if none were tripped",
                released,
            ));
            steps.push(motion(RELEASED));
            let delivered = as_delivered(context.sheet);
            steps.push(set(
                RESTORE,
                "Nothing moves: the end switches' contacts are as delivered again",
                delivered,
            ));
        }
        Ok(steps)
    }

    /// The end switches are released only for a shaft that did not move.
    fn wants(&self, _: &Context<'_>, step: &Step, so_far: &[StepEvidence]) -> bool {
        let name = match step {
            Step::Move(step) => step.name,
            Step::Observe(step) => step.name,
            _ => return true,
        };
        let stood = so_far.iter().any(|e| e.name == STEP && stands(e));
        name == STEP || stood
    }

    fn goes_on_after(&self, tripped: &StepEvidence) -> bool {
        stands(tripped)
    }

    fn judge(&self, context: &Context<'_>, evidence: &[StepEvidence]) -> Judgement {
        let Some(made) = evidence.iter().find(|e| e.name == STEP) else { return Judgement::default() };
        let answer = evidence.iter().find_map(|e| match e.ending {
            StepEnding::Answered(turned) => Some(turned),
            _ => None,
        });
        let mut out = Judgement::default();
        let moved = travel(made);
        let rest = rests(context, made);
        // A shaft that turned before it was commanded says nothing about the command's sign.
        let commanded = rest.verdict != Verdict::Rejected;
        out.results.push(rest);
        out.results.push(moves(made, moved, answer));
        out.results.extend(evidence.iter().find(|e| e.name == RELEASED).map(released_moves));
        let sense = tells_sense(made, moved);
        if moved != 0 && commanded {
            if sense {
                out.results.push(counts_follow(context, moved));
            }
            match made.trip().map(|t| t.cause) {
                None => out.results.push(index_comes(context, made)),
                Some(TripCause::SpeedDisagreement) => out.results.push(first_interval(context, made)),
                Some(_) => {}
            }
            let follows =
                out.results.iter().any(|r| r.id == "nudge.counts" && r.verdict == Verdict::Accepted);
            if sense || answer.is_some() {
                out.results.push(direction(context, answer, follows));
            }
            if let (None, Some(cited), true) = (answer, context.cited, sense) {
                out.notes.push(format!(
                    "Direction is taken from run {} of {}, in which {} answered. It holds only while wiring, motor and the \
                     amplifier's setting of its direction are as they were then: a setting that mirrors motion and counts \
                     together can't be seen from here.",
                    cited.run, cited.on, cited.by
                ));
            }
        }
        let drawn = [STEP, RELEASED].into_iter().filter_map(|name| evidence.iter().find(|e| e.name == name));
        out.plots.extend(drawn.filter_map(|made| plot::plot(context, made)));
        if let Some(volts) = plot::breakaway(context, made) {
            out.notes.push(format!(
                "The shaft began to move at {:+.3} V ({}).",
                volts.get(),
                match context.motion.axis.speed_gain {
                    None => format!("{:.2} % of rated torque", volts.get() * context.motion.axis.gain.get()),
                    Some(gain) => format!("a command for {:.1} rpm", volts.get() * gain.get()),
                }
            ));
        }
        out
    }
}

/// Enabled at 0 V, does it stand still?
fn rests(context: &Context<'_>, made: &StepEvidence) -> ResultRow {
    let row = Row::text("nudge.rest", "Enabled at 0 V, the shaft stands still", "still");
    let Some(degrees) = excursion(context, made, REST_AT) else {
        return row.without(Verdict::NotDone, "torque never came on");
    };
    if degrees.abs() <= CREEP_DEGREES {
        row.is("still", Verdict::Accepted, "it stood still until it was commanded")
    } else if degrees.abs() <= CREEP_DEGREES + allowed_drift(context) {
        let found = format!("{degrees:+.1}° in {:.0} ms", REST.to_millis());
        row.is(&found, Verdict::Accepted, "it crept no faster than the offset that a speed command may have")
    } else {
        let found = format!("{degrees:+.1}° in {:.0} ms", REST.to_millis());
        row.is(&found, Verdict::Rejected, "it moved before anything was commanded")
    }
}

/// What the offset allowed to a speed command turns the shaft by in the rest, in degrees. A torque command's is held by
/// friction.
fn allowed_drift(context: &Context<'_>) -> f64 {
    const DEGREES_PER_RPM_SECOND: f64 = 6.0;
    context.speed_offset_allowed().map_or(0.0, |rpm| rpm.get() * DEGREES_PER_RPM_SECOND * REST.get())
}

/// The contacts with no end switch tripped, where that is another state than the delivered one.
fn released(sheet: &AxisSheet) -> Option<Contacts> {
    let idle = |role| sheet.input(role).is_some_and(|input| input.active == Polarity::Open);
    let contacts = Contacts {
        end_plus: idle(InputRole::EndSwitchPositive),
        end_minus: idle(InputRole::EndSwitchNegative),
        ..as_delivered(sheet)
    };
    (contacts != as_delivered(sheet)).then_some(contacts)
}

fn set(name: &'static str, what: &str, contacts: Contacts) -> Step {
    Step::Observe(Box::new(ObserveStep {
        name,
        what: what.to_owned(),
        contacts: Some(contacts),
        prompt: None,
        time: CONTACTS,
    }))
}

/// What the fixture enforces meanwhile.
fn limits(context: &Context<'_>) -> Limits {
    LimitsFor::slow(context, Turns::new(TURNS + 1.0)).limits()
}

/// The shaft did not follow a command that should have moved it.
fn stands(made: &StepEvidence) -> bool {
    let given_up = matches!(made.ending, StepEnding::TimedOut { slot: RAMP_AT })
        || made.trip().is_some_and(|t| t.cause == TripCause::NoCounts);
    given_up && travel(made).abs() < TREMBLE
}

/// The same motion with the end switches released tells whether it was they that held the shaft.
fn released_moves(made: &StepEvidence) -> ResultRow {
    let row = Row::text(
        "nudge.end-switches",
        "The same with the end switches' contacts closed",
        "stands as before",
    );
    if travel(made).abs() < TREMBLE {
        row.is("stands as before", Verdict::Accepted, "it is not the end switches that hold it")
    } else {
        row.is(
            "moves",
            Verdict::Rejected,
            "it moves only with the end switches released: the amplifier obeys inputs that it should ignore",
        )
    }
}

/// Did it move, and get on, and stop?
fn moves(made: &StepEvidence, moved: i64, answer: Option<Turned>) -> ResultRow {
    let row = Row::text("nudge.moves", "The shaft moves on a small command", "moves");
    let still = moved.abs() < TREMBLE;
    match (made.trip().map(|t| t.cause), made.ending) {
        (Some(TripCause::NoCounts), _) | (_, StepEnding::TimedOut { slot: RAMP_AT }) if still => {
            row.is("no counts", Verdict::Rejected, "the command rose above breakaway and no count came")
        }
        (Some(TripCause::NoCounts), _) => row.is(
            "sticks",
            Verdict::Rejected,
            "it began to move, then no count came although it was driven on",
        ),
        (Some(TripCause::TorqueOff), _) => {
            row.is("no torque", Verdict::Rejected, "torque did not come on after enable, or went off again")
        }
        (Some(TripCause::Travel), _) => {
            row.is("does not stop", Verdict::Rejected, "it went on turning when the command was taken away")
        }
        (Some(TripCause::SpeedDisagreement), _) if still => index_alone(row, answer),
        // What these two say about the counts has rows of its own.
        (Some(TripCause::WrongWay | TripCause::SpeedDisagreement), _) => {
            row.is("moves", Verdict::Accepted, "it moved; the fixture stopped it for its counts")
        }
        (Some(cause), _) => {
            row.is(cause_in_words(cause), Verdict::Rejected, "the fixture stopped the motion")
        }
        _ if still => row.is("no counts", Verdict::Rejected, "no count came"),
        (_, StepEnding::TimedOut { slot }) => row.is(
            "sticks",
            Verdict::Rejected,
            &format!("it began to move but did not get on (segment {slot} timed out)"),
        ),
        _ => row.is("moves", Verdict::Accepted, "it moved as planned"),
    }
}

/// Two index pulses came, and no counts between them.
fn index_alone(row: Row, answer: Option<Turned>) -> ResultRow {
    match answer {
        Some(Turned::NotAtAll) => row.is(
            INDEX_STANDING,
            Verdict::Rejected,
            "index pulses came and no counts, and a person saw no motion: they are not the index's",
        ),
        Some(_) => row.is(
            TURNS_UNCOUNTED,
            Verdict::Rejected,
            "index pulses came and no counts, and a person saw it turn: the counter stands",
        ),
        None => row.is(
            INDEX_UNCOUNTED,
            Verdict::Rejected,
            "index pulses came and no counts: they are not the index's, or the counter stands",
        ),
    }
}

/// Whether the counts say which way they run: more than a counter trembles that stands, or the fixture saw them go wrong.
fn tells_sense(made: &StepEvidence, moved: i64) -> bool {
    moved.abs() >= TREMBLE || made.trip().is_some_and(|trip| trip.cause == TripCause::WrongWay)
}

/// Do counts have the sign that the sheet says?
fn counts_follow(context: &Context<'_>, moved: i64) -> ResultRow {
    let word = |sign: f64| if sign > 0.0 { "count up" } else { "count down" };
    let wanted = context.count_sign();
    let row = Row::text("nudge.counts", "Counts on a positive command", word(wanted));
    let sign = if moved > 0 { 1.0 } else { -1.0 };
    if sign * wanted < 0.0 {
        row.is(
            word(sign),
            Verdict::Rejected,
            "the counts ran against the command and the fixture stopped the motion",
        )
    } else {
        row.is(word(sign), Verdict::Accepted, "command and counts agree (both reversed would look the same)")
    }
}

/// At how many places the index was met, further apart than so many counts. A shaft that stops on it meets it to and fro.
fn places(met: impl Iterator<Item = (Micros, Counts)>, apart: u32) -> usize {
    let mut places: Vec<i64> = Vec::new();
    for (_, at) in met {
        if places.iter().all(|place| place.abs_diff(at.0) > u64::from(apart)) {
            places.push(at.0);
        }
    }
    places.len()
}

fn index_comes(context: &Context<'_>, made: &StepEvidence) -> ResultRow {
    let row = Row::text("nudge.index", "The index comes once a revolution", "1 or 2 in 1.2 turns");
    let seen = places(index_events(made), context.motion.axis.counts_per_rev.get() / SAME_PLACE);
    let text = format!("{seen} in {TURNS} turns");
    match seen {
        1 | 2 => row.is(&text, Verdict::Accepted, "the index was latched"),
        0 => row.is(
            &text,
            Verdict::Undecided,
            "no index pulse came: it is missing, or a counted turn is less than a turn; the slow count tells",
        ),
        _ => row.is(&text, Verdict::Rejected, "more index pulses than revolutions came"),
    }
}

/// The fixture has compared the first index interval with the sheet and stopped.
fn first_interval(context: &Context<'_>, made: &StepEvidence) -> ResultRow {
    let per_rev = context.motion.axis.counts_per_rev;
    let row = Row::number("nudge.interval", "Counts in the first revolution", "counts")
        .target(f64::from(per_rev.get()))
        .exact();
    let passes = passes(&made.timed_events(), &made.samples);
    match line_count(&passes, per_rev).intervals.first() {
        Some(interval) => row
            .measured(interval.counts.0 as f64)
            .verdict(Verdict::Rejected, "the fixture compared it with the sheet and stopped the motion"),
        None => row.without(Verdict::Rejected, "the fixture found it wrong and stopped the motion"),
    }
}

/// `counts_follow`: the counts have the sign that the sheet says, as they had in a run that is cited.
fn direction(context: &Context<'_>, answer: Option<Turned>, counts_follow: bool) -> ResultRow {
    let wanted = Turned::from(context.sheet.direction.positive_command);
    let name = format!("A positive command turns the shaft, {}", context.sheet.direction.seen_from.words());
    let row = Row::text("nudge.direction", &name, wanted.word());
    match answer {
        Some(turned) if turned == wanted => row.is(
            turned.word(),
            Verdict::Accepted,
            "a person saw it, asked before being told what to expect",
        ),
        Some(Turned::NotAtAll) => row.is(
            Turned::NotAtAll.word(),
            Verdict::Undecided,
            "a person saw no motion, but counts came: is it this motor's encoder that is counted?",
        ),
        Some(turned) => row.is(turned.word(), Verdict::Rejected, "a person saw it turn the other way"),
        None if counts_follow && context.cited.is_some_and(|c| c.turned == wanted) => {
            let run = context.cited.map_or("", |c| c.run.as_str());
            row.is(
                &format!("{}, cited", wanted.word()),
                Verdict::Accepted,
                &format!("seen by a person in the attended run {run} of the same unit and wiring"),
            )
        }
        None => row.is(
            "nobody looked",
            Verdict::Undecided,
            "direction can't be proven from counts alone: command and counts reversed together look healthy",
        ),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn met(at: &[i64]) -> usize {
        places(at.iter().map(|at| (Micros(0), Counts(*at))), 10_000 / SAME_PLACE)
    }

    #[test]
    fn an_index_met_to_and_fro_where_the_shaft_stops_is_one_place() {
        assert_eq!(met(&[3156, 13_156, 13_159, 13_156]), 2);
        assert_eq!(met(&[-4, -1, -4]), 1);
    }

    #[test]
    fn disturbances_between_two_passes_are_places_of_their_own() {
        assert_eq!(met(&[3156, 5000, 13_156]), 3);
    }
}
