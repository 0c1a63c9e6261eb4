//! `inertia`: a rotor's inertia from three runs with a known disc.

use std::path::PathBuf;

use proofstand_units::{KilogramSquareMetres, Metres};

use super::calibrate::fresh;
use super::person::tell;
use super::run_folder::read;
use super::show;
use crate::acceptance::stamp;
use crate::exit::Exit;
use crate::inertia::{Measured, Mounting, from_runs};
use crate::record::put;
use crate::report;

const EXAMPLES: &str = "\
Examples:
  proofstand accept bare.toml --port /dev/ttyACM0 --only rotor-swing
  proofstand accept with-disc.toml --port /dev/ttyACM0 --only rotor-swing
  proofstand accept bare.toml --port /dev/ttyACM0 --only rotor-swing
      The three runs. The sheets differ in [disc] only; the hub stays on in all three.

  proofstand inertia --without runs/A --with runs/B --without-again runs/C
      Prints the section that the sheet takes in the place of the catalogue's inertia.

  proofstand inertia --without runs/A --with runs/B --without-again runs/C >> axis.toml
      Puts it there. What it rests on is kept in a folder of its own: inertia.json, and inertia.html to read and print.

What [disc] states as its uncertainty is taken as one number (k = 2). It must hold all of this: balance and gauges that \
the disc was weighed and measured with, its roundness and holes, how even its material is, screws, keys and the hub that \
belongs to it, and with an inertia instead of a mass also how far off the shaft's axis it may sit (m·e²).

A small bare rotor may be refused before any swing, and the run says why under rotor-swing: it would pass its highest \
speed before a trip takes effect, reach the turn-round speed in too few samples to measure an acceleration in, or stand so \
soon that enable is not seen to be obeyed. A hub that stays on in all three runs (--hub) makes it slow enough.

A disc of at least twice the rotor's inertia is advised: the error of an acceleration counts 2.1-fold then, and \
4.2-fold with a disc of half the rotor's.";

/// Find a rotor's inertia from three runs: without a known disc, with it, without it again
///
/// The same torque is needed each time; the second run without finds how the torque drifts with temperature.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLES)]
pub struct Cmd {
    /// The run without the disc
    #[arg(long, value_name = "RUN")]
    without: PathBuf,
    /// The run with the disc
    #[arg(long, value_name = "RUN")]
    with: PathBuf,
    /// The second run without the disc
    #[arg(long, value_name = "RUN")]
    without_again: PathBuf,
    /// The disc's axis lies within so many millimetres of the shaft's; counts only where [disc] gives dimensions, and so a mass
    #[arg(long, value_name = "MILLIMETRES", default_value_t = 0.1)]
    centring: f64,
    /// Inertia in kg·m² of a hub that stays on in all three runs and does not belong to the rotor
    #[arg(long, value_name = "KG_M2", default_value_t = 0.0)]
    hub: f64,
    /// Expanded uncertainty (k = 2) of the hub's inertia, in kg·m²
    #[arg(long, value_name = "KG_M2", default_value_t = 0.0)]
    hub_uncertainty: f64,
    /// Folder in which the measurement's own folder is made
    #[arg(long, value_name = "FOLDER", default_value = "inertias")]
    folder: PathBuf,
}

impl Cmd {
    /// Runs it.
    #[must_use]
    pub fn run(self) -> Exit {
        match self.find().and_then(|found| Ok((self.kept(&found)?, found))) {
            Ok((folder, found)) => {
                tell(&explained(&found), true);
                tell(&format!("{}Kept in {}", mark(&found), folder.display()), true);
                show::out(&found.section());
                Exit::Accepted
            }
            Err(message) => {
                tell(&format!("proofstand: {message}"), true);
                Exit::BadInput
            }
        }
    }

    /// Leaves the record and its page in a folder of their own.
    fn kept(&self, found: &Measured) -> Result<PathBuf, String> {
        let word = if found.rehearsal { "-rehearsal" } else { "" };
        let (id, folder) = fresh(&self.folder, &format!("rotor{word}-{}", stamp())).map_err(|why| {
            format!("can't make a folder in {}: {why}; name another: --folder", self.folder.display())
        })?;
        let record = found.record(id);
        let json = record.to_json().map_err(|why| format!("{RECORD}: {why}; look at the runs' reports"))?;
        for (name, text) in [(RECORD, json), (PAGE, report::inertia(&record))] {
            put(&folder, name, text.as_bytes()).map_err(|why| {
                format!("{}: {why}; name another folder: --folder", folder.join(name).display())
            })?;
        }
        Ok(folder)
    }

    fn find(&self) -> Result<Measured, String> {
        for (name, value) in
            [("--centring", self.centring), ("--hub", self.hub), ("--hub-uncertainty", self.hub_uncertainty)]
        {
            if !(value.is_finite() && value >= 0.0) {
                return Err(format!("{name} {value}: give a number of zero or more"));
            }
        }
        let mounting = Mounting {
            centring: Metres::new(self.centring * 1e-3),
            hub: KilogramSquareMetres::new(self.hub),
            hub_expanded: KilogramSquareMetres::new(self.hub_uncertainty),
        };
        let run = |folder: &PathBuf| read(folder);
        let (a, b, c) = (run(&self.without)?, run(&self.with)?, run(&self.without_again)?);
        from_runs([&a, &b, &c], &mounting).map_err(|e| e.to_string())
    }
}

