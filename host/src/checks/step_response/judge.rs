//! What the bursts say about the torque's response.

use proofstand_protocol::message::{BurstKind, Event};
use proofstand_protocol::units::Micros;
use proofstand_units::{Seconds, Volts};

use super::{Run, SETTLE, command_in, longest, runs, stated};
use crate::checks::rows::Row;
use crate::checks::traces::not_empty;
use crate::checks::{Context, Judgement, StepEvidence};
use crate::estimate::step_response::{
    AT_TIME_CONSTANT, CommandStep, DelayEstimate, RISE_10_90, ResponseEstimate, delay, first_order, response,
};
use crate::fixture::Burst;
use crate::metrology::{Budget, Contribution, Limits};
use crate::planner::Alternation;
use crate::record::model::{Mark, Panel, Plot, PlotAxis, ResultRow, Series, SeriesStyle, Verdict};
use crate::sheet::TorqueShown;
use crate::targets::Fixture;

/// The output's own lag is taken out; it may differ from its design by this much.
const OUTPUT_DOUBT: Seconds = Seconds::new(10e-6);
/// A fit may begin at most at this share of the time that a command is held.
const SETTLE_MOST: f64 = 0.6;
/// A mean delay beyond this share of the time that a command is held has not settled in it.
const SETTLED_SHARE: f64 = 0.15;

pub(super) fn judge(context: &Context<'_>, plan: &Alternation, evidence: &[StepEvidence]) -> Judgement {
    let mut out = Judgement::default();
    let mut delays: Vec<(Run, DelayEstimate)> = Vec::new();
    let mut left = 0.0_f64;
    let mut responses: Vec<(Run, ResponseEstimate)> = Vec::new();
    for run in runs(context) {
        let Some(made) = evidence.iter().find(|e| e.name == run.name) else { continue };
        if let Some(trip) = made.trip() {
            let row =
                Row::text("step-response.trip", &format!("Alternating command, {}", run.name), "no trip");
            out.results.push(row.is("tripped", Verdict::Rejected, &crate::fixture::trip_in_words(trip)));
            continue;
        }
        let Some(burst) = made.bursts.iter().find(|b| b.is_whole()) else { continue };
        let steps = steps(plan, &run, made);
        let got = match run.order.kind {
            BurstKind::Position => delay_of(context, plan, burst, &steps)
                .map(|(d, still)| {
                    delays.push((run, d));
                    left = left.max(still);
                })
                .map_err(|e| e.to_string()),
            _ => {
                response_of(plan, burst, &steps).map(|r| responses.push((run, r))).map_err(|e| e.to_string())
            }
        };
        if let Err(why) = got {
            out.notes.push(format!("A burst gave nothing: {why}."));
        }
    }
    if !evidence.is_empty() {
        out.results.push(delay_row(context, plan, &delays, left));
    }
    out.plots.extend(behind_plot(&delays));
    out.plots.extend(response_plot(&responses));
    out.notes.push(
        "From positions the mean delay of the torque behind the command is sharp, whatever the form of the response: for one \
         first-order lag it is the time constant, for lags and dead times in a row their sum. The fixture's own output lag \
         is taken out. The stream of samples, one a millisecond, can't show it."
            .to_owned(),
    );
    out.notes.extend(response_note(context, &responses));
    out
}

/// The changes of the command, when they stood at the terminals: the fixture's own time and lag are taken out.
fn steps(plan: &Alternation, run: &Run, made: &StepEvidence) -> Vec<CommandStep> {
    let fixture = Fixture::DESIGN;
    let late = ((fixture.output_after_tick + fixture.output_lag).get() * 1e6).round() as u64;
    let command = |segment: u8| {
        // The brake's command is −V, whichever came before it.
        let sign = if segment > plan.halves { -run.sign } else { command_in(segment, run.sign) };
        plan.command.get() * sign
    };
    made.events
        .iter()
        .filter_map(|e| match e.event {
            Event::Segment { slot } if (1..=plan.halves + 1).contains(&slot) => {
                Some(CommandStep { at: Micros(e.at.0 + late), from: command(slot - 1), to: command(slot) })
            }
            _ => None,
        })
        .filter(|s| s.from != s.to)
        .collect()
}

