//! To what a run's values can be traced, in words: no more than the state of fixture, calibration and sheet bears.

use super::Calibration;
use crate::calibration::image::StatedAccuracy;
use crate::error_budget::CLOCK;
use crate::record::model::Fact;
use crate::sheet::{AxisSheet, CommandPair};

/// A line for each kind of quantity. Of a simulation nothing can be traced to anything.
pub(super) fn traceability(simulated: bool, calibration: &Calibration, sheet: &AxisSheet) -> Vec<Fact> {
    let fact = |label: &str, value: String| Fact { label: label.to_owned(), value };
    if simulated {
        return vec![fact("All values", "simulated: none is traceable to anything".to_owned())];
    }
    let mut facts = vec![
        fact("Voltages", voltages(calibration)),
        fact(
            "Times",
            format!(
                "by the fixture's crystal, assumed to lie within ±{} ppm and never compared with a standard: no \
                 traceability is claimed",
                CLOCK.get()
            ),
        ),
    ];
    if matches!(sheet.command.pair, CommandPair::Torque { .. }) {
        facts.push(fact("Torque", torque(sheet)));
    }
    facts.push(fact("Counts", "counted: they need none".to_owned()));
    facts
}

fn voltages(calibration: &Calibration) -> String {
    match &calibration.meter {
        Some((meter, accuracy)) if calibration.valid => format!(
            "to the meter \"{}\", stated accuracy {}, by the fixture's calibration {}. How that meter itself is traceable \
             stands on the fixture's certificate and was not checked here; no more is claimed{}",
            meter,
            accuracy.as_ref().map_or_else(|| "not in the record".to_owned(), in_words),
            calibration.dates,
            match calibration.uncovered().as_slice() {
                [] => String::new(),
                names => format!(", and nothing for the inputs that it does not cover: {}", names.join(", ")),
            }
        ),
        _ => format!("the fixture's calibration is {}: no traceability is claimed", calibration.word),
    }
}

fn in_words(accuracy: &StatedAccuracy) -> String {
    let number = |value: f64| format!("{:.3}", value).trim_end_matches('0').trim_end_matches('.').to_owned();
    format!(
        "±({} ppm of reading + {} µV)",
        number(accuracy.of_reading.get()),
        number(accuracy.floor.get() * 1e6)
    )
}

fn torque(sheet: &AxisSheet) -> String {
    sheet.measured_inertia.as_ref().map_or_else(
        || {
            "by an inertia of the rotor that the sheet states and that was not measured: no traceability is claimed".to_owned()
        },
        |provenance| {
            format!(
                "by the rotor's inertia that the sheet states as measured, no farther than what it was measured with. The sheet says: {}",
                provenance.trim()
            )
        },
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixture::Client;
    use crate::record::RunFolder;
    use crate::rehearsal::{Before, Rehearsal};
    use crate::sheet::parse;

    /// A day on which the invented calibration is in date: made forty days before, due 365 days after it was made.
    const TODAY: u32 = 20_000;

    fn sheet(more: &str) -> AxisSheet {
        let text = include_str!("../../sheets/film-winder.toml");
        parse("film-winder.toml", format!("{text}\n{more}").as_bytes()).unwrap()
    }

    /// As if the fixture at the other end were a real one: by what it says of its calibration on a day.
    fn said(found: Before, day: u32, more: &str) -> Vec<Fact> {
        let sheet = sheet(more);
        let rehearsal = Rehearsal::found(&sheet, &[], 1, TODAY, found).unwrap();
        let parent = tempfile::tempdir().unwrap();
        let mut folder = RunFolder::create(parent.path(), "run", true).unwrap();
        let mut client = Client::connect(rehearsal.link(), &mut folder).unwrap();
        let mut calibration = Calibration::of(client.hello(), day);
        if calibration.valid {
            calibration.take_record(client.calibration_record(&mut folder), day);
        }
        traceability(false, &calibration, &sheet)
    }

    fn of<'a>(facts: &'a [Fact], label: &str) -> &'a str {
        &facts.iter().find(|f| f.label == label).unwrap().value
    }

    #[test]
    fn voltages_are_traced_to_the_meter_of_a_calibration_in_force_with_its_accuracy_and_its_dates() {
        let facts = said(Before::Own, TODAY, "");
        let voltages = of(&facts, "Voltages");
        for part in ["to the meter \"", "±(35 ppm of reading + 50 µV)", "of 2024-08-25, due 2025-08-25"] {
            assert!(voltages.contains(part), "{part}: {voltages}");
        }
    }

    #[test]
    fn without_a_calibration_in_force_and_of_this_board_no_meter_is_named_and_nothing_is_claimed() {
        for (found, day, state) in [
            (Before::Own, TODAY + 400, "out of date"),
            (Before::Own, TODAY - 400, "of a day to come"),
            (Before::Nothing, TODAY, "missing"),
            (Before::Others, TODAY, "another board's"),
        ] {
            let facts = said(found, day, "");
            let voltages = of(&facts, "Voltages");
            assert_eq!(voltages, format!("the fixture's calibration is {state}: no traceability is claimed"));
        }
    }

    #[test]
    fn times_claim_no_traceability_since_the_crystal_is_taken_on_trust() {
        let facts = said(Before::Own, TODAY, "");
        let times = of(&facts, "Times");
        assert!(times.contains("assumed") && times.contains("within ±50 ppm and never compared"), "{times}");
        assert!(times.contains("no traceability is claimed"), "{times}");
        // If a data sheet has been read, the words above are to be written anew.
        let budget: toml::Table = include_str!("../../../hardware/error-budget.toml").parse().unwrap();
        let rows = budget["contribution"].as_array().unwrap().iter();
        let crystal: Vec<_> =
            rows.filter(|row| row["key"].as_str().is_some_and(|key| key.starts_with("crystal"))).collect();
        assert!(crystal.len() == 3 && crystal.iter().all(|row| row["basis"].as_str() == Some("memory")));
    }

    #[test]
    fn torque_is_traced_to_a_measured_inertia_only() {
        let facts = said(Before::Own, TODAY, "");
        assert!(of(&facts, "Torque").ends_with("was not measured: no traceability is claimed"));
        let measured = "[measured_inertia]\nrotor_kilogram_square_metres = 1.9e-4\nuncertainty_percent = 1.0\nprovenance = \"an invented disc\"";
        let facts = said(Before::Own, TODAY, measured);
        assert!(of(&facts, "Torque").ends_with("The sheet says: an invented disc"), "{facts:?}");
    }

    #[test]
    fn a_simulation_is_traceable_to_nothing() {
        let calibration = Calibration::invalid("missing", String::new(), "");
        let facts = traceability(true, &calibration, &sheet(""));
        assert_eq!((facts.len(), facts[0].value.as_str()), (1, "simulated: none is traceable to anything"));
    }
}
