//! The number of counts per revolution, slow and fast, and the index.

use super::*;
use Verdict::{Accepted, NotDone, Rejected, Undecided};
use proofstand_protocol::message::TripCause as T;

fn slow(counts: f64) -> Row {
    counted("line-count-slow.slow-forward", Rejected, Some(counts))
}

/// Five slow revolutions, the worst of this many counts, and what all sum to.
fn summed(worst: f64, sum: u32) -> Row {
    let mut row = slow(worst);
    row.6 = format!("5 of 5 intervals differ from 10000; they sum to {sum} counts");
    row
}

#[test]
fn revolutions_that_are_all_wrong_alike_are_another_number_and_unlike_ones_lose_counts() {
    for worst in [9_900.0, 10_100.0] {
        let alike = summed(worst, 5 * worst as u32);
        assert_eq!(ids(vec![alike]), ["other-pulse-number"], "{worst}");
        let unlike = summed(worst, 50_000);
        assert_eq!(ids(vec![unlike.clone()]), ["counts-uneven"], "{worst}");
        // Where the lines themselves are disturbed it shows in their transitions.
        let illegal = |verdict| measured("line-count-slow.illegal", verdict, 0.0, 3.0, Some(0.0));
        assert_eq!(ids(vec![unlike.clone(), illegal(Rejected)])[0], "pairs-disturbed");
        assert_eq!(ids(vec![unlike, illegal(Accepted)]), ["counts-uneven"]);
    }
    // So much is not lost now and then.
    assert_eq!(ids(vec![summed(9_600.0, 49_000)]), ["other-pulse-number"]);
    assert!(ids(vec![summed(9_900.0, 49_501), slow(5_000.0)]).is_empty(), "and one is no revolution at all");
}

#[test]
fn another_number_is_set_only_where_all_revolutions_agree_on_it() {
    let reverse = |counts| counted("line-count-slow.slow-reverse", Rejected, Some(counts));
    assert_eq!(ids(vec![slow(10_240.0), reverse(10_240.0)]), ["other-pulse-number"]);
    assert!(ids(vec![slow(10_240.0), reverse(10_300.0)]).is_empty());
    assert!(ids(vec![slow(10_010.0), reverse(10_090.0)]).is_empty());
    // One that was right, or not counted, is no evidence.
    for other in [(Accepted, Some(10_000.0)), (Rejected, None), (NotDone, None)] {
        let of = found(vec![slow(2_500.0), counted("line-count-slow.slow-reverse", other.0, other.1)]);
        let of = of.iter().find(|d| d.id == "pulses-for-counts").unwrap();
        assert_eq!(of.evidence.len(), 1, "{other:?}");
    }
    // What is doubled and no number of counts is another thing's.
    assert_eq!(
        ids(vec![measured("line-count-slow.scale", Rejected, 25.0, 50.0, Some(0.1))]),
        ["gain-by-two"]
    );
}

#[test]
fn four_times_the_counts_can_only_be_pulses_for_counts_and_twice_may_be_something_else() {
    let offset = || measured("command-scale.offset", Rejected, 0.0, 1.0, Some(0.01));
    for counts in [40_000.0, 2_500.0] {
        assert_eq!(ids(vec![slow(counts), offset()]), ["pulses-for-counts", "offset"], "{counts}");
    }
    for counts in [20_000.0, 5_000.0] {
        assert_eq!(ids(vec![slow(counts), offset()]), ["offset", "pulses-for-counts"], "{counts}");
    }
}

#[test]
fn counts_that_are_short_only_at_speed_are_lost_and_a_part_of_a_revolution_is_a_pulse_too_many() {
    let gate = |verdict| said("line-count-slow.gate", verdict, "every one", "seen");
    let fast = |counts| counted("line-count-fast.forward", Rejected, counts);
    for left in [Some(9_990.0), Some(9_000.0), Some(10_020.0), None] {
        assert_eq!(ids(vec![gate(Accepted), fast(left)]), ["counts-lost"], "{left:?}");
        assert!(ids(vec![gate(Rejected), fast(left)]).is_empty(), "{left:?}, and not right when slow");
        assert!(ids(vec![fast(left)]).is_empty(), "{left:?}, and nobody counted slowly");
    }
    assert_eq!(ids(vec![gate(Accepted), fast(Some(8_999.0))]), ["index-noisy"]);
    // Both: then it is not the encoder.
    assert_eq!(ids(vec![gate(Accepted), fast(Some(9_990.0)), fast(Some(3_000.0))]), ["index-noisy"]);
    let right = counted("line-count-fast.reverse", Accepted, Some(10_000.0));
    assert!(ids(vec![gate(Accepted), right]).is_empty());
    // A fast result that is no number of counts is no lost count.
    let phase = measured("line-count-fast.phase-error", Rejected, 0.0, 40.0, Some(1.0));
    assert_eq!(ids(vec![gate(Accepted), phase]), ["phase-error"]);
}

#[test]
fn counts_lost_at_the_cap_come_before_what_its_speeds_say() {
    let gate = said("line-count-slow.gate", Accepted, "every one", "every one");
    let offset = measured("nudge.rest", Rejected, 0.0, 1.0, None);
    let lost = |id| vec![gate.clone(), counted(id, Rejected, Some(9_990.0)), offset.clone()];
    assert_eq!(ids(lost("speed-cap.forward.counts")), ["counts-lost", "offset"]);
    assert_eq!(ids(lost("line-count-fast.forward")), ["offset", "counts-lost"]);
}

