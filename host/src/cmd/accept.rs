//! `accept`: the acceptance on a fixture.

use std::io::IsTerminal;
use std::path::PathBuf;

use proofstand_protocol::message::{Request, State, TripCause};

use super::cite::Cite;
use super::follow::Follow;
use super::go_on::{Line, quoted};
use super::identity::{self, Given};
use super::input::{Selection, job, run_name};
use super::person::{Keyboard, Person, tell, tell_laid_out};
use super::{show, stop, unit};
use crate::acceptance::{Setting, UNATTENDED, today};
use crate::exit::Exit;
use crate::fixture::{Client, trip_in_words};
use crate::link::serial::SerialLink;
use crate::record::model::{Run, RunKind};
use crate::record::{RunFolder, Waiting, publish};
use crate::sequence::Terminal;
use crate::terminal::{Stream, width, wrapped};

const EXAMPLES: &str = "\
Examples:
  proofstand accept axis.toml --port /dev/ttyACM0
      The whole acceptance. Asks what is on the bench, shows the cautions, then says before every motion what moves.

  proofstand accept axis.toml --port /dev/ttyACM0 \\
      --identity amplifier-serial=0123 --identity operator=Kim
      The same; what is given is not asked for.

  proofstand accept axis.toml --port /dev/ttyACM0 --unattended --cautions-kept
      Nobody answers: the guard contact must be closed, and direction stays undecided.

  proofstand accept axis.toml --port /dev/ttyACM0 --unattended --cautions-kept \\
      --direction-from runs/RUN --identity amplifier-serial=0123 \\
      --identity amplifier-firmware=2.0 --identity motor-serial=77
      The same unit, wired the same way, as in an attended run: its answer is cited for direction.

  proofstand accept axis.toml --port /dev/ttyACM0 --resume runs/RUN
      Does what a run left undone that was stopped, or left out. Asks whether that very unit is on the bench; where nobody is there, its serial numbers and firmware are given again with --identity.

  proofstand accept axis.toml --port /dev/ttyACM0 \\
      --again runs/RUN --only speed-cap
      After a setting was changed: makes one check again. The old result stays visible as superseded.

Ctrl-C at any time: command to 0 V, enable open, the record closed, reports written of what was done, exit code \
4. A second Ctrl-C ends the program at once; the fixture then goes to 0 V with enable open by itself within 0.1 s.";

/// Make the acceptance on a fixture
///
/// Cautions first, motion after they are acknowledged. A fixture that says it is simulated gives a REHEARSAL, whatever
/// port it is on.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLES)]
pub struct Cmd {
    /// The axis sheet
    #[arg(value_name = "SHEET")]
    pub sheet: PathBuf,
    /// The fixture's port; `proofstand ports` lists them
    #[arg(long, value_name = "PORT")]
    pub port: String,
    #[command(flatten)]
    selection: Selection,
    #[command(flatten)]
    follow: Follow,
    #[command(flatten)]
    cite: Cite,
    /// What is on the bench (repeatable): amplifier, amplifier-serial, amplifier-firmware, motor, motor-serial,
    /// supply, operator, or a label of your own
    #[arg(long, value_name = "KEY=VALUE", value_parser = identity::parse)]
    identity: Vec<Given>,
    /// What was changed for the bench and must be taken back before handover (repeatable): jumpers, limits, settings;
    /// `none` says that nothing was. A person is asked where it is left out
    #[arg(long, value_name = "WHAT", value_parser = identity::bench_change)]
    bench_change: Vec<String>,
    /// Nobody is there to answer: needs the guard contact closed; direction stays undecided
    #[arg(long, requires = "cautions_kept")]
    pub unattended: bool,
    /// The cautions have been read and are kept (for a lab whose bench is guarded)
    #[arg(long, requires = "unattended")]
    pub cautions_kept: bool,
}

const NOTHING_DONE: &str = "stopped on request before anything was done; nothing was written";

type Failed = (Exit, String);

fn bad(message: &dyn std::fmt::Display) -> Failed {
    (Exit::BadInput, format!("proofstand: {message}"))
}

fn stopped(message: &dyn std::fmt::Display) -> Failed {
    (Exit::Stopped, format!("proofstand: {message}"))
}

impl Cmd {
    /// Runs it.
    #[must_use]
    pub fn run(self) -> Exit {
        self.accept().unwrap_or_else(|(exit, message)| {
            tell(&message, true);
            exit
        })
    }