/// A second look leaves out more, where the response is slower than stated; where that leaves too little, the first one
/// stands. With it, what share of the response was still to come where the fit begins.
fn delay_of(
    context: &Context<'_>,
    plan: &Alternation,
    burst: &Burst,
    steps: &[CommandStep],
) -> Result<(DelayEstimate, f64), crate::estimate::EstimateError> {
    let most = plan.half * SETTLE_MOST;
    let look = |settle: Seconds| {
        let settle = settle.min(most);
        let left = |d: &DelayEstimate| (-(settle / d.delay.max(Seconds::new(1e-6))).min(SETTLE)).exp();
        delay(burst, steps, settle).map(|d| {
            let still = left(&d);
            (d, still)
        })
    };
    let first = look(context.motion.axis.lag * SETTLE)?;
    if first.0.delay > context.motion.axis.lag {
        return look(first.0.delay * SETTLE).or(Ok(first));
    }
    Ok(first)
}

fn response_of(
    plan: &Alternation,
    burst: &Burst,
    steps: &[CommandStep],
) -> Result<ResponseEstimate, crate::estimate::EstimateError> {
    // The input's own lag is taken out with the command's.
    let late = (Fixture::DESIGN.read_out_lag.get() * 1e6).round() as u64;
    let steps: Vec<CommandStep> =
        steps.iter().map(|s| CommandStep { at: Micros(s.at.0 + late), ..*s }).collect();
    let torque: Vec<f64> = burst.read_outs().map(|(torque, _): (Volts, Volts)| torque.get()).collect();
    response(burst, &torque, &steps, plan.half - Seconds::from_millis(0.5))
}

fn delay_row(
    context: &Context<'_>,
    plan: &Alternation,
    delays: &[(Run, DelayEstimate)],
    left: f64,
) -> ResultRow {
    let mut row = Row::number("step-response.delay", "Delay of the torque behind its command", "ms");
    if let Some(stated) = stated(context) {
        row = row.target(stated.to_millis());
    }
    let limits = longest(context).map(Limits::AtMost);
    if let Some(limits) = &limits {
        row = row.limits(limits);
    }
    let n = delays.len() as f64;
    if delays.is_empty() {
        return row.without(Verdict::Undecided, "no burst of positions gave a delay: see the notes");
    }
    let mean = Seconds::new(delays.iter().map(|(_, d)| d.delay.get()).sum::<f64>() / n);
    let apart = delays.iter().map(|(_, d)| (d.delay - mean).get().abs()).fold(0.0, f64::max);
    let budget = Budget::new(mean)
        .with_all(delays.iter().map(|(run, d)| {
            let name = format!("scatter of the {}", run.name);
            Contribution::type_a(&name, Seconds::new(d.scatter.get() / n), d.degrees_of_freedom)
        }))
        .with(Contribution::rectangular("difference between the directions", Seconds::new(apart)))
        .with(Contribution::rectangular("the fixture's own output lag", OUTPUT_DOUBT))
        .with(Contribution::rectangular("transient left where the fit begins", mean * left));
    let mut row = match limits {
        Some(limits) => row.judged(&budget, &limits, context.by()),
        None => row.reported(&budget, "measured; the sheet states no time constants to compare with"),
    };
    let both = [1.0, -1.0].iter().all(|sign| delays.iter().any(|(run, _)| run.sign == *sign));
    if !both && row.verdict == Verdict::Accepted {
        row.verdict = Verdict::Undecided;
        row.sentence = "measured one way only: both are needed".to_owned();
    }
    if mean.get() > plan.half.get() * SETTLED_SHARE {
        row.sentence += "; it had not settled when the command changed again, and is rather longer still";
    }
    row
}

