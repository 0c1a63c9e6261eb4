//! At rest: do the flags follow enable, on and off, and in time?

use proofstand_protocol::message::{Event, State, Trip, TripCause};
use proofstand_protocol::program::Next;
use proofstand_protocol::units::{Micros, Ticks};
use proofstand_units::{Seconds, Turns, Volts};

use super::lines::{active_at_first, slug};
use super::rows::Row;
use super::step::is_about_the_axis;
use super::traces::{lane, quiet_plot, state_lane};
use super::{Act, ActAt, ActWhat, Check, Context, Judgement, MoveStep, Need, Step, StepEvidence};
use crate::estimate::flags::{self, Answer, Known, Moment, Question};
use crate::fixture::{cause_in_words, trip_in_words};
use crate::metrology::{Budget, Limits};
use crate::planner::{CannotPlan, LimitsFor, after, step_to, total_timeout};
use crate::record::model::{Lane, ResultRow, Verdict};
use crate::sheet::{AxisSheet, BrakeDriver, Flag, FlagRole, Polarity};

/// The check.
pub(super) struct EnableRest;

const STEP: &str = "on and off";
/// Enabled at 0 V for so long: flags settle, and an offset above friction has no time to speed the shaft up.
const ON: Seconds = Seconds::new(0.15);
/// The program goes on for so long after enable was opened; the command is 0 V all the time.
const KEEP: Ticks = Ticks(100);
/// From the fixture's decision to the enable contact really closed: a tick, and a small relay's operate time with bounce
/// (common practice, no source). Half the time, and its half-width.
const CONTACT_CLOSES: Seconds = Seconds::new(4e-3);
/// The contact's read-back is looked at once a tick: it opened in the tick before. Half a tick, and its half-width.
pub(super) const HALF_TICK: Seconds = Seconds::new(0.5e-3);
/// That moment's name in a budget.
pub(super) const CONTACT_OPENED: &str = "moment at which the contact opened";
/// Half-width of what is not known of a flag input's delay (input stage: calculated).
pub(super) const COUPLER: Seconds = Seconds::new(50e-6);
/// The brake may be asked to release so long after torque is on (common practice, no source), and not before: a load would
/// drop. Both flags are stamped to better than a millisecond.
const BRAKE_AFTER: (Seconds, Seconds) = (Seconds::new(-1e-3), Seconds::new(0.1));

/// Flags that follow enable.
const FOLLOWING: [FlagRole; 2] = [FlagRole::TorqueOn, FlagRole::BrakeRelease];

/// Which of them an axis has. A brake's flag of an axis without a brake need not follow anything.
fn following(sheet: &AxisSheet) -> impl Iterator<Item = &Flag> {
    FOLLOWING
        .into_iter()
        .filter(|role| *role != FlagRole::BrakeRelease || sheet.enable.brake == BrakeDriver::Amplifier)
        .filter_map(|role| sheet.flag(role))
}

impl Check for EnableRest {
    fn id(&self) -> &'static str {
        "enable-off-rest"
    }

    fn title(&self) -> &'static str {
        "Enable on and off, at rest"
    }

    fn shows(&self) -> &'static str {
        "Enabled at 0 V and disabled again, the flags that follow enable do so both ways and in time."
    }

    fn is_for(&self, sheet: &AxisSheet) -> bool {
        following(sheet).next().is_some() || sheet.flag(FlagRole::CanEnable).is_some()
    }

    fn needs(&self) -> &'static [Need] {
        &[super::PAIRS_DRIVEN]
    }

    fn plan(&self, context: &Context<'_>) -> Result<Vec<Step>, CannotPlan> {
        super::can_open_enable(context)?;
        let long = ON + Seconds::new(1.0);
        let program = vec![step_to(Volts::ZERO, after(long), Next::Finish, long * 2.0)];
        Ok(vec![Step::Move(Box::new(MoveStep {
            acts: vec![Act { at: ActAt { slot: 0, after: ON }, what: ActWhat::OpenEnable { keep: KEEP } }],
            name: STEP,
            what: format!(
                "The amplifier is enabled at 0 V for {:.0} ms. The shaft should not move{}",
                ON.to_millis(),
                match context.sheet.enable.first_may_move.get() {
                    d if d > 0.0 => format!("; the first enable may move it by {d:.0}°"),
                    _ => String::new(),
                }
            ),
            timeout: total_timeout(&program),
            program,
            limits: LimitsFor::slow(context, Turns::new(1.0)).limits(),
            expected: ON + Seconds::new(0.5) + context.sheet.enable.on_delay,
        }))])
    }

    fn judge(&self, context: &Context<'_>, evidence: &[StepEvidence]) -> Judgement {
        let mut out = Judgement::default();
        let Some(made) = evidence.iter().find(|e| e.name == STEP) else { return out };
        let sheet = context.sheet;
        out.results.push(stands(made));
        for flag in following(sheet) {
            on(context, flag, made, &mut out.results);
            off(context, flag, "enable-off-rest", "", made, &mut out.results);
        }
        if let Some(flag) = sheet.flag(FlagRole::CanEnable) {
            out.results.push(can_enable(flag, made));
        }
        if let Some(flag) = sheet.flag(FlagRole::HoldingSpeedDown) {
            out.results.extend(holds_nothing(flag, made));
        }
        let lanes = enable_lane(made)
            .into_iter()
            .chain(sheet.flags.iter().filter_map(|flag| lane(flag, made)))
            .collect();
        out.plots.extend(quiet_plot(
            "enable-off-rest",
            "Flags on enable and after it, at rest",
            "Way (or speed, if it turns), enable and flags over time while the amplifier is enabled at 0 V and disabled again.",
            made,
            lanes,
        ));
        out
    }
}

