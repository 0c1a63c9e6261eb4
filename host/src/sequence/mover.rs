//! Carries out one motion step on a fixture: load, arm, enable, run, wait for standstill, disarm.

use core::time::Duration;

use proofstand_protocol::message::{CommandMode, Ending, Event, Request, Sample, State};
use proofstand_protocol::program::End;
use proofstand_protocol::units::Micros;

use super::Progress;
use super::rest::Rest;
use crate::checks::{Act, ActWhat, Acted, MoveStep, StepEnding, StepEvidence, is_about_the_axis};
use crate::fixture::{Client, FixtureError, Ordered, Received, Tap};
use crate::link::Link;

/// Longest quiet on the stream before the fixture is taken for dead: it sends a sample every millisecond.
const SILENCE: Duration = Duration::from_millis(500);
/// How long a burst may be late.
const BURST_PATIENCE: Duration = Duration::from_millis(200);
/// How long the shaft is given to come to rest by itself when a program is over.
const REST_PATIENCE: Duration = Duration::from_secs(20);

/// Carries out a step. Whatever happens, the fixture ends up safe: by the disarm here, or by its own lost beat.
///
/// `rest` comes from the step before: standstill that is seen already is not waited for again.
///
/// # Errors
/// [`FixtureError`] if fixture or link failed, or it tripped for a reason that is not the axis's. What came until
/// then is in the record already.
pub(super) fn make<L: Link>(
    step: &MoveStep,
    client: &mut Client<L>,
    rest: &mut Rest,
    tap: &mut dyn Tap,
    progress: &mut dyn Progress,
) -> Result<StepEvidence, FixtureError> {
    let mut mover = Mover {
        client,
        tap,
        progress,
        evidence: StepEvidence::named(step.name),
        rest,
        segment: None,
        acts: &[],
        burst: None,
    };
    mover.wait_for_rest()?;
    let illegal = mover.illegal_transitions();
    mover.evidence =
        StepEvidence { index_before: mover.client.last_index(), ..StepEvidence::named(step.name) };
    mover.client.load(&step.program, mover.tap)?;
    mover.client.arm(step.limits, mover.tap)?;
    let ended = match mover.armed(step) {
        // A trip between two requests makes the second one refused; the trip is what there is to tell.
        Err(FixtureError::Refused { request, refusal }) => {
            mover.tripped_meanwhile()?.ok_or(FixtureError::Refused { request, refusal })
        }
        other => other,
    };
    // Always, and first of all: a refusal here must not hide what went wrong before.
    let disarmed = match ended {
        Ok(StepEnding::Tripped(trip)) => {
            mover.collect_for(Duration::from_millis(60))?;
            if is_about_the_axis(trip.cause) {
                mover.client.done(Request::Acknowledge { trip: trip.number }, mover.tap)
            } else {
                // The fixture's own trips stay latched until a person has cleared them. What was captured is kept.
                mover.read_burst()?;
                return Err(FixtureError::Tripped(trip));
            }
        }
        _ => mover.client.done(Request::Disarm, mover.tap),
    };
    let ending = ended?;
    disarmed?;
    mover.wait_for_burst()?;
    mover.read_burst()?;
    mover.wait_for_rest_without_torque()?;
    mover.evidence.illegal_transitions = mover.illegal_transitions().saturating_sub(illegal);
    mover.evidence.ending = ending;
    mover.evidence.lost = lost(&mover.evidence.samples);
    Ok(mover.evidence)
}

/// Samples missing between the first and the last.
pub(super) fn lost(samples: &[Sample]) -> u32 {
    let (Some(first), Some(last)) = (samples.first(), samples.last()) else { return 0 };
    let due = last.sequence.wrapping_sub(first.sequence).saturating_add(1);
    due.saturating_sub(u32::try_from(samples.len()).unwrap_or(u32::MAX))
}

struct Mover<'a, L> {
    client: &'a mut Client<L>,
    tap: &'a mut dyn Tap,
    progress: &'a mut dyn Progress,
    evidence: StepEvidence,
    rest: &'a mut Rest,
    /// The segment that drives, and its first sample.
    segment: Option<(u8, Micros)>,
    /// What is still to be done while the program runs.
    acts: &'a [Act],
    /// The burst that was ordered and is not read yet.
    burst: Option<Ordered>,
}

