//! What the bursts say about the speed's response.

use proofstand_protocol::message::Event;
use proofstand_protocol::units::Micros;
use proofstand_units::{Percent, Rpm, Seconds};

use super::plot::plot;
use super::{WAYS, longest, stated};
use crate::checks::rows::Row;
use crate::checks::{Context, Judgement, StepEvidence};
use crate::estimate::speed_step::{Read, SpeedResponse, mean, speed_response};
use crate::estimate::step_response::CommandStep;
use crate::metrology::{Budget, Contribution, Limits, Quantity};
use crate::planner::{SpeedCommand, SpeedSteps};
use crate::record::model::{ResultRow, Verdict};
use crate::targets::Fixture;

/// The output's own lag is taken out; it may differ from its design by this much.
const OUTPUT_DOUBT: Seconds = Seconds::new(10e-6);

/// The mean response of one way, and its name.
pub(super) struct Way {
    pub(super) name: &'static str,
    pub(super) response: SpeedResponse,
}

pub(super) fn judge(
    context: &Context<'_>,
    plan: &SpeedSteps,
    drive: &SpeedCommand,
    evidence: &[StepEvidence],
) -> Judgement {
    let mut out = Judgement::default();
    let mut ways = Vec::new();
    for (name, sign) in WAYS {
        let Some(made) = evidence.iter().find(|e| e.name == name) else { continue };
        if let Some(trip) = made.trip() {
            let way = context.way(Rpm::new(sign * context.count_sign()));
            let row =
                Row::text(&format!("speed-step.trip-{name}"), &format!("Small steps, {way}"), "no trip");
            out.results.push(row.is("tripped", Verdict::Rejected, &crate::fixture::trip_in_words(trip)));
            continue;
        }
        let (steps, over) = steps(plan, drive, made, sign * context.count_sign());
        let mut all = Vec::new();
        for burst in made.bursts.iter().filter(|b| b.is_whole()) {
            match speed_response(burst, &steps, over, plan.expected, plan.half) {
                Ok(response) => all.push(response),
                Err(why) => out.notes.push(format!("A burst gave nothing: {why}.")),
            }
        }
        if let Some(response) = mean(&all) {
            ways.push(Way { name, response });
        }
    }
    if evidence.is_empty() {
        return out;
    }
    let responses: Vec<SpeedResponse> = ways.iter().map(|w| w.response.clone()).collect();
    let rows = Rows { context, ways: &ways, both: mean(&responses) };
    out.results.push(rows.time_constant());
    out.results.push(rows.rise());
    out.results.push(rows.overshoot());
    if let Some(both) = &rows.both {
        out.plots.push(plot(context, both, &ways));
        let counts = f64::from(context.motion.axis.counts_per_rev.get());
        out.notes.push(format!(
            "Mean of {} bursts, {} ways. The whole step was {:.1} rpm for {:.1} rpm asked for; positions lay about the fit by \
             {:.2} counts. Times count from the change at the terminals: the command's own filter is in them, the fixture's \
             output lag is taken out. Of the form of the response nothing is assumed.",
            both.bursts,
            ways.len(),
            both.whole().0.abs() / counts * 60.0,
            plan.step.get(),
            both.residual
        ));
    }
    out
}

/// The changes of the command, in steps of the counting direction, when they stood at the terminals; and when the last
/// command ended.
fn steps(
    plan: &SpeedSteps,
    drive: &SpeedCommand,
    made: &StepEvidence,
    counting: f64,
) -> (Vec<CommandStep>, u64) {
    let fixture = Fixture::DESIGN;
    let late = ((fixture.output_after_tick + fixture.output_lag).get() * 1e6).round() as u64;
    let whole = drive.volts_for(plan.step);
    let level = |segment: u8| plan.command_in(segment, drive) / whole * counting;
    let begun = made.events.iter().filter_map(|e| match e.event {
        Event::Segment { slot } => Some((slot, e.at.0)),
        _ => None,
    });
    let mut all = Vec::new();
    let mut over = u64::MAX;
    for (slot, at) in begun {
        if (1..=plan.halves).contains(&slot) {
            all.push(CommandStep { at: Micros(at + late), from: level(slot - 1), to: level(slot) });
        } else if slot == plan.halves + 1 {
            over = at;
        }
    }
    (all, over)
}

