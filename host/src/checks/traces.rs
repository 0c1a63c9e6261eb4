//! Pictures that several checks share.

use proofstand_protocol::message::Sample;
use proofstand_protocol::units::Micros;
use proofstand_units::Rpm;

use super::evidence::{flag_events, index_events};
use super::{Context, StepEvidence};
use crate::record::model::{Band, Lane, Mark, Panel, Plot, PlotAxis, Series, SeriesStyle};
use crate::sheet::{Flag, FlagRole, Polarity};

/// Speed over time, with the cap and its tolerance. None without samples.
///
/// The speed drawn is the fixture's own estimate; results rest on fits of the position.
pub(super) fn speed_plot(id: &str, title: &str, context: &Context<'_>, made: &StepEvidence) -> Option<Plot> {
    let origin = start(made)?;
    let time = |us: u64| us.saturating_sub(origin) as f64 * 1e-6;
    let points: Vec<[f64; 2]> = made
        .samples
        .iter()
        .filter(|s| s.at.0 >= origin)
        .map(|s| [time(s.at.0), f64::from(s.speed.0) * 1e-3])
        .collect();
    let end = points.last()?[0];
    let sign =
        points.iter().map(|p| p[1]).fold(0.0, |a: f64, v| if v.abs() > a.abs() { v } else { a }).signum();
    let cap = context.motion.axis.cap;
    let tolerances = &context.sheet.tolerances;
    let allowed = cap_allowance(context);
    let at = |speed: Rpm| speed.get() * sign;
    Some(Plot {
        id: id.to_owned(),
        title: title.to_owned(),
        description: format!(
            "Speed over time during the run, against the cap of {:.0} rpm with its tolerance of ±{:.0} rpm and an \
             allowed overshoot of {:.0} %.",
            cap.get(),
            allowed.get(),
            tolerances.cap_overshoot.value.get()
        ),
        x: PlotAxis { label: "Time".to_owned(), unit: "s".to_owned() },
        panels: vec![Panel {
            y: PlotAxis { label: "Speed".to_owned(), unit: "rpm".to_owned() },
            series: vec![Series {
                name: "speed from counts".to_owned(),
                style: SeriesStyle::Line,
                points,
                uncertainty: Vec::new(),
            }],
            bands: vec![Band {
                name: "tolerance of the cap".to_owned(),
                points: [0.0, end]
                    .map(|t| {
                        let (a, b) = (at(cap - allowed), at(cap + allowed));
                        [t, a.min(b), a.max(b)]
                    })
                    .to_vec(),
            }],
            marks: vec![
                Mark { name: "cap".to_owned(), y: at(cap) },
                Mark { name: "98 % of the cap".to_owned(), y: at(cap * 0.98) },
            ],
        }],
        lanes: Vec::new(),
    })
}

/// What the held speed may differ from the cap.
pub(super) fn cap_allowance(context: &Context<'_>) -> Rpm {
    let tolerances = &context.sheet.tolerances;
    (context.motion.axis.cap * (tolerances.cap.value.get() / 100.0)).max(tolerances.cap_least.value)
}

/// The cap's flag over the same time.
pub(super) fn flag_lane(context: &Context<'_>, made: &StepEvidence) -> Option<Lane> {
    lane_from(context.sheet.flag(FlagRole::HoldingSpeedDown)?, made, start(made)?)
}

/// A shaft slower than this, in 1/1000 rpm, rests: an estimate of the speed that fades after the last count.
const RESTS: i32 = 1_000;

/// Speed over the whole time of a step far below the cap, or the way where nothing turns, with lanes under it. None without
/// samples.
pub(super) fn quiet_plot(
    id: &str,
    title: &str,
    description: &str,
    made: &StepEvidence,
    lanes: Vec<Lane>,
) -> Option<Plot> {
    let origin = made.samples.first()?.at.0;
    let first = made.samples.first()?.position.0;
    let rests = made.samples.iter().all(|s| s.speed.0.abs() < RESTS);
    let (label, unit, name) =
        if rests { ("Way", "counts", "way from counts") } else { ("Speed", "rpm", "speed from counts") };
    let height = |s: &Sample| if rests { (s.position.0 - first) as f64 } else { f64::from(s.speed.0) * 1e-3 };
    let points: Vec<[f64; 2]> =
        made.samples.iter().map(|s| [(s.at.0 - origin) as f64 * 1e-6, height(s)]).collect();
    Some(Plot {
        id: id.to_owned(),
        title: title.to_owned(),
        description: description.to_owned(),
        x: PlotAxis { label: "Time".to_owned(), unit: "s".to_owned() },
        panels: vec![Panel {
            y: PlotAxis { label: label.to_owned(), unit: unit.to_owned() },
            series: vec![Series {
                name: name.to_owned(),
                style: SeriesStyle::Line,
                points,
                uncertainty: Vec::new(),
            }],
            bands: Vec::new(),
            marks: Vec::new(),
        }],
        lanes,
    })
}

