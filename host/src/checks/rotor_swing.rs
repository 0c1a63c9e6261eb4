//! Accelerations by reversal at the levels that the shaft as it is allows: one of the three runs that find a rotor's
//! inertia with a known disc. Made by name only; it judges nothing.

use proofstand_units::RadPerSec2;

use super::command_scale::{measured, swing};
use super::rows::Row;
use super::{Check, Context, Judgement, Need, Step, StepEvidence, too_low_to_move};
use crate::metrology::{Budget, Contribution};
use crate::planner::{CannotPlan, ReversalLevel};
use crate::record::model::Verdict;
use crate::sheet::AxisSheet;

/// The check.
pub(super) struct RotorSwing;

/// Its name on the command line.
pub(crate) const ID: &str = "rotor-swing";

/// Step names, lowest level first.
const NAMES: [&str; 4] = ["first swing", "second swing", "third swing", "fourth swing"];

/// Reversals at each level: the inertia comes from a difference, in which their scatter counts several times.
const REVERSALS: u8 = 4;

fn levels(context: &Context<'_>) -> Vec<(&'static str, ReversalLevel)> {
    let levels = context.motion.reversals.iter().filter_map(|l| l.as_ref().ok());
    NAMES.into_iter().zip(levels.map(|level| ReversalLevel { cycles: REVERSALS, ..*level })).collect()
}

impl Check for RotorSwing {
    fn id(&self) -> &'static str {
        ID
    }

    fn title(&self) -> &'static str {
        "Swings for the rotor's inertia"
    }

    fn shows(&self) -> &'static str {
        "How fast the shaft as it is speeds up at each level, by the command alone. Made without a known disc, with it and \
         without it again, it gives the rotor's inertia (proofstand inertia)."
    }

    fn is_for(&self, sheet: &AxisSheet) -> bool {
        sheet.command.pair.is_torque()
    }

    fn needs(&self) -> &'static [Need] {
        &[super::COUNTS_PROVEN, super::CAP_PROVEN, super::ENABLE_OBEYED]
    }

    fn plan(&self, context: &Context<'_>) -> Result<Vec<Step>, CannotPlan> {
        let levels = levels(context);
        if levels.is_empty() {
            let refused = context.motion.reversals.iter().find_map(|l| l.as_ref().err().cloned());
            return Err(refused.unwrap_or(CannotPlan {
                why: "no level fits a reversal".to_owned(),
                remedy: "a higher cap".to_owned(),
            }));
        }
        Ok(levels.iter().map(|(name, level)| swing(context, name, level)).collect())
    }

    fn goes_on_after(&self, tripped: &StepEvidence) -> bool {
        too_low_to_move(tripped)
    }

    fn judge(&self, context: &Context<'_>, evidence: &[StepEvidence]) -> Judgement {
        let mut out = Judgement::default();
        for (name, plan) in levels(context) {
            let Some(made) = evidence.iter().find(|e| e.name == name) else { continue };
            let level = plan.level.get();
            let row = Row::number(
                &format!("{ID}.level-{level:.0}"),
                &format!("Acceleration by the command at {level:.0} % of rated torque"),
                "rad/s²",
            );
            let found = match made.trip() {
                Some(trip) => Err(crate::fixture::trip_in_words(trip)),
                None => measured(context, &plan, made),
            };
            out.results.push(match found {
                Ok(estimate) => {
                    let value: RadPerSec2 = estimate.gain.mean * context.count_sign();
                    let budget = Budget::new(value).with(Contribution::type_a(
                        "scatter over the reversals",
                        estimate.gain.standard_uncertainty,
                        estimate.gain.degrees_of_freedom,
                    ));
                    row.shown(
                        &budget,
                        Verdict::Accepted,
                        "measured; what all runs share (command, clock, sensor) cancels between them",
                    )
                }
                Err(why) => row.without(Verdict::Undecided, &why),
            });
        }
        out.notes.push(
            "These are numbers for `proofstand inertia`, not results against a tolerance: accepted means measured."
                .to_owned(),
        );
        out
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_has_the_gates_of_the_command_s_scale() {
        let scale = super::super::by_id("command-scale").unwrap();
        assert_eq!(RotorSwing.needs(), scale.needs());
        assert!(super::super::ALL.iter().all(|c| c.id() != ID), "made by name only");
        assert!(super::super::by_id(ID).is_some());
    }
}
