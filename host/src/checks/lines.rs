//! Before anything is enabled: are the encoder pairs driven, and do the flags idle?

use proofstand_units::Seconds;

use super::evidence::{extent, flag_events, index_events};
use super::rows::Row;
use super::traces::{lane, quiet_plot};
use super::{Check, Context, Judgement, Need, ObserveStep, Step, StepEvidence};
use crate::planner::CannotPlan;
use crate::record::model::{ResultRow, Verdict};
use crate::sheet::{Flag, FlagRole};

/// The check.
pub(super) struct Lines;

const STEP: &str = "look";
/// How long to look: a flag that flickers does so more often than this (common practice, no source).
const LOOK: Seconds = Seconds::new(0.4);

impl Check for Lines {
    fn id(&self) -> &'static str {
        "lines"
    }

    fn title(&self) -> &'static str {
        "Lines and flags with enable open"
    }

    fn shows(&self) -> &'static str {
        "With enable open and 0 V, the receivers find every encoder pair driven, no index pulse comes, and the flags that have an idle state are \
         in it and stay there."
    }

    fn needs(&self) -> &'static [Need] {
        &[]
    }

    fn plan(&self, _: &Context<'_>) -> Result<Vec<Step>, CannotPlan> {
        Ok(vec![Step::Observe(Box::new(ObserveStep {
            name: STEP,
            what: "Nothing moves: enable is open, the command is 0 V, lines and flags are looked at"
                .to_owned(),
            contacts: None,
            prompt: None,
            time: LOOK,
        }))])
    }

    fn judge(&self, context: &Context<'_>, evidence: &[StepEvidence]) -> Judgement {
        let mut out = Judgement::default();
        let Some(made) = evidence.iter().find(|e| e.name == STEP) else { return out };
        out.results.push(pairs(made));
        out.results.push(index(made));
        for flag in &context.sheet.flags {
            out.results.extend(idles(flag, made));
            out.notes.push(format!(
                "Flag {}, terminal {}: {}.",
                flag.role.words(),
                flag.terminal,
                second_state(flag.role)
            ));
        }
        let lanes = context.sheet.flags.iter().filter_map(|flag| lane(flag, made)).collect();
        out.plots.extend(quiet_plot(
            "lines-flags",
            "Flags with enable open",
            "Way, and the state of each flag, while enable is open and the command is 0 V.",
            made,
            lanes,
        ));
        out
    }
}

fn pairs(made: &StepEvidence) -> ResultRow {
    let row = Row::text("lines.pairs", "Encoder pairs A, B and Z", "driven");
    match made.encoder_driven {
        Some(true) => row.is("driven", Verdict::Accepted, "the receivers find no open, shorted or unpowered pair"),
        Some(false) => row.is(
            "not driven",
            Verdict::Rejected,
            "the receivers find a pair open, shorted or without power: no count would mean anything",
        ),
        None => row.without(
            Verdict::Undecided,
            "this fixture can't tell whether a pair is driven; newer firmware, or a board with such receivers, can",
        ),
    }
}

/// So many pulses are no shaft's that someone brushed past (common practice, no source).
const FALSE_PULSES: usize = 3;
/// Counts that a standing shaft trembles by.
const TREMBLE: u64 = 2;

/// Nothing turns: an index pulse that comes all the same is no index pulse, unless the shaft rests on the index's very edge.
fn index(made: &StepEvidence) -> ResultRow {
    let row = Row::text("lines.index", "Index pulses while the shaft stands", "none");
    let seen = index_events(made).count();
    let text = match seen {
        1 => "1 pulse".to_owned(),
        more => format!("{more} pulses"),
    };
    match (extent(made), seen) {
        (_, 0) => row.is("none", Verdict::Accepted, "none came while nothing was done"),
        (moved, _) if moved > TREMBLE => row.without(Verdict::NotDone, "the shaft was moved meanwhile"),
        (_, FALSE_PULSES..) => {
            row.is(&text, Verdict::Rejected, "pulses came on pair Z and no counts with them: they are not the index's")
        }
        _ => row.is(
            &text,
            Verdict::Undecided,
            "a false pulse on pair Z, or a shaft that rests on the index's edge: turn it a little and look again",
        ),
    }
}

/// A short name of a flag in ids.
pub(super) const fn slug(role: FlagRole) -> &'static str {
    match role {
        FlagRole::HoldingSpeedDown => "holding-speed-down",
        FlagRole::CanEnable => "can-enable",
        FlagRole::TorqueOn => "torque-on",
        FlagRole::Fault => "fault",
        FlagRole::BrakeRelease => "brake-release",
    }
}

/// Whether the flag is active at the first sample.
pub(super) fn active_at_first(flag: &Flag, made: &StepEvidence) -> Option<bool> {
    made.samples.first().map(|s| flag.is_active(s.flags))
}

/// A flag's idle state; *can be enabled* has none: it follows motor power, which nobody has said is on.
fn idles(flag: &Flag, made: &StepEvidence) -> Option<ResultRow> {
    if flag.role == FlagRole::CanEnable {
        return None;
    }
    let id = format!("lines.{}", slug(flag.role));
    let name = format!("Flag {}, terminal {}", flag.role.words(), flag.terminal);
    let row = Row::text(&id, &name, "idle");
    let active = active_at_first(flag, made)?;
    let edges = flag_events(made, flag.fixture_input).count();
    Some(if edges > 0 {
        row.is(&format!("{edges} changes"), Verdict::Rejected, "it changed although nothing was done")
    } else if active {
        row.is("active", Verdict::Rejected, "it is active although enable is open and nothing moves")
    } else {
        row.is("idle", Verdict::Accepted, "it stayed idle while nothing was done")
    })
}

/// A flag that idles has shown one of its two states.
const fn second_state(role: FlagRole) -> &'static str {
    match role {
        FlagRole::HoldingSpeedDown => "its active state is seen in the check of the cap's flag",
        FlagRole::CanEnable => {
            "its active state is seen when enable is closed at rest; its idle state while motor power is off for the turn by hand"
        }
        FlagRole::TorqueOn => "its active state is seen when enable is closed at rest",
        FlagRole::Fault => "its active state is not seen in this acceptance: no fault is provoked",
        FlagRole::BrakeRelease => "its active state is seen when enable is closed at rest",
    }
}
