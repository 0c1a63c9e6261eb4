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

#[test]
fn the_friction_that_is_noted_is_the_shaft_s_own_at_every_level() {
    // The shaft's friction is known: that of the sheet, alike both ways (the equations of the reversal, closed form).
    with_film_winder(|context| {
        let judged = CommandScale.judge(context, &swings(context));
        let axis = &context.motion.axis;
        let truth = 100.0 * axis.running_friction.get() / context.sheet.motor.rated_torque.get();
        let note = judged.notes.iter().find(|n| n.starts_with("Friction found beside it")).unwrap();
        assert!(note.contains("It assumes friction alike both ways"), "{note}");
        let number = |text: &str| text.trim().trim_end_matches(" %").parse::<f64>().unwrap();
        let mut seen = 0;
        for level in note.split_once(": ").unwrap().1.split(" rpm)").filter(|l| l.contains('±')) {
            let (value, rest) = level.trim_start_matches([',', ' ']).split_once('±').unwrap();
            let (value, u) = (number(value), number(rest.split_once("(k").unwrap().0));
            // Both are rounded to a hundredth of a percent.
            assert!(truth > 0.5 && (value - truth).abs() <= u + 0.01, "{level}: {truth}");
            assert!(u < 0.5 * truth + 0.2, "{level}");
            seen += 1;
        }
        assert_eq!(seen, levels(context).len(), "{note}");
    });
}