const RECORD: &str = "inertia.json";
const PAGE: &str = "inertia.html";

/// What each line of a simulation begins with.
const fn mark(found: &Measured) -> &'static str {
    if found.rehearsal { "REHEARSAL " } else { "" }
}

/// What was found and what makes it uncertain, for standard error.
fn explained(found: &Measured) -> String {
    let combined = found.rotor.budget.combined();
    let (value, expanded) = (combined.value.get(), combined.expanded.get());
    let mut lines = vec![
        format!(
            "Rotor: {value:.4e} kg·m², U = {expanded:.1e} kg·m² ({:.2} %), k = {:.2}, u_c = {:.1e} kg·m², ν_eff = {}",
            100.0 * expanded / value,
            combined.coverage_factor.get(),
            combined.standard_uncertainty.get(),
            degrees(combined.degrees_of_freedom.finite())
        ),
        format!(
            "The disc is {:.1} times the rotor; the torque drifted by {:+.2} % from the first run to the last.",
            found.rotor.ratio,
            found.rotor.drift.get()
        ),
    ];
    if !found.disc_mass_known {
        lines.push(
            "--centring plays no part: [disc] gives an inertia and no mass, and what centring adds is m·e². The disc's stated \
             uncertainty must hold it."
                .to_owned(),
        );
    }
    for row in found.rotor.budget.rows() {
        let input =
            row.input_uncertainty.map_or_else(String::new, |u| format!(" of {u:.1e} {}", row.input_unit));
        let sensitivity = row.sensitivity.map_or_else(String::new, |c| format!(" times {c:.1e}"));
        lines.push(format!(
            "  {:5.1} %  {} ({}, {}): u = {:.1e} kg·m²{input}{sensitivity}, ν = {}",
            row.share_percent,
            row.name,
            row.kind,
            row.distribution,
            row.standard_uncertainty,
            degrees(row.degrees_of_freedom)
        ));
    }
    lines.extend(found.rotor.higher.map(|by| {
        format!(
            "The accelerations scatter so much that the interval is not quite even: both of its ends lie about {:.1e} kg·m² \
             higher.",
            by.get()
        )
    }));
    lines.extend(found.rotor.advice.iter().map(|advice| format!("Advice: {advice}.")));
    lines.push(if found.catalogue_contradicts {
        format!(
            "The catalogue's {:.4e} kg·m² can't be true: it differs by more than both uncertainties combined (k = 2).",
            found.catalogue.get()
        )
    } else {
        format!("The catalogue's {:.4e} kg·m² agrees with it.", found.catalogue.get())
    });
    lines.into_iter().map(|line| format!("{}{line}", mark(found))).collect::<Vec<_>>().join("\n")
}

/// Degrees of freedom, rounded down.
fn degrees(nu: Option<f64>) -> String {
    match nu {
        None => "∞".to_owned(),
        Some(nu) if nu > 1000.0 => "more than 1000".to_owned(),
        Some(nu) => format!("{:.0}", nu.floor()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::estimate::known_disc::RotorInertia;
    use crate::inertia::record::DiscUsed;
    use crate::metrology::{Budget, Contribution};
    use proofstand_units::Percent;

    #[test]
    fn a_disc_without_a_mass_is_said_to_leave_its_centring_to_the_stated_uncertainty() {
        let kg = KilogramSquareMetres::new;
        let found = |disc_mass_known: bool| Measured {
            rotor: RotorInertia {
                budget: Budget::new(kg(2e-4)).with(Contribution::normal("disc", kg(1e-6))),
                drift: Percent::ZERO,
                ratio: 2.0,
                higher: None,
                advice: None,
            },
            catalogue_contradicts: false,
            catalogue: kg(2e-4),
            provenance: String::new(),
            disc_mass_known,
            rehearsal: true,
            axis: String::new(),
            runs: Vec::new(),
            levels: Vec::new(),
            disc: DiscUsed {
                inertia: kg(4e-4),
                expanded: kg(4e-6),
                known_from: String::new(),
                mass: None,
                centring: Metres::ZERO,
                hub: KilogramSquareMetres::ZERO,
                hub_expanded: KilogramSquareMetres::ZERO,
            },
        };
        let said = "--centring plays no part: [disc] gives an inertia and no mass";
        assert!(explained(&found(false)).contains(said));
        assert!(!explained(&found(true)).contains("--centring"));
        // Whatever line is copied says that it was simulated, on standard output too.
        for line in explained(&found(false)).lines() {
            assert!(line.starts_with("REHEARSAL "), "{line}");
        }
        for line in found(false).section().lines() {
            assert!(line.ends_with("# REHEARSAL: measured on a simulation"), "{line}");
        }
        let budget = explained(&found(true));
        assert!(
            budget.contains("disc (B, normal): u = 1.0e-6 kg·m² of 1.0e-6 kg·m² times 1.0e0, ν = ∞"),
            "{budget}"
        );
    }
}