impl<'a, L: Link> Mover<'a, L> {
    /// From armed to the end of the program and standstill.
    fn armed(&mut self, step: &'a MoveStep) -> Result<StepEnding, FixtureError> {
        let since = self.client.enable(self.tap)?;
        let enable_patience = Duration::from_millis(u64::from(step.limits.enable_delay.0) + 500);
        if let Some(ending) = self.until(enable_patience, |r| match r {
            Received::Event(e) if e.at >= since => match e.event {
                Event::StateChanged { state: State::Live, .. } => Some(Ok(None)),
                Event::StateChanged { state: State::Safe, .. } => Some(Err(FixtureError::MadeSafe)),
                Event::Tripped(trip) => Some(Ok(Some(StepEnding::Tripped(trip)))),
                _ => None,
            },
            // The end of the motion before may have been lost, and come only now that it was asked for again.
            Received::Event(_) | Received::Sample(_) => None,
        })? {
            return Ok(ending);
        }
        self.client.start(step.timeout, self.tap)?;
        self.acts = &step.acts;
        let patience = Duration::from_millis(u64::from(step.timeout.0) + 1000);
        let opens = step.acts.iter().any(|act| matches!(act.what, ActWhat::OpenEnable { .. }));
        let mut opened = false;
        let ending = self.until(patience, |r| match r {
            Received::Event(e) if e.at >= since => match e.event {
                Event::ProgramEnded(Ending::Finished) => Some(Ok(StepEnding::Finished)),
                Event::StateChanged { state: State::Opened, .. } => {
                    opened = opens;
                    None
                }
                // Safe without a trip: enable was opened by an act, and its time is over. Else somebody else disarmed.
                Event::StateChanged { state: State::Safe, .. } => {
                    Some(if opened { Ok(StepEnding::Finished) } else { Err(FixtureError::MadeSafe) })
                }
                Event::ProgramEnded(Ending::TimedOut { slot }) => Some(Ok(StepEnding::TimedOut { slot })),
                Event::Tripped(trip) => Some(Ok(StepEnding::Tripped(trip))),
                _ => None,
            },
            Received::Event(_) | Received::Sample(_) => None,
        })?;
        self.acts = &[];
        // The fixture has measured standstill itself where that ended the program.
        let stands = ending == StepEnding::Finished
            && step.program.last().is_some_and(|last| matches!(last.end, End::Standstill(_)));
        // Enabled at 0 V a torque command lets the shaft run down; a speed command stops it, and may creep on for ever.
        if !matches!(ending, StepEnding::Tripped(_))
            && !stands
            && step.limits.mode == CommandMode::Torque
            && let Some(trip) = self.rest_or_trip()?
        {
            return Ok(trip);
        }
        Ok(ending)
    }

    /// Keeps what comes until `wanted` has its answer.
    fn until<T>(
        &mut self,
        patience: Duration,
        mut wanted: impl FnMut(&Received) -> Option<Result<T, FixtureError>>,
    ) -> Result<T, FixtureError> {
        let started = self.client.now();
        loop {
            let received = self.take()?;
            if let Some(found) = wanted(&received) {
                return found;
            }
            self.act()?;
            let elapsed = self.client.now().saturating_sub(started);
            self.progress.elapsed(elapsed);
            if elapsed > patience {
                return Err(FixtureError::Silent {
                    port: self.client.name(),
                    request: "end of the motion program".to_owned(),
                    waited_ms: patience.as_millis(),
                });
            }
        }
    }

    /// Does what is due in the program.
    fn act(&mut self) -> Result<(), FixtureError> {
        let another = self.acts.iter().any(|a| matches!(a.what, ActWhat::Burst(_)));
        if another && self.burst.is_some_and(|b| b.is_ready()) {
            self.read_burst()?;
        }
        let (Some((act, later)), Some((slot, since)), Some(latest)) =
            (self.acts.split_first(), self.segment, self.evidence.samples.last().map(|s| s.at))
        else {
            return Ok(());
        };
        if act.at.slot != slot || (latest.0.saturating_sub(since.0) as f64) < act.at.after.get() * 1e6 {
            return Ok(());
        }
        self.acts = later;
        self.evidence.acts.push(Acted { after: latest, took: Micros(0), what: act.what });
        let asked = self.client.now();
        // The latest sample is old where the cable held it up: what the fixture's clock says after it is done comes first.
        let mut done_by = latest;
        match act.what {
            ActWhat::Contacts(contacts) => {
                self.client.done(Request::SetContacts(contacts), self.tap)?;
                done_by = self.client.status(self.tap)?.now;
            }
            ActWhat::OpenEnable { keep } => self.client.open_enable(keep, self.tap)?,
            ActWhat::Burst(order) => {
                self.read_burst()?;
                self.burst = Some(self.client.order_burst(order, self.tap)?);
            }
        }
        let took = u64::try_from(self.client.now().saturating_sub(asked).as_micros()).unwrap_or(u64::MAX);
        if let Some(acted) = self.evidence.acts.last_mut() {
            acted.took = Micros(took.max(done_by.0.saturating_sub(latest.0)));
        }
        Ok(())
    }

