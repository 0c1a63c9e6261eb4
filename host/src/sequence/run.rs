//! Carries out checks one after the other.

use core::time::Duration;

use proofstand_protocol::message::Request;
use proofstand_units::Seconds;

use super::rest::Rest;
use super::settle::settle;
use super::undone::{STOPPED_BEFORE, blank, not_done, would_allow};
use super::{Attendant, Progress, ask_number, mover, observe, self_check};
use crate::checks::{
    ActWhat, AskNumberStep, Check, Context, Step, StepEnding, StepEvidence, as_delivered, recorded, unmet,
    worst,
};
use crate::fixture::{Burst, Client, FixtureError};
use crate::link::Link;
use crate::record::RunFolder;
use crate::record::model::{BurstRecord, CheckRecord, NotDone, StepRecord, Took, Verdict};

/// What came of all checks.
#[derive(Debug)]
pub struct Conducted {
    /// A record for every check that was asked for, done or not.
    pub checks: Vec<CheckRecord>,
    /// What stopped the run before its end.
    pub stopped: Option<FixtureError>,
    /// How long all of it took.
    pub took: Took,
}

impl Conducted {
    /// Nothing was done.
    #[must_use]
    pub fn stopped_by(error: FixtureError) -> Self {
        Self { checks: Vec::new(), stopped: Some(error), took: Took::default() }
    }
}

