//! Accelerations by reversal at the levels that the shaft as it is allows: one of the three runs that find a rotor's
//! inertia with a known disc. Made by name only; it judges nothing.

use proofstand_units::{KilogramSquareMetres, RadPerSec2};

use super::command_scale::{measured, swing};
use super::rows::Row;
use super::traces::{axis, dots};
use super::{Check, Context, Judgement, Need, Step, StepEvidence, too_low_to_move};
use crate::estimate::scale::{BUILDING_UP, build_up};
use crate::metrology::{Budget, Contribution};
use crate::planner::{CannotPlan, ReversalLevel};
use crate::record::model::{Panel, Plot, ResultRow, Series, Verdict};
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
        let mut drawn = Vec::new();
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
                    let missing = build_up(&[&estimate], context.motion.axis.lag);
                    let budget = budget.with(Contribution::rectangular(BUILDING_UP, value * missing));
                    let row = row.shown(
                        &budget,
                        Verdict::Accepted,
                        "measured; what all runs share (command, clock, sensor) cancels between them",
                    );
                    drawn.push((level, value.get(), row.expanded_uncertainty.unwrap_or_default()));
                    row
                }
                Err(why) => row.without(Verdict::Undecided, &why),
            });
        }
        out.plots.extend(plot(&drawn));
        out.notes.push(
            "These are numbers for `proofstand inertia`, not results against a tolerance: accepted means measured."
                .to_owned(),
        );
        out
    }
}

/// A rotor's inertia as a row, with its budget in the form of all others; nothing is judged.
pub(crate) fn inertia_row(budget: &Budget<KilogramSquareMetres>) -> ResultRow {
    Row::number("rotor-inertia", "Rotor's inertia", "kg·m²").shown(budget, Verdict::Accepted, "measured")
}

/// What each level gave: level, acceleration, its expanded uncertainty. None where no level gave any.
fn plot(found: &[(f64, f64, f64)]) -> Option<Plot> {
    found.first()?;
    Some(Plot {
        id: format!("{ID}-levels"),
        title: "Acceleration by the command".to_owned(),
        description: format!(
            "Acceleration by the command at {} levels, in percent of rated torque, with its expanded uncertainty from \
             scatter over the reversals and from torque still building up.",
            found.len()
        ),
        x: axis("Level", "% of rated torque"),
        panels: vec![Panel {
            y: axis("Acceleration", "rad/s²"),
            series: vec![Series {
                uncertainty: found.iter().map(|f| f.2).collect(),
                ..dots("measured, U", found.iter().map(|f| [f.0, f.1]).collect())
            }],
            bands: Vec::new(),
            marks: Vec::new(),
        }],
        lanes: Vec::new(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_level_that_was_measured_is_a_point_with_its_uncertainty() {
        let picture = plot(&[(10.0, 200.0, 1.0), (20.0, 401.0, 2.0)]).unwrap();
        let series = &picture.panels[0].series[0];
        assert_eq!(series.points, [[10.0, 200.0], [20.0, 401.0]]);
        assert_eq!(series.uncertainty, [1.0, 2.0]);
        assert_eq!(plot(&[]), None);
    }

    #[test]
    fn it_has_the_gates_of_the_command_s_scale() {
        let scale = super::super::by_id("command-scale").unwrap();
        assert_eq!(RotorSwing.needs(), scale.needs());
        assert!(super::super::ALL.iter().all(|c| c.id() != ID), "made by name only");
        assert!(super::super::by_id(ID).is_some());
    }
}
