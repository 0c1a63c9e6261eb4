//! `rehearse`: the whole acceptance on a virtual fixture and a simulated amplifier and motor.

use std::path::PathBuf;

use super::cite::Cite;
use super::follow::Follow;
use super::go_on::Line;
use super::identity::{self, Given};
use super::input::{Selection, job, run_name};
use super::names;
use super::person::{tell, tell_laid_out};
use super::{show, stop, unit};
use crate::acceptance::{Setting, today};
use crate::exit::Exit;
use crate::fixture::Client;
use crate::record::model::RunKind;
use crate::record::{RunFolder, publish};
use crate::rehearsal::{Fault, Rehearsal};
use crate::sequence::Terminal;
use crate::terminal::{Stream, width, wrapped};

const EXAMPLES: &str = "\
Examples:
  proofstand rehearse host/sheets/film-winder.toml
      The whole acceptance, in about a second.

  proofstand rehearse host/sheets/film-winder.toml --fault gain-doubled
      What a fault looks like, and which cause is named. `--fault list` lists the faults.

  proofstand rehearse axis.toml --seed 7 --only speed-cap
      Another axis within what the sheet leaves open; one check and those that it needs.

  proofstand rehearse axis.toml --again runs/RUN --only speed-cap
      One check made again: the old result stays visible as superseded.

Ctrl-C at any time: the record closed, reports written of what was done, exit code 4. A second one ends the program at once.";

/// Make the whole acceptance without hardware, on a simulated amplifier and motor
///
/// The same firmware logic and the same host as on a bench, real frames between them. What comes of it is a
/// REHEARSAL: it shows that sheet, plan and checks fit together and what a fault looks like. It is never evidence.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLES)]
pub struct Cmd {
    /// The axis sheet
    #[arg(value_name = "SHEET", required_unless_present = "fault")]
    pub sheet: Option<PathBuf>,
    #[command(flatten)]
    selection: Selection,
    #[command(flatten)]
    follow: Follow,
    #[command(flatten)]
    cite: Cite,
    /// Put a fault into the simulated axis (repeatable); `--fault list` lists them
    ///
    /// A fault that comes in degrees takes a size, NAME=SIZE, and has a standard one. A mild one may lie within the
    /// axis's tolerances and show nothing.
    #[arg(long, value_name = "FAULT", value_parser = names::faults(), hide_possible_values = true)]
    pub fault: Vec<String>,
    /// Seed of everything that is random in the simulation
    #[arg(long, value_name = "NUMBER", default_value_t = 1)]
    pub seed: u64,
    /// Nobody answers which way the shaft turned
    #[arg(long)]
    pub unattended: bool,
    /// What is on the bench (repeatable), as in `accept`; what is left out is said to be simulated
    #[arg(long, value_name = "KEY=VALUE", value_parser = identity::parse)]
    identity: Vec<Given>,
    /// What was changed for the bench and must be taken back (repeatable), as in `accept`
    #[arg(long, value_name = "WHAT", value_parser = identity::bench_change)]
    bench_change: Vec<String>,
}

impl Cmd {
    /// Runs it.
    #[must_use]
    pub fn run(self) -> Exit {
        if self.fault.iter().any(|f| f == "list") {
            show::out(&faults(width(Stream::Out)));
            return Exit::Accepted;
        }
        match self.rehearse() {
            Ok(exit) => exit,
            Err((exit, message)) => {
                tell(&message, true);
                exit
            }
        }
    }

