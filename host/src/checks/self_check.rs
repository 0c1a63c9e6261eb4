//! The fixture against itself: does it read back what it puts out, with the amplifier cut off?

use proofstand_units::{Seconds, Volts};

use super::rows::Row;
use super::{
    Check, Context, Equipment, Judgement, Need, SelfCheckReading, SelfCheckStep, Step, StepEvidence,
};
use crate::metrology::{Budget, KnownVoltage, read_back};
use crate::planner::CannotPlan;
use crate::record::model::{Band, Panel, Plot, PlotAxis, ResultRow, Series, SeriesStyle, Verdict};

/// The check.
pub(super) struct FixtureSelfCheck;

const STEP: &str = "self-check";
/// Both signs, small and large, and zero.
const LEVELS: [f64; 9] = [0.0, 0.5, -0.5, 2.5, -2.5, 5.0, -5.0, 9.9, -9.9];
/// Settling and reading of one level.
const A_LEVEL: Seconds = Seconds::new(0.01);

/// One reading: what was found, what it may be, and from what that follows.
struct Found {
    budget: Budget<Volts>,
    limit: Volts,
}

impl Found {
    /// Read-back less command, at the converter.
    fn at_converter(context: &Context<'_>, reading: &SelfCheckReading) -> Self {
        let Equipment { command, converter, .. } = &context.equipment;
        let found = reading.converter - reading.level;
        Self {
            budget: read_back::difference(converter, command, reading.level, found),
            limit: three_digits(read_back::limit(converter, command, reading.level)),
        }
    }

    /// The terminal, which is cut off.
    fn at_terminal(context: &Context<'_>, reading: &SelfCheckReading) -> Self {
        let terminal = &context.equipment.terminal;
        Self {
            budget: read_back::at_rest(terminal, reading.terminal),
            limit: three_digits(read_back::limit_at_rest(terminal)),
        }
    }

    /// How near to its limit, or how far beyond it: 1 is on it.
    fn share(&self) -> f64 {
        self.budget.value.get().abs() / self.limit.get()
    }
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
        for (id, name, of) in [
            (
                "fixture-self-check.above",
                "Read-back of positive commands less the command, nearest to its limit",
                1.0,
            ),
            (
                "fixture-self-check.below",
                "Read-back of negative commands less the command, nearest to its limit",
                -1.0,
            ),
        ] {
            let of_sign = made.readings.iter().filter(|r| r.level.get() * of >= 0.0);
            let found = of_sign.map(|r| Found::at_converter(context, r));
            out.results.push(row(&context.equipment.converter, context, id, name, found));
        }
        let found = made.readings.iter().map(|r| Found::at_terminal(context, r));
        let name = "Terminal while it is cut off, farthest from 0 V";
        out.results.push(row(
            &context.equipment.terminal,
            context,
            "fixture-self-check.terminal",
            name,
            found,
        ));
        out.results.extend(calibration(context));
        out.plots.extend(plot(context, &made.readings));
        out.notes.push(
            "The limit is three standard uncertainties of the difference. Command and read-back were calibrated with one \
             meter: its error is in both, cancels here, and can't be seen here."
                .to_owned(),
        );
        out
    }
}

/// A limit as it is judged and printed: rounded up to three significant digits, which widens it by less than 1 %.
fn three_digits(limit: Volts) -> Volts {
    let volts = limit.get();
    if !(volts > 0.0 && volts.is_finite()) {
        return limit;
    }
    let digit = 10_f64.powi(volts.log10().floor() as i32 - 2);
    Volts::new((volts / digit - 1e-9).ceil() * digit)
}

/// A calibration that can't be relied on; nothing is said of one that can.
fn calibration(context: &Context<'_>) -> Option<ResultRow> {
    let word = context.equipment.calibration;
    let row = Row::text("fixture-self-check.calibration", "The fixture's calibration", "in force");
    (word != "in force").then(|| {
        row.is(word, Verdict::Undecided, "no result that rests on volts is better than undecided without it")
    })
}

/// The one nearest to its limit, or farthest beyond it.
fn row(
    input: &KnownVoltage,
    context: &Context<'_>,
    id: &str,
    name: &str,
    all: impl Iterator<Item = Found>,
) -> ResultRow {
    let row = Row::number(id, name, "mV").target(0.0);
    let Some(found) = all.max_by(|a, b| a.share().total_cmp(&b.share())) else {
        return row.without(Verdict::NotDone, "nothing was read");
    };
    let limit = found.limit.get() * 1e3;
    let row = row.at_most(limit).at_least(-limit);
    let (verdict, sentence) = if found.share() > 1.0 {
        (
            Verdict::Rejected,
            "farther off than three standard uncertainties: the fixture is not what its calibration says",
        )
    } else if !context.equipment.command.calibrated {
        (Verdict::Undecided, "within what an uncalibrated fixture may be off; a calibration is missing")
    } else if !input.calibrated {
        (
            Verdict::Undecided,
            "within what an uncalibrated input may be off; the calibration has no table for it",
        )
    } else {
        (
            Verdict::Accepted,
            "within three standard uncertainties; what both share, the meter of their calibration, only another \
             calibration can see",
        )
    };
    row.shown(&found.budget, verdict, sentence)
}

fn plot(context: &Context<'_>, readings: &[SelfCheckReading]) -> Option<Plot> {
    let mut points: Vec<[f64; 2]> =
        readings.iter().map(|r| [r.level.get(), (r.converter.get() - r.level.get()) * 1e3]).collect();
    points.sort_by(|a, b| a[0].total_cmp(&b[0]));
    let Equipment { command, converter, .. } = &context.equipment;
    let limit = |v: f64| three_digits(read_back::limit(converter, command, Volts::new(v))).get() * 1e3;
    let allowed: Vec<[f64; 3]> = points.iter().map(|[v, _]| [*v, -limit(*v), limit(*v)]).collect();
    points.first()?;
    Some(Plot {
        id: "fixture-self-check-deviation".to_owned(),
        title: "Read-back less command".to_owned(),
        description: "What the fixture reads back at its converter less what it put out, over the command, within the band \
                      of three standard uncertainties of the difference."
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
                points: allowed,
            }],
            marks: Vec::new(),
        }],
        lanes: Vec::new(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_limit_is_judged_with_the_three_digits_that_it_is_printed_with_and_never_narrower() {
        let of = |millivolts: f64| three_digits(Volts::new(millivolts * 1e-3)).get() * 1e3;
        // Worked by hand.
        for (given, want) in [(0.840_25, 0.841), (0.84, 0.84), (37.5, 37.5), (1.000_1, 1.01), (0.999_9, 1.0)]
        {
            assert!((of(given) / want - 1.0).abs() < 1e-9, "{given}: {}", of(given));
        }
        assert!(three_digits(Volts::ZERO) == Volts::ZERO);
    }
}
