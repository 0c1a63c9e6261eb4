//! What does the axis do at 0 V, before anything larger is commanded?
//!
//! A speed command lets the shaft drift by its offset. A torque command is held by friction: the commands at which the
//! shaft breaks away either way tell the offset, roughly, and the friction.

mod drift;
mod let_go;

use super::rows::Row;
use super::{Check, Context, Judgement, Need, Step, StepEvidence};
use crate::planner::CannotPlan;
use crate::record::model::{ResultRow, Verdict};

/// The check.
pub(super) struct Creep;

/// Its only step.
const STEP: &str = "creep";

/// It moved, and then no more although it was driven on. What that means the nudge tells.
fn sticks() -> ResultRow {
    Row::text("creep.moves", "The shaft lets go each time", "lets go").is(
        "sticks",
        Verdict::Undecided,
        "it moved, then no count came although it was driven on",
    )
}

impl Check for Creep {
    fn id(&self) -> &'static str {
        "creep"
    }

    fn title(&self) -> &'static str {
        "At 0 V: drift, or what it takes to break away"
    }

    fn shows(&self) -> &'static str {
        "With a speed command: how fast the shaft drifts at 0 V, and which command would null it. With a torque command: \
         at which command it breaks away either way; their mean is a coarse offset, half their difference the friction."
    }

    fn needs(&self) -> &'static [Need] {
        &[super::PAIRS_DRIVEN]
    }

    fn plan(&self, context: &Context<'_>) -> Result<Vec<Step>, CannotPlan> {
        Ok(vec![match context.motion.hold.speed_command() {
            Some(drive) => drift::step(context, &drive),
            None => let_go::step(context),
        }])
    }

    fn judge(&self, context: &Context<'_>, evidence: &[StepEvidence]) -> Judgement {
        let Some(made) = evidence.iter().find(|e| e.name == STEP) else { return Judgement::default() };
        match context.motion.hold.speed_command() {
            Some(drive) => drift::judge(context, &drive, made),
            None => let_go::judge(context, made),
        }
    }
}
