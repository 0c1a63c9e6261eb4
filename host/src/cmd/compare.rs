//! `compare`: two runs of one axis, result by result.

use std::path::PathBuf;

use proofstand_units::Celsius;

use super::person::tell;
use super::run_folder::read;
use super::{names, show};
use crate::compare::{Comparison, Line, compare};
use crate::exit::Exit;
use crate::record::model::Verdict;
use crate::settings::harmless;

const EXAMPLES: &str = "\
Examples:
  proofstand compare runs/BEFORE runs/AFTER
      Has the scale changed since, and by how much would it be seen?

  proofstand compare runs/BEFORE runs/AFTER --only command-scale --budget
      One check, and what makes each difference uncertain.

  proofstand compare runs/BEFORE runs/AFTER --kelvin 10 --json
      The motor may have been 10 K warmer; for a script.

Exit codes:
  0  everything agrees
  1  something differs
  2  bad input, or runs that can't be compared
  3  nothing differs; something is a warning or not decided";

/// Compare two runs of one axis, with the uncertainty of each difference
///
/// What both runs share (stated inertia, calibration, clock) cancels in the difference. For each value the
/// smallest difference that would be seen is printed. A scale is held against the sheet's tolerance for retention.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLES)]
pub struct Cmd {
    /// Folder of the run that the differences count from
    #[arg(value_name = "BEFORE")]
    before: PathBuf,
    /// Folder of the other run
    #[arg(value_name = "AFTER")]
    after: PathBuf,
    /// Only results of this check (repeatable)
    #[arg(long, value_name = "CHECK", value_parser = names::checks())]
    only: Vec<String>,
    /// So many kelvin the motor's temperature may have differed between the runs
    #[arg(long, value_name = "KELVIN", default_value_t = 2.0)]
    kelvin: f64,
    /// Print each difference's uncertainty budget too
    #[arg(long)]
    budget: bool,
    /// Print JSON instead of text
    #[arg(long)]
    json: bool,
}

impl Cmd {
    /// Runs it.
    #[must_use]
    pub fn run(&self) -> Exit {
        match self.compared() {
            Ok(found) => {
                show::out(&if self.json { json(&found) } else { text(&found, self.budget) });
                match found.verdict() {
                    Verdict::Accepted => Exit::Accepted,
                    Verdict::Rejected => Exit::Rejected,
                    Verdict::Undecided | Verdict::NotDone => Exit::Undecided,
                }
            }
            Err(message) => {
                tell(&format!("proofstand: {message}"), true);
                Exit::BadInput
            }
        }
    }

    fn compared(&self) -> Result<Comparison, String> {
        if !(self.kelvin.is_finite() && self.kelvin >= 0.0) {
            return Err(format!("--kelvin {}: give a number of zero or more", self.kelvin));
        }
        let run = |folder: &PathBuf| read(folder);
        let (before, after) = (run(&self.before)?, run(&self.after)?);
        let mut found = compare(&before, &after, Celsius::new(self.kelvin)).map_err(|e| e.to_string())?;
        if !self.only.is_empty() {
            let wanted = |id: &str| self.only.iter().any(|check| id.split(['.', ':']).next() == Some(check));
            found.lines.retain(|line| wanted(&line.id));
            found.left_out.retain(|what| wanted(what));
        }
        if found.lines.is_empty() {
            return Err("nothing was measured in both runs".to_owned());
        }
        Ok(found)
    }
}

fn json(found: &Comparison) -> String {
    let text = serde_json::to_string_pretty(found);
    harmless::json(&text.unwrap_or_else(|error| format!("{{\"error\": \"{error}\"}}"))) + "\n"
}

fn text(found: &Comparison, budgets: bool) -> String {
    // A simulation says so in every line.
    let mark = if found.kind == "REHEARSAL" { "REHEARSAL " } else { "" };
    let mut out = format!("{mark}{} -> {}\n\n", found.before, found.after);
    for line in &found.lines {
        out += &format!("{mark}{:8} {}\n", line.finding.word(), line.name);
        out += &show::wrapped(&format!("{mark}         "), &values(line));
        out += "\n";
        if budgets {
            for c in &line.budget {
                out += &format!("{mark}         {:5.1} %  {} ({})\n", c.share_percent, c.name, c.kind);
            }
        }
    }
    for (lead, all) in [("Note: ", &found.notes), ("Not compared: ", &found.left_out)] {
        for one in all {
            out += &format!("{}\n", show::wrapped(&format!("{mark}{lead}"), one));
        }
    }
    out += &format!(
        "\n{mark}{}\n",
        match found.verdict() {
            Verdict::Accepted => "AGREES: nothing has changed by more than could be seen or is allowed.",
            Verdict::Rejected => "DIFFERS: see above what has changed.",
            Verdict::Undecided | Verdict::NotDone =>
                "WARNING: nothing surely differs, and not everything surely agrees.",
        }
    );
    out
}

fn values(line: &Line) -> String {
    let unit = if line.unit.is_empty() { String::new() } else { format!(" {}", line.unit) };
    let mut text = format!("{} -> {}{unit}", line.before, line.after);
    if let (Some(difference), Some(u), Some(k)) = (line.difference, line.expanded, line.coverage_factor) {
        let digits = if u > 0.0 { (1.0 - u.log10().floor()).clamp(0.0, 9.0) as usize } else { 9 };
        text += &format!("; difference {difference:+.digits$}, U = {u:.digits$} (95 %, k = {k:.2})");
        if let (Some(tolerance), Some(p)) = (line.tolerance, line.probability_of_conformity) {
            text += &format!(", allowed {tolerance:.digits$}, probability of conformity {:.1} %", 100.0 * p);
        }
    }
    format!("{text}; {}", line.sentence)
}
