//! End switches: each and both opened and closed while the shaft turns slowly.
//!
//! The whole acceptance is made with the inputs as they are delivered. Here the fixture's contacts stand in for the
//! switches, one after the other. Ignored: nothing changes. Obeyed: the right switch stops the right direction, the other does not,
//! and the way back off it is open.

mod judge;

use proofstand_protocol::message::Contacts;
use proofstand_protocol::program::{Next, Segment};
use proofstand_units::{Rpm, Seconds, Turns};

use super::{
    Act, ActAt, ActWhat, Check, Context, Judgement, MoveStep, Need, Step, StepEvidence, as_delivered,
};
use crate::planner::{CannotPlan, LimitsFor, after, come_to_rest, hold, total_timeout};
use crate::sheet::{AxisSheet, Handling, InputRole, Polarity};

/// The check.
pub(super) struct EndSwitches;

/// Step names by direction, with the direction's sign.
const RUNS: [(&str, f64); 2] = [("forward", 1.0), ("reverse", -1.0)];
/// Turned at this speed, below the gate.
const TURN_RPM: f64 = 60.0;
/// So long with the contacts as delivered first: the speed settles.
const RUN_IN: Seconds = Seconds::new(0.5);
/// So long with each setting of the contacts.
const EACH: Seconds = Seconds::new(0.25);
/// The segments: turning, at rest, and back.
const TURNS: u8 = 0;
const BACK: u8 = 2;
/// Back for so long, with the contacts as they were, and after they are as delivered again.
const RETURN: Seconds = Seconds::new(0.5);

/// One setting of the two switches, as a reader says it. The last stays for the way back.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Setting {
    slug: &'static str,
    words: &'static str,
    /// The switch at the end that the shaft turns towards is tripped; the other one is.
    ahead: bool,
    behind: bool,
}

const SETTINGS: [Setting; 4] = [
    Setting { slug: "neither", words: "neither switch tripped", ahead: false, behind: false },
    Setting { slug: "behind", words: "the other end's switch tripped", ahead: false, behind: true },
    Setting { slug: "both", words: "both switches tripped", ahead: true, behind: true },
    Setting { slug: "ahead", words: "the switch ahead tripped", ahead: true, behind: false },
];

/// In which order: for an amplifier that obeys, what stops it last.
fn order() -> [Setting; 5] {
    let [neither, behind, both, ahead] = SETTINGS;
    [neither, behind, neither, both, ahead]
}

/// The fixture's contacts for a setting in a direction.
fn contacts(sheet: &AxisSheet, setting: Setting, forward: bool) -> Contacts {
    let closed = |role, tripped: bool| {
        sheet.input(role).is_some_and(|input| tripped == (input.active == Polarity::Conducting))
    };
    let (plus, minus) =
        if forward { (setting.ahead, setting.behind) } else { (setting.behind, setting.ahead) };
    Contacts {
        end_plus: closed(InputRole::EndSwitchPositive, plus),
        end_minus: closed(InputRole::EndSwitchNegative, minus),
        ..as_delivered(sheet)
    }
}

/// What the sheet says of the two switches as the shaft meets them, turning one way. An axis may have one, and an amplifier may
/// obey one and ignore the other.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Switches {
    ahead: Option<Handling>,
    behind: Option<Handling>,
}

impl Switches {
    fn turning(sheet: &AxisSheet, forward: bool) -> Self {
        let of = |role| sheet.input(role).map(|input| input.handling);
        let (plus, minus) = (of(InputRole::EndSwitchPositive), of(InputRole::EndSwitchNegative));
        if forward { Self { ahead: plus, behind: minus } } else { Self { ahead: minus, behind: plus } }
    }

    /// The sheet has one that is handled so.
    fn any(self, handling: Handling) -> bool {
        [self.ahead, self.behind].contains(&Some(handling))
    }

    /// The setting can be made: each switch that it trips is there.
    const fn can_be(self, setting: Setting) -> bool {
        (!setting.ahead || self.ahead.is_some()) && (!setting.behind || self.behind.is_some())
    }

    /// The setting trips a switch that must stop the shaft.
    fn stop(self, setting: Setting) -> bool {
        setting.ahead && self.ahead == Some(Handling::Obeyed)
    }
}

fn program(context: &Context<'_>, sign: f64) -> Vec<Segment> {
    let counting = sign * context.count_sign();
    let turn = |sign: f64, time: Seconds, next: u8| {
        let speed = Rpm::new(TURN_RPM * counting * sign);
        hold(speed, &context.motion.hold, after(time), Next::Segment(next), time + Seconds::new(1.0))
    };
    let rest = |next| Segment { next, ..come_to_rest(&context.motion.hold, Seconds::new(10.0)) };
    vec![
        turn(1.0, RUN_IN + EACH * order().len() as f64, 1),
        rest(Next::Segment(BACK)),
        turn(-1.0, RETURN, BACK + 1),
        rest(Next::Finish),
    ]
}

fn acts(context: &Context<'_>, forward: bool) -> Vec<Act> {
    let set = |n: usize, setting: Setting| Act {
        at: ActAt { slot: TURNS, after: RUN_IN + EACH * n as f64 },
        what: ActWhat::Contacts(contacts(context.sheet, setting, forward)),
    };
    let back = Act {
        at: ActAt { slot: BACK + 1, after: Seconds::ZERO },
        what: ActWhat::Contacts(as_delivered(context.sheet)),
    };
    order().into_iter().enumerate().map(|(n, setting)| set(n, setting)).chain([back]).collect()
}

impl Check for EndSwitches {
    fn id(&self) -> &'static str {
        "end-switches"
    }

    fn title(&self) -> &'static str {
        "End switches"
    }

    fn shows(&self) -> &'static str {
        "While the shaft turns slowly, each end switch and both are tripped and released. Where the amplifier is to ignore \
         them nothing changes; where it is to obey, the right one stops the right direction and the way back stays open."
    }

    fn is_for(&self, sheet: &AxisSheet) -> bool {
        let switches = Switches::turning(sheet, true);
        switches.ahead.or(switches.behind).is_some()
    }

    fn needs(&self) -> &'static [Need] {
        &[Need {
            check: "line-count-slow",
            result: "line-count-slow.gate",
            why: "the shaft is turned to and fro only when its counts are known to be right",
        }]
    }

    fn plan(&self, context: &Context<'_>) -> Result<Vec<Step>, CannotPlan> {
        let step = |(name, sign): (&'static str, f64)| {
            let program = program(context, sign);
            let way = context.way(Rpm::new(sign * context.count_sign()));
            Step::Move(Box::new(MoveStep {
                acts: acts(context, sign > 0.0),
                name,
                what: format!(
                    "The shaft turns {way} at {TURN_RPM:.0} rpm, about 2 turns, while the fixture works the end switches' \
                     contacts; then half a turn back"
                ),
                timeout: total_timeout(&program),
                program,
                limits: LimitsFor::slow(context, Turns::new(30.0))
                    .command(context.motion.hold.bound_at(Rpm::new(TURN_RPM)))
                    .limits(),
                expected: RUN_IN + EACH * order().len() as f64 + RETURN + Seconds::new(0.8),
            }))
        };
        Ok(RUNS.into_iter().map(step).collect())
    }

    /// A switch that holds the shaft may make one way trip; the other way still tells which.
    fn goes_on_after(&self, _: &StepEvidence) -> bool {
        true
    }

    fn judge(&self, context: &Context<'_>, evidence: &[StepEvidence]) -> Judgement {
        judge::judge(context, evidence)
    }
}
