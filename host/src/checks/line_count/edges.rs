//! What bursts of the raw lines add to a count: how near edges of A and B come, phase and duty, the width of the index.
//!
//! Slowly a burst resolves single edges. At speed it doesn't, but the means over its hundreds of edges are still sharp, and
//! what the division lets a single edge differ from the mean is known exactly.

use proofstand_protocol::message::BurstKind;
use proofstand_protocol::units::Counts;
use proofstand_units::{CountsPerRev, Degrees, Rpm, Seconds};

use super::Pass;
use crate::checks::rows::Row;
use crate::checks::step::{Act, ActAt, ActWhat};
use crate::checks::{Context, StepEvidence};
use crate::estimate::line_burst::{IN_STEP, LineRecord, MeanAngle, PhaseEstimate, phase, read_lines};
use crate::estimate::lines::{Travel, index_width, passes};
use crate::fixture::{Burst, BurstOrder};
use crate::metrology::{Budget, Contribution, Limits};
use crate::record::model::{Lane, Panel, Plot, PlotAxis, ResultRow, Series, SeriesStyle, Verdict};
use crate::targets::Fixture;

/// Points of a burst of lines: all that the fixture holds.
pub(super) const POINTS: u16 = 4096;
/// Slowly one cycle is taken in about so many points.
const POINTS_A_CYCLE: f64 = 144.0;
/// Time between points of the burst that meets the index, in microseconds: long enough for a host's few milliseconds.
const INDEX_PERIOD_US: u16 = 10;
/// Longest time between points, for an encoder of few pulses.
const PERIOD_MOST_US: f64 = 200.0;
/// Only a burst whose points are at most so far apart, in degrees of the cycle, tells an illegal transition.
const FINE: f64 = 22.5;
/// A burst tells a mean angle if what it hides of it is at most this share of what the angle may be off by.
const SHARP: f64 = 0.3;
/// Counts drawn on either side of the index.
const DRAWN: i64 = 8;

/// How long one cycle of A takes.
pub(super) fn cycle_us(speed: Rpm, counts_per_rev: CountsPerRev) -> f64 {
    60.0 / speed.get().abs() * 4e6 / f64::from(counts_per_rev.get())
}

/// Time between the points of a burst of such cycles.
pub(super) fn period_us(cycle_us: f64) -> u16 {
    (cycle_us / POINTS_A_CYCLE).clamp(1.0, PERIOD_MOST_US) as u16
}

/// The bursts of a pass: in the segment that counts, and at the index that ends the segment `index_at`.
pub(super) fn acts(
    pass: &Pass,
    counts_per_rev: CountsPerRev,
    measure_at: u8,
    index_at: Option<u8>,
) -> Vec<Act> {
    let turn = 60.0 / pass.speed.get().abs();
    let cycle_us = cycle_us(pass.speed, counts_per_rev);
    let lines = |period_us| ActWhat::Burst(BurstOrder { kind: BurstKind::Lines, period_us, points: POINTS });
    let period = period_us(cycle_us);
    let settled = if index_at.is_some() { 1.5 * turn } else { 0.3 };
    let mut acts =
        vec![Act { at: ActAt { slot: measure_at, after: Seconds::new(settled) }, what: lines(period) }];
    if let Some(slot) = index_at {
        let half = 0.5 * f64::from(POINTS) * f64::from(INDEX_PERIOD_US) * 1e-6;
        acts.push(Act {
            at: ActAt { slot, after: Seconds::new((turn - half).max(0.0)) },
            what: lines(INDEX_PERIOD_US),
        });
    }
    acts
}

/// A burst and what was made of it.
struct Taken<'a> {
    pass: &'a Pass,
    burst: &'a Burst,
    record: LineRecord,
    phase: Option<PhaseEstimate>,
    /// It was taken at the index: it lasts so long that the speed varies in it.
    at_index: bool,
}

/// The bursts of all passes.
pub(super) struct Edges<'a> {
    context: &'a Context<'a>,
    id: &'static str,
    fast: bool,
    made: Vec<(&'a Pass, &'a StepEvidence)>,
    taken: Vec<Taken<'a>>,
}

