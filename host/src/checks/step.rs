//! What a check asks to be done, and what came of it.

use proofstand_protocol::message::{Contacts, Event, Limits, Sample, Trip, TripCause};
use proofstand_protocol::program::Segment;
use proofstand_protocol::units::{Counts, Micros, Ticks};
use proofstand_units::{Seconds, Volts};

use crate::fixture::{Burst, BurstOrder, Numbered};

/// One thing to do.
#[derive(Debug, Clone, PartialEq)]
pub enum Step {
    /// The fixture runs a motion program.
    Move(Box<MoveStep>),
    /// A person is asked which way the shaft turned in the step of this name, before anything is said about which
    /// way it should have.
    AskWhichWay {
        /// The step that turned the shaft.
        about: &'static str,
    },
    /// Nothing is enabled; what comes is kept for a while.
    Observe(Box<ObserveStep>),
    /// The output is isolated from the terminal; the converter is set and read back.
    SelfCheck(Box<SelfCheckStep>),
    /// A person types the number that was to be read in the step before.
    AskNumber(Box<AskNumberStep>),
}

impl Step {
    /// How long it should take on the bench, without the time that a person takes.
    #[must_use]
    pub const fn expected(&self) -> Seconds {
        match self {
            Self::Move(step) => step.expected,
            Self::AskWhichWay { .. } => Seconds::ZERO,
            Self::Observe(step) => step.time,
            Self::SelfCheck(step) => step.expected,
            Self::AskNumber(_) => Seconds::ZERO,
        }
    }

    /// What is done, for the person beside it and for the record.
    #[must_use]
    pub fn what(&self) -> &str {
        match self {
            Self::Move(step) => &step.what,
            Self::AskWhichWay { .. } => "A person says which way the shaft turned",
            Self::Observe(step) => &step.what,
            Self::SelfCheck(step) => &step.what,
            Self::AskNumber(_) => "A person types the number that was read",
        }
    }
}

/// A motion, bounded.
#[derive(Debug, Clone, PartialEq)]
pub struct MoveStep {
    /// Stable name inside its check.
    pub name: &'static str,
    /// What will move, which way, how far and how fast, for the person beside it.
    pub what: String,
    /// What the fixture runs.
    pub program: Vec<Segment>,
    /// The whole program's longest time.
    pub timeout: Ticks,
    /// What the fixture enforces meanwhile.
    pub limits: Limits,
    /// How long it will take if all is well.
    pub expected: Seconds,
    /// What the host does while the program runs, in the order of time.
    pub acts: Vec<Act>,
}

/// Something that the host does while a program runs.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Act {
    /// When.
    pub at: ActAt,
    /// What.
    pub what: ActWhat,
}

/// A time in a program, to the few milliseconds that a host needs: what must be exact is timed by the fixture.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ActAt {
    /// While this segment drives.
    pub slot: u8,
    /// So long after its first sample.
    pub after: Seconds,
}

/// What the host can do while a program runs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ActWhat {
    /// Sets the contacts that stand in for controller and switches; they stay so after the step.
    Contacts(Contacts),
    /// Opens the enable contact; the program goes on for so long, then the fixture is safe and the step is over.
    OpenEnable {
        /// How long the program goes on.
        keep: Ticks,
    },
    /// Captures a burst; it is read when there is time, at the latest after the motion.
    Burst(BurstOrder),
}

/// Something done, and when.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Acted {
    /// Time of the latest sample before it was asked for.
    pub after: Micros,
    /// How long it took until the fixture had answered: some milliseconds, and more where it had to be asked again.
    pub took: Micros,
    /// What.
    pub what: ActWhat,
}

