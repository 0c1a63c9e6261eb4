//! What moves now, and how long still.

use core::time::Duration;
use std::io::IsTerminal;

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use proofstand_units::Seconds;

use super::screen::Screen;
use crate::record::model::{CheckRecord, Took, Verdict};
use crate::settings::harmless;
use crate::terminal::{Stream, width, wrapped};

/// Is told what happens, for a person to see. It never decides.
pub trait Progress {
    /// Something to know before anything moves.
    fn note(&mut self, _text: &str) {}
    /// A check begins: its place, how many there are, its title.
    fn check(&mut self, number: usize, of: usize, title: &str);
    /// A step begins: what moves, how long it should take, and how long the rest of the run should take with it.
    fn step(&mut self, what: &str, expected: Seconds, remaining: Seconds);
    /// Time passes in the step.
    fn elapsed(&mut self, in_step: Duration);
    /// A person is about to be asked something: what was said before is shown first, and nothing that moves on the screen
    /// stands in the way. May wait for the terminal, so that nothing may be driven meanwhile.
    fn give_way(&mut self) {}
    /// The check is judged.
    fn verdict(&mut self, record: &CheckRecord, sentence: &str);
}

/// Says nothing.
#[derive(Debug, Default)]
pub struct Quiet;

impl Progress for Quiet {
    fn check(&mut self, _: usize, _: usize, _: &str) {}
    fn step(&mut self, _: &str, _: Seconds, _: Seconds) {}
    fn elapsed(&mut self, _: Duration) {}
    fn verdict(&mut self, _: &CheckRecord, _: &str) {}
}

/// Lines on standard error; on a terminal also a bar that runs while something moves. Whoever holds the terminal holds
/// nothing else.
pub struct Terminal {
    screen: Screen,
    /// It is a terminal, not a log.
    wraps: bool,
    prefix: &'static str,
}

impl Terminal {
    /// `rehearsal` puts the word before every line.
    #[must_use]
    pub fn new(rehearsal: bool) -> Self {
        let wraps = std::io::stderr().is_terminal();
        let bar = wraps.then(|| {
            let bar = ProgressBar::with_draw_target(Some(1), ProgressDrawTarget::stderr_with_hz(10));
            if let Ok(style) = ProgressStyle::with_template("    [{bar:24}] {msg}") {
                bar.set_style(style.progress_chars("=> "));
            }
            bar
        });
        let screen = Screen::new(std::io::stderr(), bar);
        Self { screen, wraps, prefix: if rehearsal { "REHEARSAL " } else { "" } }
    }

    /// A line, broken between words where it goes to a terminal; a log has it whole.
    fn line(&self, lead: &str, text: &str) {
        let text = if self.wraps { wrapped(lead, text, width(Stream::Err)) } else { format!("{lead}{text}") };
        self.screen.line(harmless::lines(&text));
    }
}

/// Bench time for a reader: whole seconds, minutes where there are some.
fn plain_time(time: Seconds) -> String {
    let seconds = time.get().max(0.0).ceil();
    if seconds < 90.0 {
        format!("{seconds:.0} s")
    } else {
        format!("{:.0} min {:02.0} s", (seconds / 60.0).floor(), seconds % 60.0)
    }
}

/// The check, and how long it took.
fn verdict_line(record: &CheckRecord) -> String {
    if record.took == Took::default() {
        record.title.clone()
    } else {
        format!("{} ({})", record.title, record.took.words())
    }
}

impl Progress for Terminal {
    fn note(&mut self, text: &str) {
        self.line(self.prefix, text);
    }

    fn check(&mut self, number: usize, of: usize, title: &str) {
        self.line(&format!("{}[{number}/{of}] ", self.prefix), title);
    }

    fn step(&mut self, what: &str, expected: Seconds, remaining: Seconds) {
        let times = format!("about {}; {} to go", plain_time(expected), plain_time(remaining));
        self.line("    ", &format!("{what} ({times})"));
        self.screen.begin(expected.to_millis().max(1.0) as u64, plain_time(remaining));
    }

    fn elapsed(&mut self, in_step: Duration) {
        self.screen.at(u64::try_from(in_step.as_millis()).unwrap_or(u64::MAX));
    }

    fn give_way(&mut self) {
        self.screen.settle();
    }

    fn verdict(&mut self, record: &CheckRecord, sentence: &str) {
        self.line(&format!("    {}: ", record.verdict.word()), &verdict_line(record));
        if record.verdict != Verdict::Accepted && !sentence.is_empty() {
            self.line("        ", sentence);
        }
    }
}