impl<'a> Edges<'a> {
    pub(super) fn of(
        context: &'a Context<'a>,
        id: &'static str,
        fast: bool,
        passes: &'a [Pass],
        evidence: &'a [StepEvidence],
    ) -> Self {
        let made: Vec<(&Pass, &StepEvidence)> = passes
            .iter()
            .filter_map(|p| evidence.iter().find(|e| e.name == p.name).map(|e| (p, e)))
            .collect();
        let taken = made
            .iter()
            .flat_map(|(pass, made)| made.bursts.iter().enumerate().map(move |(n, burst)| (*pass, n, burst)))
            .filter(|(_, _, burst)| burst.order.kind == BurstKind::Lines && burst.is_whole())
            .map(|(pass, n, burst)| {
                let record = read_lines(burst.lines());
                let period = Seconds::new(f64::from(burst.order.period_us) * 1e-6);
                let phase = phase(&record, period, context.targets.encoder.division).ok();
                Taken { pass, burst, record, phase, at_index: n > 0 }
            })
            .collect();
        Self { context, id, fast, made, taken }
    }

    /// Results.
    pub(super) fn rows(&self) -> Vec<ResultRow> {
        let mut rows = Vec::new();
        // A pass that ended early says why itself.
        if !self.taken.is_empty() {
            rows.extend([self.smallest(), self.phase_error(), self.duty()]);
        }
        if self.fast {
            rows.extend(self.edge_time());
        } else {
            rows.extend(self.index_width());
        }
        rows.extend(self.illegal());
        rows
    }

    fn estimates(&self) -> impl Iterator<Item = &PhaseEstimate> {
        self.for_phase().map(|(_, estimate)| estimate)
    }

    fn for_phase(&self) -> impl Iterator<Item = (&Taken<'a>, &PhaseEstimate)> {
        self.taken.iter().filter(|t| !t.at_index).filter_map(|t| Some((t, t.phase.as_ref()?)))
    }

    /// How much nearer than the mean of its kind a single edge may come: what the division does.
    fn ripple(&self) -> Degrees {
        let division = &self.context.targets.encoder.division;
        Degrees::new(90.0) - division.narrowest_phase()
    }

    fn smallest(&self) -> ResultRow {
        let id = format!("{}.phase", self.id);
        let limits = Limits::AtLeast(self.context.sheet.tolerances.phase.value);
        let row = Row::number(&id, "Smallest phase between neighbouring edges of A and B", Degrees::SYMBOL)
            .limits(&limits);
        let budget = if self.fast { self.narrowest_mean() } else { self.smallest_seen() };
        match budget {
            Some(budget) => row.judged(&budget, &limits, self.context.by()),
            None => row.without(Verdict::Undecided, NO_EDGES),
        }
    }

    /// Slowly: the smallest separation that was seen.
    fn smallest_seen(&self) -> Option<Budget<Degrees>> {
        let least =
            self.estimates().map(PhaseEstimate::smallest).min_by(|a, b| a.0.get().total_cmp(&b.0.get()))?;
        Some(Budget::new(least.0).with(least.1))
    }

    /// At speed: the narrowest mean of all passes, less what the division lets a single edge differ from it.
    fn narrowest_mean(&self) -> Option<Budget<Degrees>> {
        let by = |e: &&PhaseEstimate| e.narrowest().at_widest().get();
        let estimate = self.estimates().min_by(|a, b| by(a).total_cmp(&by(b)))?;
        let mean = estimate.narrowest();
        Some(Budget::new(mean.value - self.ripple()).with_all(estimate.contributions(&mean)))
    }

    /// The mean that lies farthest from zero, of the bursts that can tell it: one whose edges keep step with its points is no
    /// witness beside those whose edges don't. Where all do, the one that hides least.
    fn worst(&self, of: impl Fn(&PhaseEstimate) -> MeanAngle) -> Option<(Budget<Degrees>, MeanAngle)> {
        let hidden = |e: &&PhaseEstimate| of(e).in_step.get();
        let enough = SHARP * self.context.sheet.encoder.phase_error.value.get();
        let beyond = |e: &&PhaseEstimate| of(e).beyond_step().get();
        let sharp = self.estimates().filter(|e| hidden(e) <= enough);
        let estimate = sharp
            .max_by(|a, b| beyond(a).total_cmp(&beyond(b)))
            .or_else(|| self.estimates().min_by(|a, b| hidden(a).total_cmp(&hidden(b))))?;
        let mean = of(estimate);
        Some((Budget::new(mean.value).with_all(estimate.contributions(&mean)), mean))
    }

