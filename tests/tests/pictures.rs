//! Pictures in a run's report: every check that was done has one, and each shows what the record holds.

#![allow(clippy::unwrap_used, clippy::panic)] // Only tests are built with this file.

use proofstand::record::model::{CheckRecord, Plot, Run, Series};
use proofstand_tests::bench::{Plan, check, demo, row};

/// The demonstrations' sheets.
const SHEETS: [&str; 5] =
    ["film-winder.toml", "batch-auger.toml", "tilt-table.toml", "cross-slide.toml", "bare-rotor.toml"];

fn whole(sheet: &str) -> Run {
    Plan { sheet: demo(sheet), ..Plan::film_winder() }.run().unwrap()
}

fn all_series(plot: &Plot) -> impl Iterator<Item = &Series> {
    plot.panels.iter().flat_map(|panel| &panel.series)
}

fn plot<'a>(run: &'a Run, check_id: &str, id: &str) -> &'a Plot {
    let found = check(run, check_id).unwrap();
    found.plots.iter().find(|p| p.id == id).unwrap_or_else(|| panic!("no {id} in {check_id}"))
}

fn heights(series: &Series) -> Vec<f64> {
    series.points.iter().map(|p| p[1]).collect()
}

/// The part of the page that is about a check.
fn section<'a>(page: &'a str, check: &CheckRecord) -> &'a str {
    let mark = format!("-{}\"", check.id);
    let found =
        page.split("<section").skip(1).find(|s| s.split('>').next().is_some_and(|tag| tag.contains(&mark)));
    let found = found.unwrap_or_else(|| panic!("no section for {}", check.id));
    found.split("</section>").next().unwrap()
}

/// Every picture of a run has data, and every check that was done has a picture in the report, or says why it has none.
fn has_pictures(run: &Run, about: &str) {
    let page = proofstand::report::html(run);
    for made in &run.checks {
        let section = section(&page, made);
        let figures = section.matches("<figure").count();
        assert_eq!(figures, made.plots.len(), "{about}: {}", made.id);
        let says_why = made.notes.iter().any(|note| note.starts_with("There is no picture of it: "));
        assert!(
            made.not_done.is_some() || figures > 0 || says_why,
            "{about}: {} was done and has neither a picture nor a word about it",
            made.id
        );
        for plot in &made.plots {
            assert!(!plot.panels.is_empty() || !plot.lanes.is_empty(), "{about}: {} is empty", plot.id);
            assert!(
                plot.panels.iter().all(|p| !p.series.is_empty()),
                "{about}: {} has an empty panel",
                plot.id
            );
            for series in all_series(plot) {
                assert!(!series.points.is_empty(), "{about}: {} has nothing for {}", plot.id, series.name);
            }
            assert!(
                !plot.x.unit.is_empty() || plot.x.label == "Revolution",
                "{about}: {} has no unit",
                plot.id
            );
            assert!(section.contains(&format!("<title>{}</title>", plot.title)), "{about}: {}", plot.title);
        }
    }
}

#[test]
fn every_check_that_was_done_on_a_demonstration_s_axis_has_a_picture_in_the_report() {
    for sheet in SHEETS {
        let run = whole(sheet);
        has_pictures(&run, sheet);
        let done: Vec<_> = run.checks.iter().filter(|c| c.not_done.is_none()).collect();
        assert!(done.len() >= 8, "{sheet}: {} checks were done", done.len());
        for made in done {
            assert!(!made.plots.is_empty(), "{sheet}: {} has no picture", made.id);
        }
    }
}

#[test]
fn a_check_that_ended_early_shows_what_was_recorded_or_says_why_not() {
    for (plan, id) in [
        (Plan::film_winder().fault("index-missing"), "line-count-slow"),
        (Plan::batch_auger().fault("enable-inverted"), "creep"),
    ] {
        let run = plan.run().unwrap();
        has_pictures(&run, id);
        let picture = plot(&run, id, &format!("{id}-recorded"));
        assert!(all_series(picture).all(|s| s.points.len() > 10), "{picture:?}");
    }
    for fault in ["response-slow", "index-one-way", "direction-mirrored", "cap-not-set"] {
        has_pictures(&Plan::film_winder().fault(fault).run().unwrap(), fault);
    }
}

