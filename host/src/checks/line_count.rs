//! Counts between index pulses, at slow and at working speeds. Counts are integers: compared exactly.

mod edges;
mod out_of_step;
mod slow_scale;

pub(super) use slow_scale::{ID as SLOW_SCALE, SlowScale};

use proofstand_protocol::message::TripCause;
use proofstand_protocol::program::{End, Next, Segment};
use proofstand_protocol::units::{Micros, MilliRpm};
use proofstand_units::{CountsPerRev, Rpm, Seconds, Turns};

use super::evidence::{SAME_PLACE, index_events, travel};
use super::rows::Row;
use super::traces::not_empty;
use super::{Check, Context, Judgement, MoveStep, Need, Step, StepEnding, StepEvidence};
use crate::estimate::lines::{IndexPass, line_count, passes};
use crate::planner::{
    CRAWL_RPM, CannotPlan, Holding, LimitsFor, come_to_rest, hold, milli_rpm, total_timeout,
};
use crate::record::model::{Mark, Panel, Plot, PlotAxis, ResultRow, Series, SeriesStyle, Verdict};

/// Below 100 rpm, after the nudge.
pub(super) const SLOW: LineCount = LineCount { fast: false };
/// At working speeds, after the cap is proven.
pub(super) const FAST: LineCount = LineCount { fast: true };

/// Index intervals of the slow count, each way.
const SLOW_INTERVALS: u16 = 5;
/// Index intervals at a working speed, each way.
const FAST_INTERVALS: u16 = 20;
/// Index intervals at the highest speed, each way.
const TOP_INTERVALS: u16 = 100;

/// Step names by speed and direction.
const NAMES: [[&str; 2]; 4] = [
    ["slow forward", "slow reverse"],
    ["low forward", "low reverse"],
    ["middle forward", "middle reverse"],
    ["top forward", "top reverse"],
];

/// The slow reverse pass where the forward one did not prove the counts: it begins at a crawl like that one.
const REVERSE_FROM_CRAWL: &str = "slow reverse, from a crawl";

/// The segment that counts.
const MEASURE_AT: u8 = 1;
/// The slow count's segment that goes from one index to the next.
const INDEX_AT: u8 = 2;

/// The check, slow or fast.
pub(super) struct LineCount {
    fast: bool,
}

/// One step's plan: its name, speed and intervals.
struct Pass {
    /// What the result is called.
    label: &'static str,
    /// The step's name.
    name: &'static str,
    speed: Rpm,
    intervals: u16,
    /// Nothing is known of the counts: the first whole interval is made at crawling speed.
    crawls: bool,
    /// It ends with one more interval, at whose index a burst is taken.
    meets_index: bool,
}

impl LineCount {
    fn passes(&self, context: &Context<'_>) -> Vec<Pass> {
        let mut passes = Vec::new();
        if !self.fast {
            let [forward, reverse] = NAMES[0];
            for (label, name, sign, crawls) in [
                (forward, forward, 1.0, true),
                (reverse, reverse, -1.0, false),
                (reverse, REVERSE_FROM_CRAWL, -1.0, true),
            ] {
                let speed = context.motion.slow_speed * sign;
                passes.push(Pass {
                    label,
                    name,
                    speed,
                    intervals: SLOW_INTERVALS,
                    crawls,
                    meets_index: true,
                });
            }
            return passes;
        }
        let division = context.targets.encoder.division;
        let speeds: Vec<Rpm> =
            context.motion.fast_speeds.iter().map(|s| out_of_step::out_of_step(*s, division)).collect();
        for (n, speed) in speeds.iter().enumerate() {
            let top = n + 1 == speeds.len();
            // The last name is the top speed's, however many there are.
            let names = NAMES[if top { 3 } else { (n + 1).min(2) }];
            for (name, sign) in names.into_iter().zip([1.0, -1.0]) {
                let intervals = if top { TOP_INTERVALS } else { FAST_INTERVALS };
                passes.push(Pass {
                    label: name,
                    name,
                    speed: *speed * sign,
                    intervals,
                    crawls: false,
                    meets_index: false,
                });
            }
        }
        passes
    }