    fn allowed(&self) -> Limits<Degrees> {
        let allowed = self.context.sheet.encoder.phase_error.value;
        Limits::around(Degrees::ZERO, allowed).unwrap_or(Limits::AtMost(Degrees::ZERO))
    }

    fn phase_error(&self) -> ResultRow {
        let limits = self.allowed();
        let id = format!("{}.phase-error", self.id);
        let row = Row::number(&id, "Phase of B against A, beyond a quarter of a cycle", Degrees::SYMBOL)
            .target(0.0)
            .limits(&limits);
        match self.worst(|e| e.error) {
            Some((budget, _)) => row.judged(&budget, &limits, self.context.by()),
            None => row.without(Verdict::Undecided, NO_EDGES),
        }
    }

    fn duty(&self) -> ResultRow {
        let limits = self.allowed();
        let id = format!("{}.duty", self.id);
        let row = Row::number(&id, "High part of A or B, beyond half of a cycle, the worse", Degrees::SYMBOL)
            .target(0.0)
            .limits(&limits);
        let worse = |e: &PhaseEstimate| {
            let [a, b] = e.duty_errors;
            if a.value.get().abs() >= b.value.get().abs() { a } else { b }
        };
        match self.worst(worse) {
            Some((budget, _)) => row.judged(&budget, &limits, self.context.by()),
            None => row.without(Verdict::Undecided, NO_EDGES),
        }
    }

    /// The shortest time between two edges at the cap, from the phase at the highest speed of the count.
    fn edge_time(&self) -> Option<ResultRow> {
        let sheet = self.context.sheet;
        let top = self.made.iter().map(|(p, _)| p.speed.get().abs()).fold(0.0, f64::max);
        let at_top = self.taken.iter().filter(|t| t.pass.speed.get().abs() >= top);
        let by = |e: &&PhaseEstimate| e.narrowest().at_widest().get();
        let estimate = at_top.filter_map(|t| t.phase.as_ref()).min_by(|a, b| by(a).total_cmp(&by(b)))?;
        let pulses = f64::from(sheet.encoder.pulses.get()) * sheet.cap.speed.get() / 60.0;
        let time = |angle: Degrees| Seconds::new(angle.get() / 360.0 / pulses);
        let mean = estimate.narrowest();
        let least = sheet.encoder.controller_edge.unwrap_or(Fixture::DESIGN.shortest_edge);
        let limits = Limits::AtLeast(least);
        let who = if sheet.encoder.controller_edge.is_some() { "the controller's" } else { "the fixture's" };
        let name = format!("Shortest time between two edges at the cap, against {who}");
        let budget = Budget::new(time(mean.value - self.ripple()))
            .with(Contribution::type_a(
                "scatter of the edges",
                time(mean.scatter),
                estimate.degrees_of_freedom,
            ))
            .with(Contribution::rectangular(IN_STEP, time(mean.in_step)));
        let id = format!("{}.edge", self.id);
        Some(Row::number(&id, &name, "µs").judged(&budget, &limits, self.context.by()))
    }

    fn illegal(&self) -> Option<ResultRow> {
        if self.made.is_empty() {
            return None;
        }
        let fine = |t: &&Taken<'_>| t.phase.as_ref().is_some_and(|p| p.point.get() <= FINE);
        let in_bursts: u32 = self.taken.iter().filter(fine).map(|t| t.record.illegal).sum();
        let seen = in_bursts + self.made.iter().map(|(_, e)| e.illegal_transitions).sum::<u32>();
        let counts: i64 = self.made.iter().map(|(_, e)| super::travel(e).abs()).sum();
        let id = format!("{}.illegal", self.id);
        let row = Row::number(&id, "Transitions of A and B that no encoder makes", "")
            .target(0.0)
            .at_most(0.0)
            .exact()
            .measured(f64::from(seen));
        Some(if seen == 0 {
            row.verdict(Verdict::Accepted, &format!("none was seen among {counts} counts"))
        } else {
            row.verdict(
                Verdict::Rejected,
                &format!("{seen} at least were seen among {counts} counts: both lines changed at once"),
            )
        })
    }

