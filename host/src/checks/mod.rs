//! The checks. Each is data and two pure functions: what to do, and what to make of what came.
//!
//! To add one: write its file, add a line to [`ALL`]. A check sees the sheet, the targets and samples; it must never
//! know how a plant was made.

mod cap_flag;
mod cited;
mod command_scale;
mod creep;
mod enable_rest;
mod enable_turning;
mod end_switches;
mod evidence;
mod hand_turn;
mod line_count;
mod lines;
mod nudge;
mod recorded;
mod retention;
pub(crate) mod rotor_swing;
mod rows;
mod self_check;
mod speed_cap;
mod speed_scale;
mod speed_step;
mod step;
mod step_response;
mod traces;
mod verdict;

pub use cited::CitedDirection;
pub(crate) use nudge::{INDEX_STANDING, INDEX_UNCOUNTED, TURNS_UNCOUNTED};
pub(crate) use recorded::recorded;
pub(crate) use retention::AS_BEFORE;
pub use step::{
    Act, ActAt, ActWhat, Acted, AskNumberStep, Deed, MoveStep, ObserveStep, Prompt, SelfCheckReading,
    SelfCheckStep, Step, StepEnding, StepEvidence, Turned, is_about_the_axis,
};
pub use verdict::{unmet, worst};

use proofstand_protocol::message::{Contacts, TripCause};
use proofstand_units::{PartsPerMillion, Rpm};

use crate::metrology::{Calibration, Judging, KnownVoltage};
use crate::planner::{CannotPlan, MotionPlan};
use crate::record::model::{CheckRecord, NotDone, Plot, ResultRow};
use crate::sheet::{AxisSheet, InputRole, Polarity};
use crate::targets::Targets;

/// How transitions of A and B that can't be are called in what a result says.
pub(crate) const NO_ENCODER_MAKES: &str = "transitions of A and B that no encoder makes";

/// Every check, in the order of increasing energy.
pub const ALL: &[&dyn Check] = &[
    &lines::Lines,
    &hand_turn::HandTurn,
    &self_check::FixtureSelfCheck,
    &enable_rest::EnableRest,
    &creep::Creep,
    &nudge::Nudge,
    &line_count::SLOW,
    &enable_turning::EnableTurning,
    &end_switches::EndSwitches,
    &speed_cap::SpeedCap,
    &cap_flag::CapFlag,
    &command_scale::CommandScale,
    &speed_scale::SpeedScale,
    &step_response::StepResponse,
    &speed_step::SpeedStep,
    &line_count::FAST,
    &retention::Retention,
];

/// Checks that are made only when asked for by name.
pub const BY_NAME: &[&dyn Check] = &[&rotor_swing::RotorSwing];

/// Every check there is, in order: those of an acceptance, then those that are made by name only.
pub fn every() -> impl Iterator<Item = &'static dyn Check> {
    ALL.iter().chain(BY_NAME).copied()
}

/// What a check may know.
#[derive(Debug)]
pub struct Context<'a> {
    /// The customer's expectation.
    pub sheet: &'a AxisSheet,
    /// What follows from it.
    pub targets: &'a Targets,
    /// Motion that fits the axis.
    pub motion: &'a MotionPlan,
    /// The equipment's accuracy.
    pub equipment: Equipment,
    /// A person is beside the bench.
    pub attended: bool,
    /// What a person saw in an earlier run of the same unit and wiring.
    pub cited: Option<&'a CitedDirection>,
    /// What the checks made before in this run came to. A check that compares reads it; one that judges by itself need not.
    pub earlier: &'a [CheckRecord],
}

impl Context<'_> {
    /// +1 if the counts rise on a positive command, −1 if they fall.
    #[must_use]
    pub fn count_sign(&self) -> f64 {
        self.motion.axis.count_sign
    }

    /// What a speed command may turn the shaft by at 0 V; none for a torque command.
    #[must_use]
    pub fn speed_offset_allowed(&self) -> Option<Rpm> {
        (!self.sheet.command.pair.is_torque()).then_some(self.targets.speed_offset)
    }

    /// By what a result is judged that rests on no calibration: counts, times, speeds.
    #[must_use]
    pub const fn by(&self) -> Judging {
        Judging { rule: self.sheet.decision, calibration: Calibration::InForce }
    }

    /// By what a result is judged that rests on the command put out: without a calibration in force it is never accepted.
    #[must_use]
    pub fn by_command(&self) -> Judging {
        self.by_volts(&[self.equipment.command])
    }

    /// By what a result is judged that rests on the command as it is read back at the terminals.
    #[must_use]
    pub fn by_read_back(&self) -> Judging {
        self.by_volts(&[self.equipment.command, self.equipment.terminal])
    }

    /// By what a result is judged that rests on the amplifier's torque read-out, over the command read back.
    #[must_use]
    pub fn by_torque_read_out(&self) -> Judging {
        self.by_volts(&[self.equipment.command, self.equipment.terminal, self.equipment.torque_read_out])
    }

    /// The first of them is the command: its calibration is that of the fixture.
    fn by_volts(&self, voltages: &[KnownVoltage]) -> Judging {
        let calibration = if !self.equipment.command.calibrated {
            Calibration::MissingOrOutOfDate
        } else if voltages.iter().all(|v| v.calibrated) {
            Calibration::InForce
        } else {
            Calibration::InputWithout
        };
        Judging { rule: self.sheet.decision, calibration }
    }

    /// In words, which way the shaft turns when the counts go with this sign; as the sheet expects it.
    #[must_use]
    pub fn way(&self, counted: Rpm) -> &'static str {
        let positive = counted.get() * self.count_sign() >= 0.0;
        let rotation = self.sheet.direction.positive_command;
        if positive { rotation.words() } else { rotation.reversed().words() }
    }
}