    fn holding<'a>(&self, context: &Context<'a>) -> &'a Holding {
        if self.fast { &context.motion.fast_hold } else { &context.motion.hold }
    }

    fn program(&self, context: &Context<'_>, pass: &Pass) -> (Vec<Segment>, Seconds) {
        let gains = self.holding(context);
        let turn = |speed: f64| 60.0 / speed.abs();
        let sign = pass.speed.get().signum();
        let stop = |slot: u8| {
            [
                hold(
                    Rpm::new(CRAWL_RPM * sign),
                    gains,
                    slower(pass.speed),
                    Next::Segment(slot + 1),
                    Seconds::new(20.0),
                ),
                come_to_rest(gains, Seconds::new(20.0)),
            ]
        };
        // A crawl ends after an interval, a slow pass without one begins at an index, a fast one anywhere. The last interval
        // may be made apart.
        let begun = u16::from(self.fast);
        let indices = pass.intervals + begun - u16::from(pass.crawls) - u16::from(pass.meets_index);
        let measure = |next| {
            hold(
                pass.speed,
                gains,
                End::IndexCount(indices),
                Next::Segment(next),
                Seconds::new(2.0 + 2.0 * turn(pass.speed.get()) * f64::from(indices + 1)),
            )
        };
        let counted = Seconds::new(turn(pass.speed.get()) * (f64::from(pass.intervals) + 1.5));
        // From one index to the next at a steady speed: where the burst is to meet it is known beforehand.
        let to_index = |next| {
            hold(
                pass.speed,
                gains,
                End::IndexCount(1),
                Next::Segment(next),
                Seconds::new(2.0 + 4.0 * turn(pass.speed.get())),
            )
        };
        let end = if pass.meets_index { INDEX_AT + 1 } else { INDEX_AT };
        let (mut program, begins) = if pass.crawls {
            // The first whole interval is made at crawling speed: the fixture itself compares it with the sheet and
            // trips before anything moves faster.
            let crawl = hold(
                Rpm::new(CRAWL_RPM * sign),
                gains,
                End::IndexCount(2),
                Next::Segment(MEASURE_AT),
                // A fourfold mistake in the counts makes the crawl four times slower: it must still show.
                Seconds::new(4.0 + 4.0 * 2.0 * turn(CRAWL_RPM)),
            );
            (vec![crawl], Seconds::new(1.5 * turn(CRAWL_RPM)))
        } else {
            let spin_up = gains.spin_up(&context.motion.axis, pass.speed);
            // A slow one goes to an index first, whatever speed it comes to: how fast it is then is a result.
            let (end, patience) = if self.fast {
                (reached(pass.speed, gains), spin_up * 3.0 + Seconds::new(2.0))
            } else {
                (End::IndexCount(1), spin_up * 3.0 + Seconds::new(2.0 + 4.0 * turn(pass.speed.get())))
            };
            (vec![hold(pass.speed, gains, end, Next::Segment(MEASURE_AT), patience)], spin_up)
        };
        program.push(measure(INDEX_AT));
        if pass.meets_index {
            program.push(to_index(end));
        }
        program.extend(stop(end));
        let ends = if self.fast { gains.spin_up(&context.motion.axis, pass.speed) } else { Seconds::ZERO };
        (program, begins + counted + ends + Seconds::new(1.0))
    }
}

/// The slow count's program one way, for a check that counts again.
pub(super) fn again_slowly(
    context: &Context<'_>,
    name: &'static str,
    sign: f64,
    intervals: u16,
    crawls: bool,
) -> (Vec<Segment>, Seconds) {
    let speed = context.motion.slow_speed * sign;
    SLOW.program(context, &Pass { label: name, name, speed, intervals, crawls, meets_index: false })
}

/// Every whole revolution of a motion that came to its end was counted right, and there was one.
pub(super) fn all_right(made: &StepEvidence, expected: CountsPerRev) -> bool {
    let counted = intervals(made, expected);
    made.ending == StepEnding::Finished
        && !counted.is_empty()
        && counted.iter().all(|c| *c == i64::from(expected.get()))
}

