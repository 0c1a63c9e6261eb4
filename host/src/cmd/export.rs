//! `export`: what was measured, for other programs.

use std::fs::File;
use std::io::BufWriter;
use std::path::{Path, PathBuf};

use super::person::tell;
use super::run_folder::{must_be, read};
use super::show;
use crate::exit::Exit;
use crate::export::{
    ExportError, Recorded, bursts_csv, bursts_parquet, csv, damage, lines_vcd, parquet, vcd,
};
use crate::record::{SAMPLES, put_by, read_events, read_samples};
use crate::report::json_schema;

const EXAMPLES: &str = "\
Examples:
  proofstand export runs/RUN --csv
      samples.csv: one line a sample, the unit in every column's name, check and step in the last two; \
bursts.csv: one line a point

  proofstand export runs/RUN --parquet --vcd
      samples.parquet and bursts.parquet (units in their key-value metadata); signals.vcd (flags, index, state, \
raw lines, in microseconds) and lines-N.vcd (A, B and Z of each burst of the lines, from its first point)

  proofstand export runs/RUN --schema
      run.schema.json: the JSON Schema of run.json

The files go into the run's folder. A run that was cut off is exported as far as its record is sound.";

/// Write what was measured in the formats of other programs, into the run's folder
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLES)]
#[command(group(clap::ArgGroup::new("format").required(true).multiple(true)))]
pub struct Cmd {
    /// The run's folder
    #[arg(value_name = "RUN")]
    run: PathBuf,
    /// Samples, and points of bursts, as comma-separated values: samples.csv, bursts.csv
    #[arg(long, group = "format")]
    csv: bool,
    /// Samples, and points of bursts, as Apache Parquet tables: samples.parquet, bursts.parquet
    #[arg(long, group = "format")]
    parquet: bool,
    /// Flags, index, state and raw lines as value change dumps: signals.vcd, lines-N.vcd
    #[arg(long, group = "format")]
    vcd: bool,
    /// The JSON Schema of run.json: run.schema.json
    #[arg(long, group = "format")]
    schema: bool,
}

impl Cmd {
    /// Runs it.
    #[must_use]
    pub fn run(self) -> Exit {
        match self.export() {
            Ok(()) => Exit::Accepted,
            Err(message) => {
                tell(&format!("proofstand: {message}"), true);
                Exit::BadInput
            }
        }
    }

    fn export(&self) -> Result<(), String> {
        must_be(&self.run)?;
        let samples = self.run.join(SAMPLES);
        let wrong = |path: &Path, e: &dyn std::fmt::Display| format!("{}: {e}", path.display());
        let file = File::open(&samples).map_err(|e| wrong(&samples, &e))?;
        let samples = read_samples(file).map_err(|e| wrong(&samples, &e))?;
        let events = read_events(&self.run).map_err(|e| wrong(&self.run, &e))?;
        // Without a model names are missing, not numbers.
        let run = read(&self.run).ok();
        if let Some(damage) = damage(&samples) {
            tell(&format!("Warning: {damage}"), true);
        }
        let folder = self.run.canonicalize().map_err(|e| wrong(&self.run, &e))?;
        let id = folder.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        let recorded = Recorded::new(&id, run.as_ref(), &samples, &events);
        let has_bursts = samples.bursts.iter().any(|b| !b.bytes.is_empty());
        if self.csv {
            self.put("samples.csv", |to| csv(&recorded, to))?;
            if has_bursts {
                self.put("bursts.csv", |to| bursts_csv(&recorded, to))?;
            }
        }
        if self.parquet {
            self.put("samples.parquet", |to| parquet(&recorded, to))?;
            if has_bursts {
                self.put("bursts.parquet", |to| bursts_parquet(&recorded, to))?;
            }
        }
        if self.vcd {
            self.put("signals.vcd", |to| vcd(&recorded, to))?;
            for burst in samples.bursts.iter().filter(|b| !b.lines().is_empty()) {
                self.put(&format!("lines-{}.vcd", burst.number), |to| lines_vcd(&recorded, burst, to))?;
            }
        }
        if self.schema {
            self.put("run.schema.json", |to| {
                use std::io::Write as _;
                Ok(writeln!(to, "{:#}", json_schema().as_value())?)
            })?;
        }
        Ok(())
    }

    fn put(
        &self,
        name: &str,
        write: impl FnOnce(&mut BufWriter<File>) -> Result<(), ExportError>,
    ) -> Result<(), String> {
        put_by(&self.run, name, write).map_err(|e| e.to_string())?;
        show::out(&format!("{}\n", self.run.join(name).display()));
        Ok(())
    }
}