    /// Forward and reverse the index is latched at its two ends: they lie one count less apart than it is wide.
    fn index_width(&self) -> Option<ResultRow> {
        let per_rev = self.context.motion.axis.counts_per_rev;
        let all: Vec<_> =
            self.made.iter().flat_map(|(_, made)| passes(&made.timed_events(), &made.samples)).collect();
        let seen = |way| all.iter().filter(|p| p.travel == Some(way)).count();
        let (forward, backward) = (seen(Travel::Forward), seen(Travel::Backward));
        let turned_both_ways = self
            .made
            .iter()
            .filter(|(_, e)| super::travel(e).unsigned_abs() > 2 * u64::from(per_rev.get()))
            .count()
            >= 2;
        let row = Row::number("line-count-slow.index-width", "Width of the index", "counts").exact();
        if forward + backward == 0 || !turned_both_ways {
            return None;
        }
        if forward == 0 || backward == 0 {
            let (seen, way, other) =
                if forward > 0 { (forward, "rising", "falling") } else { (backward, "falling", "rising") };
            return Some(row.without(
                Verdict::Rejected,
                &format!("the index came {seen} times with the counts {way}, never with the counts {other}"),
            ));
        }
        let width = index_width(&all, per_rev)?;
        let row = row.measured(width.most.0 as f64);
        let shown: Vec<Counts> =
            self.taken.iter().flat_map(|t| t.record.index.iter().filter_map(|i| i.width)).collect();
        let both = format!("{forward} passes forward and {backward} in reverse");
        Some(if width.least != width.most {
            let say = format!("{both} give widths from {} to {} counts", width.least.0, width.most.0);
            row.verdict(Verdict::Rejected, &say)
        } else if width.most.0 * 2 > i64::from(per_rev.get()) {
            let low = i64::from(per_rev.get()) - width.most.0;
            let say = format!("the index is high all the way round but {low} counts: it is inverted");
            row.verdict(Verdict::Rejected, &say)
        } else if let Some(other) = shown.iter().find(|w| **w != width.most) {
            let say = format!("{both} agree, but a burst of the lines shows {} counts", other.0);
            row.verdict(Verdict::Rejected, &say)
        } else if shown.is_empty() {
            let say = format!("{both} agree; no burst of the lines met the index");
            row.verdict(Verdict::Accepted, &say)
        } else {
            let say = format!("{both} agree, and so do the {} that bursts of the lines show", shown.len());
            row.verdict(Verdict::Accepted, &say)
        })
    }

    /// Remarks.
    pub(super) fn notes(&self) -> Vec<String> {
        let Some(estimate) = self.estimates().next() else { return Vec::new() };
        if self.fast {
            return vec![format!(
                "At speed a point of a burst is up to {:.0}° of the cycle: single edges are not resolved. The phase is the \
                 mean over {} edges and more, less {:.1}° that the division of the encoder's own positions lets a single \
                 edge come nearer. Bursts show the lines, not what a receiver loses.",
                self.estimates().map(|e| e.point.get()).fold(0.0, f64::max),
                self.estimates().map(|e| e.edges).min().unwrap_or(0),
                self.ripple().get()
            )];
        }
        vec![format!(
            "The smallest phase is the shortest time that any two neighbouring edges of a burst were apart. It began and \
             ended between two points, {:.1}° apart; the smallest of many lies rather below the true one, by at most \
             that.",
            estimate.point.get()
        )]
    }

    /// Pictures: how far edges were apart, and the lines at the index.
    pub(super) fn plots(&self) -> Vec<Plot> {
        let mut plots = Vec::new();
        plots.extend(self.separations());
        if !self.fast {
            let index = self
                .taken
                .iter()
                .find_map(|t| Some((t, t.record.index.iter().find(|i| i.width.is_some())?.from)));
            let somewhere =
                self.taken.iter().find(|t| t.phase.is_some()).map(|t| (t, t.burst.lines().len() / 2));
            plots.extend(index.or(somewhere).and_then(|(t, at)| self.diagram(t, at)));
        }
        plots
    }