/// Carries out checks in order, each only if what it needs has been accepted. Never fails: what stopped it is part of
/// what came of it, and every check has its record.
pub fn conduct<L: Link>(
    checks: &[&'static dyn Check],
    context: &Context<'_>,
    client: &mut Client<L>,
    folder: &mut RunFolder,
    attendant: &mut dyn Attendant,
    progress: &mut dyn Progress,
) -> Conducted {
    let mut conducted = Conducted { checks: Vec::new(), stopped: None, took: Took::default() };
    let started = client.now();
    // Every tick's sample, from now to the end: the beat echoes them.
    let streaming = client.done(Request::Stream { decimation: 1 }, folder);
    let start_up = context.sheet.encoder.start_up.value;
    // The whole run is made with the axis as it is delivered.
    let contacts = Request::SetContacts(as_delivered(context.sheet));
    let begun = streaming.and_then(|()| client.done(contacts, folder));
    if let Err(error) = begun.and_then(|()| settle(start_up, client, folder)) {
        conducted.stopped = Some(error);
    }
    let (mut rest, mut person) = (Rest::default(), Duration::ZERO);
    let mut remaining: f64 = checks.iter().map(|c| expected(*c, context)).sum();
    for (n, check) in checks.iter().enumerate() {
        if let Some(why) = &conducted.stopped {
            let record = not_done(*check, &format!("{STOPPED_BEFORE}: {why}"), would_allow(why));
            conducted.checks.push(record);
            continue;
        }
        progress.check(n + 1, checks.len(), check.title());
        let context = Context { earlier: &conducted.checks, ..*context };
        let begun = client.now();
        let mut conductor = Conductor {
            context: &context,
            client,
            folder,
            attendant,
            progress,
            remaining: &mut remaining,
            rest: &mut rest,
            person: Duration::ZERO,
        };
        let (made, waited) = (conductor.check(*check, &conducted.checks), conductor.person);
        let mut record = match made {
            Ok(record) => record,
            Err((error, record)) => {
                conducted.stopped = Some(error);
                record
            }
        };
        record.took = Took::of(client.now().saturating_sub(begun), waited);
        person += waited;
        progress.verdict(&record, &headline(&record));
        let kept = folder.note("check", &record).and_then(|()| folder.sync());
        conducted.checks.push(record);
        if let (Err(error), None) = (kept, &conducted.stopped) {
            conducted.stopped = Some(FixtureError::Record(error));
        }
    }
    conducted.took = Took::of(client.now().saturating_sub(started), person);
    conducted
}

/// Bench time a check should take, from its plan.
fn expected(check: &dyn Check, context: &Context<'_>) -> f64 {
    check.plan(context).map_or(0.0, |steps| steps.iter().map(|s| s.expected().get()).sum())
}

/// The sentence that says most about a check.
#[must_use]
pub(crate) fn headline(record: &CheckRecord) -> String {
    if let Some(reason) = &record.not_done {
        return format!("{}. What would allow it: {}", reason.why, reason.would_allow);
    }
    record
        .results
        .iter()
        .find(|r| r.verdict == record.verdict)
        .map(|r| format!("{}: {}", r.name, r.sentence))
        .unwrap_or_default()
}

struct Conductor<'a, 'c, L> {
    context: &'a Context<'c>,
    client: &'a mut Client<L>,
    folder: &'a mut RunFolder,
    attendant: &'a mut dyn Attendant,
    progress: &'a mut dyn Progress,
    remaining: &'a mut f64,
    /// What is known of standstill by now.
    rest: &'a mut Rest,
    /// The time that people took in this check.
    person: Duration,
}

type Stopped = (FixtureError, CheckRecord);

impl<L: Link> Conductor<'_, '_, L> {
    #[allow(clippy::result_large_err, reason = "a record belongs to a stop as much as to an end")]
    fn check(&mut self, check: &dyn Check, earlier: &[CheckRecord]) -> Result<CheckRecord, Stopped> {
        if let Some((need, verdict)) = unmet(check, earlier) {
            *self.remaining -= expected(check, self.context);
            let what = need.in_words(earlier);
            let why = format!("{} ({what} is {})", need.why, verdict.word().to_lowercase());
            // What would allow the check that is missing allows this one too.
            let missing = earlier.iter().find(|r| r.id == need.check).and_then(|r| r.not_done.as_ref());
            let would_allow = missing.map_or_else(|| format!("{what}, accepted"), |m| m.would_allow.clone());
            return Ok(not_done(check, &why, &would_allow));
        }
        let steps = match check.plan(self.context) {
            Ok(steps) => steps,
            Err(cannot) => {
                let mut record = not_done(check, &cannot.why, &cannot.remedy);
                stood_for(check, &mut record);
                return Ok(record);
            }
        };
        let mut record = blank(check);
        let mut evidence = Vec::new();
        for (n, step) in steps.iter().enumerate() {
            if !check.wants(self.context, step, &evidence) {
                *self.remaining -= step.expected().get();
                continue;
            }
            if let Step::AskNumber(ask) = step
                && !evidence
                    .iter()
                    .any(|e: &StepEvidence| e.name == ask.about && e.ending == StepEnding::Finished)
            {
                // Nothing was held to be read.
                continue;
            }
            match steps.get(n + 1) {
                Some(Step::AskWhichWay { .. }) => self.attendant.watch(),
                Some(Step::AskNumber(ask)) if !self.will_read(ask) && self.client.go_on().is_ok() => {
                    *self.remaining -= step.expected().get();
                    continue;
                }
                _ => {}
            }
            let first_motion =
                matches!(step, Step::Move(_)) && !steps.iter().take(n).any(|s| matches!(s, Step::Move(_)));
            let may = self.client.go_on();
            let told = if first_motion { may.and_then(|()| self.ready(check, &steps)) } else { may };
            let made = match told.and_then(|()| self.make(check, step)) {
                Ok(made) => made,
                Err(error) => {
                    record.not_done = Some(NotDone {
                        why: error.to_string(),
                        would_allow: would_allow(&error).to_owned(),
                        ..NotDone::default()
                    });
                    return Err((error, record));
                }
            };
            // A trip leaves undone what was still to be done to the contacts: the next step finds them as delivered.
            if made.trip().is_some()
                && touches_contacts(step)
                && let Err(error) =
                    self.client.done(Request::SetContacts(as_delivered(self.context.sheet)), self.folder)
            {
                return Err((error, record));
            }
            let mut made = made;
            if let Some(Step::AskNumber(ask)) = steps.get(n + 1) {
                made.person = made.person + reading(ask, &made);
            }
            self.person += Duration::try_from_secs_f64(made.person.get()).unwrap_or_default();
            record.steps.push(step_record(step, &made));
            let over = made.trip().is_some() && !check.goes_on_after(&made);
            evidence.push(made);
            if over && !asks_about(steps.get(n + 1), step) {
                break;
            }
        }
        let judgement = check.judge(self.context, &evidence);
        record.verdict = worst(&judgement.results);
        record.results = judgement.results;
        record.plots = judgement.plots;
        record.notes = judgement.notes;
        record.not_done = judgement.not_done;
        if record.verdict == Verdict::NotDone && record.not_done.is_none() {
            record.not_done = Some(NotDone {
                why: "its motion gave nothing to judge".to_owned(),
                would_allow: "see the step's ending and the diagnosis".to_owned(),
                ..NotDone::default()
            });
        }
        if record.plots.is_empty() && record.not_done.is_none() {
            match recorded(self.context, check.id(), &evidence) {
                Ok(plot) => record.plots.push(plot),
                Err(why) => record.notes.push(why),
            }
        }
        stood_for(check, &mut record);
        Ok(record)
    }

    /// Before a question; nobody is asked where nobody is there, and nothing waits for a terminal.
    fn give_way(&mut self) {
        if self.attendant.attended() {
            self.progress.give_way();
        }
    }

    fn will_read(&mut self, ask: &AskNumberStep) -> bool {
        self.give_way();
        self.attendant.will_read(ask)
    }

    /// Tells a person what is about to move, and waits for the word.
    fn ready(&mut self, check: &dyn Check, steps: &[Step]) -> Result<(), FixtureError> {
        let moves: Vec<&str> = steps.iter().filter(|s| matches!(s, Step::Move(_))).map(Step::what).collect();
        let Some(first) = moves.first() else { return Ok(()) };
        let next = match moves.len() - 1 {
            0 => (*first).to_owned(),
            more => format!("{first}. Then up to {more} more motions, each said before it begins"),
        };
        self.give_way();
        let asked = self.client.now();
        let go = self.attendant.ready(&next);
        self.person += self.client.now().saturating_sub(asked);
        self.folder.note("ready", serde_json::json!({ "check": check.id(), "go": go }))?;
        if go { Ok(()) } else { Err(FixtureError::Interrupted) }
    }

    fn make(&mut self, check: &dyn Check, step: &Step) -> Result<StepEvidence, FixtureError> {
        let name = match step {
            Step::Move(step) => step.name,
            Step::Observe(step) => step.name,
            Step::SelfCheck(step) => step.name,
            Step::AskWhichWay { about } => return self.ask(about),
            Step::AskNumber(step) => return self.ask_number(step),
        };
        self.progress.step(step.what(), step.expected(), Seconds::new(*self.remaining));
        *self.remaining -= step.expected().get();
        self.folder
            .note("step", serde_json::json!({ "check": check.id(), "step": name, "what": step.what() }))?;
        let made = match step {
            Step::Move(step) => mover::make(step, self.client, self.rest, self.folder, self.progress)?,
            Step::Observe(step) => {
                observe::make(step, self.client, self.folder, self.rest, self.attendant, self.progress)?
            }
            Step::SelfCheck(step) => self_check::make(step, self.client, self.folder)?,
            Step::AskWhichWay { about } => self.ask(about)?,
            Step::AskNumber(step) => self.ask_number(step)?,
        };
        self.folder
            .note("step_ended", serde_json::json!({ "step": name, "ended": made.ended_in_words() }))?;
        Ok(made)
    }

    fn ask_number(&mut self, step: &AskNumberStep) -> Result<StepEvidence, FixtureError> {
        self.give_way();
        let asked = self.client.now();
        let made = ask_number::make(step, self.folder, self.attendant)?;
        // Who stops at a question has not answered it.
        self.client.go_on()?;
        Ok(StepEvidence { person: seconds(self.client.now().saturating_sub(asked)), ..made })
    }

    fn ask(&mut self, about: &'static str) -> Result<StepEvidence, FixtureError> {
        self.give_way();
        let asked = self.client.now();
        let answer = self.attendant.which_way(self.context.sheet.direction.seen_from);
        let person = seconds(self.client.now().saturating_sub(asked));
        // Who stops at a question has not answered it: the check is to be made again.
        self.client.go_on()?;
        let ending = answer.map_or(StepEnding::Unanswered, StepEnding::Answered);
        self.folder.note("answer", serde_json::json!({ "about": about, "turned": answer }))?;
        Ok(StepEvidence { ending, person, ..StepEvidence::named("answer") })
    }
}

/// Says of a check that was not done which others show the same.
fn stood_for(check: &dyn Check, record: &mut CheckRecord) {
    if let (Verdict::NotDone, Some(not_done)) = (record.verdict, &mut record.not_done) {
        not_done.shown_also_by = check.shown_also_by().map(str::to_owned);
    }
}

/// The part of a motion that went by for a person to read something.
fn reading(ask: &AskNumberStep, made: &StepEvidence) -> Seconds {
    let mut read = made.segment_samples(ask.reads_in);
    let Some(first) = read.next() else { return Seconds::ZERO };
    let last = read.last().unwrap_or(first);
    Seconds::new(last.at.0.saturating_sub(first.at.0) as f64 * 1e-6)
}

fn seconds(time: Duration) -> Seconds {
    Seconds::new(time.as_secs_f64())
}

/// The step changes the contacts that stand in for controller and switches.
fn touches_contacts(step: &Step) -> bool {
    match step {
        Step::Move(step) => step.acts.iter().any(|act| matches!(act.what, ActWhat::Contacts(_))),
        Step::Observe(step) => step.contacts.is_some(),
        _ => false,
    }
}

/// After a trip nothing more moves in a check, but the question about the motion that tripped is still asked: which
/// way the shaft went says what to mend.
fn asks_about(next: Option<&Step>, made: &Step) -> bool {
    matches!((next, made), (Some(Step::AskWhichWay { about }), Step::Move(made)) if *about == made.name)
}

fn step_record(step: &Step, made: &StepEvidence) -> StepRecord {
    let (first, last) = (made.samples.first(), made.samples.last());
    let seconds = |s: Option<&proofstand_protocol::message::Sample>| s.map_or(0.0, |s| s.at.0 as f64 * 1e-6);
    StepRecord {
        what: step.what().to_owned(),
        ended: made.ended_in_words(),
        start_seconds: seconds(first),
        duration_seconds: seconds(last) - seconds(first),
        first_sample: first.map_or(0, |s| s.sequence),
        last_sample: last.map_or(0, |s| s.sequence),
        samples_lost: made.lost,
        bursts: made.bursts.iter().map(burst_record).collect(),
    }
}

fn burst_record(burst: &Burst) -> BurstRecord {
    BurstRecord {
        number: burst.number,
        kind: burst.order.word().to_owned(),
        start_seconds: burst.first.map(|f| f.0 as f64 * 1e-6),
        period_seconds: f64::from(burst.order.period_us) / 1e6,
        points: u32::from(burst.order.points),
        points_read: u32::try_from(burst.bytes.len() / burst.order.point_bytes()).unwrap_or(u32::MAX),
    }
}