/// The speed has come near what is wanted. A speed command whose scale is a little low settles below: that is the scale's
/// result, not the counts'.
fn reached(speed: Rpm, holding: &Holding) -> End {
    let share = match holding {
        Holding::ByTorque(_) => 0.95,
        Holding::BySpeed(_) => 0.75,
    };
    let near = milli_rpm(speed * share);
    if speed.get() > 0.0 { End::SpeedAtLeast(near) } else { End::SpeedAtMost(near) }
}

/// The speed has fallen near the crawl.
fn slower(speed: Rpm) -> End {
    let near = (CRAWL_RPM * 1.5 * 1e3) as i32;
    if speed.get() > 0.0 { End::SpeedAtMost(MilliRpm(near)) } else { End::SpeedAtLeast(MilliRpm(-near)) }
}

impl Check for LineCount {
    fn id(&self) -> &'static str {
        if self.fast { "line-count-fast" } else { "line-count-slow" }
    }

    fn title(&self) -> &'static str {
        if self.fast { "Counts per revolution at working speeds" } else { "Counts per revolution, slowly" }
    }

    fn shows(&self) -> &'static str {
        if self.fast {
            "Between any two index pulses the encoder output gives exactly four times the stated pulses per \
             revolution, both ways, at several speeds up to near the speed cap."
        } else {
            "Between any two index pulses the encoder output gives exactly four times the stated pulses per \
             revolution, both ways, below 100 rpm."
        }
    }

    fn needs(&self) -> &'static [Need] {
        if self.fast {
            &[
                super::COUNTS_PROVEN,
                Need {
                    check: "speed-cap",
                    result: "speed-cap.active",
                    why: "no working speed is held until the speed cap is proven",
                },
                super::ENABLE_OBEYED,
            ]
        } else {
            &[super::MOVES, super::RESTS, super::COUNTS_FOLLOW]
        }
    }

    fn plan(&self, context: &Context<'_>) -> Result<Vec<Step>, CannotPlan> {
        let passes = self.passes(context);
        if passes.is_empty() {
            return Err(CannotPlan {
                why: "no working speed lies above 100 rpm and below the cap".to_owned(),
                remedy: "the slow count covers this axis".to_owned(),
            });
        }
        let steps = passes.iter().map(|pass| {
            let (program, expected) = self.program(context, pass);
            let turns = Turns::new(f64::from(pass.intervals) * 1.5 + 60.0);
            let limits = if self.fast {
                LimitsFor::working(context, turns).command(self.holding(context).bound())
            } else {
                LimitsFor::slow(context, turns)
            };
            Step::Move(Box::new(MoveStep {
                acts: edges::acts(
                    pass,
                    context.motion.axis.counts_per_rev,
                    MEASURE_AT,
                    (!self.fast).then_some(INDEX_AT),
                ),
                name: pass.name,
                what: format!(
                    "The shaft turns {} at {:.0} rpm, about {} turns",
                    context.way(pass.speed),
                    pass.speed.get().abs(),
                    pass.intervals + if self.fast { 2 } else { 1 }
                ),
                timeout: total_timeout(&program),
                program,
                limits: limits.limits(),
                expected,
            }))
        });
        Ok(steps.collect())
    }

    /// The other way begins at a crawl too where the first one did not prove the counts.
    fn wants(&self, context: &Context<'_>, step: &Step, so_far: &[StepEvidence]) -> bool {
        let Step::Move(step) = step else { return true };
        let per_rev = context.motion.axis.counts_per_rev;
        let proven = so_far.iter().any(|e| e.name == NAMES[0][0] && all_right(e, per_rev));
        match step.name {
            name if name == NAMES[0][1] => proven,
            REVERSE_FROM_CRAWL => !proven,
            _ => true,
        }
    }

    fn judge(&self, context: &Context<'_>, evidence: &[StepEvidence]) -> Judgement {
        let per_rev = i64::from(context.motion.axis.counts_per_rev.get());
        let mut out = Judgement::default();
        let mut points = Vec::new();
        let passes = self.passes(context);
        for pass in &passes {
            let Some(made) = evidence.iter().find(|e| e.name == pass.name) else { continue };
            let intervals = intervals(made, context.motion.axis.counts_per_rev);
            points.push(Series {
                name: format!("{:.0} rpm, {}", pass.speed.get().abs(), context.way(pass.speed)),
                style: SeriesStyle::Points,
                points: intervals.iter().enumerate().map(|(n, c)| [n as f64 + 1.0, *c as f64]).collect(),
                uncertainty: Vec::new(),
            });
            out.results.push(self.row(pass, made, &intervals, per_rev));
        }
        if !self.fast {
            out.results.extend(index_row(evidence, per_rev));
            out.results.extend(slow_scale::row(context, evidence));
            // Trips have already turned a pass into a rejection; the gate is all of them.
            let verdict = super::worst(&out.results);
            let row = Row::text(
                "line-count-slow.gate",
                "Counts per index interval are what the sheet says",
                "every one",
            );
            out.results.push(match verdict {
                Verdict::Accepted => row.is("every one", verdict, "faster motion is allowed"),
                other if counts_are_right(&out.results) => row.is(
                    "every one, but",
                    other,
                    "the speed does not follow the command: nothing may move faster",
                ),
                other => row.is("not every one", other, "nothing may move faster than 100 rpm"),
            });
        }
        out.plots.extend(plot(self.id(), points, per_rev));
        // What isn't the counts' own result must not hold the gate shut.
        let edges = edges::Edges::of(context, self.id(), self.fast, &passes, evidence);
        out.results.extend(edges.rows());
        out.plots.extend(edges.plots());
        out.notes.extend(edges.notes());
        out
    }
}

