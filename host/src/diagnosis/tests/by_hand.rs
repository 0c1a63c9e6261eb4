//! Patterns made by hand, for what no rehearsal shows: where a rule begins and ends.

mod counts;
mod first_checks;
mod motion;
mod power_cycle;
mod scale;
mod told_first;
mod ways;

use super::*;

/// A result with a number: what it was to be, and what it is.
fn measured(id: &str, verdict: Verdict, target: f64, value: f64, expanded: Option<f64>) -> Row {
    let numbers = (Some(target), Some(value), expanded);
    (id.to_owned(), verdict, String::new(), numbers, None, None, String::new())
}

fn recorded(sheet: &str, rows: Vec<Row>) -> Recorded {
    let check = Seen { id: "check".to_owned(), not_done: None, ended: Vec::new(), right: Vec::new(), rows };
    Recorded { sheet: sheet.to_owned(), fault: None, causes: Vec::new(), checks: vec![check] }
}

/// What is found on the film winder, whose command is of torque, where these are all the results.
fn found(rows: Vec<Row>) -> Vec<Diagnosis> {
    recorded("film-winder", rows).diagnosed()
}

/// The causes on another axis.
fn ids_on(sheet: &str, rows: Vec<Row>) -> Vec<String> {
    recorded(sheet, rows).diagnosed().into_iter().map(|d| d.id).collect()
}

#[test]
fn evidence_names_the_result_what_was_measured_and_its_verdict() {
    let offset = measured("command-scale.offset", Verdict::Rejected, 0.0, 0.251_26, Some(0.01));
    let plain = row(&offset);
    assert_eq!(cite(&plain), "command-scale.offset: 0.2513 (rejected)");
    let in_unit = ResultRow { unit: "V".to_owned(), verdict: Verdict::Undecided, ..plain.clone() };
    assert_eq!(cite(&in_unit), "command-scale.offset: 0.2513 V (undecided)");
    let words = ResultRow { measured_text: Some("the other way".to_owned()), ..plain.clone() };
    assert_eq!(cite(&words), "command-scale.offset: the other way (rejected)");
    assert_eq!(
        cite(&ResultRow { measured: None, ..plain }),
        "command-scale.offset: nothing measured (rejected)"
    );
}

#[test]
fn a_cap_that_nothing_held_in_both_directions_is_not_one_that_may_miss_in_one() {
    let tripped = |id| measured(id, Verdict::Rejected, 2000.0, 2300.0, None);
    let forward = tripped("speed-cap.forward.held");
    let one = found(vec![forward.clone()]);
    assert_eq!((one[0].id.as_str(), one[0].not_told_apart.len()), ("cap-not-set", 1));
    let both = found(vec![forward, tripped("speed-cap.reverse.held")]);
    assert_eq!((both[0].id.as_str(), both[0].not_told_apart.len()), ("cap-not-set", 0));
}

#[test]
fn a_cap_passed_in_both_directions_and_held_once_is_no_cap_of_one_direction() {
    let held = |id, verdict, rpm| measured(id, verdict, 2000.0, rpm, Some(2.0));
    let right = held("speed-cap.forward.low.held", Verdict::Accepted, 2000.0);
    let wrong = ["speed-cap.forward.high.held", "speed-cap.reverse.high.held"];
    let mut rows: Vec<_> = wrong.map(|id| held(id, Verdict::Rejected, 2100.0)).into();
    rows.push(right);
    assert!(found(rows.clone()).iter().all(|d| d.id != "cap-one-direction"));
    // Passed in one direction only, and in the other not held where it should be either.
    let low = held("speed-cap.reverse.low.held", Verdict::Rejected, 1900.0);
    assert!(found(vec![rows[0].clone(), low]).iter().all(|d| d.id != "cap-one-direction"));
    // Passed in one direction only, and held in the other.
    rows.remove(0);
    assert_eq!(found(rows)[0].id, "cap-one-direction");
}

/// A result in words: what it was to be, and what it is.
fn said(id: &str, verdict: Verdict, target: &str, found: &str) -> Row {
    let words = |text: &str| Some(text.to_owned());
    (id.to_owned(), verdict, String::new(), (None, None, None), words(target), words(found), String::new())
}

fn ids(rows: Vec<Row>) -> Vec<String> {
    found(rows).into_iter().map(|d| d.id).collect()
}

/// A number of counts in a revolution of 10 000, or none.
fn counted(id: &str, verdict: Verdict, counts: Option<f64>) -> Row {
    let numbers = (Some(10_000.0), counts, counts.map(|_| 0.0));
    (id.to_owned(), verdict, "counts".to_owned(), numbers, None, None, String::new())
}

fn has(rows: &[Row], cause: &str) -> bool {
    ids(rows.to_vec()).iter().any(|id| id == cause)
}

