//! What the shaft did at each setting of the switches.

use proofstand_protocol::message::Contacts;
use proofstand_protocol::units::Micros;
use proofstand_units::Rpm;

use super::{BACK, EACH, RUNS, SETTINGS, Setting, Switches, TURN_RPM, TURNS, contacts, order};
use crate::checks::rows::Row;
use crate::checks::traces::{quiet_plot, state_lane};
use crate::checks::{ActWhat, Context, Judgement, StepEvidence};
use crate::estimate::speed;
use crate::estimate::track::between;
use crate::fixture::trip_in_words;
use crate::record::model::{Lane, ResultRow, Verdict};
use crate::sheet::{Handling, InputRole};

/// Slower than this share of what is asked for, the shaft is being stopped; faster, it goes on. What stops a shaft brings it to
/// zero; what does not leaves a held speed that recovers within the time looked at.
const GOES_ON: f64 = 0.7;
const STOPS: f64 = 0.3;
/// Of a setting's time so much must be there for anything to be said of it; and so much for a shaft that neither stops nor
/// goes on in it: one that had less, since the cable lost the order, may be slowing down still.
const SOME: f64 = 0.6;
const NEARLY_ALL: f64 = 0.9;
/// The end of each setting's time is looked at.
const LOOK_US: u64 = 80_000;

/// What the shaft does.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Does {
    GoesOn,
    Stops,
    Neither,
}

impl Does {
    const fn words(self) -> &'static str {
        match self {
            Self::GoesOn => "goes on",
            Self::Stops => "stops",
            Self::Neither => "slows down",
        }
    }

    fn of(share: f64) -> Self {
        if share >= GOES_ON {
            Self::GoesOn
        } else if share.abs() <= STOPS {
            Self::Stops
        } else {
            Self::Neither
        }
    }
}

pub(super) fn judge(context: &Context<'_>, evidence: &[StepEvidence]) -> Judgement {
    let mut out = Judgement::default();
    for (name, sign) in RUNS {
        let Some(made) = evidence.iter().find(|e| e.name == name) else { continue };
        let switches = Switches::turning(context.sheet, sign > 0.0);
        for setting in SETTINGS.into_iter().filter(|s| switches.can_be(*s)) {
            out.results.push(one(context, switches, name, sign, setting, made));
        }
        if switches.ahead == Some(Handling::Obeyed) {
            out.results.push(way_back(context, name, sign, made));
        }
        let way = context.way(Rpm::new(sign * context.count_sign()));
        out.plots.extend(quiet_plot(
            &format!("end-switches-{name}"),
            &format!("End switches worked while turning {way}"),
            "Speed over time while the shaft is held at a slow speed and the contacts that stand in for the end switches \
             open and close.",
            made,
            lanes(context, made),
        ));
    }
    let switches = Switches::turning(context.sheet, true);
    if switches.any(Handling::Ignored) {
        out.notes.push(
            "The rest of this acceptance was made with the inputs that are to be ignored as they are delivered."
                .to_owned(),
        );
    }
    if switches.any(Handling::Obeyed) {
        out.notes.push(
            "The rest of this acceptance was made with each switch that is obeyed in the state that lets the axis move."
                .to_owned(),
        );
    }
    out
}

/// When each setting of the contacts was in force in a run; from the order asked for. Settings that come twice have two
/// stretches.
fn stretches(context: &Context<'_>, made: &StepEvidence, forward: bool) -> Vec<(Setting, Micros, Micros)> {
    let end = made.segment_samples(TURNS).last().map_or(Micros(0), |s| s.at);
    let set: Vec<(Micros, Micros, Contacts)> = made
        .acts
        .iter()
        .filter_map(|act| match act.what {
            // Asked again, since the cable lost it, it was in force only later.
            ActWhat::Contacts(contacts) => Some((act, contacts)),
            _ => None,
        })
        .map(|(act, contacts)| (act.after, Micros(act.after.0.saturating_add(act.took.0)), contacts))
        .collect();
    order()
        .into_iter()
        .zip(&set)
        .enumerate()
        .filter(|(_, (setting, (_, _, done)))| contacts(context.sheet, *setting, forward) == *done)
        .map(|(n, (setting, (_, from, _)))| {
            let until = (n + 1 < order().len()).then(|| set.get(n + 1).map(|(at, _, _)| *at)).flatten();
            (setting, *from, until.unwrap_or(end).min(end))
        })
        .collect()
}