/// What the fixture makes of a shaft that is enabled and not commanded.
fn stands(made: &StepEvidence) -> ResultRow {
    let row = Row::text("enable-off-rest.stands", "Trip while enabled at 0 V", "none");
    match made.trip() {
        Some(trip) if is_about_the_axis(trip.cause) => row.is(
            cause_in_words(trip.cause),
            Verdict::Rejected,
            "the fixture tripped although nothing was commanded",
        ),
        Some(trip) => {
            row.is(cause_in_words(trip.cause), Verdict::Undecided, "it was not the axis that made it stop")
        }
        None => row.is("none", Verdict::Accepted, "enabled and not commanded, nothing tripped"),
    }
}

/// When the fixture opened enable by itself, for another reason than torque that was missing.
fn cut_short(made: &StepEvidence) -> Option<&Trip> {
    made.trip().filter(|trip| trip.cause != TripCause::TorqueOff)
}

/// When the fixture came into a state.
pub(super) fn state_at(made: &StepEvidence, wanted: State) -> Option<Micros> {
    made.events.iter().find_map(|e| match e.event {
        Event::StateChanged { state, .. } if state == wanted => Some(e.at),
        _ => None,
    })
}

/// When the enable contact opened on request: in the tick before it read open.
pub(super) fn contact_opened(made: &StepEvidence) -> Option<Micros> {
    let read = made.events.iter().find(|e| e.event == Event::EnableOpened)?.at;
    Some(Micros(read.0.saturating_sub((HALF_TICK.get() * 1e6) as u64)))
}

/// Enable as the fixture has it, for pictures.
pub(super) fn enable_lane(made: &StepEvidence) -> Option<Lane> {
    let changes: Vec<(Micros, bool)> = made
        .events
        .iter()
        .filter_map(|e| match e.event {
            Event::StateChanged { state: State::Enabling, .. } => Some((e.at, true)),
            Event::StateChanged { state: State::Opened | State::Safe | State::Tripped, .. } => {
                Some((e.at, false))
            }
            _ => None,
        })
        .collect();
    state_lane("enable", false, &changes, ("closed", "open"), made)
}

/// How a flag answers to a moment. Edges count from `from` on and before `to`.
fn answer(
    flag: &Flag,
    made: &StepEvidence,
    moment: Moment,
    active: bool,
    (from, to): (Micros, Micros),
) -> Option<Answer> {
    let edges = flags::edges_from_events(&made.timed_events(), flag.fixture_input);
    flags::answer(
        &edges,
        &Question {
            moment,
            becomes: active == (flag.active == Polarity::Conducting),
            from,
            to,
            resolution: COUPLER,
        },
    )
}