fn response_note(context: &Context<'_>, responses: &[(Run, ResponseEstimate)]) -> Option<String> {
    if responses.is_empty() {
        return None;
    }
    let n = responses.len() as f64;
    let mean = |of: fn(&ResponseEstimate) -> Seconds| {
        responses.iter().map(|(_, r)| of(r).to_millis()).sum::<f64>() / n
    };
    let u = |which: usize| {
        let sum: f64 =
            responses.iter().filter_map(|(_, r)| r.scatter.get(which)).map(|s| s.to_millis().powi(2)).sum();
        2.0 * sum.sqrt() / n
    };
    let (to_63, rise) = (mean(|r| r.to_63), mean(|r| r.rise));
    let steps: usize = responses.iter().map(|(_, r)| r.steps).sum();
    let what = match context.sheet.torque_read_out.as_ref().map(|r| r.shows) {
        Some(TorqueShown::Reference) => "the torque reference, which says nothing of the motor's torque,",
        _ => "the torque",
    };
    let single = to_63 * RISE_10_90;
    let form = if (rise / single - 1.0).abs() < 0.05 {
        "as one first-order lag would"
    } else {
        "so it is no single first-order lag"
    };
    Some(format!(
        "The read-out shows {what} at 63.2 % after {to_63:.3} ms (±{:.3} ms, k = 2, noise alone) and taking {rise:.3} ms \
         (±{:.3} ms) from 10 to 90 %; one lag would take 2.197 times the time constant, {single:.3} ms: {form}. Mean of {steps} \
         steps; the read-out's own filter is in it.",
        u(0),
        u(1)
    ))
}

/// How far the shaft falls behind an instant response, after each step of the command.
fn behind_plot(delays: &[(Run, DelayEstimate)]) -> Option<Plot> {
    let (_, first) = delays.first()?;
    let [speed, left] = first.fitted;
    let end = first.behind.iter().map(|p| p[0]).fold(0.0, f64::max);
    let fit = |x: f64| speed * x + left;
    let mut curves: Vec<Series> = delays
        .iter()
        .map(|(run, d)| Series {
            name: run.name.to_owned(),
            style: SeriesStyle::Points,
            points: binned(d.behind.iter().map(|[x, y]| [x * 1e3, y * d.gain.signum()])),
            uncertainty: Vec::new(),
        })
        .collect();
    let settled = first.delay.get() * 3.0;
    curves.push(Series {
        name: format!("fit: a delay of {:.3} ms", first.delay.to_millis()),
        style: SeriesStyle::Line,
        points: if settled < end {
            [settled, end].map(|x| [x * 1e3, fit(x) * first.gain.signum()]).to_vec()
        } else {
            Vec::new()
        },
        uncertainty: Vec::new(),
    });
    let residuals = delays.iter().map(|(run, d)| {
        let [speed, left] = d.fitted;
        Series {
            name: format!("{}, less its fit", run.name),
            style: SeriesStyle::Points,
            points: binned(
                d.behind
                    .iter()
                    .filter(|[x, _]| *x >= d.delay.get() * SETTLE)
                    .map(|[x, y]| [x * 1e3, y - speed * x - left]),
            ),
            uncertainty: Vec::new(),
        }
    });
    // A response so slow that it had not settled where the points end leaves nothing of a fit.
    let residuals = not_empty(residuals);
    let below = if residuals.is_empty() {
        "No point came after the time that the fit begins with, so that nothing is drawn of what it leaves."
    } else {
        "Below, what the fit leaves."
    };
    let mut panels = vec![panel("Behind, for one volt of change", not_empty(curves))];
    panels.extend((!residuals.is_empty()).then(|| panel("Left by the fit", residuals)));
    Some(Plot {
        id: "step-response-positions".to_owned(),
        title: "The shaft behind an instant response to the command".to_owned(),
        description: format!(
            "Counts by which the shaft lags behind where an instant torque would have brought it, for one volt of change, over \
             the time since the command changed; each point is a mean over half a millisecond of all steps. It falls back along a line whose slope is the delay, {:.3} ms. {below}",
            first.delay.to_millis()
        ),
        x: PlotAxis { label: "Time since the command changed".to_owned(), unit: "ms".to_owned() },
        panels,
        lanes: Vec::new(),
    })
}

/// Width of a bin of the picture, in milliseconds.
const BIN: f64 = 0.5;

/// Means over bins: single counts of many steps would hide the line.
fn binned(points: impl Iterator<Item = [f64; 2]>) -> Vec<[f64; 2]> {
    let mut sums: std::collections::BTreeMap<i64, [f64; 3]> = std::collections::BTreeMap::new();
    for [x, y] in points {
        let sum = sums.entry((x / BIN).floor() as i64).or_default();
        for (total, value) in sum.iter_mut().zip([x, y, 1.0]) {
            *total += value;
        }
    }
    sums.into_values().map(|[x, y, n]| [x / n, y / n]).collect()
}

fn panel(label: &str, series: Vec<Series>) -> Panel {
    Panel {
        y: PlotAxis { label: label.to_owned(), unit: "counts/V".to_owned() },
        series,
        bands: Vec::new(),
        marks: Vec::new(),
    }
}

