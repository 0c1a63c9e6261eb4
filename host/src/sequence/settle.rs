//! Waits until an encoder output that comes alive late has done so.

use core::time::Duration;

use proofstand_units::Seconds;

use super::rest::Rest;
use crate::fixture::{Client, FixtureError, Received, Tap};
use crate::link::Link;

/// Longest quiet on the stream before the fixture is taken for dead: it sends a sample every millisecond.
const SILENCE: Duration = Duration::from_millis(500);
/// An output that is not driven after the sheet's time is waited for so much longer.
const LATE: Duration = Duration::from_secs(5);
/// How much longer than the sheet says, for the shaft to be seen at rest after it.
const PATIENCE: Duration = Duration::from_secs(20);

/// Waits for the sheet's start-up time, then until the position has stood still: an absolute encoder gives its first
/// pulses, and Z, only after start-up, and what comes while it starts is no motion. Nobody but the sheet knows when
/// control power came on; so the whole time is waited.
///
/// # Errors
/// [`FixtureError`] if fixture or link failed, or the position does not come to rest.
pub(super) fn settle<L: Link>(
    start_up: Seconds,
    client: &mut Client<L>,
    tap: &mut dyn Tap,
) -> Result<(), FixtureError> {
    let started = client.now();
    let start_up = Duration::try_from_secs_f64(start_up.get()).unwrap_or_default();
    if start_up.is_zero() {
        return Ok(());
    }
    let mut rest = None;
    loop {
        let Some(received) = client.next(SILENCE, tap)? else {
            return Err(FixtureError::Silent {
                port: client.name(),
                request: "stream of samples".to_owned(),
                waited_ms: SILENCE.as_millis(),
            });
        };
        let waited = client.now().saturating_sub(started);
        if waited < start_up {
            continue;
        }
        let Received::Sample(sample) = received else { continue };
        let rest: &mut Rest = rest.get_or_insert_with(|| Rest::from(sample.at));
        rest.see(&sample);
        if rest.is_at_rest() {
            // Later than the sheet says: waited for a little longer. What never comes alive is for the checks to say.
            if waited > start_up + LATE || client.encoder_driven(tap)? != Some(false) {
                return Ok(());
            }
            *rest = Rest::from(sample.at);
        }
        if waited > start_up + PATIENCE {
            return Err(FixtureError::StillTurning);
        }
    }
}
