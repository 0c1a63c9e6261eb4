//! The checks before any full level: fixture, enable, brake, end switches.

use super::*;
use Verdict::{Accepted, NotDone, Rejected};

#[test]
fn what_to_do_about_a_calibration_depends_on_what_is_wrong_with_it() {
    let about = |found: &str| {
        let of = super::found(vec![said("fixture-self-check.calibration", NotDone, "in force", found)]);
        assert_eq!(of[0].id, "calibration");
        of[0].title.clone()
    };
    assert!(about("out of date").contains("out of date"));
    assert!(about("another board's").contains("another analog board's"));
    assert!(about("damaged").contains("damaged"));
    assert!(about("none").contains("no calibration"));
}

#[test]
fn torque_that_stays_is_enable_ignored_but_not_where_the_run_tripped_before_enable_was_opened() {
    let mut stays = said("enable-off-turning.forward.follows", Rejected, "follows", "stays");
    assert_eq!(ids(vec![stays.clone()]), ["enable-always"]);
    stays.6 = "tripped before enable was opened".to_owned();
    assert!(ids(vec![stays]).is_empty());
}

#[test]
fn a_flag_that_does_not_follow_enable_is_told_from_one_that_is_active_with_enable_open() {
    let stays = || measured("enable-off-rest.torque-on.off", Rejected, 0.0, 90.0, Some(1.0));
    let active = || said("lines.torque-on", Rejected, "idle", "active");
    let late = found(vec![stays()]);
    assert_eq!(
        (late[0].id.as_str(), late[0].title.as_str()),
        ("enable-flag", "A flag does not follow enable when it is opened")
    );
    for rows in [
        vec![active()],
        vec![active(), stays()],
        vec![said("lines.brake-release", Rejected, "idle", "active")],
    ] {
        let all = found(rows);
        let of = all.iter().find(|d| d.id == "enable-flag").unwrap();
        assert!(of.title.contains("is active while enable is open"));
        assert_eq!(of.not_told_apart.len(), 1, "at rest enable itself may be ignored");
    }
    // Opened while turning, enable was seen to take the torque away.
    let of = found(vec![active(), said("enable-off-turning.gate", Accepted, "obeyed", "obeyed")]);
    assert!(of[0].not_told_apart.is_empty());
}

#[test]
fn which_switch_does_what_tells_swapped_obeyed_ignored_and_otherwise_wrong_end_switches() {
    let rejected = |id: &str, does: &str| said(&format!("end-switches.{id}"), Rejected, "else", does);
    let right = |id: &str, does: &str| said(&format!("end-switches.{id}"), Accepted, does, does);
    for way in ["forward", "reverse"] {
        let (ahead, behind, back) = (format!("{way}.ahead"), format!("{way}.behind"), format!("{way}.back"));
        // Ignored by the film winder's amplifier, obeyed by the cross slide's.
        for sheet in ["film-winder", "cross-slide"] {
            assert_eq!(ids_on(sheet, vec![rejected(&behind, "stops")]), ["end-switches-swapped"]);
            assert_eq!(ids_on(sheet, vec![rejected(&behind, "slows down")]), ["end-switches-wrong"]);
            assert_eq!(ids_on(sheet, vec![rejected(&ahead, "slows down")]), ["end-switches-wrong"]);
        }
        assert_eq!(ids(vec![rejected(&ahead, "stops")]), ["end-switches-obeyed"]);
        assert_eq!(ids_on("cross-slide", vec![rejected(&ahead, "goes on")]), ["end-switches-ignored"]);
        // The switch ahead does as it should, and the way back does not.
        let back = rejected(&back, "slows down");
        assert_eq!(ids(vec![right(&ahead, "goes on"), back.clone()]), ["end-switches-wrong"]);
        assert_eq!(ids_on("cross-slide", vec![right(&ahead, "stops"), back]), ["end-switches-wrong"]);
    }
}

#[test]
fn a_shaft_that_stands_is_held_by_its_brake_only_where_there_is_one_and_its_flag_asked_for_release() {
    let stands = || said("nudge.moves", Rejected, "moves", "no counts");
    let asked = |verdict| measured("enable-off-rest.brake-release.on", verdict, 0.0, 20.0, Some(1.0));
    let closed = |sheet, rows| ids_on(sheet, rows).contains(&"brake-closed".to_owned());
    assert!(closed("tilt-table", vec![stands(), asked(Accepted)]));
    assert!(!closed("tilt-table", vec![stands(), asked(Rejected)]), "never asked to release");
    assert!(!closed("tilt-table", vec![stands()]), "nobody looked whether it was asked to");
    assert!(!closed("film-winder", vec![stands(), asked(Accepted)]), "no brake");
    let moves = said("nudge.moves", Accepted, "moves", "moves");
    assert!(!closed("tilt-table", vec![moves, asked(Accepted)]));
    let not_tried = said("nudge.moves", NotDone, "moves", "no counts");
    assert!(!closed("tilt-table", vec![not_tried, asked(Accepted)]));
}

