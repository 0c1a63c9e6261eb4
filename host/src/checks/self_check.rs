//! The fixture against itself: does it read back what it puts out, with the amplifier cut off?

use proofstand_units::{Seconds, Volts};

use super::rows::Row;
use super::{Check, Context, Judgement, Need, SelfCheckReading, SelfCheckStep, Step, StepEvidence};
use crate::planner::CannotPlan;
use crate::record::model::{Band, Panel, Plot, PlotAxis, ResultRow, Series, SeriesStyle, Verdict};

/// The check.
pub(super) struct FixtureSelfCheck;

const STEP: &str = "self-check";
/// Both signs, small and large, and zero.
const LEVELS: [f64; 9] = [0.0, 0.5, -0.5, 2.5, -2.5, 5.0, -5.0, 9.9, -9.9];
/// Settling and reading of one level.
const A_LEVEL: Seconds = Seconds::new(0.01);
/// One step of the output converter and one of the input converter: 20 V and 20.48 V over 2^16.
const STEPS: [f64; 2] = [20.0 / 65_536.0, 20.48 / 65_536.0];

/// What read-back and command may differ by: the stated expanded uncertainty of either, and half a step of each
/// converter at full width. The normalized error E_n of two values with stated uncertainties is then at most 1 (ISO/IEC 17043:2010,
/// B.3.1.3; from memory).
fn allowed(context: &Context<'_>) -> Volts {
    let stated = context.equipment.command_uncertainty.get();
    // A rectangle of half-width a step/2 has the expanded uncertainty step/√3.
    let steps: f64 = STEPS.iter().map(|step| step * step / 3.0).sum();
    Volts::new((2.0 * stated * stated + steps).sqrt())
}

impl Check for FixtureSelfCheck {
    fn id(&self) -> &'static str {
        "fixture-self-check"
    }

    fn title(&self) -> &'static str {
        "The fixture against itself"
    }

    fn shows(&self) -> &'static str {
        "With its output cut off from the amplifier, the fixture reads back the command that it puts out, at several \
         levels of both signs, and 0 V at the terminal meanwhile."
    }

    fn needs(&self) -> &'static [Need] {
        &[]
    }

    fn plan(&self, _: &Context<'_>) -> Result<Vec<Step>, CannotPlan> {
        Ok(vec![Step::SelfCheck(Box::new(SelfCheckStep {
            name: STEP,
            what: "Nothing moves: the command is cut off from the amplifier, set and read back".to_owned(),
            levels: LEVELS.map(Volts::new).to_vec(),
            expected: A_LEVEL * LEVELS.len() as f64,
        }))])
    }

    fn judge(&self, context: &Context<'_>, evidence: &[StepEvidence]) -> Judgement {
        let mut out = Judgement::default();
        let Some(made) = evidence.iter().find(|e| e.name == STEP) else { return out };
        let allowed = allowed(context);
        let at_converter = |r: &SelfCheckReading| r.converter.get() - r.level.get();
        for (id, name, of) in [
            (
                "fixture-self-check.above",
                "Read-back of positive commands less the command, farthest from 0",
                1.0,
            ),
            (
                "fixture-self-check.below",
                "Read-back of negative commands less the command, farthest from 0",
                -1.0,
            ),
        ] {
            let of_sign = made.readings.iter().filter(|r| r.level.get() * of >= 0.0);
            out.results.push(row(context, id, name, allowed, of_sign.map(at_converter)));
        }
        let terminal = made.readings.iter().map(|r| r.terminal.get());
        let name = "Terminal while it is cut off, farthest from 0 V";
        out.results.push(row(context, "fixture-self-check.terminal", name, allowed, terminal));
        out.plots.extend(plot(&made.readings, allowed));
        out
    }
}

/// In millivolts, up to the next hundredth.
fn shown(allowed: Volts) -> f64 {
    (allowed.get() * 1e5).ceil() * 1e-2
}

/// The farthest of some deviations in millivolts.
fn row(
    context: &Context<'_>,
    id: &str,
    name: &str,
    allowed: Volts,
    deviations: impl Iterator<Item = f64>,
) -> ResultRow {
    let limit = shown(allowed);
    let row = Row::number(id, name, "mV").target(0.0).at_most(limit).at_least(-limit);
    let Some(farthest) = deviations.max_by(|a, b| a.abs().total_cmp(&b.abs())) else {
        return row.without(Verdict::NotDone, "nothing was read");
    };
    let row = row.measured(farthest * 1e3);
    if farthest.abs() * 1e3 > limit {
        row.verdict(
            Verdict::Rejected,
            "farther off than the stated uncertainties of command and read-back together: the fixture is not what its \
             calibration says",
        )
    } else if context.equipment.calibrated {
        row.verdict(
            Verdict::Accepted,
            "within the stated uncertainties of command and read-back together; both share one reference, which only a \
             calibration can see",
        )
    } else {
        row.verdict(
            Verdict::Undecided,
            "within what an uncalibrated fixture may be off; a calibration is missing",
        )
    }
}

fn plot(readings: &[SelfCheckReading], allowed: Volts) -> Option<Plot> {
    let mut points: Vec<[f64; 2]> =
        readings.iter().map(|r| [r.level.get(), (r.converter.get() - r.level.get()) * 1e3]).collect();
    points.sort_by(|a, b| a[0].total_cmp(&b[0]));
    let (first, last) = (points.first()?[0], points.last()?[0]);
    let limit = shown(allowed);
    Some(Plot {
        id: "fixture-self-check-deviation".to_owned(),
        title: "Read-back less command".to_owned(),
        description: "What the fixture reads back at its converter less what it put out, over the command, within the band \
                      that the stated uncertainties allow."
            .to_owned(),
        x: PlotAxis { label: "Command".to_owned(), unit: "V".to_owned() },
        panels: vec![Panel {
            y: PlotAxis { label: "Difference".to_owned(), unit: "mV".to_owned() },
            series: vec![Series {
                name: "read-back less command".to_owned(),
                style: SeriesStyle::Points,
                points,
                uncertainty: Vec::new(),
            }],
            bands: vec![Band {
                name: "allowed".to_owned(),
                points: [first, last].map(|v| [v, -limit, limit]).to_vec(),
            }],
            marks: Vec::new(),
        }],
        lanes: Vec::new(),
    })
}