/// Mean speed at the end of a stretch, as a share of what was asked for.
fn share(context: &Context<'_>, made: &StepEvidence, sign: f64, to: Micros) -> Option<f64> {
    let from = Micros(to.0.saturating_sub(LOOK_US));
    let look = between(&made.samples, from, Micros(to.0 + 1));
    let mean = speed::speed(look, context.motion.axis.counts_per_rev).ok()?;
    Some(mean.speed.get() * sign * context.count_sign() / TURN_RPM)
}

/// What an amplifier that does as the sheet says would do.
fn wanted(switches: Switches, setting: Setting) -> Does {
    if switches.stop(setting) { Does::Stops } else { Does::GoesOn }
}

fn one(
    context: &Context<'_>,
    switches: Switches,
    name: &str,
    sign: f64,
    setting: Setting,
    made: &StepEvidence,
) -> ResultRow {
    let wanted = wanted(switches, setting);
    let row = Row::text(
        &format!("end-switches.{name}.{}", setting.slug),
        &format!("Turning {name}, {}", setting.words),
        wanted.words(),
    );
    let stretches = stretches(context, made, sign > 0.0);
    // The contacts need the time of an act, and the shaft some of its own.
    let part = |from: Micros, to: Micros| to.0.saturating_sub(from.0) as f64 / (EACH.get() * 1e6);
    let looked_at: Vec<(f64, f64)> = stretches
        .iter()
        .filter(|(s, from, to)| *s == setting && part(*from, *to) >= SOME)
        .filter_map(|(_, from, to)| Some((share(context, made, sign, *to)?, part(*from, *to))))
        .collect();
    let seen: Vec<f64> = looked_at.iter().map(|(share, _)| *share).collect();
    if seen.is_empty() {
        let why = match made.trip() {
            Some(trip) => format!("the run ended before: {}", trip_in_words(trip)),
            None => "the run did not come to it".to_owned(),
        };
        return row.without(Verdict::Undecided, &why);
    }
    let did: Vec<Does> = seen.iter().map(|share| Does::of(*share)).collect();
    let Some(first) = did.first().copied() else { return row.without(Verdict::NotDone, "nothing was seen") };
    let worst = did.iter().copied().find(|d| *d != wanted).unwrap_or(first);
    let percent = seen.iter().map(|s| format!("{:.0} %", s * 100.0)).collect::<Vec<_>>().join(" and ");
    let sentence = format!("held at {percent} of the speed asked for");
    let between = |(share, part): &(f64, f64)| Does::of(*share) == Does::Neither && *part < NEARLY_ALL;
    if worst == Does::Neither && looked_at.iter().any(between) {
        return row.is(
            worst.words(),
            Verdict::Undecided,
            &format!("{sentence}, and looked at for a shorter time than planned, since the cable lost orders: test again"),
        );
    }
    let verdict = if worst == wanted { Verdict::Accepted } else { Verdict::Rejected };
    row.is(worst.words(), verdict, &sentence)
}

/// With the switch ahead still tripped, the shaft turns the other way.
fn way_back(context: &Context<'_>, name: &str, sign: f64, made: &StepEvidence) -> ResultRow {
    let row = Row::text(
        &format!("end-switches.{name}.back"),
        &format!("Back off the tripped switch, after turning {name}"),
        Does::GoesOn.words(),
    );
    let end = made.segment_samples(BACK).last().map(|s| s.at);
    let Some(share) = end.and_then(|end| share(context, made, -sign, end)) else {
        return row.without(Verdict::Undecided, "the run did not come to it");
    };
    let does = Does::of(share);
    let verdict = if does == Does::GoesOn { Verdict::Accepted } else { Verdict::Rejected };
    row.is(does.words(), verdict, &format!("held at {:.0} % of the speed asked for", share * 100.0))
}

/// The two contacts over time.
fn lanes(context: &Context<'_>, made: &StepEvidence) -> Vec<Lane> {
    let start = super::as_delivered(context.sheet);
    let of = |role: InputRole, pick: fn(&Contacts) -> bool| {
        context.sheet.input(role)?;
        let changes: Vec<(Micros, bool)> = made
            .acts
            .iter()
            .filter_map(|act| match act.what {
                ActWhat::Contacts(contacts) => Some((act.after, pick(&contacts))),
                _ => None,
            })
            .collect();
        state_lane(role.words(), pick(&start), &changes, ("closed", "open"), made)
    };
    [of(InputRole::EndSwitchPositive, |c| c.end_plus), of(InputRole::EndSwitchNegative, |c| c.end_minus)]
        .into_iter()
        .flatten()
        .collect()
}
