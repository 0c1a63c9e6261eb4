//! A rotor's inertia from three runs: without a known disc, with it, without it again.

pub mod record;

use proofstand_units::{KilogramSquareMetres, Kilograms, Metres, RadPerSec2, Seconds};

use record::{CitedRun, DiscUsed, InertiaKind, InertiaRecord, SCHEMA};

use crate::acceptance::now;
use crate::checks::rotor_swing;
use crate::estimate::EstimateError;
use crate::estimate::known_disc::{
    DiscRuns, KnownDisc, RotorInertia, RunAcceleration, contradicts, rotor_inertia,
};
use crate::estimate::scale::BUILDING_UP;
use crate::metrology::DegreesOfFreedom;
use crate::record::model::{MeasuredWith, ResultRow, Run};
use crate::report::is_rehearsal;
use crate::sheet::{AxisSheet, DiscSource, SheetError, parse};

/// Why three runs give no inertia.
#[derive(Debug, thiserror::Error)]
pub enum InertiaError {
    /// A run's sheet can't be read.
    #[error("run {run}: {source}")]
    Sheet {
        /// The run.
        run: String,
        /// Why.
        source: Box<SheetError>,
    },
    /// The runs don't belong together.
    #[error("the runs don't belong together: {0}")]
    Apart(String),
    /// No level was measured in all three.
    #[error(
        "no level was measured in all three runs; each is made with --only rotor-swing, on sheets that differ in [disc] only.{}",
        .runs.iter().map(|run| format!("\n{run}")).collect::<String>()
    )]
    NoLevel {
        /// What each run has, or why it has none.
        runs: Vec<String>,
    },
    /// The accelerations give none.
    #[error(transparent)]
    Estimate(#[from] EstimateError),
}

/// What goes with the disc beside its own sheet.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mounting {
    /// Its axis lies within this of the shaft's.
    pub centring: Metres,
    /// Inertia of a hub that stays on the shaft in all three runs.
    pub hub: KilogramSquareMetres,
    /// Expanded uncertainty (k = 2) of that.
    pub hub_expanded: KilogramSquareMetres,
}

/// A measured inertia with its provenance.
#[derive(Debug, Clone, PartialEq)]
pub struct Measured {
    /// What was found.
    pub rotor: RotorInertia,
    /// The catalogue's value contradicts it (k = 2, combined).
    pub catalogue_contradicts: bool,
    /// The catalogue's value.
    pub catalogue: KilogramSquareMetres,
    /// How, when and with what.
    pub provenance: String,
    /// The sheet's `[disc]` gives a mass, so that its centring is accounted for.
    pub disc_mass_known: bool,
    /// The runs were rehearsals.
    pub rehearsal: bool,
    /// The axis, from the sheet of the first run.
    pub axis: String,
    /// The three runs, and what each gave.
    pub runs: Vec<CitedRun>,
    /// The levels that all three have, by the names of their results.
    pub levels: Vec<String>,
    /// The disc and its mounting.
    pub disc: DiscUsed,
}

impl Measured {
    /// The section that a sheet takes.
    #[must_use]
    pub fn section(&self) -> String {
        let combined = self.rotor.budget.combined();
        let value = combined.value.get();
        // Stated at k = 2; with few degrees of freedom no less than the interval that was found.
        let expanded = combined.expanded.get().max(2.0 * combined.standard_uncertainty.get());
        let lines = [
            "[measured_inertia]".to_owned(),
            format!("rotor_kilogram_square_metres = {value:.4e}"),
            format!("uncertainty_percent = {:.2}", 100.0 * expanded / value),
            format!("provenance = \"{}\"", self.provenance),
        ];
        // Whatever line of it is copied says so.
        let mark = if self.rehearsal { " # REHEARSAL: measured on a simulation" } else { "" };
        lines.map(|line| format!("{line}{mark}\n")).concat()
    }

    /// The measurement as a file. `id`: the name of its folder.
    #[must_use]
    pub fn record(&self, id: String) -> InertiaRecord {
        InertiaRecord {
            schema: SCHEMA.to_owned(),
            kind: if self.rehearsal { InertiaKind::Rehearsal } else { InertiaKind::Measurement },
            id,
            made: now(),
            software: format!("proofstand {}", env!("CARGO_PKG_VERSION")),
            axis: self.axis.clone(),
            runs: self.runs.clone(),
            levels: self.levels.clone(),
            disc: self.disc.clone(),
            result: rotor_swing::inertia_row(&self.rotor.budget),
            drift: self.rotor.drift,
            ratio: self.rotor.ratio,
            higher: self.rotor.higher,
            catalogue: self.catalogue,
            catalogue_contradicts: self.catalogue_contradicts,
            conditions: self.conditions(),
            advice: self.rotor.advice.clone(),
            section: self.section(),
        }
    }