/// Every result of the counts is accepted; what is not is the speed.
fn counts_are_right(results: &[ResultRow]) -> bool {
    results.iter().all(|r| r.verdict == Verdict::Accepted || r.id == slow_scale::ID)
}

/// Counts of each whole revolution, passed in one direction: forward and reverse meet different edges of the index.
pub(super) fn intervals(made: &StepEvidence, expected: CountsPerRev) -> Vec<i64> {
    timed_intervals(made, expected).into_iter().map(|(_, counts)| counts).collect()
}

/// The same, each with the time at which it ended.
pub(super) fn timed_intervals(made: &StepEvidence, expected: CountsPerRev) -> Vec<(Micros, i64)> {
    let mut passes = passes(&made.timed_events(), &made.samples);
    without_trembling(&mut passes, i64::from(expected.get() / SAME_PLACE));
    let counted: Vec<(Micros, i64)> =
        line_count(&passes, expected).intervals.iter().map(|i| (i.to, i.counts.0)).collect();
    let disagreed = made.trip().is_some_and(|t| t.cause == TripCause::SpeedDisagreement);
    match (passes.first(), made.index_before) {
        // The fixture may have stopped this motion at its very first pass, for the way since the pass before it.
        (Some(first), Some(before)) if counted.is_empty() && disagreed => {
            vec![(first.at, (first.position.0 - before.0).abs())]
        }
        _ => counted,
    }
}

/// Takes out what a shaft passes to and fro where it starts or stops on the index. A pulse that chatters under way does so
/// between other passes, and stays.
fn without_trembling(passes: &mut Vec<IndexPass>, apart: i64) {
    let same = |pair: &[IndexPass]| (pair[1].position.0 - pair[0].position.0).abs() <= apart;
    while passes.windows(2).last().is_some_and(same) {
        passes.pop();
    }
    let trembling = passes.windows(2).take_while(|pair| same(pair)).count();
    passes.drain(..trembling);
}

/// Does the index come at all? Told here, since the nudge is too short to.
fn index_row(evidence: &[StepEvidence], per_rev: i64) -> Option<ResultRow> {
    let seen: usize = evidence.iter().map(|e| index_events(e).count()).sum();
    let turned: f64 = evidence.iter().map(|e| travel(e).abs() as f64 / per_rev as f64).sum();
    let row = Row::text("line-count-slow.index", "The index comes", "once a revolution");
    let found = format!("{seen} in {turned:.1} counted turns");
    if turned < 1.0 {
        return None;
    }
    Some(if seen == 0 {
        row.is(&found, Verdict::Rejected, "no index pulse came")
    } else if seen as f64 > 2.0 * turned + 4.0 {
        row.is(
            &found,
            Verdict::Rejected,
            "more index pulses came than revolutions; or a revolution has fewer counts",
        )
    } else {
        row.is(&found, Verdict::Accepted, "it was latched")
    })
}