#[test]
fn an_index_that_never_came_is_missing_and_one_that_comes_too_often_is_noise() {
    let index =
        |verdict, found| ids(vec![said("line-count-slow.index", verdict, "once a revolution", found)]);
    assert_eq!(index(Rejected, "0 in 10.7 counted turns"), ["index-missing"]);
    assert_eq!(index(Rejected, "15 in 10.7 counted turns"), ["index-noisy"]);
    assert!(index(Accepted, "12 in 10.7 counted turns").is_empty());
    assert!(index(Undecided, "0 in 0.4 counted turns").is_empty(), "too short a way to see one");
    // Four times too many counts have an index only every fourth revolution.
    let pulses = vec![
        slow(40_000.0),
        said("line-count-slow.index", Rejected, "once a revolution", "2 in 10.7 counted turns"),
    ];
    assert_eq!(ids(pulses), ["pulses-for-counts"]);
}

#[test]
fn a_part_of_a_revolution_turned_by_hand_is_a_pulse_too_many_unless_a_setting_explains_it() {
    let turned = |verdict, counts| ids(vec![counted("hand-turn.one-way", verdict, Some(counts))]);
    assert_eq!(turned(Rejected, 7_000.0), ["index-noisy"]);
    assert_eq!(turned(Rejected, 8_999.0), ["index-noisy"]);
    for explained in [9_000.0, 12_000.0, 2_500.0, 5_000.0, 20_000.0, 40_000.0] {
        assert!(turned(Rejected, explained).is_empty(), "{explained}");
    }
    assert!(turned(Undecided, 7_000.0).is_empty());
}

#[test]
fn a_shaft_that_runs_without_counts_has_a_silent_encoder_unless_something_else_was_seen() {
    let moves = |text: &str| said("nudge.moves", Rejected, "moves", text);
    let fast = || moves(cause_in_words(T::OverspeedReadout));
    let claimed = || moves(cause_in_words(T::OverspeedIndex));
    let other = |id, verdict| said(id, verdict, "right", "seen");
    let silent = |rows: &[Row]| ids(rows.to_vec()).iter().filter(|id| *id == "encoder-silent").count();
    assert_eq!(silent(&[fast()]), 1);
    // Counts that stay away by hand too say the same once; a shaft that moves at rest, something else.
    assert_eq!(silent(&[fast(), other("hand-turn.counts", Rejected)]), 1);
    assert_eq!(silent(&[fast(), other("nudge.rest", Rejected)]), 0);
    assert_eq!(silent(&[fast(), other("nudge.counts", Accepted)]), 0, "counts came");
    // Only the index claims it: that needs torque, and no counts by hand.
    assert_eq!(silent(&[claimed(), other("nudge.rest", Accepted)]), 1);
    assert_eq!(silent(&[claimed(), other("nudge.rest", NotDone)]), 0);
    assert_eq!(silent(&[claimed(), other("hand-turn.counts", NotDone)]), 1);
    assert_eq!(silent(&[fast(), other("nudge.rest", NotDone)]), 1, "the read-out needs no index");
    // It stands by its counts, and the index passes.
    assert_eq!(silent(&[moves("no counts"), other("nudge.index", Rejected)]), 1);
    assert_eq!(silent(&[moves("no counts"), other("nudge.index", Accepted)]), 0);
    assert_eq!(silent(&[moves("sticks"), other("nudge.index", Rejected)]), 0);
    // Pulses that came while it stood are the index's own.
    assert_eq!(silent(&[moves("index pulses, no counts"), other("lines.index", Rejected)]), 0);
}

#[test]
fn an_index_that_drops_is_told_beside_what_else_it_spoils_and_from_a_setting_that_came_into_force() {
    let once = "1 of 4 intervals differ from 10000; they sum to 50000 counts";
    let slow = |why: &str| {
        let mut row = slow(20_000.0);
        row.6 = why.to_owned();
        row
    };
    let drops = |rows: Vec<Row>| ids(rows).contains(&"index-drops".to_owned());
    let width = (
        "line-count-slow.index-width".to_owned(),
        Rejected,
        "counts".to_owned(),
        (None, Some(40.0), Some(0.0)),
        None,
        None,
        String::new(),
    );
    let after = |counts| counted("retention.counts-forward", Rejected, counts);
    for beside in [width, after(None), after(Some(10_000.0))] {
        assert!(drops(vec![slow(once), beside.clone()]), "{}", beside.0);
    }
    // Half as many again is no missing pulse.
    let mut half = summed(15_000.0, 55_000);
    half.6 = once.to_owned();
    assert!(!drops(vec![half]));
    // Twice as many by a setting that the power cycle put right.
    let all = "1 of 1 intervals differ from 10000; they sum to 20000 counts";
    assert_eq!(ids(vec![slow(all), after(Some(10_000.0))]), ["setting-not-in-force", "pulses-for-counts"]);
}

#[test]
fn counts_that_are_far_too_many_at_speed_are_not_lost_and_transitions_alone_are_no_wrong_counts() {
    let gate = || said("line-count-slow.gate", Accepted, "every one", "every one");
    let fast = |counts| counted("line-count-fast.forward", Rejected, Some(counts));
    assert_eq!(ids(vec![gate(), fast(10_999.0)]), ["counts-lost"]);
    assert!(ids(vec![gate(), fast(11_500.0)]).is_empty());
    let illegal = measured("line-count-fast.illegal", Rejected, 0.0, 4.0, None);
    assert_eq!(ids(vec![gate(), illegal]), ["illegal-transitions"]);
}
