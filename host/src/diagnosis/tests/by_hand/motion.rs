//! Motion that does not come, comes unasked, or does not get on.

use super::*;
use Verdict::{Accepted, NotDone, Rejected};

fn nudged(found: &str) -> Row {
    said("nudge.moves", Rejected, "moves", found)
}

/// The check before it, where the shaft let go and then did not get on.
fn let_go() -> Row {
    said("creep.moves", Rejected, "lets go", "sticks")
}

#[test]
fn a_shaft_that_stands_never_moves_unless_something_else_was_seen_to_hold_or_lock_it() {
    let never = |rows: &[Row]| has(rows, "never-moves");
    assert!(never(&[nudged("no counts")]) && never(&[nudged("no torque")]));
    assert!(!never(&[nudged("sticks")]) && !never(&[nudged("does not stop")]));
    assert!(!never(&[said("nudge.moves", NotDone, "moves", "no counts")]), "it was not tried");
    assert!(!never(&[nudged("no counts"), let_go()]), "it did move before");
    let held = said("nudge.end-switches", Rejected, "ignored", "obeyed");
    assert_eq!(ids(vec![nudged("no counts"), held]), ["end-switches-obeyed"]);
}

#[test]
fn a_shaft_that_turned_by_hand_and_stands_on_command_has_both_as_evidence() {
    let never = |rows| found(rows).into_iter().find(|d| d.id == "never-moves").unwrap().evidence.len();
    let by_hand = |verdict| said("hand-turn.counts", verdict, "counts", "seen");
    assert_eq!(never(vec![nudged("no torque")]), 1);
    assert_eq!(never(vec![nudged("no torque"), by_hand(Accepted)]), 2);
    assert_eq!(never(vec![nudged("no torque"), by_hand(NotDone)]), 1);
}

#[test]
fn motion_at_rest_and_motion_that_does_not_stop_are_an_offset_each_by_itself() {
    let moves = |id| said(id, Rejected, "still", "moves");
    for rows in [vec![moves("creep.rest")], vec![moves("nudge.rest")], vec![nudged("does not stop")]] {
        let of = found(rows);
        assert_eq!((of[0].id.as_str(), of[0].evidence.len()), ("offset", 1));
    }
    assert_eq!(found(vec![moves("nudge.rest"), nudged("does not stop")])[0].evidence.len(), 2);
    let still = |id| said(id, Accepted, "still", "still");
    assert!(ids(vec![still("creep.rest"), still("nudge.rest")]).is_empty());
    // The first of the two checks was right, the second not.
    assert_eq!(ids(vec![still("creep.rest"), moves("nudge.rest")]), ["offset"]);
}

#[test]
fn a_shaft_that_started_and_sticks_is_locked_and_one_that_never_started_is_not() {
    let locks = |rows: &[Row]| has(rows, "jumps-and-locks");
    assert!(locks(&[nudged("sticks")]));
    assert!(locks(&[nudged("no counts"), let_go()]));
    assert!(!locks(&[nudged("no counts")]));
    assert!(!locks(&[nudged("no torque"), let_go()]), "without torque nothing locks");
    assert!(!locks(&[said("nudge.moves", Accepted, "moves", "moves"), let_go()]));
    assert!(!locks(&[said("nudge.moves", NotDone, "moves", "no counts"), let_go()]), "it was not tried");
}

#[test]
fn too_little_torque_is_one_way_to_a_shaft_that_stands_with_torque_on() {
    let torque = |verdict| measured("enable-off-rest.torque-on.on", verdict, 0.0, 30.0, Some(1.0));
    let little = |rows: &[Row]| has(rows, "gain-by-two");
    assert!(little(&[nudged("no counts"), torque(Accepted)]));
    assert!(!little(&[nudged("no counts"), torque(Rejected)]));
    assert!(!little(&[nudged("no counts")]));
    assert!(!little(&[nudged("sticks"), torque(Accepted)]));
    assert!(!little(&[nudged("no counts"), torque(Accepted), let_go()]), "it did start before");
    assert!(
        !little(&[said("nudge.moves", NotDone, "moves", "no counts"), torque(Accepted)]),
        "it was not tried"
    );
    let held = said("nudge.end-switches", Rejected, "ignored", "obeyed");
    assert!(!little(&[nudged("no counts"), torque(Accepted), held]), "the end switches held it");
}
