//! Letting go as a picture: the command and the way over time.

use proofstand_units::Volts;

use super::{STILL_DEGREES, let_go_sample, ramps};
use crate::checks::traces::{
    axis, commanded, curve, dots, level_band, mark, not_empty, over_time, seconds_since,
};
use crate::checks::{Context, StepEvidence};
use crate::record::model::{Panel, Plot};

/// The whole step. None without samples.
pub(super) fn plot(context: &Context<'_>, made: &StepEvidence) -> Option<Plot> {
    let (origin, first) = made.samples.first().map(|s| (s.at.0, s.position.0))?;
    let per_rev = f64::from(context.motion.axis.counts_per_rev.get());
    let degrees = |position: i64| (position - first) as f64 * 360.0 / per_rev;
    let let_go = |sign: f64| -> Vec<[f64; 2]> {
        let found =
            ramps().filter(|(_, s)| *s == sign).filter_map(|(slot, _)| let_go_sample(context, made, slot));
        found.map(|s| [seconds_since(origin, s.at), commanded(s)]).collect()
    };
    let (forward, reverse) = (let_go(1.0), let_go(-1.0));
    let bound = context.motion.axis.breakaway;
    let volts: Volts = context.motion.axis.volts_for(bound);
    let marks = [1.0, -1.0].map(|sign: f64| {
        mark(format!("sheet's bound for friction, {:.1} % of rated", bound.get()), sign * volts.get())
    });
    let rest = made.segment_start(1).or_else(|| made.samples.last().map(|s| s.at))?;
    let still = level_band(
        format!("still at 0 V: ±{STILL_DEGREES:.0}°"),
        [0.0, seconds_since(origin, rest)],
        [-STILL_DEGREES, STILL_DEGREES],
    );
    let times = forward.len() + reverse.len();
    Some(Plot {
        id: "creep-let-go".to_owned(),
        title: "The command at which the shaft lets go".to_owned(),
        description: format!(
            "Command over time, rising from 0 V again and again, first positive, then negative, with the {times} times at \
             which the shaft had let go and the sheet's bound for friction; beneath, how far the shaft was from where it \
             stood. A point every 5 ms."
        ),
        x: axis("Time", "s"),
        panels: vec![
            Panel {
                y: axis("Command", "V"),
                series: not_empty([
                    curve("command", over_time(&made.samples, origin, commanded)),
                    dots("lets go, positive", forward),
                    dots("lets go, negative", reverse),
                ]),
                bands: Vec::new(),
                marks: marks.to_vec(),
            },
            Panel {
                y: axis("Way", "°"),
                series: vec![curve(
                    "way from counts",
                    over_time(&made.samples, origin, |s| degrees(s.position.0)),
                )],
                bands: vec![still],
                marks: Vec::new(),
            },
        ],
        lanes: Vec::new(),
    })
}

#[cfg(test)]
mod tests {
    use super::super::TIMES;
    use super::super::tests::{EASILY, let_go};
    use super::*;
    use crate::checks::tests::with_film_winder;

    #[test]
    fn each_time_the_shaft_let_go_is_a_point_on_the_command_beside_the_sheet_s_bound() {
        with_film_winder(|context| {
            let made = let_go(context, 0, EASILY);
            let picture = plot(context, &made).unwrap();
            let command = &picture.panels[0];
            let volts = |n: usize| command.series[n].points.iter().map(|p| p[1]).collect::<Vec<_>>();
            // Every ramp lets go after 100 ms at 2 mV a millisecond.
            assert_eq!(volts(1), [0.2; TIMES as usize]);
            assert_eq!(volts(2), [-0.2; TIMES as usize]);
            let bound = context.motion.axis.breakaway.get() / context.motion.axis.gain.get();
            let marks: Vec<f64> = command.marks.iter().map(|m| m.y).collect();
            assert!((marks[0] - bound).abs() < 1e-9 && (marks[1] + bound).abs() < 1e-9, "{marks:?}");
            let still = &picture.panels[1].bands[0];
            assert_eq!(
                still.points,
                [[0.0, -STILL_DEGREES, STILL_DEGREES], [0.15, -STILL_DEGREES, STILL_DEGREES]]
            );
        });
    }

    #[test]
    fn a_shaft_that_never_let_go_is_drawn_without_a_point_and_the_words_say_none() {
        with_film_winder(|context| {
            let mut made = let_go(context, 0, EASILY);
            for sample in &mut made.samples {
                sample.position = proofstand_protocol::units::Counts(0);
            }
            let picture = plot(context, &made).unwrap();
            assert_eq!(picture.panels[0].series.len(), 1, "only the command");
            assert!(picture.description.contains("the 0 times"), "{}", picture.description);
        });
    }
}
