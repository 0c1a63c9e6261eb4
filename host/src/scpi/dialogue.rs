//! The talk with a meter as a state machine.

use core::time::Duration;
use std::collections::VecDeque;

use proofstand_units::Volts;

use super::ScpiError;
use super::line::{Lines, identity, queued_error, shown, volts};

/// How long an answer may take that needs no measurement.
const PATIENCE: Duration = Duration::from_secs(2);
/// How long a reading may take: the slowest rate of bench meters with their filter on (common practice, no source).
const READING_PATIENCE: Duration = Duration::from_secs(15);

/// What came of it.
#[derive(Debug, Clone, PartialEq)]
pub enum Event {
    /// Who the meter is: maker, model, serial number, firmware.
    Identified([String; 4]),
    /// It is set to direct voltage; readings may be asked for.
    Ready,
    /// A reading.
    Reading(Volts),
    /// It can't go on. Nothing follows.
    Failed(ScpiError),
}

/// What is waited for.
#[derive(Debug, Clone, PartialEq)]
enum Waiting {
    Identity,
    Configured,
    Idle,
    Reading,
    /// A reading did not come; the error queue may know why.
    Why(ScpiError),
    Over,
}

/// A talk with one meter.
#[derive(Debug, Clone)]
pub struct Dialogue {
    waiting: Waiting,
    since: Duration,
    command: &'static str,
    lines: Lines,
    outgoing: VecDeque<String>,
    events: VecDeque<Event>,
}

impl Dialogue {
    /// Begins: clears the meter's error queue and asks who it is. `now` on any clock that goes on.
    #[must_use]
    pub fn new(now: Duration) -> Self {
        let mut dialogue = Self {
            waiting: Waiting::Identity,
            since: now,
            command: "*IDN?",
            lines: Lines::default(),
            outgoing: VecDeque::new(),
            events: VecDeque::new(),
        };
        dialogue.outgoing.push_back("*CLS\n".to_owned());
        dialogue.send("*IDN?", now);
        dialogue
    }

    /// The next line to send, with its end.
    pub fn transmit(&mut self) -> Option<String> {
        self.outgoing.pop_front()
    }

    /// The next thing that happened.
    pub fn event(&mut self) -> Option<Event> {
        self.events.pop_front()
    }

    /// Asks for a reading. False: it is not the time for one.
    pub fn ask(&mut self, now: Duration) -> bool {
        let idle = self.waiting == Waiting::Idle;
        if idle {
            self.waiting = Waiting::Reading;
            self.send("READ?", now);
        }
        idle
    }

    /// Bytes that came.
    pub fn on_bytes(&mut self, bytes: &[u8], now: Duration) {
        for byte in bytes {
            if let Some(line) = self.lines.push(*byte, self.command) {
                self.on_line(line, now);
            }
        }
    }

    /// Time goes by. Must be called now and then, also when nothing comes.
    pub fn on_time(&mut self, now: Duration) {
        let patience = match self.waiting {
            Waiting::Idle | Waiting::Over => return,
            Waiting::Reading => READING_PATIENCE,
            Waiting::Identity | Waiting::Configured | Waiting::Why(_) => PATIENCE,
        };
        let waited = now.saturating_sub(self.since);
        if waited < patience {
            return;
        }
        let silent = ScpiError::Silent { command: self.command.to_owned(), waited };
        let silent = self.lines.fault(self.command).unwrap_or(silent);
        match core::mem::replace(&mut self.waiting, Waiting::Over) {
            Waiting::Reading => {
                self.waiting = Waiting::Why(silent);
                self.send("SYST:ERR?", now);
            }
            Waiting::Why(why) => self.fail(why),
            _ => self.fail(silent),
        }
    }

    fn on_line(&mut self, line: Result<String, ScpiError>, now: Duration) {
        // A serial meter may echo what it is sent.
        if line.as_ref().is_ok_and(|l| ["*CLS", "CONF:VOLT:DC 10", self.command].contains(&l.trim())) {
            return;
        }
        let line = match (line, &self.waiting) {
            (_, Waiting::Over) => return,
            (Ok(line), _) => line,
            (Err(_), Waiting::Why(why)) => {
                let why = why.clone();
                return self.fail(why);
            }
            (Err(error), _) => return self.fail(error),
        };
        match core::mem::replace(&mut self.waiting, Waiting::Over) {
            Waiting::Identity => match identity(&line) {
                Ok(identity) => {
                    self.events.push_back(Event::Identified(identity));
                    self.waiting = Waiting::Configured;
                    // Ten volts: the range is fixed, so that its accuracy is one and the same at every level.
                    self.outgoing.push_back("CONF:VOLT:DC 10\n".to_owned());
                    self.send("SYST:ERR?", now);
                }
                Err(error) => self.fail(error),
            },
            Waiting::Configured => match queued_error(&line) {
                Ok(error) if error.code == 0 => {
                    self.waiting = Waiting::Idle;
                    self.events.push_back(Event::Ready);
                }
                Ok(error) => self.fail(ScpiError::Reported { code: error.code, text: error.text }),
                Err(error) => self.fail(error),
            },
            Waiting::Reading => match volts(&line, self.command) {
                Ok(volts) => {
                    self.waiting = Waiting::Idle;
                    self.events.push_back(Event::Reading(volts));
                }
                Err(error) => self.fail(error),
            },
            Waiting::Why(why) => match queued_error(&line) {
                Ok(error) if error.code != 0 => {
                    self.fail(ScpiError::Reported { code: error.code, text: error.text });
                }
                _ => self.fail(why),
            },
            Waiting::Idle => self.fail(ScpiError::Unasked(shown(line.trim()))),
            Waiting::Over => {}
        }
    }

