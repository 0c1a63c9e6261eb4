//! What the records of one direction say, each by itself.

use proofstand_protocol::message::{Sample, State};
use proofstand_protocol::units::Micros;
use proofstand_units::{Percent, Rpm, Seconds};

use super::loop_at;
use crate::checks::enable_rest::contact_opened;
use crate::checks::{Context, StepEvidence};
use crate::estimate::release::{After, Follows, Question, Release, release};
use crate::sheet::{BrakeDriver, CommandPair};

/// Samples that may be missing: what is not there is not where it matters, with this few (common practice, no source).
const MOST_LOST: f64 = 0.05;

/// A shaft that follows by more than this share of what it did is under torque; one without torque follows by nothing.
pub(super) const FOLLOWS: Percent = Percent::new(50.0);

/// What one record says.
pub(super) struct Released<'a> {
    /// The record.
    pub(super) made: &'a StepEvidence,
    /// What it says.
    pub(super) release: Release,
    /// When the contact opened.
    pub(super) opened: Micros,
}

impl Released<'_> {
    /// Whether the shaft went on following the command.
    pub(super) fn follows(&self) -> bool {
        match self.release.after {
            After::Stands(_) => false,
            After::Follows(share, ..) => 100.0 * share >= FOLLOWS.get(),
        }
    }

    /// Since when the shaft stands, if it does, after the opening.
    pub(super) fn stood(&self) -> Option<Seconds> {
        match self.release.after {
            After::Stands(since) => Some(Seconds::new(since.0.saturating_sub(self.opened.0) as f64 * 1e-6)),
            After::Follows(..) => None,
        }
    }
}

/// Whether samples are missing while a command stood: what was commanded then is not known, and where the shaft should be
/// follows from all of it.
fn has_a_gap(made: &StepEvidence) -> bool {
    let kept = |s: &Sample| s.state == State::Live || s.state == State::Opened;
    made.samples.windows(2).any(|two| kept(&two[1]) && two[1].sequence.wrapping_sub(two[0].sequence) > 1)
}

/// Whether each of them was made to its end, and of each samples are missing.
pub(super) fn none_is_whole(made: &[&StepEvidence]) -> bool {
    !made.is_empty() && made.iter().all(|made| made.trip().is_none() && has_a_gap(made))
}

/// What the records of one direction say, those that say anything; otherwise why the first says nothing. One with a gap
/// counts only where all of them have one, or where it shows that the shaft follows: that is not made good by another time.
pub(super) fn released<'a>(
    context: &Context<'_>,
    made: &[&'a StepEvidence],
) -> Result<Vec<Released<'a>>, String> {
    let any_whole = made.iter().any(|made| !has_a_gap(made));
    let all: Vec<Result<Released<'a>, String>> = made
        .iter()
        .map(|made| of_one(context, made))
        .filter(|one| match one {
            Ok(one) => !any_whole || one.follows() || !has_a_gap(one.made),
            Err(_) => true,
        })
        .collect();
    if all.iter().any(Result::is_ok) {
        return Ok(all.into_iter().flatten().collect());
    }
    all.into_iter().find_map(Result::err).map_or_else(|| Ok(Vec::new()), Err)
}

fn of_one<'a>(context: &Context<'_>, made: &'a StepEvidence) -> Result<Released<'a>, String> {
    let opened = contact_opened(made).ok_or("the enable contact was not seen to open")?;
    let share = f64::from(made.lost) / (made.samples.len() as f64 + f64::from(made.lost)).max(1.0);
    if share > MOST_LOST {
        return Err(format!(
            "the cable lost {:.0} % of the samples, too many to tell when torque went: look at cable and plug, test again",
            100.0 * share
        ));
    }
    // From the first time up on.
    let going = 1..=loop_at(context) + 1;
    let from = made.samples.iter().position(|s| going.contains(&s.segment));
    let kept = |s: &&Sample| s.state == State::Live || s.state == State::Opened;
    let samples: Vec<Sample> =
        made.samples.iter().skip(from.unwrap_or(usize::MAX)).take_while(kept).copied().collect();
    let to = samples.last().map(|s| s.at).ok_or("nothing was commanded")?;
    let limit = context.sheet.tolerances.enable_off.value;
    let after = |time: Seconds| Micros(opened.0.saturating_add((time.get() * 1e6) as u64));
    let question = Question {
        follows: match context.sheet.command.pair {
            CommandPair::Torque { .. } => Follows::Torque,
            CommandPair::Speed { .. } => Follows::Speed,
        },
        opened,
        gone_after: limit,
        to,
        // A holding brake closes some time after torque is gone and stops the shaft: that is another moment.
        moment_to: if context.sheet.enable.brake == BrakeDriver::None { to } else { after(limit) },
    };
    let release =
        release(&samples, context.motion.axis.counts_per_rev, &question).map_err(|e| e.to_string())?;
    Ok(Released { made, release, opened })
}

/// Time from the opening to rest, and what friction at its bound would take for it; none where it stood before.
pub(super) fn came_to_rest(context: &Context<'_>, one: &Released<'_>) -> Option<(f64, f64)> {
    let Released { made, opened, .. } = one;
    let last = made.samples.last()?;
    let stood =
        made.samples.iter().rev().take_while(|s| (s.position.0 - last.position.0).abs() <= 1).last()?;
    let speed = made.samples.iter().rev().find(|s| s.at <= *opened).map_or(0, |s| s.speed.0);
    let took = stood.at.0.saturating_sub(opened.0) as f64 * 1e-6;
    let axis = &context.motion.axis;
    // Friction at its bound, as soon as torque may be gone.
    let by_friction = Rpm::new(f64::from(speed.abs()) * 1e-3).to_rad_per_sec().get() * axis.inertia.get()
        / axis.friction().get();
    (speed != 0).then_some((took, by_friction))
}

/// Share of the time that friction at its bound takes. A shaft that obeys takes longer than that: its friction is below the
/// bound, and at the opening it is asked for more speed.
const SOONER: f64 = 0.7;

/// The same, where it came to rest well before that: until it is gone torque may brake too, but not so much.
pub(super) fn sooner_than_by_friction(context: &Context<'_>, one: &Released<'_>) -> Option<(f64, f64)> {
    came_to_rest(context, one).filter(|(took, by_friction)| *took < SOONER * by_friction)
}