#[test]
fn the_turn_by_hand_is_drawn_with_the_revolutions_that_its_results_tell() {
    let run = whole("film-winder.toml");
    for (id, result) in
        [("hand-turn-one-way", "hand-turn.one-way"), ("hand-turn-other-way", "hand-turn.other-way")]
    {
        let plot = plot(&run, "hand-turn", id);
        let panel = &plot.panels[0];
        let index = heights(panel.series.iter().find(|s| s.name == "index met").unwrap());
        let counted = row(&run, result).unwrap().measured.unwrap();
        assert!((index[1] - index[0]).abs() == counted, "{index:?} and {counted}");
        assert_eq!(panel.bands.len(), 1, "the side for the way that the person saw");
    }
}

#[test]
fn letting_go_is_drawn_five_times_each_way_and_its_mean_is_the_coarse_offset() {
    let run = whole("film-winder.toml");
    let panel = &plot(&run, "creep", "creep-let-go").panels[0];
    let [_, forward, reverse] = &panel.series[..] else { panic!("{panel:?}") };
    assert_eq!((forward.points.len(), reverse.points.len()), (5, 5));
    let mean = |s: &Series| heights(s).iter().sum::<f64>() / 5.0;
    let bound = panel.marks.iter().map(|m| m.y).fold(0.0, f64::max);
    // The sheet's bound, 3 % of rated torque, is drawn in volts: what a volt is follows from it.
    let percent_per_volt = 3.0 / bound;
    let offset = -percent_per_volt * (mean(forward) + mean(reverse)) / 2.0;
    let told = row(&run, "creep.offset").unwrap().measured.unwrap();
    assert!((offset - told).abs() < 1e-6, "{offset} and {told}");
}

#[test]
fn the_drift_s_dashed_line_has_the_slope_of_its_result() {
    let run = whole("batch-auger.toml");
    let panel = &plot(&run, "creep", "creep-drift").panels[0];
    let fitted = panel.series.iter().find(|s| s.name.starts_with("measured")).unwrap();
    let [[t0, n0], [t1, n1]] = fitted.points[..] else { panic!("{fitted:?}") };
    let rpm = (n1 - n0) / (t1 - t0) / 4096.0 * 60.0;
    let told = row(&run, "creep.drift").unwrap().measured.unwrap();
    assert!((rpm.abs() - told.abs()).abs() < 1e-6, "{rpm} and {told}");
}

#[test]
fn the_first_motion_is_drawn_up_to_its_turns_with_the_point_at_which_it_began() {
    let run = whole("film-winder.toml");
    let made = plot(&run, "nudge", "nudge");
    let [command, counts, _] = &made.panels[..] else { panic!("{made:?}") };
    let began = command.series.iter().find(|s| s.name.starts_with("begins to move")).unwrap();
    let [[_, volts]] = began.points[..] else { panic!("{began:?}") };
    let note = format!("began to move at {volts:+.3} V");
    assert!(check(&run, "nudge").unwrap().notes.iter().any(|n| n.contains(&note)), "{note}");
    let end = counts.series[0].points.last().unwrap()[1];
    assert!((end / counts.marks[0].y - 1.0).abs() < 0.05, "{end} of {}", counts.marks[0].y);
}

#[test]
fn the_values_of_the_power_cycle_differ_in_the_picture_by_the_change_that_is_judged() {
    for sheet in ["film-winder.toml", "batch-auger.toml"] {
        let run = whole(sheet);
        let made = plot(&run, "retention", "retention-values");
        let panel = made.panels.iter().find(|p| p.y.label == "Held speed").unwrap();
        let value = |n: usize| heights(&panel.series[n])[0];
        let change = 100.0 * (value(1) / value(0) - 1.0);
        let told = row(&run, "retention.cap").unwrap();
        assert!((change - told.measured.unwrap()).abs() < 1e-9, "{sheet}: {change}");
        let half = 100.0 * (panel.bands[0].points[0][2] / value(0) - 1.0);
        assert!((half.abs() - told.upper_limit.unwrap()).abs() < 1e-9, "{sheet}: {half}");
        assert!(panel.series.iter().all(|s| s.uncertainty[0] > 0.0));
        let counts = made.panels.iter().find(|p| p.y.label == "Counts per revolution").unwrap();
        let counted: Vec<usize> = counts.series.iter().map(|s| s.points.len()).collect();
        assert_eq!(counted, [3, 2], "{sheet}");
        assert_eq!(made.lanes[0].changes.len(), 2, "off, and on again");
    }
}