    /// Under which conditions it was measured, in sentences.
    fn conditions(&self) -> Vec<String> {
        let mut all = vec![
            "The same command each time, on one fixture with one calibration: their errors, and the clock's, are in all three \
             runs and cancel in the ratio of the accelerations."
                .to_owned(),
            format!(
                "The motor's temperature was not measured. Its torque changed by {:+.2} % from the first run to the last; an even \
                 change is taken out, a quarter of it is allowed for as uneven.",
                self.rotor.drift.get()
            ),
            "Friction cancels between forward and backward swings as far as it is alike both ways at the same speed.".to_owned(),
        ];
        if !self.disc_mass_known {
            all.push(
                "The sheet gives the disc's inertia and no mass: what its centring adds (m·e²) must be in the uncertainty that is \
                 stated of it."
                    .to_owned(),
            );
        }
        if self.runs.iter().any(|run| run.building_up.is_none()) {
            all.push(
                "A run was made by a program that did not state how much of its torque was still building up: that contribution \
                 is missing."
                    .to_owned(),
            );
        }
        all
    }
}

/// Works the inertia out.
///
/// # Errors
/// [`InertiaError`] if the runs don't belong together or say nothing.
pub fn from_runs(runs: [&Run; 3], mounting: &Mounting) -> Result<Measured, InertiaError> {
    let sheet = |run: &Run| -> Result<AxisSheet, InertiaError> {
        parse(&run.axis.sheet_file, run.axis.sheet_text.as_bytes())
            .map_err(|source| InertiaError::Sheet { run: run.id.clone(), source: Box::new(source) })
    };
    let [before, with, after] = [sheet(runs[0])?, sheet(runs[1])?, sheet(runs[2])?];
    let apart = |why: &str| Err(InertiaError::Apart(why.to_owned()));
    if runs.iter().any(|run| run.kind != runs[0].kind) {
        return apart("some are rehearsals and some are not");
    }
    if before.motor != with.motor
        || before.motor != after.motor
        || before.command != with.command
        || before.command != after.command
    {
        return apart("their sheets name different motors or commands");
    }
    let board = |run: &Run| {
        let p = &run.provenance;
        (p.controller_serial.clone(), p.analog_serial.clone(), p.calibration.clone())
    };
    if runs.iter().any(|run| board(run) != board(runs[0])) {
        return apart(
            "they were made with different fixtures or calibrations, whose errors would not cancel",
        );
    }
    let Some(disc) = with.disc else { return apart("the sheet of the run with the disc has no [disc]") };
    if before.disc.is_some() || after.disc.is_some() {
        return apart("the sheet of a run without the disc has a [disc]");
    }
    let id = |row: &&ResultRow| row.id.starts_with(rotor_swing::ID) && row.measured.is_some();
    let rows = |run: &'_ Run| -> Vec<ResultRow> {
        run.checks.iter().flat_map(|c| &c.results).filter(id).cloned().collect()
    };
    let all = [rows(runs[0]), rows(runs[1]), rows(runs[2])];
    let common: Vec<&str> = all[0]
        .iter()
        .map(|row| row.id.as_str())
        .filter(|id| all[1..].iter().all(|rows| rows.iter().any(|row| row.id == *id)))
        .collect();
    if common.is_empty() {
        return Err(InertiaError::NoLevel { runs: runs.map(swings_of).to_vec() });
    }
    let of = |run: &Run, rows: &[ResultRow]| -> Result<RunAcceleration, InertiaError> {
        let used: Vec<&ResultRow> = rows.iter().filter(|row| common.contains(&row.id.as_str())).collect();
        acceleration(&used, time(run)?)
    };
    let accelerations = DiscRuns {
        without: of(runs[0], &all[0])?,
        with: of(runs[1], &all[1])?,
        without_again: of(runs[2], &all[2])?,
    };
    let known = KnownDisc {
        inertia: disc.inertia,
        expanded: disc.inertia * (disc.uncertainty.get() / 100.0),
        mass: match disc.known_from {
            DiscSource::Dimensions { mass, .. } => Some(mass),
            DiscSource::Given => None::<Kilograms>,
        },
        centring: mounting.centring,
        hub: mounting.hub,
        hub_expanded: mounting.hub_expanded,
    };
    let rotor = rotor_inertia(&accelerations, &known)?;
    let combined = rotor.budget.combined();
    let motor = &before.motor;
    let (catalogue, catalogue_expanded) = motor.catalogue_inertia.map_or_else(
        || {
            let share = motor.rotor_inertia_uncertainty.get() / 100.0;
            (motor.rotor_inertia, motor.rotor_inertia * share)
        },
        |c| (c.value, c.expanded),
    );
    let rehearsal = runs.iter().any(|run| is_rehearsal(run));
    Ok(Measured {
        catalogue_contradicts: contradicts(
            (catalogue, catalogue_expanded),
            (combined.value, combined.expanded),
        ),
        catalogue,
        provenance: format!(
            "{}known disc of {:.4e} kg m2 (U = {:.1} %, k = 2), without, with, without: runs {}, {}, {}; {}; {}",
            if rehearsal { "REHEARSAL, " } else { "" },
            disc.inertia.get(),
            disc.uncertainty.get(),
            runs[0].id,
            runs[1].id,
            runs[2].id,
            runs[2].finished,
            runs[0].provenance.software
        ),
        rotor,
        disc_mass_known: known.mass.is_some(),
        rehearsal,
        axis: runs[0].axis.title.clone(),
        runs: vec![
            cited(PARTS[0], runs[0], &accelerations.without, stated(&all[0])),
            cited(PARTS[1], runs[1], &accelerations.with, stated(&all[1])),
            cited(PARTS[2], runs[2], &accelerations.without_again, stated(&all[2])),
        ],
        levels: common.iter().map(|id| (*id).to_owned()).collect(),
        disc: DiscUsed {
            inertia: known.inertia,
            expanded: known.expanded,
            known_from: match disc.known_from {
                DiscSource::Given => "stated in the sheet".to_owned(),
                DiscSource::Dimensions { outer_radius, inner_radius, .. } => format!(
                    "from mass and radii, {:.2} mm outside and {:.2} mm of the bore",
                    outer_radius.get() * 1e3,
                    inner_radius.get() * 1e3
                ),
            },
            mass: known.mass,
            centring: known.centring,
            hub: known.hub,
            hub_expanded: known.hub_expanded,
        },
    })
}