/// Keeps what comes while enable is open.
#[derive(Debug, Clone, PartialEq)]
pub struct ObserveStep {
    /// Stable name inside its check.
    pub name: &'static str,
    /// What is looked at.
    pub what: String,
    /// Contacts to set first; they stay so after the step.
    pub contacts: Option<Contacts>,
    /// A person is asked to do this meanwhile. Asked only when standstill has been measured.
    pub prompt: Option<Prompt>,
    /// How long to look; with a prompt: how long still after the person has said that it is done.
    pub time: Seconds,
}

/// Something that a person is asked to do.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Prompt {
    /// What, for whoever can't read.
    pub deed: Deed,
    /// What, in words: what to do, how far, when to say that it is done.
    pub text: String,
}

/// What a person can be asked to do.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Deed {
    /// Turn the shaft by hand, a little more than this many turns, one way. Which way is the person's choice.
    TurnShaft {
        /// Whole turns.
        turns: u8,
    },
    /// Switch the amplifier's control power, or all of its supply.
    ControlPower {
        /// On; else off.
        on: bool,
    },
    /// Switch motor power off and wait the discharge time; control power stays on.
    MotorPowerOff,
    /// Switch motor power on again, hands off the shaft.
    MotorPowerOn,
}

/// Sets the converter and reads it back, isolated from the amplifier.
#[derive(Debug, Clone, PartialEq)]
pub struct SelfCheckStep {
    /// Stable name inside its check.
    pub name: &'static str,
    /// What is done.
    pub what: String,
    /// Commands to try.
    pub levels: Vec<Volts>,
    /// How long it will take.
    pub expected: Seconds,
}

/// Asks for a number that a person read while the step before ran: from a display that only a person can see.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AskNumberStep {
    /// Stable name inside its check.
    pub name: &'static str,
    /// The step during which it is read; it is not made if the person can't read.
    pub about: &'static str,
    /// The segment of that step that only waits for the person to read.
    pub reads_in: u8,
    /// What is to be read and when, said before that step.
    pub before: String,
    /// What is asked after it.
    pub question: String,
    /// Unit of the number, shown beside the question.
    pub unit: &'static str,
}

/// What the self-check read at one level.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SelfCheckReading {
    /// Asked for.
    pub level: Volts,
    /// Read at the converter.
    pub converter: Volts,
    /// Read at the terminal, which is tied to 0 V meanwhile.
    pub terminal: Volts,
}

/// What came of a step.
#[derive(Debug, Clone, PartialEq)]
pub struct StepEvidence {
    /// The step's name.
    pub name: &'static str,
    /// Samples from arming to standstill, in order.
    pub samples: Vec<Sample>,
    /// Events of the same time, in order.
    pub events: Vec<Numbered>,
    /// Where the index was latched last before it: the fixture counts the first interval of a motion from there.
    pub index_before: Option<Counts>,
    /// How it ended.
    pub ending: StepEnding,
    /// Samples that were due and did not arrive.
    pub lost: u32,
    /// What the host did meanwhile, in order.
    pub acts: Vec<Acted>,
    /// Bursts captured meanwhile, in order.
    pub bursts: Vec<Burst>,
    /// Illegal transitions of A and B that the fixture counted meanwhile: a lower bound.
    pub illegal_transitions: u32,
    /// What a self-check read, a row a level.
    pub readings: Vec<SelfCheckReading>,
    /// The number that a person typed.
    pub number: Option<f64>,
    /// After looking on: the receivers find every encoder pair driven; none if the fixture can't tell.
    pub encoder_driven: Option<bool>,
    /// The part of its time that went by for a person to read, to do or to answer something.
    pub person: Seconds,
}

/// How a step ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum StepEnding {
    /// The program came to its end.
    Finished,
    /// This segment's end condition did not come in time.
    TimedOut {
        /// The segment.
        slot: u8,
    },
    /// The fixture tripped, for a reason of the axis's.
    Tripped(Trip),
    /// A person answered.
    Answered(Turned),
    /// Nobody was there to answer or to do it, or the person was not sure.
    Unanswered,
}

