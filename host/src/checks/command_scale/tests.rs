//! What the judge makes of swings whose shaft is known.

use super::*;
use crate::checks::StepEnding;
use crate::checks::tests::with_film_winder;
use crate::estimate::synthetic::{Motor, reversals};
use crate::record::model::Verdict;

/// Each level's swings as the sheet's own axis makes them.
fn swings(context: &Context<'_>) -> Vec<StepEvidence> {
    let axis = &context.motion.axis;
    let motor = Motor {
        inertia: axis.inertia.get(),
        gain: axis.torque_per_volt().get(),
        offset: 0.0,
        coulomb: axis.running_friction.get(),
        viscous: 0.0,
        lag: axis.lag.get(),
    };
    let made = |(name, plan): (&'static str, &ReversalLevel)| {
        let halves = 2 * plan.cycles + RUN_IN;
        let turn_round = plan.turn_round.to_rad_per_sec().get();
        let mut samples = reversals(motor, plan.command.get(), turn_round, halves, axis.counts_per_rev);
        for sample in &mut samples {
            sample.position.0 *= context.count_sign() as i64;
        }
        StepEvidence { samples, ..StepEvidence::named(name) }
    };
    levels(context).into_iter().map(made).collect()
}

#[test]
fn swings_that_did_not_come_to_their_end_are_no_point_of_the_line() {
    with_film_winder(|context| {
        let verdict =
            |judged: &Judgement, id: &str| judged.results.iter().find(|r| r.id == id).map(|r| r.verdict);
        let mut made = swings(context);
        let finished = CommandScale.judge(context, &made);
        assert_eq!(
            verdict(&finished, "command-scale.gain"),
            Some(Verdict::Accepted),
            "{:#?}",
            finished.results
        );
        assert_eq!(verdict(&finished, "command-scale.level-10"), None);
        made[1].ending = StepEnding::TimedOut { slot: 4 };
        let cut = CommandScale.judge(context, &made);
        assert_eq!(verdict(&cut, "command-scale.level-10"), Some(Verdict::Undecided), "{:#?}", cut.results);
        assert_eq!(verdict(&cut, "command-scale.gain"), Some(Verdict::Accepted), "three levels are left");
        made[2].ending = StepEnding::TimedOut { slot: 4 };
        let short = CommandScale.judge(context, &made);
        assert_eq!(verdict(&short, "command-scale.gain"), Some(Verdict::Undecided), "{:#?}", short.results);
    });
}
