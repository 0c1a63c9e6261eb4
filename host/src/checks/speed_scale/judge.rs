//! What the speeds say about the scale.

use proofstand_units::{Percent, Rpm, RpmPerVolt, Volts};

use super::{WAYS, measured_in};
use crate::checks::rows::Row;
use crate::checks::{Context, Judgement, StepEvidence};
use crate::estimate::speed::{self, SpeedEstimate};
use crate::estimate::speed_line::{SpeedLine, SpeedPoint, speed_line};
use crate::metrology::{Budget, Contribution, Limits};
use crate::record::model::{Band, Panel, Plot, PlotAxis, ResultRow, Series, SeriesStyle, Verdict};

/// What a budget calls the command.
const COMMAND: &str = "command at the terminals";

/// One level as it was measured.
#[derive(Clone, Copy)]
struct Level {
    forward: bool,
    command: Volts,
    /// Positive where a positive command turns the shaft.
    speed: Rpm,
    estimate: SpeedEstimate,
}

impl Level {
    fn point(&self) -> SpeedPoint {
        SpeedPoint {
            command: self.command,
            speed: self.speed,
            scatter: self.estimate.standard_uncertainty,
            degrees_of_freedom: self.estimate.degrees_of_freedom,
        }
    }
}

pub(super) fn judge(context: &Context<'_>, evidence: &[StepEvidence]) -> Judgement {
    let mut out = Judgement::default();
    let Some(target) = context.motion.axis.speed_gain else { return out };
    let mut levels = Vec::new();
    for (name, sign) in WAYS {
        let Some(made) = evidence.iter().find(|e| e.name == name) else { continue };
        if let Some(trip) = made.trip() {
            let row = Row::text(
                &format!("speed-scale.{name}"),
                &format!("All levels, {}", context.way(Rpm::new(sign * context.count_sign()))),
                "measured",
            );
            out.results.push(row.is("tripped", Verdict::Rejected, &crate::fixture::trip_in_words(trip)));
        }
        levels.extend(measured(context, made, sign));
    }
    let scale = Scale { context, target, levels: &levels };
    let points: Vec<SpeedPoint> = levels.iter().map(Level::point).collect();
    let Ok(line) = speed_line(&points) else {
        let row = scale.gain_row("speed-scale.gain", "Speed per volt of command");
        out.results.push(row.without(Verdict::Undecided, "fewer than three levels gave a speed"));
        return out;
    };
    out.results.push(scale.gain("speed-scale.gain", "Speed per volt of command", &line));
    for (name, sign) in WAYS {
        let one_way: Vec<SpeedPoint> =
            levels.iter().filter(|l| l.forward == (sign > 0.0)).map(Level::point).collect();
        if let Ok(line) = speed_line(&one_way) {
            let way = context.way(Rpm::new(sign * context.count_sign()));
            let title = format!("Speed per volt of command, {way}");
            out.results.push(scale.gain(&format!("speed-scale.gain-{name}"), &title, &line));
        }
    }
    out.results.push(scale.offset(&line));
    out.results.push(scale.linearity(&line));
    out.notes.push(format!(
        "The line meets 0 rpm at {:+.1} mV: that command would hold the shaft still.",
        -line.offset.get() / line.gain.get() * 1e3
    ));
    out.plots.push(scale.plot(&line));
    out
}

/// The speeds of one run's levels that were measured to their end.
fn measured(context: &Context<'_>, made: &StepEvidence, sign: f64) -> Vec<Level> {
    let level = |n: usize| {
        let slot = measured_in(n);
        made.segment_start(slot + 1)?;
        let window: Vec<_> = made.segment_samples(slot).copied().collect();
        let estimate = speed::speed(&window, context.motion.axis.counts_per_rev).ok()?;
        let volts = window.iter().map(|s| f64::from(s.command.0) * 1e-6).sum::<f64>() / window.len() as f64;
        let speed = estimate.speed * context.count_sign();
        Some(Level { forward: sign > 0.0, command: Volts::new(volts), speed, estimate })
    };
    (0..context.motion.scale_speeds.len()).filter_map(level).collect()
}

struct Scale<'a> {
    context: &'a Context<'a>,
    target: RpmPerVolt,
    levels: &'a [Level],
}