struct Rows<'a> {
    context: &'a Context<'a>,
    ways: &'a [Way],
    both: Option<SpeedResponse>,
}

impl Rows<'_> {
    /// Half of what the ways differ by.
    fn apart<Q: Quantity>(&self, of: impl Fn(&SpeedResponse) -> Option<Q>) -> Option<f64> {
        let all: Vec<f64> = self.ways.iter().filter_map(|w| of(&w.response)).map(|q| q.number()).collect();
        let (low, high) =
            all.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(*v), h.max(*v)));
        Some(0.5 * (high - low)).filter(|half| half.is_finite())
    }

    fn time_budget(
        &self,
        both: &SpeedResponse,
        read: &Read<Seconds>,
        of: fn(&SpeedResponse) -> Option<Read<Seconds>>,
    ) -> Budget<Seconds> {
        let apart = self.apart(|r| of(r).map(|read| read.value)).unwrap_or(0.0);
        Budget::new(read.value)
            .with_all(read.contributions(both.degrees_of_freedom))
            .with(Contribution::rectangular("difference between the directions", Seconds::new(apart)))
            .with(Contribution::rectangular("the fixture's own output lag", OUTPUT_DOUBT))
    }

    fn time_constant(&self) -> ResultRow {
        let row = Row::number(
            "speed-step.time-constant",
            "From a small step of the command to 63.2 % of the speed's",
            "ms",
        );
        self.time(row, stated(self.context), SpeedResponse::to_63)
    }

    fn rise(&self) -> ResultRow {
        let row = Row::number("speed-step.rise", "From 10 to 90 % of a small step of the speed", "ms");
        self.time(row, self.context.sheet.amplifier.speed_rise_time, SpeedResponse::rise)
    }

    fn time(
        &self,
        mut row: Row,
        stated: Option<Seconds>,
        of: fn(&SpeedResponse) -> Option<Read<Seconds>>,
    ) -> ResultRow {
        let limits = stated.map(|stated| Limits::AtMost(longest(self.context, stated)));
        if let (Some(stated), Some(limits)) = (stated, &limits) {
            row = row.target(stated.to_millis()).limits(limits);
        }
        let Some((both, read)) = self.both.as_ref().and_then(|both| Some((both, of(both)?))) else {
            return row.without(Verdict::Undecided, "no burst of positions gave a response: see the notes");
        };
        let budget = self.time_budget(both, &read, of);
        let row = match limits {
            Some(limits) => row.judged(&budget, &limits, self.context.by()),
            None => row.reported(&budget, "measured; the sheet states nothing to compare it with"),
        };
        self.both_ways(row, both)
    }

    fn overshoot(&self) -> ResultRow {
        let limits = Limits::AtMost(self.context.sheet.tolerances.speed_overshoot.value);
        let row = Row::number(
            "speed-step.overshoot",
            "Overshoot of the speed after a small step, of the step",
            "%",
        )
        .limits(&limits);
        let Some(both) = &self.both else {
            return row.without(Verdict::Undecided, "no burst of positions gave a response: see the notes");
        };
        let over = both.overshoot();
        let apart = self.apart(|r| Some(r.overshoot().percent.value)).unwrap_or(0.0);
        let budget = Budget::new(over.percent.value)
            .with_all(over.contributions(both.degrees_of_freedom))
            .with(Contribution::rectangular("difference between the directions", Percent::new(apart)));
        self.both_ways(row.judged(&budget, &limits, self.context.by()), both)
    }

    /// Nothing is accepted that was measured one way only, or before it was over.
    fn both_ways(&self, mut row: ResultRow, both: &SpeedResponse) -> ResultRow {
        if self.ways.len() < WAYS.len() && row.verdict == Verdict::Accepted {
            row.verdict = Verdict::Undecided;
            row.sentence = "measured one way only: both are needed".to_owned();
        }
        if !both.settled() {
            // The whole step is not known then, and what is read as shares of it is not either.
            if row.verdict == Verdict::Accepted {
                row.verdict = Verdict::Undecided;
                row.sentence = "the speed had not settled when the command changed again".to_owned();
            } else {
                row.sentence += "; the speed had not settled when the command changed again";
            }
        }
        row
    }
}