/// What the judge must know of the fixture.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Equipment {
    /// The command as it is put out, at the terminals.
    pub command: KnownVoltage,
    /// The command as it is read back at the terminals.
    pub terminal: KnownVoltage,
    /// The command as it is read back at the converter, before the change-over contact.
    pub converter: KnownVoltage,
    /// The voltage at the torque read-out's input.
    pub torque_read_out: KnownVoltage,
    /// What its calibration is, in a word or two: `in force` where it was valid on the day.
    pub calibration: &'static str,
    /// Largest relative error of the fixture's clock.
    pub clock: PartsPerMillion,
    /// The fixture can open enable under command.
    pub opens_enable: bool,
}

/// A result that must be accepted before a check may move anything.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Need {
    /// The check that gives it.
    pub check: &'static str,
    /// The result's id.
    pub result: &'static str,
    /// Why it is needed, for a reader.
    pub why: &'static str,
}

impl Need {
    /// The result in a reader's words: its name, where the records have it, and its check's title.
    pub(crate) fn in_words(&self, records: &[CheckRecord]) -> String {
        let title = by_id(self.check).map_or(self.check, |check| check.title());
        let row = records.iter().flat_map(|r| &r.results).find(|r| r.id == self.result);
        row.map_or_else(|| format!("\"{title}\""), |row| format!("\"{}\" of \"{title}\"", row.name))
    }
}

/// Nothing is enabled while a pair may be open.
pub(super) const PAIRS_DRIVEN: Need = Need {
    check: "lines",
    result: "lines.pairs",
    why: "nothing is enabled before every encoder pair is known to be driven",
};

/// The gate: nothing faster than 100 rpm before it.
pub(super) const COUNTS_PROVEN: Need = Need {
    check: "line-count-slow",
    result: "line-count-slow.gate",
    why: "nothing moves faster than 100 rpm until an index interval has given the stated counts",
};

/// No working speed before it.
pub(super) const CAP_BEFORE_WORKING_SPEED: Need = Need {
    check: "speed-cap",
    result: "speed-cap.active",
    why: "no working speed is commanded until the speed cap is proven",
};

/// The shaft moves, and stops, as commanded.
pub(super) const MOVES: Need = Need {
    check: "nudge",
    result: "nudge.moves",
    why: "nothing more is tried until the shaft moves, and stops, as commanded",
};

/// It stands still without a command.
pub(super) const RESTS: Need = Need {
    check: "nudge",
    result: "nudge.rest",
    why: "nothing more is tried while the shaft moves without a command",
};

/// A held speed needs counts that follow the command.
pub(super) const COUNTS_FOLLOW: Need = Need {
    check: "nudge",
    result: "nudge.counts",
    why: "the speed can't be held until counts are known to follow the command",
};

/// No full level before it.
pub(super) const CAP_PROVEN: Need = Need {
    check: "speed-cap",
    result: "speed-cap.active",
    why: "nothing runs at a full level until the speed cap is proven",
};

/// Nothing runs at a full level before this.
pub(super) const ENABLE_OBEYED: Need = Need {
    check: "enable-off-turning",
    result: "enable-off-turning.gate",
    why: "nothing runs at a full level until opening enable is known to take the torque away",
};

/// Whether the fixture can open enable under command.
pub(super) fn can_open_enable(context: &Context<'_>) -> Result<(), CannotPlan> {
    if context.equipment.opens_enable {
        return Ok(());
    }
    Err(CannotPlan {
        why: "this fixture's firmware can't open enable while it commands".to_owned(),
        remedy: "newer firmware on the fixture".to_owned(),
    })
}

