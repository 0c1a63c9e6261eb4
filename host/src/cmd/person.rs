//! The person at the keyboard: questions on standard error, answers from standard input.

use std::io::{BufRead, Write};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, TryRecvError, channel};
use std::time::Duration;

use super::answer::{self, NO_NAME, Named, is_stop};
use super::identity::{self, Given, OPERATOR};
use crate::checks::{AskNumberStep, Prompt, Turned};
use crate::record::model::{Fact, Run};
use crate::sequence::{Attendant, Done};
use crate::settings::harmless;
use crate::sheet::{AxisSheet, Viewpoint};
use crate::terminal::{Stream, width, wrapped};

/// How often a waiting question looks whether a stop was asked for.
const LOOK_EVERY: Duration = Duration::from_millis(50);

/// Nobody is at the keyboard any more.
pub(super) struct Gone;

/// Lines from standard input, without standing still for them: Ctrl-C also ends a question.
pub(super) struct Keyboard {
    lines: Receiver<String>,
    stop: Arc<AtomicBool>,
}

impl Keyboard {
    /// Begins to read standard input; `stop` ends every question.
    pub(super) fn new(stop: Arc<AtomicBool>) -> Self {
        let (sender, lines) = channel();
        // Ends with standard input or with the program; holds nothing that must be given back.
        std::thread::spawn(move || {
            for line in std::io::stdin().lock().lines() {
                let Ok(line) = line else { break };
                if sender.send(line).is_err() {
                    break;
                }
            }
        });
        Self { lines, stop }
    }

    /// Forgets what was typed until now.
    pub(super) fn forget(&self) {
        while self.lines.try_recv().is_ok() {}
    }

    /// A line that was typed by now, unless a stop was asked for. Never waits.
    pub(super) fn answered(&self) -> Result<Option<String>, Gone> {
        if self.stop.load(Ordering::Relaxed) { Err(Gone) } else { self.line_by_now() }
    }

    /// The next line, if one was typed by now. Never waits.
    fn line_by_now(&self) -> Result<Option<String>, Gone> {
        match self.lines.try_recv() {
            Ok(line) => Ok(Some(line.trim().to_owned())),
            Err(TryRecvError::Empty) => Ok(None),
            Err(TryRecvError::Disconnected) => Err(Gone),
        }
    }

    /// Asks, and takes the next line. What was typed before the question stood there does not count as its answer.
    /// None: standard input ended, or a stop was asked for.
    pub(super) fn ask(&self, question: &str) -> Option<String> {
        self.forget();
        tell(question, false);
        loop {
            if self.stop.load(Ordering::Relaxed) {
                tell("", true);
                return None;
            }
            match self.lines.recv_timeout(LOOK_EVERY) {
                Ok(line) => return Some(line.trim().to_owned()),
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => return None,
            }
        }
    }
}

impl Keyboard {
    /// The word to stop was typed: from now on nothing goes on, as after Ctrl-C.
    fn stop(&self) {
        self.stop.store(true, Ordering::Relaxed);
    }

    /// Asks until `read` knows the answer, saying `again` to what it does not know. None: the word to stop was typed,
    /// standard input ended, or a stop was asked for.
    pub(super) fn ask_until<T>(
        &self,
        question: &str,
        again: &str,
        read: impl Fn(&str) -> Option<T>,
    ) -> Option<T> {
        loop {
            let line = self.ask(question)?;
            if is_stop(&line) {
                self.stop();
                return None;
            }
            match read(&line) {
                Some(answer) => return Some(answer),
                None => tell(again, true),
            }
        }
    }

    /// Asks until Enter alone is typed. False: stopped, as in [`Self::ask_until`].
    pub(super) fn enter(&self, question: &str) -> bool {
        self.ask_until(question, "    Enter alone, or s.", |line| line.is_empty().then_some(())).is_some()
    }

    /// Asks until a name is typed. None: stopped, as in [`Self::ask_until`].
    pub(super) fn ask_name(&self, question: &str) -> Option<String> {
        self.ask_until(question, NO_NAME, |line| match answer::name(line) {
            Named::Name(name) => Some(name),
            Named::Stop | Named::No => None,
        })
    }