impl Scale<'_> {
    fn highest(&self) -> Volts {
        self.levels.iter().map(|l| l.command.abs()).fold(Volts::ZERO, Volts::max)
    }

    fn gain_limits(&self) -> Option<Limits<RpmPerVolt>> {
        let share = self.context.sheet.tolerances.speed_gain.value.get() / 100.0;
        Limits::around(self.target, self.target * share).ok()
    }

    fn gain_row(&self, id: &str, title: &str) -> Row {
        let row = Row::number(id, title, "rpm/V").target(self.target.get());
        match self.gain_limits() {
            Some(limits) => row.limits(&limits),
            None => row,
        }
    }

    /// What all levels share comes after the fit, never as weights: command, clock.
    fn gain(&self, id: &str, title: &str, line: &SpeedLine) -> ResultRow {
        let command = self.context.equipment.command;
        let levels = command.in_slope(COMMAND, line.gain, self.highest(), line.gain.get() * line.gain_spread);
        let budget = Budget::new(line.gain)
            .with(Contribution::type_a(
                "scatter of the levels about the line",
                line.gain_scatter,
                line.degrees_of_freedom,
            ))
            .with_all(levels.all())
            .with(Contribution::rectangular(
                "clock of the fixture",
                line.gain * self.context.equipment.clock.to_ratio(),
            ));
        match self.gain_limits() {
            Some(limits) => self.gain_row(id, title).judged(&budget, &limits, self.context.by_command()),
            None => self.gain_row(id, title).without(Verdict::Undecided, "the tolerance leaves no room"),
        }
    }

    fn offset(&self, line: &SpeedLine) -> ResultRow {
        let budget = Budget::new(line.offset)
            .with(Contribution::type_a(
                "scatter of the levels about the line",
                line.offset_scatter,
                line.degrees_of_freedom,
            ))
            .with_all(self.context.equipment.command.at_zero(
                COMMAND,
                line.gain.get(),
                line.gain.get() * line.offset_spread,
            ));
        let row = Row::number("speed-scale.offset", "Speed at 0 V, by the line", "rpm").target(0.0);
        let allowed = self.context.speed_offset_allowed().unwrap_or(Rpm::ZERO);
        match Limits::around(Rpm::ZERO, allowed) {
            Ok(limits) => row.judged(&budget, &limits, self.context.by_command()),
            Err(_) => row.without(Verdict::Undecided, "the tolerance leaves no room"),
        }
    }

    /// Percent of full speed in an rpm.
    fn percent_per_rpm(&self) -> f64 {
        let share = self.context.sheet.tolerances.speed_offset.value.get();
        self.context.speed_offset_allowed().map_or(0.0, |allowed| share / allowed.get())
    }

    fn linearity(&self, line: &SpeedLine) -> ResultRow {
        let percent = self.percent_per_rpm();
        let worst =
            line.residuals.iter().zip(self.levels).max_by(|a, b| a.0.get().abs().total_cmp(&b.0.get().abs()));
        let row =
            Row::number("speed-scale.linearity", "Farthest from a straight line, percent of full speed", "%");
        let Some((residual, level)) = worst else {
            return row.without(Verdict::Undecided, "no level gave a speed");
        };
        let budget = Budget::new(Percent::new(residual.get().abs() * percent))
            .with(Contribution::type_a(
                "scatter at the level farthest from the line",
                Percent::new(level.estimate.standard_uncertainty.get() * percent),
                level.estimate.degrees_of_freedom,
            ))
            .with(self.context.equipment.command.curve(COMMAND, line.gain.get() * percent));
        row.judged(
            &budget,
            &Limits::AtMost(self.context.sheet.tolerances.linearity.value),
            self.context.by_command(),
        )
    }

    /// Speed against volts, and what is left beside the target.
    fn plot(&self, line: &SpeedLine) -> Plot {
        let target = self.target.get();
        let share = self.context.sheet.tolerances.speed_gain.value.get() / 100.0;
        let allowed = self.context.speed_offset_allowed().map_or(0.0, Rpm::get);
        let u = |level: Volts| self.context.equipment.command.standard(level).get() * line.gain.get();
        let mut points: Vec<([f64; 2], f64)> = self
            .levels
            .iter()
            .map(|l| {
                let expanded = 2.0 * l.estimate.standard_uncertainty.get().hypot(u(l.command));
                ([l.command.get(), l.speed.get()], expanded)
            })
            .collect();
        points.sort_by(|a, b| a.0[0].total_cmp(&b.0[0]));
        let uncertainty: Vec<f64> = points.iter().map(|p| p.1).collect();
        let measured: Vec<[f64; 2]> = points.iter().map(|p| p.0).collect();
        let beside: Vec<[f64; 2]> = measured.iter().map(|[v, n]| [*v, n - target * v]).collect();
        let end = self.highest().get() * 1.08;
        let ends = [-end, 0.0, end];
        let axis = |label: &str, unit: &str| PlotAxis { label: label.to_owned(), unit: unit.to_owned() };
        let series = |name: &str, style, points, uncertainty| Series {
            name: name.to_owned(),
            style,
            points,
            uncertainty,
        };
        let band = |about: f64| Band {
            name: "tolerance of gain and offset".to_owned(),
            points: ends
                .map(|v| {
                    let room = (share * target * v).abs() + allowed;
                    [v, about * v - room, about * v + room]
                })
                .to_vec(),
        };
        let fitted = ends.map(|v| [v, line.offset.get() + line.gain.get() * v]).to_vec();
        Plot {
            id: "speed-scale-speed".to_owned(),
            title: "Speed against command".to_owned(),
            description: format!(
                "Speed in rpm against the command in volts, at {} levels of either sign together, with the target of \
                 {target:.3} rpm/V and its tolerance; beneath, the speed less the target.",
                self.levels.len()
            ),
            x: axis("Command", "V"),
            panels: vec![
                Panel {
                    y: axis("Speed", "rpm"),
                    series: vec![
                        series("measured, U (k = 2)", SeriesStyle::Points, measured, uncertainty.clone()),
                        series(
                            "target",
                            SeriesStyle::Dashed,
                            ends.map(|v| [v, target * v]).to_vec(),
                            Vec::new(),
                        ),
                        series("fitted line", SeriesStyle::Line, fitted, Vec::new()),
                    ],
                    bands: vec![band(target)],
                    marks: Vec::new(),
                },
                Panel {
                    y: axis("Speed less target", "rpm"),
                    series: vec![series("measured less target", SeriesStyle::Points, beside, uncertainty)],
                    bands: vec![band(0.0)],
                    marks: Vec::new(),
                },
            ],
            lanes: Vec::new(),
        }
    }
}
