//! `accept`: the acceptance on a fixture.

use std::io::{BufRead, IsTerminal, Write};
use std::path::PathBuf;

use super::input::{Selection, job};
use super::show;
use crate::acceptance::{Setting, today};
use crate::checks::Turned;
use crate::exit::Exit;
use crate::fixture::Client;
use crate::link::serial::SerialLink;
use crate::record::model::RunKind;
use crate::record::{RunFolder, publish};
use crate::sequence::{Attendant, Terminal};
use crate::sheet::Viewpoint;

/// Make the acceptance on a fixture
///
/// Cautions first, motion after they are acknowledged. A fixture that says it is simulated gives a REHEARSAL, whatever
/// port it is on.
#[derive(Debug, clap::Args)]
pub struct Cmd {
    /// The axis sheet
    #[arg(value_name = "SHEET")]
    pub sheet: PathBuf,
    /// The fixture's port; `proofstand ports` lists them
    #[arg(long, value_name = "PORT")]
    pub port: String,
    #[command(flatten)]
    selection: Selection,
    /// Nobody is there to answer: needs the guard contact closed; direction stays undecided
    #[arg(long)]
    pub unattended: bool,
    /// The cautions have been read and are kept (for a lab whose bench is guarded)
    #[arg(long, requires = "unattended")]
    pub cautions_kept: bool,
}

impl Cmd {
    /// Runs it.
    #[must_use]
    pub fn run(self) -> Exit {
        match self.accept() {
            Ok(exit) => exit,
            Err((exit, message)) => {
                eprintln!("{message}");
                exit
            }
        }
    }

    fn accept(&self) -> Result<Exit, (Exit, String)> {
        let bad = |message: String| (Exit::BadInput, format!("proofstand: {message}"));
        let stopped = |e: &dyn std::fmt::Display| (Exit::Stopped, format!("proofstand: {e}"));
        let job = job(&self.sheet).map_err(|message| (Exit::BadInput, message))?;
        let checks = self.selection.checks().map_err(bad)?;
        if !self.unattended && !std::io::stdin().is_terminal() {
            return Err(bad(
                "a person has to answer, and standard input is no terminal; with --unattended nobody has to"
                    .to_owned(),
            ));
        }
        let link = SerialLink::open(&self.port).map_err(|e| stopped(&e))?;
        let stem = self.sheet.file_stem().map(|s| s.to_string_lossy().into_owned()).unwrap_or_default();
        // Whether it is a rehearsal is the fixture's word; until it is heard the record says so.
        let hello = crate::fixture::identify(link).map_err(|e| stopped(&e))?;
        let link = SerialLink::open(&self.port).map_err(|e| stopped(&e))?;
        let kind = if hello.simulated { RunKind::Rehearsal } else { RunKind::Acceptance };
        let word = if hello.simulated { "rehearsal" } else { "acceptance" };
        let name = format!("{stem}-{word}-{}", crate::acceptance::stamp());
        let mut folder = RunFolder::create(&self.selection.runs, &name, hello.simulated).map_err(|e| {
            bad(format!("can't make a run's folder in {}: {e}", self.selection.runs.display()))
        })?;
        let mut client = Client::connect(link, &mut folder).map_err(|e| stopped(&e))?;
        let mut person = Person { attended: !self.unattended, cautions_kept: self.cautions_kept };
        let mut progress = Terminal::new(hello.simulated);
        let setting = Setting { today: today(), ..Setting::default() };
        let run = job.run(kind, &checks, &setting, &mut client, &mut folder, &mut person, &mut progress);
        drop(progress);
        publish(folder.path(), &run).map_err(|e| stopped(&e))?;
        print!("{}", show::run(&run));
        println!("Record: {}", folder.path().join("report.html").display());
        Ok(Exit::of(&run.outcome))
    }
}

/// The person at the keyboard.
struct Person {
    attended: bool,
    cautions_kept: bool,
}

/// Asks on standard error, takes a line from standard input. None at its end.
fn ask(question: &str) -> Option<String> {
    let mut err = std::io::stderr();
    let _ = write!(err, "{question} ");
    let _ = err.flush();
    let mut line = String::new();
    match std::io::stdin().lock().read_line(&mut line) {
        Ok(n) if n > 0 => Some(line.trim().to_lowercase()),
        _ => None,
    }
}

impl Attendant for Person {
    fn acknowledge(&mut self, cautions: &[String]) -> bool {
        eprintln!("Before anything moves:");
        for caution in cautions {
            eprintln!("  ! {caution}");
        }
        if !self.attended {
            return self.cautions_kept;
        }
        ask("Type \"kept\" if all of this is so, anything else stops:").is_some_and(|a| a == "kept")
    }

    fn which_way(&mut self, seen_from: Viewpoint) -> Option<Turned> {
        if !self.attended {
            return None;
        }
        loop {
            let question = format!(
                "Which way did the shaft turn, {}?\n  c  clockwise\n  w  counterclockwise\n  n  it did not turn\n  ?  I could not tell\n>",
                seen_from.words()
            );
            match ask(&question)?.as_str() {
                "c" => return Some(Turned::Clockwise),
                "w" => return Some(Turned::Counterclockwise),
                "n" => return Some(Turned::NotAtAll),
                "?" => return None,
                _ => eprintln!("One of c, w, n or ?"),
            }
        }
    }

    fn attended(&self) -> bool {
        self.attended
    }
}