/// The parts of the three runs, in the order of time.
const PARTS: [&str; 3] = ["without the disc", "with the disc", "without the disc again"];

/// Which swings a run has, or why it has none.
fn swings_of(run: &Run) -> String {
    let Some(check) = run.checks.iter().find(|check| check.id == rotor_swing::ID) else {
        return format!("run {}: rotor-swing was not asked for", run.id);
    };
    let measured: Vec<&str> =
        check.results.iter().filter(|row| row.measured.is_some()).map(|row| row.id.as_str()).collect();
    match &check.not_done {
        Some(not_done) => format!(
            "run {}: the swings were not made: {}. What would allow it: {}",
            run.id, not_done.why, not_done.would_allow
        ),
        None if measured.is_empty() => {
            let why = check.results.iter().map(|row| format!("{}: {}", row.name, row.sentence));
            format!("run {}: no level gave an acceleration: {}", run.id, why.collect::<Vec<_>>().join("; "))
        }
        None => format!("run {}: measured {}", run.id, measured.join(", ")),
    }
}

/// All levels state what was still building up.
fn stated(rows: &[ResultRow]) -> bool {
    rows.iter().all(|row| row.budget.iter().any(|part| part.name == BUILDING_UP))
}

fn cited(part: &str, run: &Run, gave: &RunAcceleration, states_building_up: bool) -> CitedRun {
    CitedRun {
        part: part.to_owned(),
        id: run.id.clone(),
        started: run.started.clone(),
        finished: run.finished.clone(),
        sheet_file: run.axis.sheet_file.clone(),
        sheet_crc32: run.axis.sheet_crc32.clone(),
        software: run.provenance.software.clone(),
        with: MeasuredWith::of(&run.provenance),
        identity: run.axis.identity.clone(),
        acceleration: gave.value,
        scatter: gave.scatter,
        degrees_of_freedom: gave.degrees_of_freedom.finite(),
        building_up: states_building_up.then_some(gave.building_up),
    }
}

/// The sum over levels: at each the torque is the same in all three runs, so it is for the sum.
fn acceleration(rows: &[&ResultRow], at: Seconds) -> Result<RunAcceleration, InertiaError> {
    let missing = || {
        InertiaError::Apart("a run was made by a program that stated no standard uncertainties".to_owned())
    };
    let (mut value, mut variance, mut spread, mut building_up) = (0.0, 0.0, 0.0, 0.0);
    for row in rows {
        let (Some(measured), Some(statement)) = (row.measured, &row.statement) else { return Err(missing()) };
        value += measured;
        // What is still building up is missing at all levels and in all runs alike; it is no scatter.
        let missing = row.budget.iter().find(|part| part.name == BUILDING_UP);
        building_up += missing.map_or(0.0, |part| part.standard_uncertainty * 3.0_f64.sqrt());
        let scatter = row.budget.iter().find(|part| part.kind == "A");
        let (u, nu) = scatter
            .map_or((statement.standard_uncertainty, statement.degrees_of_freedom), |part| {
                (part.standard_uncertainty, part.degrees_of_freedom)
            });
        let square = u.powi(2);
        variance += square;
        // Welch and Satterthwaite.
        spread += nu.map_or(0.0, |nu| square * square / nu);
    }
    let degrees_of_freedom =
        DegreesOfFreedom::new(variance * variance / spread).unwrap_or(DegreesOfFreedom::INFINITE);
    Ok(RunAcceleration {
        value: RadPerSec2::new(value),
        scatter: RadPerSec2::new(variance.sqrt()),
        degrees_of_freedom,
        building_up: RadPerSec2::new(building_up),
        at,
    })
}

fn time(run: &Run) -> Result<Seconds, InertiaError> {
    run.started
        .parse::<jiff::Timestamp>()
        .map(|t| Seconds::new(t.as_millisecond() as f64 * 1e-3))
        .map_err(|_| InertiaError::Apart(format!("run {} does not say when it was made", run.id)))
}