    /// Asks for any text; the word to stop, alone, stops. None: stopped, as in [`Self::ask_until`].
    fn ask_text(&self, question: &str) -> Option<String> {
        self.ask_until(question, "", |line| Some(line.to_owned()))
    }

    /// Asks until yes or no is typed. None: stopped, as in [`Self::ask_until`].
    pub(super) fn yes(&self, question: &str) -> Option<bool> {
        self.ask_until(question, "y, n or s.", |line| match line.to_lowercase().as_str() {
            "y" | "yes" => Some(true),
            "n" | "no" => Some(false),
            _ => None,
        })
    }
}

/// Writes to standard error; nothing in it drives a terminal. It may be closed; there is nobody to tell then, and nothing
/// stops for it.
pub(super) fn tell(text: &str, line: bool) {
    tell_laid_out(&harmless::lines(text), line);
}

/// The same for text that is harmless already, and may have colours of this program's own.
pub(super) fn tell_laid_out(text: &str, line: bool) {
    let mut err = std::io::stderr().lock();
    let _ = if line { writeln!(err, "{text}") } else { write!(err, "{text} ") };
    let _ = err.flush();
}

/// Whoever answers: a person, or nobody.
pub(super) enum Person {
    /// Somebody at the keyboard.
    There(Keyboard),
    /// Nobody; the cautions were said to be kept on the command line.
    Nobody,
}

impl Person {
    /// Shows what a run that is to be followed notes of its unit, and asks whether that is the one on the bench. Where
    /// nobody is there, what was noted has been compared already. None: a stop was asked for.
    pub(super) fn is_same_unit(&self, run: &Run) -> Option<bool> {
        let Self::There(keyboard) = self else { return Some(true) };
        para("", &format!("Run {} was made on this unit:", run.id));
        for fact in run.axis.identity.iter().filter(|f| f.label != OPERATOR) {
            para("  ", &format!("{}: {}", fact.label, fact.value));
        }
        tell("Look at the nameplates.", true);
        keyboard.yes("Is that very unit on the bench? y goes on, n if not, s stops:")
    }

    /// Facts about what is on the bench: those given, then the usual ones that were not. A person is asked for them.
    /// None: a stop was asked for.
    pub(super) fn identity(&self, given: &[Given]) -> Option<Vec<Fact>> {
        let Self::There(keyboard) = self else { return Some(identity::facts(given, |_| None)) };
        if identity::missing(given).next().is_some() {
            tell("What is on the bench? Enter alone leaves a line out, s alone stops.", true);
        }
        let mut stopped = false;
        let facts = identity::facts(given, |question| {
            if stopped {
                return None;
            }
            let answer = keyboard.ask_text(&format!("  {question}:"));
            stopped = answer.is_none();
            answer
        });
        (!stopped).then_some(facts)
    }

    /// What was changed for the bench, beside what the sheet says. None: a stop was asked for.
    pub(super) fn bench_changes(&self, sheet: &AxisSheet) -> Option<Vec<String>> {
        let Self::There(keyboard) = self else { return Some(Vec::new()) };
        let known = sheet.bench_changes.len();
        let besides = if known > 0 { format!(", beside the {known} in the sheet") } else { String::new() };
        let question = format!(
            "What was changed for the bench and must go back before handover{besides}? Jumpers, limits, settings; one a \
             line, Enter alone ends, s alone stops."
        );
        tell(&wrapped("", &question, width(Stream::Err)), true);
        let mut all = Vec::new();
        loop {
            let answer = keyboard.ask_text("  Changed:")?;
            if answer.is_empty() {
                return Some(all);
            }
            match identity::bench_change(&answer) {
                Ok(text) => all.push(text),
                Err(why) => tell(&format!("  {why}"), true),
            }
        }
    }

    /// Shows a trip that is latched in the fixture; true if it may be acknowledged. `own`: it came from a host that
    /// went away, and says nothing about the bench.
    pub(super) fn may_clear(&self, trip: &str, own: bool) -> bool {
        tell(&format!("The fixture is tripped: {trip}."), true);
        match self {
            Self::There(keyboard) => keyboard
                .ask_until(
                    "Find the cause first. Type \"clear\" to acknowledge the trip; s stops:",
                    "\"clear\" or s.",
                    |line| line.eq_ignore_ascii_case("clear").then_some(()),
                )
                .is_some(),
            Self::Nobody => own,
        }
    }
}

