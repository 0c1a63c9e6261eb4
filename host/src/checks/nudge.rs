//! The first motion: slow, short, bounded. Do counts follow the command, is there an index, which way does it turn?

use proofstand_protocol::message::TripCause;
use proofstand_protocol::program::{End, Next};
use proofstand_protocol::units::{Counts, Ticks};
use proofstand_units::{Rpm, Seconds, Volts};

use super::evidence::{index_events, travel};
use super::rows::Row;
use super::{Check, Context, Judgement, MoveStep, Need, Step, StepEnding, StepEvidence, Turned};
use crate::planner::{CRAWL_RPM, CannotPlan, LimitsFor, hold, ramp, step_to};
use crate::record::model::Verdict;

/// The first motion.
pub(super) struct Nudge;

/// How far the shaft goes: once past every index position, and a little.
const TURNS: f64 = 1.2;
/// The ramp reaches its end in this time.
const RAMP: Seconds = Seconds::new(4.0);
const STEP: &str = "nudge";

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
        &[]
    }

    fn plan(&self, context: &Context<'_>) -> Result<Vec<Step>, CannotPlan> {
        let motion = context.motion;
        let per_rev = i64::from(motion.axis.counts_per_rev.get());
        let sign = context.count_sign();
        let program = vec![
            ramp(
                motion.nudge_command,
                motion.nudge_command / RAMP.get(),
                End::Travel(Counts((per_rev / 100).max(4))),
                Next::Segment(1),
                RAMP * 1.5,
            ),
            hold(
                Rpm::new(CRAWL_RPM * sign),
                &motion.hold,
                End::Travel(Counts(per_rev * 12 / 10)),
                Next::Segment(2),
                Seconds::new(4.0 * TURNS * 60.0 / CRAWL_RPM),
            ),
            step_to(Volts::ZERO, End::Standstill(Ticks(100)), Next::Finish, Seconds::new(10.0)),
        ];
        let limits = LimitsFor::slow(context, TURNS + 1.0).limits();
        Ok(vec![
            Step::Move(Box::new(MoveStep {
                name: STEP,
                what: format!(
                    "The shaft turns slowly one way, {TURNS} turns at {CRAWL_RPM:.0} rpm, on a positive command of at \
                     most {:.2} V. Watch which way",
                    motion.nudge_command.get().max(motion.hold.bound.get())
                ),
                timeout: crate::planner::total_timeout(&program),
                program,
                limits,
                expected: Seconds::new(RAMP.get() * 0.5 + TURNS * 60.0 / CRAWL_RPM + 0.5),
            })),
            Step::AskWhichWay { about: STEP },
        ])
    }

    fn judge(&self, context: &Context<'_>, evidence: &[StepEvidence]) -> Judgement {
        let Some(made) = evidence.iter().find(|e| e.name == STEP) else { return Judgement::default() };
        let answer = evidence.iter().find_map(|e| match e.ending {
            StepEnding::Answered(turned) => Some(turned),
            _ => None,
        });
        let mut out = Judgement::default();
        let moved = travel(made);
        out.results.push(moves(made, moved));
        if moved != 0 {
            out.results.push(counts_follow(context, made, moved));
            if made.trip().is_none() {
                out.results.push(index_comes(made));
            }
            out.results.push(direction(context, answer));
        }
        if let Some(volts) = breakaway(context, made) {
            out.notes.push(format!(
                "The shaft began to move at {:+.3} V ({:.2} % of rated torque).",
                volts.get(),
                volts.get() * context.motion.axis.gain.get()
            ));
        }
        out
    }
}

/// Did it move at all?
fn moves(made: &StepEvidence, moved: i64) -> crate::record::model::ResultRow {
    let row = Row::text("nudge.moves", "The shaft moves on a small command", "moves");
    match (made.trip().map(|t| t.cause), made.ending) {
        (Some(TripCause::NoCounts), _) | (_, StepEnding::TimedOut { slot: 0 }) if moved.abs() < 8 => {
            row.is("no counts", Verdict::Rejected, "the command rose above breakaway and no count came")
        }
        (Some(TripCause::TorqueOff), _) => {
            row.is("no torque", Verdict::Rejected, "torque did not come on after enable, or went off again")
        }
        (Some(TripCause::AmplifierFault), _) => {
            row.is("fault", Verdict::Rejected, "the amplifier reports a fault")
        }
        _ if moved == 0 => row.is("no counts", Verdict::Rejected, "no count came"),
        (_, StepEnding::TimedOut { slot }) => row.is(
            "sticks",
            Verdict::Rejected,
            &format!("it began to move but did not get on (segment {slot} timed out)"),
        ),
        _ => row.is("moves", Verdict::Accepted, "it moved as planned"),
    }
}

/// Do counts have the sign that the sheet says?
fn counts_follow(context: &Context<'_>, made: &StepEvidence, moved: i64) -> crate::record::model::ResultRow {
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
    } else if let Some(trip) = made.trip() {
        row.is(
            word(sign),
            Verdict::Rejected,
            &format!("the motion tripped: {}", crate::fixture::trip_in_words(trip)),
        )
    } else {
        row.is(word(sign), Verdict::Accepted, "command and counts agree (both reversed would look the same)")
    }
}

fn index_comes(made: &StepEvidence) -> crate::record::model::ResultRow {
    let row = Row::text("nudge.index", "The index comes once a revolution", "1 or 2 in 1.2 turns");
    let seen = index_events(made).count();
    let text = format!("{seen} in {TURNS} turns");
    match seen {
        1 | 2 => row.is(&text, Verdict::Accepted, "the index was latched"),
        0 => row.is(&text, Verdict::Rejected, "no index pulse came"),
        _ => row.is(&text, Verdict::Rejected, "more index pulses than revolutions came"),
    }
}

fn direction(context: &Context<'_>, answer: Option<Turned>) -> crate::record::model::ResultRow {
    let wanted = Turned::from(context.sheet.direction.positive_command);
    let name = format!("A positive command turns the shaft, {}", context.sheet.direction.seen_from.words());
    let row = Row::text("nudge.direction", &name, wanted.word());
    match answer {
        Some(turned) if turned == wanted => row.is(
            turned.word(),
            Verdict::Accepted,
            "a person saw it, asked before being told what to expect",
        ),
        Some(turned) => row.is(turned.word(), Verdict::Rejected, "a person saw it turn the other way"),
        None => row.is(
            "nobody looked",
            Verdict::Undecided,
            "direction can't be proven from counts alone: command and counts reversed together look healthy",
        ),
    }
}

/// The command at which the shaft began to move.
fn breakaway(context: &Context<'_>, made: &StepEvidence) -> Option<Volts> {
    let start = made.segment_samples(0).next()?.position.0;
    let moved = i64::from(context.motion.axis.counts_per_rev.get() / 400).max(2);
    made.segment_samples(0)
        .find(|s| (s.position.0 - start).abs() >= moved)
        .map(|s| Volts::new(f64::from(s.readback.0) * 1e-6))
}