    /// Waits for a burst under way; one that does not come is given up.
    fn wait_for_burst(&mut self) -> Result<(), FixtureError> {
        let started = self.client.now();
        while let Some(burst) = self.burst.filter(|b| !b.is_ready()) {
            if self.client.now().saturating_sub(started) > burst.order().length() + BURST_PATIENCE {
                break;
            }
            self.take()?;
        }
        Ok(())
    }

    /// Reads the burst that is waiting, if one is.
    fn read_burst(&mut self) -> Result<(), FixtureError> {
        if let Some(ordered) = self.burst.take() {
            let burst = self.client.read_burst(&ordered, self.tap)?;
            self.evidence.bursts.push(burst);
        }
        Ok(())
    }

    fn illegal_transitions(&self) -> u32 {
        self.client.last_status().map_or(0, |s| s.illegal_transitions)
    }

    /// The next thing that comes, kept.
    fn take(&mut self) -> Result<Received, FixtureError> {
        let Some(received) = self.client.next(SILENCE, self.tap)? else {
            return Err(FixtureError::Silent {
                port: self.client.name(),
                request: "stream of samples".to_owned(),
                waited_ms: SILENCE.as_millis(),
            });
        };
        match &received {
            Received::Sample(sample) => {
                self.rest.see(sample);
                if self.segment.is_none_or(|(slot, _)| slot != sample.segment) {
                    self.segment = Some((sample.segment, sample.at));
                }
                self.evidence.samples.push(*sample);
            }
            Received::Event(event) => {
                self.evidence.events.push(*event);
                if let Some(burst) = &mut self.burst {
                    burst.see(event);
                }
            }
        }
        Ok(received)
    }

    /// The trip that waits unread, if one does.
    fn tripped_meanwhile(&mut self) -> Result<Option<StepEnding>, FixtureError> {
        let started = self.client.now();
        while self.client.now().saturating_sub(started) < Duration::from_millis(60) {
            if let Received::Event(e) = self.take()?
                && let Event::Tripped(trip) = e.event
            {
                return Ok(Some(StepEnding::Tripped(trip)));
            }
        }
        Ok(None)
    }

    fn collect_for(&mut self, time: Duration) -> Result<(), FixtureError> {
        let started = self.client.now();
        while self.client.now().saturating_sub(started) < time {
            self.take()?;
        }
        Ok(())
    }

    /// Waits for standstill while enabled at 0 V; a trip meanwhile ends the step with it.
    fn rest_or_trip(&mut self) -> Result<Option<StepEnding>, FixtureError> {
        let started = self.client.now();
        while !self.rest.is_at_rest() && self.client.now().saturating_sub(started) < REST_PATIENCE {
            if let Received::Event(e) = self.take()?
                && let Event::Tripped(trip) = e.event
            {
                return Ok(Some(StepEnding::Tripped(trip)));
            }
        }
        Ok(None)
    }

    /// Waits for standstill when safe.
    fn wait_for_rest(&mut self) -> Result<(), FixtureError> {
        // While a question waited for its answer nobody read the stream: what lies in it is old.
        let now = self.client.status(self.tap)?.now;
        self.rest_until(now)
    }

    /// The same just after torque went: what the shaft did before says nothing.
    fn wait_for_rest_without_torque(&mut self) -> Result<(), FixtureError> {
        let now = self.client.status(self.tap)?.now;
        *self.rest = Rest::from(now);
        self.rest_until(now)
    }

    fn rest_until(&mut self, now: Micros) -> Result<(), FixtureError> {
        let started = self.client.now();
        while !self.rest.is_at_rest_until(now) {
            self.take()?;
            if self.client.now().saturating_sub(started) > REST_PATIENCE {
                return Err(FixtureError::StillTurning);
            }
        }
        Ok(())
    }
}