#[test]
fn a_speed_held_just_below_where_its_flag_comes_is_a_cap_that_droops() {
    let held = |rpm, verdict| measured("speed-cap.forward.held", verdict, 2000.0, rpm, Some(2.0));
    let mut flag = said("cap-flag.forward.delay", Verdict::NotDone, "", "");
    flag.5 = None;
    let came = measured("cap-flag.forward.delay", Verdict::Accepted, 40.0, 20.0, Some(1.0));
    assert_eq!(ids(vec![held(1960.0, Verdict::Accepted), flag.clone()])[0], "cap-drooping");
    assert!(!ids(vec![held(1990.0, Verdict::Accepted), flag.clone()]).contains(&"cap-drooping".to_owned()));
    assert!(ids(vec![held(1960.0, Verdict::Accepted), came]).is_empty());
    // So far below that it is rejected, it is another value.
    let far = ids(vec![held(1800.0, Verdict::Rejected), flag]);
    assert!(far[0] == "cap-other-value" && !far.contains(&"cap-drooping".to_owned()), "{far:?}");
}

#[test]
fn the_title_of_another_cap_says_how_many_percent_are_held_and_whether_the_limiter_may_droop() {
    let held = |rpm| vec![measured("speed-cap.forward.held", Verdict::Rejected, 2000.0, rpm, Some(2.0))];
    let title = |rpm| found(held(rpm)).into_iter().find(|d| d.id == "cap-other-value").unwrap().title;
    assert_eq!(
        title(1800.0),
        "The held speed is 90.0 % of the cap: the limiter droops, or another value is set"
    );
    assert_eq!(title(2100.0), "The held speed is 105.0 % of the cap: another value is set");
}

#[test]
fn the_scale_s_ratio_tells_doubled_halved_loaded_of_peak_and_otherwise_wrong() {
    // The film winder's peak torque is three times its rated one.
    let gain = |ratio: f64| measured("command-scale.gain", Verdict::Rejected, 1.0, ratio, Some(0.01));
    for (ratio, cause) in [
        (0.5, "gain-by-two"),
        (0.45, "gain-by-two"),
        (0.55, "gain-by-two"),
        (1.8, "gain-by-two"),
        (2.2, "gain-by-two"),
        (0.8, "input-loaded"),
        (0.99, "input-loaded"),
        (0.44, "gain-wrong"),
        (0.56, "gain-wrong"),
        (0.79, "gain-wrong"),
        (0.996, "gain-wrong"),
        (1.79, "gain-wrong"),
        (2.21, "gain-wrong"),
    ] {
        assert_eq!(ids(vec![gain(ratio)]), [cause], "{ratio}");
    }
    assert_eq!(ids(vec![gain(3.0)])[0], "gain-of-peak");
    // A line that is not straight has no slope to speak of.
    let bent = measured("command-scale.linearity", Verdict::Rejected, 0.0, 9.0, Some(1.0));
    assert_eq!(ids(vec![gain(2.0), bent]), ["torque-limited"]);
    // What the read-out says of a scale that is low.
    let beside = |verdict| measured("command-scale.reversal-less-read-out", verdict, 0.0, 0.0, Some(1.0));
    assert_eq!(found(vec![gain(0.9)])[0].not_told_apart.len(), 1);
    assert_eq!(found(vec![gain(0.9), beside(Verdict::Accepted)])[0].not_told_apart.len(), 0);
    assert!(!ids(vec![gain(0.9), beside(Verdict::Rejected)]).contains(&"input-loaded".to_owned()));
}

#[test]
fn which_way_shaft_and_counts_run_tells_what_is_reversed() {
    use Verdict::{Accepted, Rejected};
    let counts = || said("nudge.counts", Rejected, "up", "down");
    let right = || said("nudge.counts", Accepted, "up", "up");
    let direction = |verdict| said("nudge.direction", verdict, "clockwise", "seen");
    let hand = |verdict| said("hand-turn.sign", verdict, "up", "seen");
    assert_eq!(ids(vec![counts(), direction(Accepted)])[0], "counts-reversed");
    assert_eq!(ids(vec![counts(), direction(Rejected)])[0], "command-reversed");
    assert_eq!(ids(vec![counts(), hand(Accepted)])[0], "command-reversed");
    assert_eq!(ids(vec![counts(), hand(Rejected)])[0], "counts-reversed");
    assert!(
        ids(vec![said("nudge.counts", Rejected, "up", "up")]).is_empty(),
        "rejected, but not for its sign"
    );
    let alike = found(vec![counts()]);
    assert_eq!((alike[0].id.as_str(), alike[0].not_told_apart.len()), ("counts-or-command-reversed", 1));
    assert_eq!(ids(vec![right(), direction(Rejected)])[0], "direction-mirrored");
    assert_eq!(ids(vec![right(), hand(Rejected)])[0], "direction-mirrored");
    assert!(ids(vec![right(), direction(Accepted), hand(Accepted)]).is_empty());
    assert!(ids(vec![right(), direction(Accepted), hand(Rejected)]).is_empty(), "a person saw the motion");
    assert_eq!(ids(vec![hand(Rejected)]), ["counts-or-direction-reversed"]);
    // A counter that stands has no sign.
    assert_eq!(
        ids(vec![counts(), said("hand-turn.counts", Rejected, "counts", "none")])[0],
        "encoder-silent"
    );
}