#[test]
fn a_brake_is_late_where_torque_came_in_time_and_its_flag_is_no_inverted_one() {
    let on =
        |flag: &str, verdict| measured(&format!("enable-off-rest.{flag}.on"), verdict, 0.0, 500.0, Some(1.0));
    let late = |rows| ids_on("tilt-table", rows).contains(&"brake-late".to_owned());
    assert!(late(vec![on("brake-release", Rejected)]));
    assert!(late(vec![on("brake-release", Rejected), on("torque-on", Accepted)]));
    assert!(!late(vec![on("brake-release", Accepted), on("torque-on", Accepted)]));
    assert!(!late(vec![on("brake-release", Rejected), on("torque-on", Rejected)]), "all is late");
    let active = said("lines.brake-release", Rejected, "idle", "active");
    assert!(!late(vec![on("brake-release", Rejected), on("torque-on", Accepted), active]));
}

#[test]
fn a_shaft_that_is_braked_both_ways_is_braked_and_one_way_only_it_is_rather_an_offset() {
    let drag =
        |way: &str| measured(&format!("enable-off-turning.{way}.drag"), Rejected, 0.0, 30.0, Some(1.0));
    let offset = || measured("command-scale.offset", Rejected, 0.0, 1.0, Some(0.01));
    assert_eq!(ids(vec![drag("forward"), offset()]), ["offset", "braked-when-off"]);
    assert_eq!(ids(vec![drag("forward"), drag("reverse"), offset()]), ["braked-when-off", "offset"]);
    assert_eq!(ids_on("cross-slide", vec![drag("forward"), drag("reverse")]), ["coasts-when-off"]);
}

#[test]
fn edges_are_too_near_only_where_neither_phase_nor_duty_explains_it() {
    // The film winder's sheet allows 10°.
    let of =
        |what: &str, degrees| measured(&format!("line-count-slow.{what}"), Rejected, 0.0, degrees, Some(1.0));
    assert_eq!(ids(vec![of("phase", 30.0)]), ["edges-too-near"]);
    assert_eq!(ids(vec![of("phase", 30.0), of("phase-error", 40.0)]), ["phase-error"]);
    assert_eq!(ids(vec![of("phase", 30.0), of("duty", 80.0)]), ["duty-error"]);
    // Half of the duty's error is phase; what is beyond that by more than is allowed and uncertain is phase's own.
    let beyond = |more: f64| ids(vec![of("duty", 80.0), of("phase-error", 40.0 + more)]);
    assert_eq!(beyond(10.9), ["duty-error"]);
    assert_eq!(beyond(-10.9), ["duty-error"]);
    assert_eq!(beyond(11.1), ["phase-error", "duty-error"]);
    assert_eq!(beyond(-11.1), ["phase-error", "duty-error"]);
}

#[test]
fn an_index_comes_one_way_only_where_the_other_way_was_right_and_this_way_had_none() {
    let both = |forward: (Verdict, Option<f64>), reverse: (Verdict, Option<f64>)| {
        let rows = [("forward", forward), ("reverse", reverse)];
        let row = |(way, (verdict, counts)): (&str, _)| {
            counted(&format!("line-count-slow.slow-{way}"), verdict, counts)
        };
        has(&rows.map(row), "index-one-way")
    };
    let (right, none) = ((Accepted, Some(10_000.0)), (Rejected, None));
    assert!(both(right, none) && both(none, right));
    assert!(!both(right, right) && !both(none, none));
    // Not made is not none.
    assert!(!both(right, (NotDone, None)) && !both((NotDone, None), right));
    for wrong in [(Rejected, Some(9_000.0)), (Rejected, Some(10_010.0))] {
        assert!(!both(right, wrong) && !both(wrong, right), "miscounted one way");
        assert!(!both(none, wrong) && !both(wrong, none), "and none the other");
    }
}

#[test]
fn opening_enable_while_turning_is_asked_for_where_it_was_not_done() {
    let active = || said("lines.torque-on", Rejected, "idle", "active");
    let turned = |verdict| said("enable-off-turning.forward.follows", verdict, "follows", "not made");
    let told = |rows| found(rows)[0].not_told_apart[0].clone();
    assert!(told(vec![active(), turned(NotDone)]).contains("--only enable-off-turning"));
    assert!(told(vec![active(), turned(Verdict::Undecided)]).contains("could not tell them apart this time"));
    // A flag that is elsewhere than where it should be, and not active, says of no torque.
    assert_eq!(ids(vec![said("lines.torque-on", Rejected, "idle", "changes")]), ["enable-flag"]);
}