/// Contacts as the axis is delivered: nothing where it is delivered unwired, else in the state that asks for nothing.
#[must_use]
pub fn as_delivered(sheet: &AxisSheet) -> Contacts {
    let closed = |role| sheet.input(role).is_some_and(|i| !i.delivered_unwired && i.active == Polarity::Open);
    Contacts {
        clear_fault: closed(InputRole::ClearFault),
        end_plus: closed(InputRole::EndSwitchPositive),
        end_minus: closed(InputRole::EndSwitchNegative),
    }
}

/// What a check makes of its evidence.
#[derive(Debug, Default, Clone, PartialEq)]
pub struct Judgement {
    /// Results, in a reader's order.
    pub results: Vec<ResultRow>,
    /// Pictures.
    pub plots: Vec<Plot>,
    /// Remarks a reader needs.
    pub notes: Vec<String>,
    /// Why nothing came of it, where that is nobody's fault.
    pub not_done: Option<NotDone>,
}

/// A check.
pub trait Check: Sync {
    /// Its name on the command line.
    fn id(&self) -> &'static str;

    /// Its title.
    fn title(&self) -> &'static str;

    /// What it shows, in a sentence.
    fn shows(&self) -> &'static str;

    /// Whether it says anything about such an axis. What is for another kind of command is left out, not passed.
    fn is_for(&self, _sheet: &AxisSheet) -> bool {
        true
    }

    /// What must have been accepted before.
    fn needs(&self) -> &'static [Need];

    /// Checks that it compares with: made with it where it is asked for by name, whatever they come to.
    fn compares_with(&self) -> &'static [&'static str] {
        &[]
    }

    /// The steps, fitted to the axis.
    ///
    /// # Errors
    /// [`CannotPlan`] with the reason and the remedy if the axis does not allow the check.
    fn plan(&self, context: &Context<'_>) -> Result<Vec<Step>, CannotPlan>;

    /// Whether a planned step is still worth making after what came before it in the same check.
    fn wants(&self, _context: &Context<'_>, _step: &Step, _so_far: &[StepEvidence]) -> bool {
        true
    }

    /// Whether the check's other steps still make sense after this trip. A level that is too low to move the shaft says
    /// nothing about a higher one.
    fn goes_on_after(&self, _tripped: &StepEvidence) -> bool {
        false
    }

    /// Which other checks show the same. A check of which this is so does not keep an axis from being accepted where it
    /// can't be done; it is not done all the same, and the record says what stands for it.
    fn shown_also_by(&self) -> Option<&'static str> {
        None
    }

    /// What the evidence says. `evidence` has one entry for each step that was made; later steps are missing if one
    /// ended in a trip.
    fn judge(&self, context: &Context<'_>, evidence: &[StepEvidence]) -> Judgement;
}

/// The motion tripped because its command did not move the shaft, from rest or out of a turn-round. An encoder that falls
/// silent while the shaft turns trips the same way, and is another thing: its last counts came fast.
#[must_use]
pub(super) fn too_low_to_move(made: &StepEvidence) -> bool {
    let silent = made.trip().is_some_and(|t| t.cause == TripCause::NoCounts);
    let last_count = made.samples.windows(2).rposition(|w| w[0].position != w[1].position).unwrap_or(0);
    let before =
        &made.samples[last_count.saturating_sub(LAST_SAMPLES)..made.samples.len().min(last_count + 1)];
    silent && before.iter().all(|s| s.speed.0.abs() < NO_SPEED)
}

/// A shaft that turned no faster than this, in 1/1000 rpm, only trembled, began to creep, or was just turning round.
const NO_SPEED: i32 = 20_000;
/// Samples before the last count in which the speed is looked at.
const LAST_SAMPLES: usize = 3;

/// A check by its name.
#[must_use]
pub fn by_id(id: &str) -> Option<&'static dyn Check> {
    every().find(|c| c.id() == id)
}

