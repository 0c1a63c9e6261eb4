//! A turn by hand as a picture: the counts over time, and where the sheet has them for what a person saw.

use super::{HandTurned, TURNS};
use crate::checks::traces::{axis, curve, index_dots, lane, level_band, mark, not_empty, over_time};
use crate::checks::{Context, Turned};
use crate::record::model::{Panel, Plot};
use crate::sheet::FlagRole;

/// One turn by hand. None without samples.
pub(super) fn plot(context: &Context<'_>, turn: &HandTurned<'_>) -> Option<Plot> {
    let made = turn.made;
    let (origin, first) = made.samples.first().map(|s| (s.at.0, s.position.0))?;
    let points = over_time(&made.samples, origin, |s| (s.position.0 - first) as f64);
    let end = points.last()?[0];
    let per_rev = f64::from(context.motion.axis.counts_per_rev.get());
    let seen = match turn.answer {
        Some(Turned::NotAtAll) => "a person said that it did not turn".to_owned(),
        Some(turned) => format!("a person said {}", turned.word()),
        None => "nobody said which way".to_owned(),
    };
    // Without an answer nothing is expected of the sign: the turns are marked on the side where the counts are.
    let expected =
        turn.as_commanded(context).map(|same| context.count_sign() * if same { 1.0 } else { -1.0 });
    let side = expected.unwrap_or(if turn.moved < 0 { -1.0 } else { 1.0 });
    let whole = |n: u8| {
        let counts = f64::from(n) * per_rev;
        let name = format!("{n} {} by the sheet, {counts:.0} counts", if n == 1 { "turn" } else { "turns" });
        mark(name, side * counts)
    };
    let most = per_rev * (f64::from(TURNS) + 0.5);
    let bands = turn.answer.zip(expected).map(|(answer, sign)| {
        let name = format!("where the sheet has the counts for {}", answer.word());
        level_band(name, [0.0, end], [0.0, sign * most.max(turn.moved.abs() as f64)])
    });
    let torque = context.sheet.flag(FlagRole::TorqueOn).and_then(|flag| lane(flag, made));
    Some(Plot {
        id: format!("hand-turn-{}", turn.name.replace(' ', "-")),
        title: format!("Turned by hand, {}: {seen}", turn.name),
        description: format!(
            "Counts from where the turn began over the time since it was asked for, a point every 5 ms, of a long wait fewer, \
             with each place where the index was met; \
             between neighbours of the same way there must be {per_rev:.0} counts. {}",
            if expected.is_some() {
                "The band is the side on which the sheet has the counts for the way that the person saw."
            } else {
                "No way was told, so that no side is marked as the right one."
            }
        ),
        x: axis("Time", "s"),
        panels: vec![Panel {
            y: axis("Counts from the beginning", "counts"),
            series: not_empty([curve("counts", points), index_dots(made, origin, first)]),
            bands: bands.into_iter().collect(),
            marks: (1..=TURNS).map(whole).collect(),
        }],
        lanes: torque.into_iter().collect(),
    })
}

#[cfg(test)]
mod tests {
    use proofstand_protocol::message::{Event, Sample};
    use proofstand_protocol::units::{Counts, Micros};

    use super::*;
    use crate::checks::tests::with_film_winder;
    use crate::checks::{StepEnding, StepEvidence};
    use crate::fixture::Numbered;
    use crate::record::model::SeriesStyle;

    /// Two and a half turns in 2.5 s, with the index at half a turn and then once a turn.
    fn by_hand(per_rev: i64, sign: i64) -> StepEvidence {
        let samples = (0..=2500_i64).map(|n| Sample {
            at: Micros(1_000_000 + 1000 * n as u64),
            position: Counts(500 + sign * n * per_rev / 1000),
            ..Sample::default()
        });
        let index = [500_i64, 1500, 2500].map(|n| Numbered {
            number: 0,
            at: Micros(1_000_000 + 1000 * n as u64),
            event: Event::Index { position: Counts(500 + sign * n * per_rev / 1000) },
        });
        StepEvidence { samples: samples.collect(), events: index.to_vec(), ..StepEvidence::named("one way") }
    }

    fn drawn(context: &Context<'_>, made: &StepEvidence, answer: StepEnding) -> Plot {
        let asked = StepEvidence { ending: answer, ..StepEvidence::named("one way") };
        let evidence = [made.clone(), asked];
        plot(context, &super::super::turns(context, &evidence)[0]).unwrap()
    }

    #[test]
    fn a_turn_by_hand_is_drawn_with_its_counts_its_index_and_the_side_that_the_answer_asks_for() {
        with_film_winder(|context| {
            let per_rev = i64::from(context.motion.axis.counts_per_rev.get());
            let sign = context.count_sign();
            let seen = Turned::from(context.sheet.direction.positive_command);
            let made = by_hand(per_rev, sign as i64);
            let picture = drawn(context, &made, StepEnding::Answered(seen));
            let panel = &picture.panels[0];
            let (counts, index) = (&panel.series[0], &panel.series[1]);
            // 2.5 s with a point every 5 ms, both ends.
            assert_eq!(counts.points.len(), 501);
            assert_eq!(counts.points.last().unwrap(), &[2.5, sign * 2.5 * per_rev as f64]);
            assert_eq!(index.style, SeriesStyle::Points);
            let met: Vec<f64> = index.points.iter().map(|p| p[1]).collect();
            assert_eq!(met, [0.5, 1.5, 2.5].map(|turns| sign * turns * per_rev as f64));
            let marks: Vec<f64> = panel.marks.iter().map(|m| m.y).collect();
            assert_eq!(marks, [sign * per_rev as f64, sign * 2.0 * per_rev as f64]);
            assert!(panel.marks[0].name.contains(&per_rev.to_string()), "{}", panel.marks[0].name);
            assert!(panel.bands[0].name.ends_with(seen.word()), "{}", panel.bands[0].name);
            let [_, low, high] = panel.bands[0].points[0];
            assert!(
                counts.points.iter().all(|p| (low..=high).contains(&p[1])),
                "the right way lies in the band"
            );
        });
    }

    #[test]
    fn counts_that_ran_the_wrong_way_are_drawn_outside_the_band() {
        with_film_winder(|context| {
            let per_rev = i64::from(context.motion.axis.counts_per_rev.get());
            let seen = Turned::from(context.sheet.direction.positive_command);
            let made = by_hand(per_rev, -context.count_sign() as i64);
            let picture = drawn(context, &made, StepEnding::Answered(seen));
            let panel = &picture.panels[0];
            let [_, low, high] = panel.bands[0].points[0];
            assert!(panel.series[0].points[1..].iter().all(|p| p[1] < low || p[1] > high));
        });
    }

    #[test]
    fn a_turn_of_which_nobody_said_the_way_has_no_side_that_is_right() {
        with_film_winder(|context| {
            let per_rev = i64::from(context.motion.axis.counts_per_rev.get());
            let picture = drawn(context, &by_hand(per_rev, 1), StepEnding::Unanswered);
            assert_eq!(picture.panels[0].bands, []);
            assert!(picture.title.contains("nobody said"), "{}", picture.title);
        });
    }

    #[test]
    fn a_turn_without_samples_has_no_picture() {
        with_film_winder(|context| {
            let evidence = [StepEvidence::named("one way")];
            assert_eq!(plot(context, &super::super::turns(context, &evidence)[0]), None);
        });
    }
}
