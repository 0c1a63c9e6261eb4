//! Speed against a speed command: gain, offset, linearity, both directions.

mod judge;

use proofstand_protocol::program::{Next, Segment};
use proofstand_units::{Rpm, Seconds, Turns, Volts};

use super::{Check, Context, Judgement, MoveStep, Need, Step, StepEvidence};
use crate::planner::{
    CannotPlan, Holding, LimitsFor, SpeedCommand, after, come_to_rest, ramp, total_timeout,
};
use crate::sheet::AxisSheet;

/// The check.
pub(super) struct SpeedScale;

/// Step names, with the command's sign.
const WAYS: [(&str, f64); 2] = [("forward", 1.0), ("reverse", -1.0)];
/// After the command stands, the speed is given so long to settle: a speed loop's integral part is slow beside its
/// bandwidth (common practice, no source).
const SETTLE: Seconds = Seconds::new(0.3);
/// The speed is measured over this long.
const WINDOW: Seconds = Seconds::new(0.5);

/// The segment in which a level's speed is measured.
const fn measured_in(level: usize) -> u8 {
    (2 * level + 1) as u8
}

/// Up the levels, each approached, given time, measured; then down to standstill.
fn program(holding: &Holding, drive: &SpeedCommand, levels: &[Rpm], sign: f64) -> Vec<Segment> {
    let slope = drive.volts_per_second();
    let mut program = Vec::new();
    let mut from = Rpm::ZERO;
    for (n, level) in levels.iter().enumerate() {
        let volts = drive.volts_for(*level) * sign;
        let approach = drive.time_to(*level - from) + SETTLE;
        let measure = measured_in(n);
        for (time, next) in [(approach, measure), (WINDOW, measure + 1)] {
            program.push(ramp(volts, slope, after(time), Next::Segment(next), time + Seconds::new(1.0)));
        }
        from = *level;
    }
    let down = drive.time_to(from) + SETTLE;
    let last = Next::Segment(measured_in(levels.len()));
    program.push(ramp(Volts::ZERO, slope, after(down), last, down + Seconds::new(1.0)));
    program.push(come_to_rest(holding, Seconds::new(2.0)));
    program
}

impl Check for SpeedScale {
    fn id(&self) -> &'static str {
        "speed-scale"
    }

    fn title(&self) -> &'static str {
        "Speed scale"
    }

    fn shows(&self) -> &'static str {
        "How much speed a volt of command makes, counted with the encoder at levels up to near the cap, both ways; the \
         offset at 0 V; how straight the line is."
    }

    fn is_for(&self, sheet: &AxisSheet) -> bool {
        !sheet.command.pair.is_torque()
    }

    fn needs(&self) -> &'static [Need] {
        &[super::COUNTS_PROVEN, super::CAP_BEFORE_WORKING_SPEED]
    }

    fn plan(&self, context: &Context<'_>) -> Result<Vec<Step>, CannotPlan> {
        let levels = &context.motion.scale_speeds;
        let Some(drive) = context.motion.hold.speed_command().filter(|_| !levels.is_empty()) else {
            return Err(CannotPlan {
                why: "the axis takes a torque command".to_owned(),
                remedy: "the command scale by reversal".to_owned(),
            });
        };
        let top = levels.iter().copied().fold(Rpm::ZERO, Rpm::max);
        let step = |(name, sign): (&'static str, f64)| {
            let program = program(&context.motion.hold, &drive, levels, sign);
            let time = (SETTLE + WINDOW) * levels.len() as f64 + drive.time_to(top) * 2.0 + SETTLE;
            let turns: f64 = levels.iter().map(|l| l.get() / 60.0 * (SETTLE + WINDOW).get()).sum();
            Step::Move(Box::new(MoveStep {
                name,
                what: format!(
                    "The shaft turns {} at {} speeds up to {:.0} rpm ({:.2} V), about {turns:.0} turns",
                    context.way(Rpm::new(sign * context.count_sign())),
                    levels.len(),
                    top.get(),
                    drive.volts_for(top).get()
                ),
                timeout: total_timeout(&program),
                program,
                limits: LimitsFor::working(context, Turns::new(turns * 2.0 + 20.0))
                    .command(drive.volts_for(top))
                    .limits(),
                expected: time + Seconds::new(0.5),
                acts: Vec::new(),
            }))
        };
        Ok(WAYS.into_iter().map(step).collect())
    }

    fn judge(&self, context: &Context<'_>, evidence: &[StepEvidence]) -> Judgement {
        judge::judge(context, evidence)
    }
}
