//! `report`: write the reports of a recorded run again.

use std::path::PathBuf;

use super::person::tell;
use super::run_folder::read;
use super::show;
use crate::exit::Exit;
use crate::record::publish;

const EXAMPLES: &str = "\
Examples:
  proofstand report runs/RUN
      Writes run.json, report.html and junit.xml into the folder and prints the results.

A run that was cut off (program killed, power gone) has a journal and no run.json: the report is then made of the \
checks that had come to their end, and says so. Nothing is judged anew.";

/// Write the reports of a recorded run again, also of one that was cut off
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLES)]
pub struct Cmd {
    /// The run's folder
    #[arg(value_name = "RUN")]
    pub run: PathBuf,
}

impl Cmd {
    /// Runs it.
    #[must_use]
    pub fn run(self) -> Exit {
        let written = read(&self.run)
            .and_then(|run| publish(&self.run, &run).map(|()| run).map_err(|error| error.to_string()));
        match written {
            Ok(run) => {
                show::out(&show::run(&run));
                show::out(&format!("Report: {}\n", self.run.join("report.html").display()));
                Exit::of(&run.outcome)
            }
            Err(error) => {
                tell(&format!("proofstand: {error}"), true);
                Exit::BadInput
            }
        }
    }
}
