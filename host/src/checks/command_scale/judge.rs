//! What the accelerations say about the command's scale.

use proofstand_protocol::message::Sample;
use proofstand_units::{Percent, PercentPerVolt, Volts};

use super::ways;
use crate::checks::rows::Row;
use crate::checks::{Context, Judgement, StepEnding, StepEvidence};
use crate::estimate::Shape;
use crate::estimate::reversal::{self, ReversalEstimate, ReversalWindow, SETTLING_TIME_CONSTANTS};
use crate::estimate::scale::{self, ScaleInputs};
use crate::estimate::torque_line::{LevelPoint, TorqueLine, torque_line};
use crate::metrology::compare::Way;
use crate::metrology::{Budget, Contribution, Limits};
use crate::planner::ReversalLevel;
use crate::record::model::{Band, Panel, Plot, PlotAxis, ResultRow, Series, SeriesStyle, Verdict};

/// Samples of the short windows by which a passage is found.
const SMOOTHING: usize = 9;

/// One level as it was measured.
struct Level<'a> {
    plan: &'a ReversalLevel,
    estimate: ReversalEstimate,
    /// What the reversals were found in.
    driven: Vec<Sample>,
}

pub(super) fn judge(
    context: &Context<'_>,
    planned: &[(&'static str, &ReversalLevel)],
    evidence: &[StepEvidence],
) -> Judgement {
    let mut out = Judgement::default();
    let mut levels = Vec::new();
    for (name, plan) in planned {
        let Some(made) = evidence.iter().find(|e| e.name == *name) else { continue };
        match (made.trip(), measure(context, plan, made)) {
            // What ended the swings early may have been there before it showed.
            (None, Ok(_)) if made.ending != StepEnding::Finished => {
                out.results.push(level_row(plan).is(
                    "not finished",
                    Verdict::Undecided,
                    &made.ended_in_words(),
                ));
            }
            (None, Ok(estimate)) => levels.push(Level { plan, estimate, driven: driven(plan, made) }),
            // What came before a trip is not worth a point of the line; the trip itself is a result.
            (Some(trip), _) => out.results.push(level_row(plan).is(
                "tripped",
                if super::too_low_to_move(made) { Verdict::Undecided } else { Verdict::Rejected },
                &crate::fixture::trip_in_words(trip),
            )),
            (None, Err(why)) => out.results.push(match too_quick(context, plan, made) {
                Some(times) => level_row(plan).is(
                    TOO_QUICK,
                    Verdict::Rejected,
                    &format!("it passed the window {times:.1} times as quickly as its inertia lets it"),
                ),
                None => level_row(plan).is("not measured", Verdict::Undecided, &why),
            }),
        }
    }
    for refused in context.motion.reversals.iter().filter_map(|l| l.as_ref().err()) {
        out.notes
            .push(format!("A level was left out: {}. What would allow it: {}.", refused.why, refused.remedy));
    }
    let inputs = ways::inputs(context);
    let points: Vec<LevelPoint> =
        levels.iter().map(|l| scale::reversal_point(&l.estimate, &inputs)).collect();
    let Ok(line) = torque_line(&points) else {
        out.results.push(too_few(context, &points, &inputs));
        return out;
    };
    let way = scale::by_reversal(&line, &estimates(&levels), &inputs);
    let scale = Scale { context, levels: &levels, line: &line, way: &way, inputs };
    out.results.push(scale.gain());
    let records: Vec<&[Sample]> = levels.iter().map(|l| l.driven.as_slice()).collect();
    ways::others(context, &way, &records, evidence, &mut out);
    if let Some(by) = scale::impossible_inertia(&estimates(&levels), context.sheet.motor.peak_torque, &inputs)
    {
        out.results.push(ways::impossible(by));
    }
    out.results.push(scale.offset());
    out.results.push(scale.linearity());
    out.results.push(scale.at_zero());
    out.plots.push(scale.plot());
    out.notes.push(scale.friction_note());
    out.notes.push(
        "The torque is the shaft's own, from its inertia: the motor's torque constant and its temperature are part of \
         the result. The offset assumes friction alike both ways; a load that pulls one way looks like an offset."
            .to_owned(),
    );
    out
}

/// A level that gave no torque. Those that did are points of the line.
fn level_row(plan: &ReversalLevel) -> Row {
    let id = format!("command-scale.level-{:.0}", plan.level.get());
    Row::text(&id, &format!("Reversal at {:.0} % of rated torque", plan.level.get()), "measured")
}

/// Too few levels for a line. What the highest of them alone says can show that the scale is wrong, never that it is right.
fn too_few(context: &Context<'_>, points: &[LevelPoint], inputs: &ScaleInputs) -> ResultRow {
    let why = "fewer than three levels gave a torque: see the notes for each";
    let highest = points.iter().max_by(|a, b| a.level.get().total_cmp(&b.level.get()));
    let (Some(highest), Some(limits)) = (highest, gain_limits(context)) else {
        return gain_row(context).without(Verdict::Undecided, why);
    };
    let budget = scale::of_one_level(highest, inputs, context.sheet.tolerances.torque_offset.value);
    let row = gain_row(context).judged(&budget, &limits, context.by_read_back());
    if row.verdict == Verdict::Rejected { row } else { gain_row(context).without(Verdict::Undecided, why) }
}

fn gain_row(context: &Context<'_>) -> Row {
    let target = context.motion.axis.gain;
    let row = Row::number("command-scale.gain", "Command scale, percent of rated torque per volt", "%/V")
        .target(target.get());
    match gain_limits(context) {
        Some(limits) => row.limits(&limits),
        None => row,
    }
}

fn gain_limits(context: &Context<'_>) -> Option<Limits<PercentPerVolt>> {
    let target = context.motion.axis.gain;
    Limits::around(target, target * (context.sheet.tolerances.torque_gain.value.get() / 100.0)).ok()
}

pub(super) fn measure(
    context: &Context<'_>,
    plan: &ReversalLevel,
    made: &StepEvidence,
) -> Result<ReversalEstimate, String> {
    let window = ReversalWindow {
        low: plan.window.0,
        high: plan.window.1,
        settle: context.motion.axis.lag * SETTLING_TIME_CONSTANTS,
        shape: Shape::Cubic,
        smoothing: SMOOTHING,
    };
    reversal::reversal(&driven(plan, made), context.motion.axis.counts_per_rev, &window)
        .map_err(|e| e.to_string())
}

/// What is said of a level at which the shaft speeds up as if most of its inertia were gone.
const TOO_QUICK: &str = "too quick";
/// No scale that passes for one, and no inertia within its uncertainty, is so much off.
const TOO_QUICK_FROM: f64 = 2.5;

/// How many times as quickly as planned the window was passed, where that is far too much.
fn too_quick(context: &Context<'_>, plan: &ReversalLevel, made: &StepEvidence) -> Option<f64> {
    // Swings that were not all made, or not all seen, look quick and are not.
    if made.ending != StepEnding::Finished || made.lost > 0 {
        return None;
    }
    let (low, high) = (plan.window.0.get() * 1e3, plan.window.1.get() * 1e3);
    let inside = |s: &&Sample| (low..=high).contains(&f64::from(s.speed.0).abs());
    // Up and down, each way: four passages a cycle.
    let passages = 4.0 * f64::from(plan.cycles);
    let seen = driven(plan, made).iter().filter(inside).count() as f64 / passages * 1e-3;
    let axis = &context.motion.axis;
    let acceleration = axis.acceleration(axis.torque_at(plan.level)).get();
    let planned = (plan.window.1 - plan.window.0).to_rad_per_sec().get() / acceleration;
    let times = planned / seen.max(1e-4);
    (times >= TOO_QUICK_FROM).then_some(times)
}

/// The braking at the end runs at another command and to another speed.
fn driven(plan: &ReversalLevel, made: &StepEvidence) -> Vec<Sample> {
    let halves = 2 * plan.cycles + super::RUN_IN;
    made.samples.iter().filter(|s| s.segment < halves).copied().collect()
}

fn estimates<'a>(levels: &'a [Level<'_>]) -> Vec<&'a ReversalEstimate> {
    levels.iter().map(|l| &l.estimate).collect()
}

struct Scale<'a> {
    context: &'a Context<'a>,
    levels: &'a [Level<'a>],
    line: &'a TorqueLine,
    way: &'a Way<PercentPerVolt>,
    inputs: ScaleInputs,
}

impl Scale<'_> {
    /// Percent of rated torque in a newton metre.
    fn percent_per_torque(&self) -> f64 {
        self.inputs.percent_per_torque()
    }

    /// Standard uncertainty of the inertia, relative. The sheet states it expanded, k = 2.
    fn inertia_share(&self) -> f64 {
        self.context.sheet.inertia().relative().get() / 200.0
    }

    fn measured_gain(&self) -> PercentPerVolt {
        self.way.value
    }

    fn highest(&self) -> Volts {
        self.levels.iter().map(|l| l.estimate.level).fold(Volts::ZERO, Volts::max)
    }

    fn gain(&self) -> ResultRow {
        match gain_limits(self.context) {
            Some(limits) => {
                gain_row(self.context).judged(&self.way.budget(), &limits, self.context.by_read_back())
            }
            None => gain_row(self.context).without(Verdict::Undecided, "the tolerance leaves no room"),
        }
    }

    fn offset(&self) -> ResultRow {
        let row =
            Row::number("command-scale.offset", "Offset at 0 V, percent of rated torque", "%").target(0.0);
        let budget = scale::offset(&estimates(self.levels), self.measured_gain(), &self.inputs);
        match Limits::around(Percent::ZERO, self.context.sheet.tolerances.torque_offset.value) {
            Ok(limits) => row.judged(&budget, &limits, self.context.by_read_back()),
            Err(_) => row.without(Verdict::Undecided, "the tolerance leaves no room"),
        }
    }

    fn linearity(&self) -> ResultRow {
        let (worst, level) = self
            .line
            .residuals
            .iter()
            .zip(self.levels)
            .map(|(r, l)| (r.get().abs() * self.percent_per_torque(), l))
            .fold((0.0, None), |(w, at), (r, l)| if r >= w { (r, Some(l)) } else { (w, at) });
        let scatter = level.map_or(0.0, |l| {
            l.estimate.gain.standard_uncertainty.get()
                * self.context.motion.axis.inertia.get()
                * self.percent_per_torque()
        });
        let nu = level
            .map_or(crate::metrology::DegreesOfFreedom::INFINITE, |l| l.estimate.gain.degrees_of_freedom);
        let budget = Budget::new(Percent::new(worst))
            .with(Contribution::type_a(
                "scatter at the level farthest from the line",
                Percent::new(scatter),
                nu,
            ))
            .with(self.inputs.one_level(self.measured_gain()));
        Row::number("command-scale.linearity", "Farthest from a straight line, percent of rated torque", "%")
            .judged(
                &budget,
                &Limits::AtMost(self.context.sheet.tolerances.linearity.value),
                self.context.by_read_back(),
            )
    }

    /// Where the line of torque by the command alone meets 0 V. Away from zero: a dead band, or a limit at the top.
    fn at_zero(&self) -> ResultRow {
        let value = Percent::new(self.line.intercept.get() * self.percent_per_torque());
        let scatter = Percent::new(self.line.intercept_scatter.get() * self.percent_per_torque());
        let budget = Budget::new(value)
            .with(Contribution::type_a(
                "scatter of the levels about the line",
                scatter,
                self.line.intercept_degrees_of_freedom,
            ))
            .with(self.inputs.line_at_zero(self.line));
        let row = Row::number("command-scale.zero", "Line at 0 V, percent of rated torque", "%").target(0.0);
        match Limits::around(Percent::ZERO, self.context.sheet.tolerances.torque_offset.value) {
            Ok(limits) => row.judged(&budget, &limits, self.context.by_read_back()),
            Err(_) => row.without(Verdict::Undecided, "the tolerance leaves no room"),
        }
    }

    fn friction_note(&self) -> String {
        let drags: Vec<String> = self
            .levels
            .iter()
            .map(|l| {
                let found = self.inputs.friction(&l.estimate.drag).combined();
                format!(
                    "{:.2} % ± {:.2} % (k = {:.2}) at {:.0} % ({:.0} rpm)",
                    found.value.get(),
                    found.expanded.get(),
                    found.coverage_factor.get(),
                    l.plan.level.get(),
                    l.estimate.speed.get()
                )
            })
            .collect();
        format!(
            "Friction found beside it, in percent of rated torque: {}. It assumes friction alike both ways: what differs between \
             them is in the offset.",
            drags.join(", ")
        )
    }

    /// Torque against volts, both signs, and what is left beside the target.
    fn plot(&self) -> Plot {
        let target = self.context.motion.axis.gain.get();
        let share = self.context.sheet.tolerances.torque_gain.value.get() / 100.0;
        let inertia = self.context.motion.axis.inertia.get();
        let mut points: Vec<([f64; 2], f64)> = self
            .levels
            .iter()
            .flat_map(|l| {
                let e = &l.estimate;
                let torque = |sign: f64| {
                    (sign * e.gain.mean.get() + e.offset.mean.get())
                        * inertia
                        * self.percent_per_torque()
                        * self.context.count_sign()
                };
                let u = 2.0
                    * (e.gain.standard_uncertainty.get() * inertia * self.percent_per_torque())
                        .hypot(torque(1.0) * self.inertia_share());
                [
                    ([e.level_offset.get() - e.level.get(), torque(-1.0)], u),
                    ([e.level_offset.get() + e.level.get(), torque(1.0)], u),
                ]
            })
            .collect();
        points.sort_by(|a, b| a.0[0].total_cmp(&b.0[0]));
        let uncertainty: Vec<f64> = points.iter().map(|p| p.1).collect();
        let measured: Vec<[f64; 2]> = points.iter().map(|p| p.0).collect();
        let beside: Vec<[f64; 2]> = measured.iter().map(|[v, t]| [*v, t - target * v]).collect();
        let end = self.highest().get() * 1.08;
        let ends = [-end, 0.0, end];
        let axis = |label: &str, unit: &str| PlotAxis { label: label.to_owned(), unit: unit.to_owned() };
        let series = |name: &str, style, points, uncertainty| Series {
            name: name.to_owned(),
            style,
            points,
            uncertainty,
        };
        let band = |name: &str, about: f64| Band {
            name: name.to_owned(),
            points: ends
                .map(|v| [v, about * v - (share * target * v).abs(), about * v + (share * target * v).abs()])
                .to_vec(),
        };
        let fitted = self.measured_gain().get();
        Plot {
            id: "command-scale-torque".to_owned(),
            title: "Torque against command".to_owned(),
            description: format!(
                "Torque in percent of rated torque against the command in volts, at {} levels of either sign, with the \
                 target of {target:.3} %/V and its tolerance; beneath, the torque less the target.",
                self.levels.len()
            ),
            x: axis("Command", "V"),
            panels: vec![
                Panel {
                    y: axis("Torque", "% of rated"),
                    series: vec![
                        series("measured, U (k = 2)", SeriesStyle::Points, measured, uncertainty.clone()),
                        series(
                            "target",
                            SeriesStyle::Dashed,
                            ends.map(|v| [v, target * v]).to_vec(),
                            Vec::new(),
                        ),
                        series(
                            "fitted line",
                            SeriesStyle::Line,
                            ends.map(|v| [v, fitted * v]).to_vec(),
                            Vec::new(),
                        ),
                    ],
                    bands: vec![band("tolerance", target)],
                    marks: Vec::new(),
                },
                Panel {
                    y: axis("Torque less target", "% of rated"),
                    series: vec![series("measured less target", SeriesStyle::Points, beside, uncertainty)],
                    bands: vec![band("tolerance", 0.0)],
                    marks: Vec::new(),
                },
            ],
            lanes: Vec::new(),
        }
    }
}