impl LineCount {
    fn row(&self, pass: &Pass, made: &StepEvidence, intervals: &[i64], per_rev: i64) -> ResultRow {
        let id = format!("{}.{}", self.id(), pass.label.replace(' ', "-"));
        let name = format!("Counts per revolution, {}, {:.0} rpm", pass.label, pass.speed.get().abs());
        let row = Row::number(&id, &name, "counts").target(per_rev as f64).exact();
        let worst = intervals.iter().copied().max_by_key(|c| (c - per_rev).abs());
        let Some(worst) = worst else {
            let why = match made.trip() {
                Some(trip) => {
                    format!("tripped before a whole revolution: {}", crate::fixture::trip_in_words(trip))
                }
                None => "fewer than two index pulses came: no revolution to count".to_owned(),
            };
            return row.without(Verdict::Rejected, &why);
        };
        let wrong = intervals.iter().filter(|c| **c != per_rev).count();
        let n = intervals.len();
        let sum: i64 = intervals.iter().sum();
        let row = row.measured(worst as f64);
        if wrong > 0 {
            return row.verdict(
                Verdict::Rejected,
                &format!("{wrong} of {n} intervals differ from {per_rev}; they sum to {sum} counts"),
            );
        }
        if let Some(trip) = made.trip() {
            return row.verdict(
                Verdict::Rejected,
                &format!("{n} intervals were right, then: {}", crate::fixture::trip_in_words(trip)),
            );
        }
        if n < usize::from(pass.intervals) {
            return row
                .verdict(Verdict::Undecided, &format!("only {n} of {} intervals were seen", pass.intervals));
        }
        row.verdict(
            Verdict::Accepted,
            &format!(
                "all {n} intervals are exact and sum to {sum}; no fault in {n} revolutions means at most {:.2} a \
                 revolution (95 %)",
                3.0 / n as f64
            ),
        )
    }
}

fn plot(id: &str, series: Vec<Series>, per_rev: i64) -> Option<Plot> {
    let series = not_empty(series);
    series.first()?;
    Some(Plot {
        id: format!("{id}-counts"),
        title: "Counts in each revolution".to_owned(),
        description: format!(
            "Every counted revolution as a point, against the exact target of {per_rev} counts per revolution."
        ),
        x: PlotAxis { label: "Revolution".to_owned(), unit: String::new() },
        panels: vec![Panel {
            y: PlotAxis { label: "Counts per revolution".to_owned(), unit: "counts".to_owned() },
            series,
            bands: Vec::new(),
            marks: vec![Mark { name: format!("target {per_rev}"), y: per_rev as f64 }],
        }],
        lanes: Vec::new(),
    })
}

#[cfg(test)]
mod tests {
    use proofstand_protocol::units::{Counts, Micros};

    use super::*;

    fn left(at: &[i64]) -> Vec<i64> {
        let pass = |at: &i64| IndexPass { at: Micros(0), position: Counts(*at), travel: None };
        let mut passes: Vec<IndexPass> = at.iter().map(pass).collect();
        without_trembling(&mut passes, 10_000 / i64::from(SAME_PLACE));
        passes.iter().map(|p| p.position.0).collect()
    }

    #[test]
    fn a_shaft_that_trembles_on_the_index_where_it_starts_or_stops_has_passed_it_once() {
        assert_eq!(left(&[-4, -1, -4, 9_996, 19_996, 19_999, 19_996]), [-4, 9_996, 19_996]);
        assert_eq!(left(&[5, 8]), [5]);
    }

    #[test]
    fn a_pulse_that_chatters_under_way_is_counted_as_often_as_it_comes() {
        assert_eq!(left(&[0, 10_000, 10_003, 20_000]), [0, 10_000, 10_003, 20_000]);
    }
}