impl Attendant for Person {
    fn acknowledge(&mut self, cautions: &[String]) -> Option<String> {
        tell("Before anything moves:", true);
        for caution in cautions {
            para("  ! ", caution);
        }
        match self {
            Self::Nobody => Some("the command line (--cautions-kept)".to_owned()),
            Self::There(keyboard) => {
                keyboard.ask_name("Type your name if all of this is so and stays so; s stops:")
            }
        }
    }

    fn ready(&mut self, next: &str) -> bool {
        let Self::There(keyboard) = self else { return true };
        para("    MOVES NEXT: ", next);
        keyboard.enter("    Keep clear of the shaft. Enter starts, s stops:")
    }

    fn which_way(&mut self, seen_from: Viewpoint) -> Option<Turned> {
        let Self::There(keyboard) = self else { return None };
        let question = format!(
            "Which way did the shaft turn, {}?\n  1  clockwise (cw)\n  2  counterclockwise (ccw)\n  3  it did not turn\n  \
             4  I could not tell\n  s  stop\n>",
            seen_from.words()
        );
        let read = |line: &str| match line.to_lowercase().as_str() {
            "1" | "cw" | "clockwise" => Some(Some(Turned::Clockwise)),
            "2" | "ccw" | "counterclockwise" => Some(Some(Turned::Counterclockwise)),
            "3" | "n" => Some(Some(Turned::NotAtAll)),
            "4" | "?" => Some(None),
            _ => None,
        };
        keyboard.ask_until(&question, "One of 1, 2, 3, 4 or s.", read)?
    }

    fn begin(&mut self, prompt: &Prompt) -> bool {
        let Self::There(keyboard) = self else { return false };
        tell("    The shaft stands still: measured.", true);
        para("    DO: ", &prompt.text);
        keyboard.forget();
        tell("    Enter when it is done, n if it can't be done, s stops:", false);
        true
    }

    fn has_done(&mut self) -> Done {
        let Self::There(keyboard) = self else { return Done::GaveUp };
        match keyboard.line_by_now() {
            Ok(None) => Done::NotYet,
            Ok(Some(line)) if line.is_empty() => Done::Yes,
            Ok(Some(line)) if is_stop(&line) => Done::Stop,
            Ok(Some(line)) if line.eq_ignore_ascii_case("n") => Done::GaveUp,
            Ok(Some(_)) => {
                tell("    Enter, n or s:", false);
                Done::NotYet
            }
            Err(Gone) => Done::GaveUp,
        }
    }

    fn will_read(&mut self, about: &AskNumberStep) -> bool {
        let Self::There(keyboard) = self else { return false };
        para("    READ: ", &about.before);
        let read = |line: &str| match line.to_lowercase().as_str() {
            "" => Some(true),
            "n" => Some(false),
            _ => None,
        };
        let question = "    Enter when ready, n leaves this reading out, s stops:";
        keyboard.ask_until(question, "    Enter, n or s.", read).unwrap_or(false)
    }

    fn number(&mut self, about: &AskNumberStep) -> Option<f64> {
        let Self::There(keyboard) = self else { return None };
        let read = |line: &str| {
            // A decimal comma is a decimal sign too.
            let typed = line.trim_end_matches(about.unit).trim().replace(',', ".");
            match typed.parse::<f64>() {
                _ if typed == "?" => Some(None),
                Ok(number) if number.is_finite() => Some(Some(number)),
                _ => None,
            }
        };
        let question = format!("{} In {}; ? if it could not be read, s stops:", about.question, about.unit);
        keyboard.ask_until(&question, "A number, as in -12.5, ? or s.", read)?
    }

    fn attended(&self) -> bool {
        matches!(self, Self::There(_))
    }
}

/// A paragraph on standard error.
fn para(lead: &str, text: &str) {
    tell(&wrapped(lead, text, width(Stream::Err)), true);
}
