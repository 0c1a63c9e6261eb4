//! The model as a file, and the schema that describes it.

use std::io::{self, Write};

use schemars::Schema;
use schemars::generate::SchemaSettings;
use serde::Serialize;
use serde_json::ser::{Formatter, PrettyFormatter, Serializer};

use super::ReportError;
use crate::record::model::Run;

/// `run.json`: the model, indented, a plot's point on a line of its own.
///
/// # Errors
/// [`ReportError::NotFinite`] if a number is infinite or none: JSON (RFC 8259, section 6) can't carry it, and the model
/// would read back as something else.
pub fn json(run: &Run) -> Result<String, ReportError> {
    finite(run)?;
    let mut out = Vec::new();
    run.serialize(&mut Serializer::with_formatter(&mut out, PointPerLine::default()))?;
    out.push(b'\n');
    String::from_utf8(out).map_err(|e| ReportError::Xml(io::Error::other(e)))
}

/// The JSON Schema (draft 2020-12) of `run.json`.
#[must_use]
pub fn json_schema() -> Schema {
    // Of what is written: a field that a reader may leave out is still always there.
    SchemaSettings::draft2020_12().for_serialize().into_generator().into_root_schema_for::<Run>()
}

fn finite(run: &Run) -> Result<(), ReportError> {
    let check = |path: &dyn Fn() -> String, value: f64| {
        if value.is_finite() { Ok(()) } else { Err(ReportError::NotFinite { path: path(), value }) }
    };
    for (i, target) in run.targets.iter().enumerate() {
        check(&|| format!("targets[{i}].value"), target.value)?;
    }
    let superseded = run.follows.iter().flat_map(|f| f.superseded.iter().map(|s| &s.record));
    for (i, c) in run.checks.iter().chain(superseded).enumerate() {
        for (j, r) in c.results.iter().enumerate() {
            let named = [
                ("target", r.target),
                ("measured", r.measured),
                ("expanded_uncertainty", r.expanded_uncertainty),
                ("coverage_factor", r.coverage_factor),
                ("lower_limit", r.lower_limit),
                ("upper_limit", r.upper_limit),
            ];
            for (name, value) in named {
                check(&|| format!("checks[{i}].results[{j}].{name}"), value.unwrap_or(0.0))?;
            }
            let statement = r.statement.iter().flat_map(|s| {
                [s.standard_uncertainty, s.degrees_of_freedom.unwrap_or(0.0), s.coverage_percent]
            });
            for value in statement {
                check(&|| format!("checks[{i}].results[{j}].statement"), value)?;
            }
            let decision = r.decision.iter();
            for value in decision.flat_map(|d| [d.guard_band.unwrap_or(0.0), d.probability_of_conformity]) {
                check(&|| format!("checks[{i}].results[{j}].decision"), value)?;
            }
            for (k, b) in r.budget.iter().enumerate() {
                for value in [
                    b.input_uncertainty.unwrap_or(0.0),
                    b.sensitivity.unwrap_or(0.0),
                    b.standard_uncertainty,
                    b.degrees_of_freedom.unwrap_or(0.0),
                    b.share_percent,
                ] {
                    check(&|| format!("checks[{i}].results[{j}].budget[{k}]"), value)?;
                }
            }
        }
        for value in [c.took.bench_seconds, c.took.person_seconds] {
            check(&|| format!("checks[{i}].took"), value)?;
        }
        for (j, s) in c.steps.iter().enumerate() {
            for value in [s.start_seconds, s.duration_seconds] {
                check(&|| format!("checks[{i}].steps[{j}]"), value)?;
            }
        }
        for (j, p) in c.plots.iter().enumerate() {
            for (k, panel) in p.panels.iter().enumerate() {
                let at = || format!("checks[{i}].plots[{j}].panels[{k}]");
                let series = panel.series.iter();
                let points = series
                    .clone()
                    .flat_map(|s| s.points.iter().flatten())
                    .chain(series.flat_map(|s| &s.uncertainty));
                let bands = panel.bands.iter().flat_map(|b| b.points.iter().flatten());
                for value in points.chain(bands).copied().chain(panel.marks.iter().map(|m| m.y)) {
                    check(&at, value)?;
                }
            }
            for value in p.lanes.iter().flat_map(|l| &l.changes) {
                check(&|| format!("checks[{i}].plots[{j}].lanes"), *value)?;
            }
        }
    }
    Ok(())
}

/// Indented JSON, but an array straight inside an array (a plot's point) stays on one line: a run has tens of thousands.
#[derive(Default)]
struct PointPerLine {
    pretty: PrettyFormatter<'static>,
    /// For every open container: is it an array?
    open: Vec<bool>,
    /// How many of the open containers are points.
    points: usize,
}

impl Formatter for PointPerLine {
    fn begin_array<W: ?Sized + Write>(&mut self, w: &mut W) -> io::Result<()> {
        let point = self.points > 0 || self.open.last() == Some(&true);
        self.open.push(true);
        if point {
            self.points += 1;
            return w.write_all(b"[");
        }
        self.pretty.begin_array(w)
    }

    fn end_array<W: ?Sized + Write>(&mut self, w: &mut W) -> io::Result<()> {
        self.open.pop();
        if self.points > 0 {
            self.points -= 1;
            return w.write_all(b"]");
        }
        self.pretty.end_array(w)
    }

    fn begin_array_value<W: ?Sized + Write>(&mut self, w: &mut W, first: bool) -> io::Result<()> {
        if self.points > 0 {
            return if first { Ok(()) } else { w.write_all(b", ") };
        }
        self.pretty.begin_array_value(w, first)
    }

    fn end_array_value<W: ?Sized + Write>(&mut self, w: &mut W) -> io::Result<()> {
        if self.points > 0 { Ok(()) } else { self.pretty.end_array_value(w) }
    }

    fn begin_object<W: ?Sized + Write>(&mut self, w: &mut W) -> io::Result<()> {
        self.open.push(false);
        self.pretty.begin_object(w)
    }

    fn end_object<W: ?Sized + Write>(&mut self, w: &mut W) -> io::Result<()> {
        self.open.pop();
        self.pretty.end_object(w)
    }

    fn begin_object_key<W: ?Sized + Write>(&mut self, w: &mut W, first: bool) -> io::Result<()> {
        self.pretty.begin_object_key(w, first)
    }

    fn begin_object_value<W: ?Sized + Write>(&mut self, w: &mut W) -> io::Result<()> {
        self.pretty.begin_object_value(w)
    }

    fn end_object_value<W: ?Sized + Write>(&mut self, w: &mut W) -> io::Result<()> {
        self.pretty.end_object_value(w)
    }
}
