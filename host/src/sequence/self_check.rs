//! Has the fixture check its own output, isolated from the amplifier.

use proofstand_protocol::message::{Answer, Request};
use proofstand_protocol::units::Microvolts;
use proofstand_units::Volts;

use crate::checks::{SelfCheckReading, SelfCheckStep, StepEvidence};
use crate::fixture::{Client, FixtureError, Tap};
use crate::link::Link;
use crate::planner::microvolts;

/// Carries out the step, a level after the other.
///
/// # Errors
/// [`FixtureError`] if fixture or link failed, or the fixture refuses.
pub(super) fn make<L: Link>(
    step: &SelfCheckStep,
    client: &mut Client<L>,
    tap: &mut dyn Tap,
) -> Result<StepEvidence, FixtureError> {
    let mut evidence = StepEvidence::named(step.name);
    for &level in &step.levels {
        match client.request(Request::SelfCheck { level: microvolts(level) }, tap)? {
            Answer::SelfCheck { converter, terminal } => {
                evidence.readings.push(SelfCheckReading {
                    level,
                    converter: volts(converter),
                    terminal: volts(terminal),
                });
            }
            other => {
                return Err(FixtureError::Nonsense {
                    request: "SelfCheck".to_owned(),
                    answer: format!("{other:?}"),
                });
            }
        }
    }
    Ok(evidence)
}

fn volts(microvolts: Microvolts) -> Volts {
    Volts::new(f64::from(microvolts.0) * 1e-6)
}