#[test]
fn counts_that_are_wrong_by_a_telling_ratio_are_pulses_mixed_up_and_else_another_number() {
    // 2500 pulses, 10 000 counts a revolution.
    let all = |ratio: f64| -> Vec<Diagnosis> {
        let count = |id| measured(id, Verdict::Rejected, 10_000.0, 10_000.0 * ratio, Some(0.0));
        let rows = ["line-count-slow.slow-forward", "line-count-slow.slow-reverse"].map(count);
        found(rows.map(|row| (row.0, row.1, "counts".to_owned(), row.3, row.4, row.5, row.6)).into())
    };
    for ratio in [4.0, 2.0, 0.5, 0.25] {
        let first = &all(ratio)[0];
        assert_eq!((first.id.as_str(), first.evidence.len()), ("pulses-for-counts", 2), "{ratio}");
    }
    assert!(
        all(4.0)[0].title.contains("4 times too many") && all(4.0)[0].remedy.contains("give 10000 pulses")
    );
    assert!(
        all(0.25)[0].title.contains("1/4 of the counts") && all(0.25)[0].remedy.contains("give 625 pulses")
    );
    let other = &all(1.024)[0];
    assert_eq!((other.id.as_str(), other.rank), ("other-pulse-number", 1));
    assert!(other.title.contains("about 2560 per revolution"), "{}", other.title);
    assert!(all(1.001).is_empty(), "so little is no other number");
}

#[test]
fn an_index_that_is_high_for_more_than_half_of_a_revolution_is_inverted() {
    let width = |counts| measured("line-count-slow.index-width", Verdict::Rejected, 4.0, counts, Some(1.0));
    assert_eq!(ids(vec![width(9_990.0)]), ["index-inverted"]);
    assert_eq!(ids(vec![width(5_000.0)]), ["index-inverted"]);
    assert!(ids(vec![width(4_999.0)]).is_empty());
}

#[test]
fn a_phase_error_that_a_line_high_for_too_long_explains_is_the_duty_s() {
    // The sheet allows some degrees of phase; half of a duty error is phase.
    let phase = |degrees| measured("line-count-slow.phase-error", Verdict::Rejected, 0.0, degrees, Some(1.0));
    let duty = |degrees| measured("line-count-slow.duty", Verdict::Rejected, 0.0, degrees, Some(1.0));
    assert_eq!(ids(vec![phase(40.0)]), ["phase-error"]);
    assert_eq!(ids(vec![phase(-40.0), duty(80.0)]), ["duty-error"]);
    assert_eq!(ids(vec![phase(120.0), duty(80.0)]), ["phase-error", "duty-error"]);
    // Edges that are near for another reason than these two.
    let near = measured("line-count-slow.phase", Verdict::Rejected, 90.0, 30.0, Some(1.0));
    assert_eq!(ids(vec![near.clone()]), ["edges-too-near"]);
    assert!(!ids(vec![near, duty(80.0)]).contains(&"edges-too-near".to_owned()));
}

#[test]
fn a_speed_without_counts_is_a_silent_encoder_unless_the_index_alone_claims_it_against_a_hand() {
    use proofstand_protocol::message::TripCause as T;
    let tripped = |cause| said("nudge.moves", Verdict::Rejected, "moves", cause_in_words(cause));
    let by_hand = || said("hand-turn.counts", Verdict::Accepted, "counts", "counts");
    let silent = |rows| ids(rows).contains(&"encoder-silent".to_owned());
    assert!(silent(vec![tripped(T::OverspeedReadout)]));
    assert!(silent(vec![tripped(T::OverspeedReadout), by_hand()]));
    assert!(silent(vec![tripped(T::OverspeedIndex)]));
    assert!(!silent(vec![tripped(T::OverspeedIndex), by_hand()]));
}

#[test]
fn an_index_that_comes_while_the_shaft_stands_is_noise_and_an_uncounted_turn_is_a_silent_encoder() {
    use proofstand_protocol::message::TripCause as T;
    let first = |rows| ids(rows).first().cloned();
    let moves = |text| said("nudge.moves", Verdict::Rejected, "moves", text);
    let looked = || said("lines.index", Verdict::Rejected, "none", "4 pulses");
    let stopped =
        said("enable-off-rest.stands", Verdict::Rejected, "nothing", cause_in_words(T::OverspeedIndex));
    assert_eq!(first(vec![looked()]).as_deref(), Some("index-noisy"));
    assert_eq!(first(vec![stopped.clone()]).as_deref(), Some("index-noisy"));
    assert_eq!(first(vec![moves("index pulses, no motion")]).as_deref(), Some("index-noisy"));
    assert_eq!(first(vec![moves("turns, no counts")]).as_deref(), Some("encoder-silent"));
    // Nobody looked: either may be, unless pulses came at rest as well.
    assert_eq!(ids(vec![moves("index pulses, no counts")]), ["encoder-silent", "index-noisy"]);
    assert_eq!(ids(vec![stopped, moves("index pulses, no counts")]), ["index-noisy"]);
}
