//! The picture of a check that did not come to what it draws otherwise.

use super::enable_rest::enable_lane;
use super::traces::{lane, quiet_plot};
use super::{Context, StepEvidence};
use crate::record::model::Plot;

/// What the last step with samples recorded: speed or way over time, enable and the flags.
///
/// # Errors
/// In words for the reader, why there is nothing to draw.
pub(crate) fn recorded(
    context: &Context<'_>,
    check: &str,
    evidence: &[StepEvidence],
) -> Result<Plot, String> {
    let nothing = |why: &str| format!("There is no picture of it: {why}.");
    let Some(last) = evidence.last() else { return Err(nothing("no step was made")) };
    let made = evidence.iter().rev().find(|e| !e.samples.is_empty());
    let plot = made.and_then(|made| {
        let flags = context.sheet.flags.iter().filter_map(|flag| lane(flag, made));
        quiet_plot(
            &format!("{check}-recorded"),
            "What was recorded of it",
            &format!(
                "The check did not come to what it draws otherwise. Its step \"{}\" {}. Speed over its time, or the way where \
                 nothing turns, with enable and the flags.",
                made.name,
                made.ended_in_words()
            ),
            made,
            enable_lane(made).into_iter().chain(flags).collect(),
        )
    });
    plot.ok_or_else(|| nothing(&format!("no sample came; last step: {}", last.ended_in_words())))
}

#[cfg(test)]
mod tests {
    use proofstand_protocol::message::Sample;
    use proofstand_protocol::units::{Counts, Micros, MilliRpm};

    use super::*;
    use crate::checks::StepEnding;
    use crate::checks::tests::with_film_winder;

    #[test]
    fn a_check_that_drew_nothing_shows_the_speed_that_it_recorded_and_how_it_ended() {
        with_film_winder(|context| {
            let sample = |n: u32| Sample {
                at: Micros(1000 * u64::from(n)),
                position: Counts(i64::from(n)),
                speed: MilliRpm(60_000),
                ..Sample::default()
            };
            let made = StepEvidence {
                samples: (0..500).map(sample).collect(),
                ending: StepEnding::TimedOut { slot: 0 },
                ..StepEvidence::named("slow forward")
            };
            let plot = recorded(context, "line-count-slow", &[made, StepEvidence::named("second")]).unwrap();
            assert_eq!(plot.id, "line-count-slow-recorded");
            let series = &plot.panels[0].series[0];
            assert_eq!((series.points.len(), series.points[499]), (500, [0.499, 60.0]));
            assert!(
                plot.description.contains("\"slow forward\" timed out in segment 0"),
                "{}",
                plot.description
            );
            assert_eq!(plot.lanes.len(), 1 + context.sheet.flags.len());
        });
    }

    #[test]
    fn a_check_without_a_sample_says_so_in_place_of_a_picture() {
        with_film_winder(|context| {
            let none = |evidence: &[StepEvidence]| recorded(context, "nudge", evidence).unwrap_err();
            assert_eq!(none(&[]), "There is no picture of it: no step was made.");
            let unanswered = StepEvidence { ending: StepEnding::Unanswered, ..StepEvidence::named("nudge") };
            assert_eq!(
                none(&[unanswered]),
                "There is no picture of it: no sample came; last step: not answered."
            );
        });
    }
}