    fn separations(&self) -> Option<Plot> {
        let tolerance = self.context.sheet.tolerances.phase.value;
        let series: Vec<Series> = self
            .for_phase()
            .map(|(t, p)| Series {
                name: way(self.context, t.pass.speed),
                style: SeriesStyle::Points,
                points: spread(&p.separations_points, p.point),
                uncertainty: Vec::new(),
            })
            .collect();
        if series.is_empty() {
            return None;
        }
        Some(Plot {
            id: format!("{}-edges", self.id),
            title: "How far neighbouring edges of A and B are apart".to_owned(),
            description: format!(
                "For each burst of the lines, how many percent of the times between neighbouring edges had each length, in \
                 degrees of the cycle of A; a quarter of a cycle is 90°, and none may be shorter than {:.0}°.",
                tolerance.get()
            ),
            x: PlotAxis {
                label: "Phase between neighbouring edges".to_owned(),
                unit: Degrees::SYMBOL.to_owned(),
            },
            panels: vec![Panel {
                y: PlotAxis { label: "Share of the edges".to_owned(), unit: "%".to_owned() },
                series,
                bands: Vec::new(),
                marks: Vec::new(),
            }],
            lanes: Vec::new(),
        })
    }

    /// The three lines as they were, around a point of a burst.
    fn diagram(&self, taken: &Taken<'_>, around: usize) -> Option<Plot> {
        let edges = &taken.record.edges;
        let middle = edges.partition_point(|e| e.point < around) as i64;
        let end = |offset: i64| {
            let at = (middle + offset).clamp(0, edges.len() as i64 - 1);
            usize::try_from(at).ok().and_then(|n| edges.get(n)).map(|e| e.point)
        };
        let width = taken.record.index.iter().find_map(|i| i.width).map_or(0, |w| w.0);
        let (from, to) = (end(-DRAWN)?, end(DRAWN + width)?);
        let period = f64::from(taken.burst.order.period_us);
        let millis = |point: usize| (point as f64 - from as f64) * period * 1e-3;
        let points = taken.burst.lines().get(from..=to)?;
        let lane = |name: &str, bit: u8| {
            let mut state = points.first().is_some_and(|p| p & bit != 0);
            let initial = state;
            let mut changes = Vec::new();
            for (n, point) in points.iter().enumerate() {
                if (point & bit != 0) != state {
                    state = !state;
                    changes.push(millis(from + n));
                }
            }
            Lane {
                name: name.to_owned(),
                initial,
                changes,
                high_label: "high".to_owned(),
                low_label: "low".to_owned(),
            }
        };
        let inside = edges.iter().filter(|e| (from..=to).contains(&e.point));
        let mut count = 0_i64;
        let mut steps = vec![[0.0, 0.0]];
        for edge in inside {
            let at = millis(edge.point);
            steps.push([at, count as f64]);
            count += if edge.up { 1 } else { -1 };
            steps.push([at, count as f64]);
        }
        steps.push([millis(to), count as f64]);
        let what = if taken.record.index.is_empty() { "" } else { " at the index" };
        Some(Plot {
            id: format!("{}-lines", self.id),
            title: format!("The lines{what}, {}", way(self.context, taken.pass.speed)),
            description: format!(
                "Levels of A, B and the index over {:.2} ms, a point every {period:.0} µs, and the counts that follow from \
                 them.",
                millis(to)
            ),
            x: PlotAxis { label: "Time".to_owned(), unit: "ms".to_owned() },
            panels: vec![Panel {
                y: PlotAxis { label: "Counts".to_owned(), unit: "counts".to_owned() },
                series: vec![Series {
                    name: "counted from the lines".to_owned(),
                    style: SeriesStyle::Line,
                    points: steps,
                    uncertainty: Vec::new(),
                }],
                bands: Vec::new(),
                marks: Vec::new(),
            }],
            lanes: vec![lane("Phase A", 1), lane("Phase B", 2), lane("Index", 4)],
        })
    }
}

const NO_EDGES: &str = "no burst of the lines holds enough edges turned one way";

fn way(context: &Context<'_>, speed: Rpm) -> String {
    format!("{:.0} rpm, {}", speed.get().abs(), context.way(speed))
}

/// Percent of the separations that have each length.
fn spread(separations: &[usize], point: Degrees) -> Vec<[f64; 2]> {
    let mut sorted = separations.to_vec();
    sorted.sort_unstable();
    let share = 100.0 / separations.len().max(1) as f64;
    sorted
        .chunk_by(|a, b| a == b)
        .filter_map(|run| Some([*run.first()? as f64 * point.get(), run.len() as f64 * share]))
        .collect()
}