fn on(context: &Context<'_>, flag: &Flag, made: &StepEvidence, rows: &mut Vec<ResultRow>) {
    let Some(enabled) = state_at(made, State::Enabling) else { return };
    let closed = Moment {
        at: Micros(enabled.0 + (CONTACT_CLOSES.get() * 1e6) as u64),
        known: Known::Within(CONTACT_CLOSES),
        name: "moment at which the contact closed",
    };
    let ended = [State::Opened, State::Tripped].into_iter().filter_map(|state| state_at(made, state)).min();
    let to = ended.unwrap_or(Micros(u64::MAX));
    let id = format!("enable-off-rest.{}.on", slug(flag.role));
    // A brake is released on torque, where that has a flag; torque comes on enable.
    let torque = context.sheet.flag(FlagRole::TorqueOn).filter(|_| flag.role == FlagRole::BrakeRelease);
    let torque_on = torque.and_then(|torque| answer(torque, made, closed, true, (enabled, to)));
    let (limits, name, moment) = match (flag.role, torque_on) {
        (FlagRole::BrakeRelease, Some(on)) => {
            let Ok(limits) = Limits::between(BRAKE_AFTER.0, BRAKE_AFTER.1) else { return };
            (
                limits,
                format!("From torque on to {}", flag.role.words()),
                Moment {
                    at: on.edge.at,
                    known: Known::Within(COUPLER),
                    name: "time of the edge of torque on",
                },
            )
        }
        (FlagRole::BrakeRelease, None) => (
            Limits::AtMost(context.sheet.enable.on_delay + BRAKE_AFTER.1),
            format!("From enable to {}", flag.role.words()),
            closed,
        ),
        _ => (
            Limits::AtMost(context.sheet.enable.on_delay),
            format!("From enable to {}", flag.role.words()),
            closed,
        ),
    };
    let row = Row::number(&id, &name, "ms").limits(&limits);
    if active_at_first(flag, made) == Some(true) {
        rows.push(row.without(Verdict::Rejected, "the flag is active already while enable is open"));
        return;
    }
    rows.push(match answer(flag, made, moment, true, (enabled, to)) {
        Some(answer) if !answer.holds => {
            row.without(Verdict::Rejected, "the flag came, and went again while the amplifier was enabled")
        }
        Some(answer) => {
            let measured = Budget::new(answer.delay).with_all(answer.contributions());
            row.judged(&measured, &limits, context.by())
        }
        None => match cut_short(made) {
            Some(trip) => row.without(
                Verdict::Undecided,
                &format!("the fixture stopped before the flag came: {}", trip_in_words(trip)),
            ),
            None => row.without(Verdict::Rejected, "the flag did not come while the amplifier was enabled"),
        },
    });
}

/// How a flag goes when the enable contact is opened.
pub(super) fn off(
    context: &Context<'_>,
    flag: &Flag,
    check: &str,
    way: &str,
    made: &StepEvidence,
    rows: &mut Vec<ResultRow>,
) {
    let limits = Limits::AtMost(context.sheet.tolerances.enable_off.value);
    let (dot, comma) = if way.is_empty() { ("", "") } else { (".", ", ") };
    let id = format!("{check}{dot}{way}.{}.off", slug(flag.role));
    let name = format!("From enable open to {} gone{comma}{way}", flag.role.words());
    let row = Row::number(&id, &name, "ms").limits(&limits);
    let Some(opened) = contact_opened(made) else {
        rows.push(row.without(Verdict::Undecided, "the enable contact was not seen to open"));
        return;
    };
    let active_then = {
        let before = made.samples.iter().rev().find(|s| s.at < opened);
        before.map(|s| flag.is_active(s.flags))
    };
    if active_then != Some(true) {
        rows.push(row.without(Verdict::Rejected, "the flag was not there when enable was opened"));
        return;
    }
    let moment = Moment { at: opened, known: Known::Within(HALF_TICK), name: CONTACT_OPENED };
    let from = Micros(opened.0.saturating_sub((HALF_TICK.get() * 1e6) as u64));
    rows.push(match answer(flag, made, moment, false, (from, Micros(u64::MAX))) {
        Some(answer) if !answer.holds => {
            row.without(Verdict::Rejected, "the flag went, and came again with enable open")
        }
        Some(answer) => {
            let measured = Budget::new(answer.delay).with_all(answer.contributions());
            row.judged(&measured, &limits, context.by())
        }
        None => row.without(Verdict::Rejected, "the flag stayed when enable was opened"),
    });
}

fn can_enable(flag: &Flag, made: &StepEvidence) -> ResultRow {
    let row = Row::text(
        "enable-off-rest.can-enable",
        &format!("Flag {} when it is enabled", flag.role.words()),
        "active",
    );
    match active_at_first(flag, made) {
        Some(true) => row.is("active", Verdict::Accepted, "it said that the amplifier could be enabled"),
        Some(false) => row.is("idle", Verdict::Rejected, "it did not say so when enable was closed"),
        None => row.without(Verdict::NotDone, "nothing was seen"),
    }
}

/// With torque on and nothing commanded no speed is held down. Torque that never came says nothing of it.
fn holds_nothing(flag: &Flag, made: &StepEvidence) -> Option<ResultRow> {
    let row = Row::text(
        "enable-off-rest.holding-speed-down",
        &format!("Flag {} with torque on, at rest", flag.role.words()),
        "idle",
    );
    let with_torque = made.samples.iter().rev().find(|s| s.state == State::Live)?;
    Some(match (flag.is_active(with_torque.flags), active_at_first(flag, made)) {
        (false, _) => row.is("idle", Verdict::Accepted, "nothing is held down, and the flag says so"),
        (true, Some(false)) => row.is(
            "comes with torque",
            Verdict::Rejected,
            "it came with torque: it shares its pair with another flag, or the cap is 0 rpm",
        ),
        (true, _) => row.is("active", Verdict::Rejected, "it is active with enable open as well"),
    })
}
