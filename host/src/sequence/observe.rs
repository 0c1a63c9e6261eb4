//! Looks on while nothing is enabled: flags at rest, a shaft turned by hand.

use core::time::Duration;

use proofstand_protocol::message::Request;

use proofstand_units::Seconds;

use super::mover::lost;
use super::rest::Rest;
use super::{Attendant, Done, Progress};
use crate::checks::{ObserveStep, StepEnding, StepEvidence};
use crate::fixture::{Client, FixtureError, Received, Tap};
use crate::link::Link;

/// Longest quiet on the stream before the fixture is taken for dead: it sends a sample every millisecond.
const SILENCE: Duration = Duration::from_millis(500);
/// How long the shaft is given to come to rest before a person is asked to touch it.
const REST_PATIENCE: Duration = Duration::from_secs(20);

/// Carries out the step. Enable is open before, during and after it.
///
/// # Errors
/// [`FixtureError`] if fixture or link failed, or the shaft does not come to rest before somebody is to touch it.
pub(super) fn make<L: Link>(
    step: &ObserveStep,
    client: &mut Client<L>,
    tap: &mut dyn Tap,
    rest: &mut Rest,
    attendant: &mut dyn Attendant,
    progress: &mut dyn Progress,
) -> Result<StepEvidence, FixtureError> {
    let index_before = client.last_index();
    let mut evidence = StepEvidence { index_before, ..StepEvidence::named(step.name) };
    if let Some(contacts) = step.contacts {
        client.done(Request::SetContacts(contacts), tap)?;
    }
    // What lies unread in the stream is older than this step.
    let from = client.status(tap)?.now;
    let mut keep = |received: Received| match received {
        Received::Sample(sample) => {
            rest.see(&sample);
            if sample.at >= from {
                evidence.samples.push(sample);
            }
            rest.is_at_rest_until(from)
        }
        Received::Event(event) => {
            if event.at >= from {
                evidence.events.push(event);
            }
            rest.is_at_rest_until(from)
        }
    };
    let mut looked_from = client.now();
    if let Some(prompt) = &step.prompt {
        while !keep(take(client, tap)?) {
            if client.now().saturating_sub(looked_from) > REST_PATIENCE {
                return Err(FixtureError::StillTurning);
            }
        }
        if attendant.attended() {
            progress.give_way();
        }
        let asked = client.now();
        let done = attendant.begin(prompt)
            && loop {
                keep(take(client, tap)?);
                match attendant.has_done() {
                    Done::NotYet => {}
                    Done::Yes => break true,
                    Done::GaveUp => break false,
                    Done::Stop => return Err(FixtureError::Interrupted),
                }
            };
        looked_from = client.now();
        evidence.person = Seconds::new(looked_from.saturating_sub(asked).as_secs_f64());
        if !done {
            evidence.ending = StepEnding::Unanswered;
            evidence.lost = lost(&evidence.samples);
            return Ok(evidence);
        }
    }
    loop {
        let elapsed = client.now().saturating_sub(looked_from);
        progress.elapsed(elapsed);
        if elapsed.as_secs_f64() >= step.time.get() {
            break;
        }
        keep(take(client, tap)?);
    }
    evidence.lost = lost(&evidence.samples);
    evidence.encoder_driven = client.encoder_driven(tap)?;
    Ok(evidence)
}

fn take<L: Link>(client: &mut Client<L>, tap: &mut dyn Tap) -> Result<Received, FixtureError> {
    client.next(SILENCE, tap)?.ok_or_else(|| FixtureError::Silent {
        port: client.name(),
        request: "stream of samples".to_owned(),
        waited_ms: SILENCE.as_millis(),
    })
}
