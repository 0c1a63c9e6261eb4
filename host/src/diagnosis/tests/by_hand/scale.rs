//! The command's scale, its zero and its straightness.

use proofstand_units::NewtonMetres;

use super::*;
use Verdict::{Accepted, NotDone, Rejected};

fn gain(id: &str, ratio: f64) -> Row {
    measured(id, Rejected, 1.0, ratio, Some(0.01))
}

#[test]
fn a_line_that_is_not_straight_has_no_scale_whether_of_torque_or_of_speed() {
    let bent = |id| measured(id, Rejected, 0.0, 9.0, Some(1.0));
    assert_eq!(ids_on("batch-auger", vec![gain("speed-scale.gain", 2.0)]), ["gain-by-two"]);
    assert!(
        ids_on("batch-auger", vec![gain("speed-scale.gain", 2.0), bent("speed-scale.linearity")]).is_empty()
    );
    assert_eq!(
        ids(vec![gain("command-scale.gain", 2.0), bent("command-scale.linearity")]),
        ["torque-limited"]
    );
}

#[test]
fn a_scale_of_peak_torque_is_known_by_the_motor_s_own_ratio_if_that_tells_at_all() {
    // The peak torque of a motor as a multiple of its rated one, and what a scale of as much is taken for.
    let of = |peak: f64, ratio: f64| {
        let recorded = recorded("film-winder", vec![gain("command-scale.gain", ratio)]);
        let mut sheet = recorded.axis();
        sheet.motor.rated_torque = NewtonMetres::new(1.0);
        sheet.motor.peak_torque = NewtonMetres::new(peak);
        diagnose(&sheet, &recorded.records()).into_iter().find(|d| d.id == "gain-of-peak")
    };
    assert!(of(3.0, 3.0).unwrap().not_told_apart.is_empty());
    assert!(of(3.0, 2.8).is_none() && of(3.0, 3.2).is_none());
    assert_eq!(of(2.0, 2.0).unwrap().not_told_apart.len(), 1, "doubled looks the same");
    assert!(of(1.2, 1.2).is_some());
    // So little more than rated is as likely another slip.
    assert!(of(1.1, 1.1).is_none());
    // A command of speed has no scale of torque.
    assert_eq!(ids_on("batch-auger", vec![gain("speed-scale.gain", 2.0)]), ["gain-by-two"]);
}

#[test]
fn a_speed_that_falls_short_of_little_more_than_the_cap_and_is_held_above_it_is_a_loaded_input() {
    let held = |id: &str, verdict, rpm, u| measured(&format!("speed-cap.{id}.held"), verdict, 2000.0, rpm, u);
    let low = |way: &str, verdict, rpm| held(&format!("{way}.low-1"), verdict, rpm, Some(2.0));
    let high = |verdict| held("forward.high-1", verdict, 2000.0, Some(2.0));
    let loaded = |rows| ids_on("batch-auger", rows).contains(&"input-loaded".to_owned());
    let short = |way| low(way, Rejected, 1900.0);
    assert!(loaded(vec![short("forward"), short("reverse"), high(Accepted)]));
    assert!(!loaded(vec![short("forward"), short("reverse")]), "nothing shows that the cap holds");
    assert!(!loaded(vec![high(Accepted)]), "nothing falls short");
    assert!(!loaded(vec![short("forward"), short("reverse"), high(Rejected)]), "the cap is another one");
    assert!(
        !loaded(vec![short("forward"), low("reverse", Accepted, 2000.0), high(Accepted)]),
        "one way only"
    );
    assert!(!loaded(vec![low("forward", Rejected, 2100.0), high(Accepted)]), "too fast");
    assert!(!loaded(vec![low("forward", NotDone, 1900.0), high(Accepted)]));
    let tripped = held("forward.low-1", Rejected, 1900.0, None);
    assert!(!loaded(vec![tripped, high(Accepted)]), "a trip is no held speed");
    // A command of torque runs up to its cap whatever its scale.
    assert!(!has(&[short("forward"), high(Accepted)], "input-loaded"));
}

#[test]
fn a_line_that_misses_zero_is_a_dead_band_and_without_a_line_a_high_breakaway_may_be_one() {
    let of = |id: &str, verdict| measured(&format!("command-scale.{id}"), verdict, 0.0, 9.0, Some(1.0));
    let breakaway = || said("creep.breakaway", Rejected, "3 %", "9 %");
    let dead = |rows| found(rows).into_iter().find(|d| d.id == "dead-band").map(|d| d.not_told_apart.len());
    assert_eq!(dead(vec![of("zero", Rejected)]), Some(0));
    assert_eq!(dead(vec![of("zero", Rejected), of("linearity", Rejected)]), None, "no line, no zero");
    assert_eq!(dead(vec![breakaway()]), Some(1), "it may be friction");
    assert_eq!(dead(vec![breakaway(), of("gain", Accepted), of("zero", Accepted)]), None);
    assert_eq!(dead(vec![said("creep.breakaway", Accepted, "3 %", "3 %")]), None);
}

#[test]
fn an_offset_of_speed_is_told_from_a_load_and_one_of_torque_is_not() {
    let off = |id| measured(id, Rejected, 0.0, 1.0, Some(0.01));
    let of = |rows| found(rows).into_iter().find(|d| d.id == "offset").map(|d| d.not_told_apart.len());
    for id in ["creep.drift", "creep.null", "speed-scale.offset"] {
        assert_eq!(of(vec![off(id)]), Some(0), "{id}");
    }
    for id in ["creep.offset", "command-scale.offset"] {
        assert_eq!(of(vec![off(id)]), Some(1), "{id}");
        assert_eq!(of(vec![measured(id, Accepted, 0.0, 0.0, Some(0.01))]), None, "{id}");
    }
}

#[test]
fn only_levels_that_are_too_quick_say_that_the_hub_slips() {
    let level = |found| said("command-scale.level-4", Verdict::Undecided, "as below", found);
    assert!(has(&[level("too quick")], "coupling-slips"));
    assert!(!has(&[level("too slow")], "coupling-slips"));
}

#[test]
fn what_a_shaft_takes_to_let_go_is_held_against_the_bound_by_the_torque_that_there_was() {
    let late = |found: &str| said("creep.breakaway", Rejected, "at most 3.0", found);
    let gain = |ratio: f64| measured("command-scale.gain", Accepted, 10.0, 10.0 * ratio, Some(0.2));
    let dead = |rows: &[Row]| has(rows, "dead-band");
    // 3.3 at nine tenths of the scale is within the bound, as near as that is known; 3.6 is not.
    assert!(!dead(&[late("3.3"), gain(0.9)]) && dead(&[late("3.6"), gain(0.9)]));
    // A scale that is high makes it no more than it was.
    assert!(!dead(&[late("3.1"), gain(1.5)]) && dead(&[late("3.2"), gain(1.5)]));
    // A scale that was measured is the surer sign: it comes before another number of pulses, and else after.
    let other = || counted("line-count-slow.slow-forward", Rejected, Some(5_000.0));
    assert_eq!(ids(vec![late("6.0"), gain(1.0), other()]), ["dead-band", "pulses-for-counts"]);
    assert_eq!(ids(vec![late("6.0"), other()]), ["pulses-for-counts", "dead-band"]);
}