/// A lane that is high while a contact is closed or a state holds, from its changes.
pub(super) fn state_lane(
    name: &str,
    initial: bool,
    changes: &[(Micros, bool)],
    labels: (&str, &str),
    made: &StepEvidence,
) -> Option<Lane> {
    let origin = made.samples.first()?.at.0;
    let (mut state, mut first, mut kept) = (initial, initial, Vec::new());
    for (at, to) in changes {
        if *to == state {
            continue;
        }
        state = *to;
        if at.0 < origin {
            first = state;
        } else {
            kept.push((at.0 - origin) as f64 * 1e-6);
        }
    }
    Some(Lane {
        name: name.to_owned(),
        initial: first,
        changes: kept,
        high_label: labels.0.to_owned(),
        low_label: labels.1.to_owned(),
    })
}

/// A flag over the whole time of a step.
pub(super) fn lane(flag: &Flag, made: &StepEvidence) -> Option<Lane> {
    lane_from(flag, made, made.samples.first()?.at.0)
}

fn lane_from(flag: &Flag, made: &StepEvidence, origin: u64) -> Option<Lane> {
    let active = |conducting: bool| conducting == (flag.active == Polarity::Conducting);
    let first = made.samples.first()?;
    let mut state = active(first.flags & (1 << (flag.fixture_input & 7)) != 0);
    let mut initial = state;
    let mut changes = Vec::new();
    for (at, conducting) in flag_events(made, flag.fixture_input) {
        if active(conducting) == state {
            continue;
        }
        state = active(conducting);
        if at.0 < origin {
            initial = state;
        } else {
            changes.push((at.0 - origin) as f64 * 1e-6);
        }
    }
    Some(Lane {
        name: format!("{}, terminal {}", flag.role.words(), flag.terminal),
        initial,
        changes,
        high_label: "active".to_owned(),
        low_label: "idle".to_owned(),
    })
}

/// An axis by its quantity and unit.
pub(super) fn axis(label: &str, unit: &str) -> PlotAxis {
    PlotAxis { label: label.to_owned(), unit: unit.to_owned() }
}

/// A curve.
pub(super) fn curve(name: impl Into<String>, points: Vec<[f64; 2]>) -> Series {
    Series { name: name.into(), style: SeriesStyle::Line, points, uncertainty: Vec::new() }
}

/// Points, each by itself.
pub(super) fn dots(name: impl Into<String>, points: Vec<[f64; 2]>) -> Series {
    Series { name: name.into(), style: SeriesStyle::Points, points, uncertainty: Vec::new() }
}

/// Those that have anything to draw: an empty one would only be a name.
pub(super) fn not_empty(series: impl IntoIterator<Item = Series>) -> Vec<Series> {
    series.into_iter().filter(|s| !s.points.is_empty()).collect()
}

/// A named height.
pub(super) fn mark(name: impl Into<String>, y: f64) -> Mark {
    Mark { name: name.into(), y }
}

/// A region as high from one end of a time to the other; which of the heights is the lower one does not matter.
pub(super) fn level_band(name: impl Into<String>, [from, to]: [f64; 2], [a, b]: [f64; 2]) -> Band {
    Band { name: name.into(), points: [from, to].map(|t| [t, a.min(b), a.max(b)]).to_vec() }
}

/// Slow motion is drawn with a point every so many microseconds.
const APART_US: u64 = 5_000;

/// So many points of a series at most: people may be waited for by the hour.
const POINTS_MOST: u64 = 4_000;

/// One value of slow motion over the seconds since `origin`: a point every 5 ms, in a long time fewer, and the last.
pub(super) fn over_time(samples: &[Sample], origin: u64, value: impl Fn(&Sample) -> f64) -> Vec<[f64; 2]> {
    let mut points = Vec::new();
    let mut due = 0;
    let span =
        samples.first().zip(samples.last()).map_or(0, |(first, last)| last.at.0.saturating_sub(first.at.0));
    let apart = APART_US.max(span / POINTS_MOST);
    for (n, sample) in samples.iter().enumerate() {
        if sample.at.0 >= due || n + 1 == samples.len() {
            points.push([seconds_since(origin, sample.at), value(sample)]);
            due = sample.at.0 + apart;
        }
    }
    points
}

/// A time on a picture's axis.
pub(super) fn seconds_since(origin: u64, at: Micros) -> f64 {
    (at.0 as f64 - origin as f64) / 1e6
}

/// The command that a sample tells, in volts.
pub(super) fn commanded(sample: &Sample) -> f64 {
    f64::from(sample.command.0) / 1e6
}

/// Where the index was met, at the counts from `first`.
pub(super) fn index_dots(made: &StepEvidence, origin: u64, first: i64) -> Series {
    let met =
        index_events(made).map(|(at, position)| [seconds_since(origin, at), (position.0 - first) as f64]);
    dots("index met", met.collect())
}

/// When the program began to drive.
fn start(made: &StepEvidence) -> Option<u64> {
    made.segment_start(0).or_else(|| made.samples.first().map(|s| s.at)).map(|t| t.0)
}