    fn send(&mut self, command: &'static str, now: Duration) {
        (self.command, self.since) = (command, now);
        self.outgoing.push_back(format!("{command}\n"));
    }

    fn fail(&mut self, error: ScpiError) {
        self.waiting = Waiting::Over;
        self.outgoing.clear();
        self.events.push_back(Event::Failed(error));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const fn at(seconds: u64) -> Duration {
        Duration::from_secs(seconds)
    }

    fn sent(dialogue: &mut Dialogue) -> String {
        std::iter::from_fn(|| dialogue.transmit()).collect()
    }

    fn ready() -> Dialogue {
        let mut dialogue = Dialogue::new(at(0));
        assert_eq!(sent(&mut dialogue), "*CLS\n*IDN?\n");
        dialogue.on_bytes(b"Example Instruments,Model 6,0042,1.03\r\n", at(0));
        assert_eq!(sent(&mut dialogue), "CONF:VOLT:DC 10\nSYST:ERR?\n");
        dialogue.on_bytes(b"+0,\"No error\"\r\n", at(0));
        assert!(matches!(dialogue.event(), Some(Event::Identified(_))));
        assert_eq!(dialogue.event(), Some(Event::Ready));
        dialogue
    }

    fn failure(dialogue: &mut Dialogue) -> ScpiError {
        match dialogue.event() {
            Some(Event::Failed(error)) => error,
            other => panic!("{other:?}"),
        }
    }

    #[test]
    fn a_meter_is_identified_set_up_and_read_whatever_pieces_its_answers_come_in() {
        let mut dialogue = ready();
        for value in [1.25, -9.5] {
            assert!(dialogue.ask(at(1)));
            assert!(!dialogue.ask(at(1)), "one reading at a time");
            assert_eq!(sent(&mut dialogue), "READ?\n");
            for byte in format!("READ?\r\n{value:+.6E}\r\n").bytes() {
                dialogue.on_bytes(&[byte], at(2));
                dialogue.on_time(at(2));
            }
            assert_eq!(dialogue.event(), Some(Event::Reading(Volts::new(value))));
        }
        dialogue.on_time(at(10_000));
        assert_eq!(dialogue.event(), None, "a meter that is not asked may be silent");
    }

    #[test]
    fn silence_is_told_by_the_command_it_follows_and_the_error_queue_is_asked_why() {
        let mut mute = Dialogue::new(at(0));
        mute.on_time(at(1));
        assert_eq!(mute.event(), None);
        mute.on_time(at(2));
        assert!(matches!(failure(&mut mute), ScpiError::Silent { command, .. } if command == "*IDN?"));

        let mut dialogue = ready();
        dialogue.ask(at(0));
        dialogue.on_time(at(15));
        assert!(sent(&mut dialogue).ends_with("SYST:ERR?\n"));
        dialogue.on_bytes(b"-211,\"Trigger ignored\"\n", at(16));
        let why = ScpiError::Reported { code: -211, text: "Trigger ignored".into() };
        assert_eq!(failure(&mut dialogue), why);

        let mut dialogue = ready();
        dialogue.ask(at(0));
        dialogue.on_time(at(15));
        dialogue.on_time(at(17));
        assert!(matches!(failure(&mut dialogue), ScpiError::Silent { .. }));
    }

    #[test]
    fn overload_garbage_escape_sequences_and_unasked_lines_end_the_talk_with_their_reason() {
        let of = |bytes: &[u8]| {
            let mut dialogue = ready();
            dialogue.ask(at(0));
            dialogue.on_bytes(bytes, at(0));
            let error = failure(&mut dialogue);
            dialogue.on_bytes(b"+1.0\n", at(0));
            assert_eq!(dialogue.event(), None, "nothing follows a failure");
            assert!(error.to_string().bytes().all(|b| (0x20..0x7f).contains(&b)), "{error}");
            error
        };
        assert_eq!(of(b"+9.9E+37\n"), ScpiError::Overload);
        assert_eq!(of(b"9.91E37\n"), ScpiError::NotANumber);
        assert!(matches!(of(b"\x1b]0;owned\x07\n"), ScpiError::NotText { byte: 0x1b, .. }));
        assert!(matches!(of(b"+1.0,+2.0\n"), ScpiError::NotUnderstood { .. }));
        assert!(matches!(
            of(&[b'9'; 300].iter().copied().chain(*b"\n").collect::<Vec<u8>>()),
            ScpiError::TooLong { .. }
        ));
        let mut dialogue = ready();
        dialogue.on_bytes(b"+1.0\n", at(0));
        assert_eq!(failure(&mut dialogue), ScpiError::Unasked("+1.0".into()));
        let mut refused = Dialogue::new(at(0));
        refused.on_bytes(b"a,b,c,d\n-113,\"Undefined header\"\n", at(0));
        assert!(matches!(refused.event(), Some(Event::Identified(_))));
        assert!(matches!(failure(&mut refused), ScpiError::Reported { code: -113, .. }));
    }
}