    fn rehearse(&self) -> Result<Exit, (Exit, String)> {
        let bad = |message: String| (Exit::BadInput, format!("proofstand: {message}"));
        let Some(sheet) = &self.sheet else {
            return Err(bad(
                "a sheet is needed: `proofstand rehearse SHEET`; only `--fault list` goes without".to_owned(),
            ));
        };
        let job = match job(sheet) {
            Ok(job) => job,
            Err(message) => {
                tell_laid_out(&message, true);
                return Ok(Exit::BadInput);
            }
        };
        let given = identity::updated(identity::simulated(self.seed), &self.identity);
        let identity = identity::facts(&given, |_| None);
        let (checks, earlier) = self.follow.plan(&job, &self.selection, &identity, false).map_err(bad)?;
        if earlier.as_ref().is_some_and(|(_, run)| run.kind != RunKind::Rehearsal) {
            return Err(bad("an acceptance is not gone on with by a rehearsal".to_owned()));
        }
        let cited = self.cite.read(&job, RunKind::Rehearsal, &identity).map_err(bad)?;
        let faults: Result<Vec<Fault>, _> = self.fault.iter().map(|name| Fault::parse(name)).collect();
        let faults = faults.map_err(|e| bad(e.to_string()))?;
        let rehearsal =
            Rehearsal::new(&job.sheet, &faults, self.seed, today()).map_err(|e| bad(e.to_string()))?;

        let name = run_name(sheet, "rehearsal");
        let stopped = |e: &dyn std::fmt::Display| (Exit::Stopped, format!("proofstand: {e}"));
        let stop = stop::asked().map_err(|e| stopped(&format!("can't watch for Ctrl-C: {e}")))?;
        let mut folder = RunFolder::create(&self.selection.runs, &name, true).map_err(|e| {
            bad(format!("can't make a run's folder in {}: {e}", self.selection.runs.display()))
        })?;
        let mut client = Client::connect(rehearsal.link(), &mut folder).map_err(|e| stopped(&e))?;
        client.interrupt_on(stop);
        let mut operator = rehearsal.operator(!self.unattended);
        let mut progress = Terminal::new(true);
        let same_unit = earlier.as_ref().map(|(_, run)| unit::known_by(run, &identity, false));
        let setting = Setting {
            same_unit: same_unit.unwrap_or_default(),
            seed: Some(self.seed),
            faults: self.fault.clone(),
            identity,
            cited,
            bench_changes: identity::changes(&self.bench_change),
            today: today(),
            earlier,
        };
        let run = job.run(
            RunKind::Rehearsal,
            &checks,
            &setting,
            &mut client,
            &mut folder,
            &mut operator,
            &mut progress,
        );
        // The record first: it does not wait for a terminal that is held.
        let published = publish(folder.path(), &run);
        drop(progress);
        show::out(&show::run(&run));
        published.map_err(|e| stopped(&format!("{e}. {}", show::kept(folder.path()))))?;
        let line = Line::new("rehearse", sheet)
            .with("--seed", &self.seed)
            .with_each("--fault", &self.fault)
            .where_so(self.unattended, &["--unattended"])
            .with_each("--identity", &self.identity)
            .runs(&self.selection.runs);
        if let Some(hint) = line.going_on(&run, folder.path()) {
            show::out(&hint);
        }
        show::out(&format!("Record: {}\n", folder.path().join("report.html").display()));
        Ok(Exit::of(&run.outcome))
    }
}

/// What to know of sizes, and every fault with what it is.
fn faults(columns: usize) -> String {
    let mut out = wrapped(
        "",
        "A fault with a size comes in degrees: the size shown is the standard one, and NAME=SIZE, as in \
         `--fault cap-drooping=90`, takes another. A mild one may lie within an axis's tolerances and then shows nothing: \
         give it a worse size.",
        columns,
    ) + "\n\n";
    for fault in Fault::all() {
        let size = fault.size().map_or(String::new(), |size| format!("; size {} {}", size.value, size.unit));
        let lead = format!("{:26} ", fault.name());
        out.push_str(&(wrapped(&lead, &format!("{}{size}", fault.description()), columns) + "\n"));
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn faults_that_come_in_degrees_say_their_standard_size_and_all_fit_eighty_columns() {
        let text = faults(80);
        assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
        for fault in Fault::all() {
            let (_, shown) = text.split_once(&format!("\n{:26} ", fault.name())).unwrap();
            let lines = shown.lines().enumerate().take_while(|(n, line)| *n == 0 || line.starts_with(' '));
            let own = lines.map(|(_, line)| line.trim()).collect::<Vec<_>>().join(" ");
            match fault.size() {
                Some(size) => {
                    assert!(own.ends_with(&format!("; size {} {}", size.value, size.unit)), "{own}");
                    let again = Fault::parse(&format!("{}={}", fault.name(), size.value)).unwrap();
                    assert_eq!(again, fault);
                }
                None => assert!(!own.contains("; size "), "{own}"),
            }
        }
    }
}
