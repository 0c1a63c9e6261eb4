//! The first motion as a picture: command, counts and speed over time, within what the fixture lets through.

use proofstand_protocol::message::Sample;
use proofstand_units::Volts;

use super::{RAMP_AT, RELEASED, TURNS, limits};
use crate::checks::enable_rest::enable_lane;
use crate::checks::traces::{
    axis, commanded, curve, dots, index_dots, lane, level_band, mark, not_empty, over_time, seconds_since,
};
use crate::checks::{Context, StepEvidence};
use crate::planner::CRAWL_RPM;
use crate::record::model::{Panel, Plot};
use crate::sheet::FlagRole;

/// One such motion. None without samples.
pub(super) fn plot(context: &Context<'_>, made: &StepEvidence) -> Option<Plot> {
    let (origin, first) = made.samples.first().map(|s| (s.at.0, s.position.0))?;
    let end = seconds_since(origin, made.samples.last()?.at);
    let sign = context.count_sign();
    let limits = limits(context);
    let most = f64::from(limits.command.0) / 1e6;
    let travel = limits.travel.0 as f64;
    let wrong = limits.wrong_way.0 as f64;
    let trip = f64::from(limits.trip_speed.0) / 1e3;
    let asked = TURNS * f64::from(context.motion.axis.counts_per_rev.get());
    let broke: Vec<[f64; 2]> = breaks_away(context, made)
        .map(|s| [seconds_since(origin, s.at), f64::from(s.readback.0) / 1e6])
        .into_iter()
        .collect();
    let moved = broke.first().map_or_else(
        || "the shaft did not begin to move".to_owned(),
        |[_, volts]| format!("the shaft began to move at {volts:+.3} V"),
    );
    let released = made.name == RELEASED;
    let lanes = enable_lane(made)
        .into_iter()
        .chain(context.sheet.flag(FlagRole::TorqueOn).and_then(|flag| lane(flag, made)))
        .collect();
    Some(Plot {
        id: if released { "nudge-released" } else { "nudge" }.to_owned(),
        title: format!("First motion{}", if released { ", end switches released" } else { "" }),
        description: format!(
            "Command, counts and speed over time, a point every 5 ms; {moved}. The bands are what the fixture lets through: \
             ±{most:.2} V, {wrong:.0} counts against the sheet's sign and {travel:.0} in all, {trip:.0} rpm; beyond them it \
             trips."
        ),
        x: axis("Time", "s"),
        panels: vec![
            Panel {
                y: axis("Command", "V"),
                series: not_empty([
                    curve("command", over_time(&made.samples, origin, commanded)),
                    dots("begins to move, read back", broke),
                ]),
                bands: vec![level_band("let through by the fixture", [0.0, end], [-most, most])],
                marks: vec![mark(
                    format!("ramp to {:.2} V", context.motion.nudge_command.get()),
                    context.motion.nudge_command.get(),
                )],
            },
            Panel {
                y: axis("Counts from the beginning", "counts"),
                series: not_empty([
                    curve("counts", over_time(&made.samples, origin, |s| (s.position.0 - first) as f64)),
                    index_dots(made, origin, first),
                ]),
                bands: vec![level_band("let through", [0.0, end], [-sign * wrong, sign * travel])],
                marks: vec![mark(format!("{TURNS} turns asked for, {asked:.0} counts"), sign * asked)],
            },
            Panel {
                y: axis("Speed", "rpm"),
                series: vec![curve(
                    "speed from counts",
                    over_time(&made.samples, origin, |s| f64::from(s.speed.0) / 1e3),
                )],
                bands: vec![level_band("let through", [0.0, end], [-trip, trip])],
                marks: vec![mark(format!("{CRAWL_RPM:.0} rpm asked for"), sign * CRAWL_RPM)],
            },
        ],
        lanes,
    })
}

/// The command at which the shaft began to move.
pub(super) fn breakaway(context: &Context<'_>, made: &StepEvidence) -> Option<Volts> {
    breaks_away(context, made).map(|s| Volts::new(f64::from(s.readback.0) / 1e6))
}

/// The sample in which the shaft had begun to move.
fn breaks_away<'a>(context: &Context<'_>, made: &'a StepEvidence) -> Option<&'a Sample> {
    let start = made.segment_samples(RAMP_AT).next()?.position.0;
    let moved = i64::from(context.motion.axis.counts_per_rev.get() / 400).max(2);
    made.segment_samples(RAMP_AT).find(|s| (s.position.0 - start).abs() >= moved)
}

#[cfg(test)]
mod tests {
    use proofstand_protocol::message::Event;
    use proofstand_protocol::units::{Counts, Micros, Microvolts, MilliRpm};

    use super::super::STEP;
    use super::*;
    use crate::checks::tests::with_film_winder;
    use crate::fixture::Numbered;

    /// A ramp of 1 mV a millisecond; the shaft stands for 200 ms and then makes a hundredth of a turn each millisecond.
    fn ramped(context: &Context<'_>, moves: bool) -> StepEvidence {
        let per_rev = i64::from(context.motion.axis.counts_per_rev.get());
        let sign = context.count_sign() as i64;
        let samples: Vec<Sample> = (0..300_i64)
            .map(|n| Sample {
                at: Micros(1000 * n as u64),
                position: Counts(if moves { sign * (n - 200).max(0) * per_rev / 100 } else { 0 }),
                speed: MilliRpm(0),
                command: Microvolts(1000 * n as i32),
                readback: Microvolts(1000 * n as i32 + 500),
                segment: RAMP_AT,
                ..Sample::default()
            })
            .collect();
        let met = Numbered {
            number: 0,
            at: samples[250].at,
            event: Event::Index { position: samples[250].position },
        };
        let events = if moves { vec![met] } else { Vec::new() };
        StepEvidence { samples, events, ..StepEvidence::named(STEP) }
    }

    #[test]
    fn the_first_motion_is_drawn_with_where_it_began_and_within_the_fixture_s_limits() {
        with_film_winder(|context| {
            let picture = plot(context, &ramped(context, true)).unwrap();
            let [command, counts, speed] = &picture.panels[..] else { panic!("{:?}", picture.panels) };
            // 300 samples a millisecond apart: every fifth, and the last.
            assert_eq!(command.series[0].points.len(), 61);
            assert_eq!(command.series[1].points, [[0.201, 0.2015]]);
            assert!(picture.description.contains(&format!("{:+.3} V", 0.2015)), "{}", picture.description);
            let per_rev = f64::from(context.motion.axis.counts_per_rev.get());
            let sign = context.count_sign();
            assert_eq!(counts.series[1].points, [[0.25, sign * 0.5 * per_rev]]);
            assert_eq!(counts.marks[0].y, sign * 1.2 * per_rev);
            let limits = limits(context);
            let travel = limits.travel.0 as f64;
            let [_, low, high] = counts.bands[0].points[0];
            assert!(if sign > 0.0 { high == travel } else { low == -travel }, "{low} {high}");
            let trip = f64::from(limits.trip_speed.0) / 1e3;
            assert_eq!(speed.bands[0].points[0], [0.0, -trip, trip]);
        });
    }

    #[test]
    fn a_shaft_that_stood_has_no_point_at_which_it_began_and_the_words_say_so() {
        with_film_winder(|context| {
            let picture = plot(context, &ramped(context, false)).unwrap();
            assert_eq!(picture.panels[0].series.len(), 1, "only the command");
            assert!(picture.description.contains("did not begin to move"), "{}", picture.description);
        });
    }
}
