//! `report`: write the reports of a recorded run again.

use std::path::PathBuf;

use crate::exit::Exit;
use crate::record::{publish, read_run};

/// Write the reports of a recorded run again, from its run.json
#[derive(Debug, clap::Args)]
pub struct Cmd {
    /// The run's folder
    #[arg(value_name = "RUN")]
    pub run: PathBuf,
}

impl Cmd {
    /// Runs it.
    #[must_use]
    pub fn run(self) -> Exit {
        let written = read_run(&self.run).and_then(|run| publish(&self.run, &run).map(|()| run));
        match written {
            Ok(run) => {
                print!("{}", super::show::run(&run));
                println!("Report: {}", self.run.join("report.html").display());
                Exit::of(&run.outcome)
            }
            Err(error) => {
                eprintln!("proofstand: {error}");
                Exit::BadInput
            }
        }
    }
}