/// The read-out's response, averaged, against one first-order lag.
fn response_plot(responses: &[(Run, ResponseEstimate)]) -> Option<Plot> {
    let (_, first) = responses.first()?;
    let tau = first.to_63.get();
    let end = (tau * 8.0).min(first.averaged.last()?[0]);
    let shown = |r: &ResponseEstimate| -> Vec<[f64; 2]> {
        r.averaged.iter().filter(|p| p[0] <= end).map(|[x, y]| [x * 1e3, y * 100.0]).collect()
    };
    let series = |name: String, style, points| Series { name, style, points, uncertainty: Vec::new() };
    let mut curves: Vec<Series> =
        responses.iter().map(|(run, r)| series(run.name.to_owned(), SeriesStyle::Points, shown(r))).collect();
    let model: Vec<[f64; 2]> = (0..=200)
        .map(|n| end * f64::from(n) / 200.0)
        .map(|x| [x * 1e3, 100.0 * first_order(x / tau)])
        .collect();
    curves.push(series(format!("one lag of {:.3} ms", tau * 1e3), SeriesStyle::Dashed, model));
    let residuals = responses
        .iter()
        .map(|(run, r)| {
            let left = shown(r).iter().map(|[x, y]| [*x, y - 100.0 * first_order(x * 1e-3 / tau)]).collect();
            series(format!("{}, less one lag", run.name), SeriesStyle::Points, left)
        })
        .collect();
    let axis = |label: &str| PlotAxis { label: label.to_owned(), unit: "%".to_owned() };
    let mark = |share: f64, name: &str| Mark { name: name.to_owned(), y: 100.0 * share };
    Some(Plot {
        id: "step-response-read-out".to_owned(),
        title: "The torque read-out after a step of the command".to_owned(),
        description: format!(
            "The read-out's response to a step of the command, averaged over {} steps, as a share of the step, against one \
             first-order lag that passes 63.2 % at the same time, {:.3} ms. Below, the difference.",
            responses.iter().map(|(_, r)| r.steps).sum::<usize>(),
            tau * 1e3
        ),
        x: PlotAxis { label: "Time since the command changed".to_owned(), unit: "ms".to_owned() },
        panels: vec![
            Panel {
                y: axis("Share of the step"),
                series: curves,
                bands: Vec::new(),
                marks: vec![mark(0.1, "10 %"), mark(AT_TIME_CONSTANT, "63.2 %"), mark(0.9, "90 %")],
            },
            Panel {
                y: axis("Difference from one lag"),
                series: residuals,
                bands: Vec::new(),
                marks: Vec::new(),
            },
        ],
        lanes: Vec::new(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::checks::tests::with_film_winder;
    use crate::metrology::DegreesOfFreedom;

    #[test]
    fn a_delay_that_was_measured_one_way_only_is_not_accepted_and_one_too_long_is_rejected_all_the_same() {
        with_film_winder(|context| {
            let plan = super::super::plan(context).unwrap();
            let of = |signs: &[f64], milliseconds: f64| {
                let delays: Vec<(Run, DelayEstimate)> = runs(context)
                    .into_iter()
                    .filter(|run| run.order.kind == BurstKind::Position && signs.contains(&run.sign))
                    .map(|run| {
                        let estimate = DelayEstimate {
                            delay: Seconds::from_millis(milliseconds),
                            scatter: Seconds::from_millis(0.01),
                            degrees_of_freedom: DegreesOfFreedom::INFINITE,
                            gain: 1.0,
                            residual: 0.3,
                            behind: Vec::new(),
                            fitted: [0.0; 2],
                        };
                        (run, estimate)
                    })
                    .collect();
                assert_eq!(delays.len(), signs.len());
                delay_row(context, &plan, &delays, (-SETTLE).exp()).verdict
            };
            let healthy = super::stated(context).unwrap().to_millis();
            assert_eq!(of(&[1.0, -1.0], healthy), Verdict::Accepted);
            assert_eq!(of(&[1.0], healthy), Verdict::Undecided);
            assert_eq!(of(&[-1.0], healthy), Verdict::Undecided);
            assert_eq!(of(&[1.0], 3.0 * healthy), Verdict::Rejected);
        });
    }
}