/// Which way the shaft turned, seen from where the sheet says.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Turned {
    /// Clockwise.
    Clockwise,
    /// Counter-clockwise.
    Counterclockwise,
    /// It did not turn.
    NotAtAll,
}

impl Turned {
    /// The word for it.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Clockwise => "clockwise",
            Self::Counterclockwise => "counterclockwise",
            Self::NotAtAll => "not at all",
        }
    }
}

impl From<crate::sheet::Rotation> for Turned {
    fn from(rotation: crate::sheet::Rotation) -> Self {
        match rotation {
            crate::sheet::Rotation::Clockwise => Self::Clockwise,
            crate::sheet::Rotation::Counterclockwise => Self::Counterclockwise,
        }
    }
}

impl StepEvidence {
    /// A step of which nothing is known yet but its name.
    #[must_use]
    pub const fn named(name: &'static str) -> Self {
        Self {
            name,
            samples: Vec::new(),
            events: Vec::new(),
            index_before: None,
            ending: StepEnding::Finished,
            lost: 0,
            acts: Vec::new(),
            bursts: Vec::new(),
            illegal_transitions: 0,
            readings: Vec::new(),
            number: None,
            encoder_driven: None,
            person: Seconds::ZERO,
        }
    }

    /// The trip that ended it, if one did.
    #[must_use]
    pub const fn trip(&self) -> Option<&Trip> {
        match &self.ending {
            StepEnding::Tripped(trip) => Some(trip),
            _ => None,
        }
    }

    /// The events with their times, as estimates take them.
    #[must_use]
    pub fn timed_events(&self) -> Vec<(Micros, Event)> {
        self.events.iter().map(|e| (e.at, e.event)).collect()
    }

    /// When a segment began, from its event. Segment 0 begins with the first sample that it drives.
    #[must_use]
    pub fn segment_start(&self, slot: u8) -> Option<Micros> {
        let by_event = self.events.iter().find_map(|e| match e.event {
            Event::Segment { slot: s } if s == slot => Some(e.at),
            _ => None,
        });
        by_event.or_else(|| self.samples.iter().find(|s| s.segment == slot).map(|s| s.at))
    }

    /// The samples that a segment drove.
    pub fn segment_samples(&self, slot: u8) -> impl Iterator<Item = &Sample> {
        self.samples.iter().filter(move |s| s.segment == slot)
    }

    /// Ending in words.
    #[must_use]
    pub fn ended_in_words(&self) -> String {
        match &self.ending {
            StepEnding::Finished => {
                self.number.map_or_else(|| "finished".to_owned(), |n| format!("answered: {n}"))
            }
            StepEnding::TimedOut { slot } => format!("timed out in segment {slot}"),
            StepEnding::Tripped(trip) => format!("tripped: {}", crate::fixture::trip_in_words(trip)),
            StepEnding::Answered(turned) => format!("answered: {}", turned.word()),
            StepEnding::Unanswered => "not answered".to_owned(),
        }
    }
}

/// Whether a trip says something about the axis (a result) or about the fixture, the bench or the link (the end of
/// the run).
#[must_use]
pub const fn is_about_the_axis(cause: TripCause) -> bool {
    match cause {
        TripCause::OverspeedCounts
        | TripCause::OverspeedIndex
        | TripCause::OverspeedReadout
        | TripCause::SpeedDisagreement
        | TripCause::Runaway
        | TripCause::WrongWay
        | TripCause::NoCounts
        | TripCause::Travel
        | TripCause::TorqueOff
        | TripCause::AmplifierFault => true,
        TripCause::BeatLost
        | TripCause::FixtureStop
        | TripCause::HoldReleased
        | TripCause::GuardOpen
        | TripCause::ReadbackMismatch
        | TripCause::EncoderLine
        | TripCause::ArmedTime
        | TripCause::RelayMismatch
        | TripCause::FirmwareFault
        | TripCause::AmplifierConnected => false,
    }
}