    fn accept(&self) -> Result<Exit, Failed> {
        let job = match job(&self.sheet) {
            Ok(job) => job,
            Err(message) => {
                tell_laid_out(&message, true);
                return Ok(Exit::BadInput);
            }
        };
        let given = identity::facts(&self.identity, |_| None);
        let (checks, earlier) =
            self.follow.plan(&job, &self.selection, &given, !self.unattended).map_err(|e| bad(&e))?;
        if !self.unattended && !std::io::stdin().is_terminal() {
            return Err(bad(
                &"a person has to answer, and standard input is no terminal; with --unattended nobody has to",
            ));
        }
        let stop = stop::asked().map_err(|e| stopped(&format!("can't watch for Ctrl-C: {e}")))?;
        let link = SerialLink::open(&self.port).map_err(|e| stopped(&e))?;
        // Whether the record is a rehearsal's is the fixture's word: what comes before it is known is held back.
        let mut early = Waiting::default();
        let mut client = Client::connect(link, &mut early).map_err(|e| stopped(&e))?;
        client.interrupt_on(std::sync::Arc::clone(&stop));
        let simulated = client.hello().simulated;
        let (kind, word) =
            if simulated { (RunKind::Rehearsal, "rehearsal") } else { (RunKind::Acceptance, "acceptance") };
        if self.unattended && client.last_status().is_some_and(|s| !s.chain.guard) {
            return Err(stopped(
                &"unattended motion needs the guard contact, and it is open; nothing was written. Close the guard, or run \
                  without --unattended",
            ));
        }
        if let Some((_, run)) = earlier.as_ref().filter(|(_, run)| run.kind != kind) {
            return Err(bad(&format!(
                "run {} is {}, and the fixture on {} would make {word}: the two are never put together",
                run.id,
                if run.kind == RunKind::Rehearsal { "a rehearsal" } else { "an acceptance" },
                self.port
            )));
        }

        if self.unattended {
            tell(
                &wrapped("", &format!("{UNATTENDED}. The guard contact must be closed."), width(Stream::Err)),
                true,
            );
        }
        let mut person = if self.unattended { Person::Nobody } else { Person::There(Keyboard::new(stop)) };
        if let Some((_, run)) = &earlier {
            match person.is_same_unit(run) {
                Some(true) => {}
                Some(false) => {
                    return Err(bad(
                        &"results of two units never go into one record; nothing was written. Make a new acceptance of this \
                          unit, without --again or --resume",
                    ));
                }
                None => return Err(stopped(&NOTHING_DONE)),
            }
        }
        let known = earlier.as_ref().map(|(_, run)| identity::of_run(&run.axis.identity)).unwrap_or_default();
        let Some(identity) = person.identity(&identity::updated(known, &self.identity)) else {
            return Err(stopped(&NOTHING_DONE));
        };
        let cited = self.cite.read(&job, kind, &identity).map_err(|e| bad(&e))?;
        let bench_changes = match self.bench_change.as_slice() {
            [] => person.bench_changes(&job.sheet),
            given => Some(identity::changes(given)),
        };
        let Some(bench_changes) = bench_changes else {
            return Err(stopped(&NOTHING_DONE));
        };
        let name = run_name(&self.sheet, word);
        let mut folder = RunFolder::create(&self.selection.runs, &name, simulated).map_err(|e| {
            bad(&format!("can't make a run's folder in {}: {e}", self.selection.runs.display()))
        })?;
        // Found out before anything moves: a motion whose record is lost is made for nothing.
        if let Err(why) = folder.has_room() {
            // Nothing was done, and nothing of it is left.
            return Err(bad(&folder.withdraw().err().unwrap_or(why)));
        }
        early.hand_on(&mut folder).map_err(|e| stopped(&e))?;
        clear_trip(&mut client, &mut folder, &person)?;
        let mut progress = Terminal::new(simulated);
        let same_unit = earlier.as_ref().map(|(_, run)| unit::known_by(run, &identity, !self.unattended));
        let setting = Setting {
            same_unit: same_unit.unwrap_or_default(),
            identity,
            bench_changes,
            cited,
            today: today(),
            earlier,
            ..Setting::default()
        };
        let run = job.run(kind, &checks, &setting, &mut client, &mut folder, &mut person, &mut progress);
        // The record first: it does not wait for a terminal that is held.
        let published = publish(folder.path(), &run);
        drop(progress);
        show::out(&show::run(&run));
        published.map_err(|e| stopped(&format!("{e}. {}", show::kept(folder.path()))))?;
        self.last_words(&run, &folder);
        Ok(Exit::of(&run.outcome))
    }

    fn last_words(&self, run: &Run, folder: &RunFolder) {
        let mut line = Line::new("accept", &self.sheet).with("--port", &self.port).runs(&self.selection.runs);
        if self.unattended {
            // Nobody is asked for it then.
            line = line
                .where_so(true, &["--unattended", "--cautions-kept"])
                .with_each("--identity", &self.identity);
            if let Some(cited) = &self.cite.direction_from {
                line = line.with("--direction-from", &cited.display());
            }
        }
        if let Some(hint) = line.going_on(run, folder.path()) {
            show::out(&hint);
        } else if run.still_to_undo().next().is_some() {
            let handover = format!(
                "Before handover: proofstand handover {}",
                quoted(&folder.path().display().to_string())
            );
            show::out(&format!("{handover}\n"));
        }
        show::out(&format!("Record: {}\n", folder.path().join("report.html").display()));
    }
}

/// A trip that latched before this run is acknowledged only with a person's word; one that came from a host that fell
/// silent says nothing about the bench and needs none.
fn clear_trip(
    client: &mut Client<SerialLink>,
    folder: &mut RunFolder,
    person: &Person,
) -> Result<(), Failed> {
    let latched = client.last_status().filter(|s| s.state == State::Tripped).and_then(|s| s.trip);
    let Some(trip) = latched else { return Ok(()) };
    let words = trip_in_words(&trip);
    if !person.may_clear(&words, trip.cause == TripCause::BeatLost) {
        return Err(stopped(&format!(
            "the fixture is tripped and was left so: {words}. A person must find the cause and acknowledge it: run \
             without --unattended, and answer \"clear\""
        )));
    }
    folder
        .note("trip_acknowledged", serde_json::json!({ "trip": trip.number, "why": words }))
        .map_err(|e| stopped(&e))?;
    client.done(Request::Acknowledge { trip: trip.number }, folder).map_err(|e| stopped(&e))
}