/// Those of the checks that say something about the sheet's axis, in the same order.
#[must_use]
pub fn for_axis(checks: &[&'static dyn Check], sheet: &AxisSheet) -> Vec<&'static dyn Check> {
    checks.iter().copied().filter(|c| c.is_for(sheet)).collect()
}

/// The checks asked for and all that they need or compare with, in order.
#[must_use]
pub fn with_needs(asked: &[&'static dyn Check]) -> Vec<&'static dyn Check> {
    let mut wanted: Vec<&str> = asked.iter().map(|c| c.id()).collect();
    let mut at = 0;
    while let Some(&id) = wanted.get(at) {
        let (needs, compares_with) = by_id(id).map_or((&[][..], &[][..]), |c| (c.needs(), c.compares_with()));
        for needed in needs.iter().map(|n| n.check).chain(compares_with.iter().copied()) {
            if !wanted.contains(&needed) {
                wanted.push(needed);
            }
        }
        at += 1;
    }
    every().filter(|c| wanted.contains(&c.id())).collect()
}

/// Names of the checks that a check needs, directly and through others, in order.
#[must_use]
pub fn needed_by(check: &'static dyn Check) -> Vec<&'static str> {
    with_needs(&[check]).into_iter().map(|c| c.id()).filter(|id| *id != check.id()).collect()
}

/// The checks that need one of these, directly or through others, in order.
#[must_use]
pub fn dependent_on(made: &[&'static dyn Check]) -> Vec<&'static dyn Check> {
    let needs_one = |c: &&'static dyn Check| {
        !made.iter().any(|m| m.id() == c.id())
            && needed_by(*c).iter().any(|needed| made.iter().any(|m| m.id() == *needed))
    };
    ALL.iter().copied().filter(needs_one).collect()
}

#[cfg(test)]
pub(crate) mod tests {
    use proofstand_protocol::message::{Sample, Trip};
    use proofstand_protocol::units::{Counts, Micros, Microvolts, MilliRpm};

    use super::*;
    use crate::metrology::VoltageUncertainty;
    use proofstand_units::Volts;

    /// A run that ended because no count came: the speeds of each millisecond until then, in rpm.
    fn silent(speeds: &[i32]) -> StepEvidence {
        let mut position = 0;
        let mut samples: Vec<Sample> = Vec::new();
        for (n, rpm) in speeds.iter().enumerate() {
            position += i64::from(*rpm);
            samples.push(Sample {
                at: Micros(1000 * n as u64),
                position: Counts(position),
                speed: MilliRpm(rpm * 1000),
                ..Sample::default()
            });
        }
        let trip = Trip {
            number: 1,
            cause: TripCause::NoCounts,
            at: Micros(1000 * speeds.len() as u64),
            position: Counts(position),
            speed: MilliRpm(0),
            command: Microvolts(500_000),
            acknowledged: false,
        };
        StepEvidence { samples, ending: StepEnding::Tripped(trip), ..StepEvidence::named("run") }
    }

    #[test]
    fn a_shaft_that_surged_and_came_to_rest_was_driven_too_weakly_and_one_that_fell_silent_was_not() {
        let then = |first: &[i32], second: &[i32]| silent(&[first, second, &[0; 800]].concat());
        assert!(too_low_to_move(&silent(&[0; 900])), "it never moved");
        assert!(too_low_to_move(&then(&[3; 50], &[])), "it only crept");
        let surge: Vec<i32> = (0..60).map(|n| 60 - n).collect();
        assert!(too_low_to_move(&then(&surge, &[])), "a surge that died away");
        assert!(!too_low_to_move(&then(&[400; 50], &[])), "an encoder that fell silent at speed");
        assert!(!too_low_to_move(&then(&surge, &[90; 30])), "the same after a surge");
        let mut finished = silent(&[0; 900]);
        finished.ending = StepEnding::Finished;
        assert!(!too_low_to_move(&finished));
    }

    /// Everything of a demonstration's axis, for tests of judges.
    pub(crate) fn with_film_winder<T>(look: impl FnOnce(&Context<'_>) -> T) -> T {
        with_axis("film-winder.toml", look)
    }

    /// The same of any of the demonstration's sheets.
    pub(crate) fn with_axis<T>(sheet: &str, look: impl FnOnce(&Context<'_>) -> T) -> T {
        let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("sheets").join(sheet);
        let sheet = crate::sheet::read(&path).unwrap().sheet;
        let targets = Targets::compute(&sheet);
        let axis = crate::planner::AxisNumbers::from_sheet(&sheet, &targets).unwrap();
        let motion = MotionPlan::new(axis, &targets.command).unwrap();
        let known = KnownVoltage {
            stated: VoltageUncertainty::flat(Volts::new(1e-3)),
            age_days: 30.0,
            calibrated: true,
        };
        let equipment = Equipment {
            command: known,
            terminal: known,
            converter: known,
            torque_read_out: known,
            calibration: "in force",
            clock: PartsPerMillion::new(50.0),
            opens_enable: true,
        };
        look(&Context {
            sheet: &sheet,
            targets: &targets,
            motion: &motion,
            equipment,
            attended: true,
            earlier: &[],
            cited: None,
        })
    }

    #[test]
    fn contacts_are_as_the_axis_is_delivered() {
        with_film_winder(|context| {
            assert_eq!(as_delivered(context.sheet), Contacts::default(), "unwired inputs are left open");
            let mut sheet = context.sheet.clone();
            for input in &mut sheet.inputs {
                input.delivered_unwired = false;
            }
            let wired = as_delivered(&sheet);
            assert!(
                wired.end_plus && wired.end_minus && !wired.clear_fault,
                "normally closed, and nothing to clear"
            );
        });
    }
}
