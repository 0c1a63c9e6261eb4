//! The ways to the command's scale, compared in pairs: the one that two others contradict is wrong.

use super::*;
use Verdict::{Accepted, Rejected, Undecided};

fn pair(names: &str, verdict: Verdict, difference: f64) -> Row {
    measured(&format!("command-scale.{names}"), verdict, 0.0, difference, Some(0.1))
}

/// What is found by these verdicts of accelerations less read-out, accelerations less display, read-out less display; none:
/// not compared.
fn ways(verdicts: [Option<Verdict>; 3]) -> Option<String> {
    let names = ["reversal-less-read-out", "reversal-less-display", "read-out-less-display"];
    let rows = names.into_iter().zip(verdicts).filter_map(|(n, v)| Some(pair(n, v?, -0.5)));
    ids(rows.collect()).into_iter().next()
}

#[test]
fn of_three_ways_the_one_that_both_others_contradict_is_wrong_and_of_two_nobody_knows_which() {
    for (verdicts, cause) in [
        ([Some(Rejected), Some(Rejected), Some(Accepted)], Some("inertia-or-constant")),
        ([Some(Rejected), None, Some(Accepted)], Some("inertia-or-constant")),
        ([Some(Rejected), Some(Accepted), Some(Rejected)], Some("read-out-scale")),
        ([Some(Rejected), Some(Accepted), Some(Accepted)], Some("read-out-scale")),
        ([Some(Rejected), Some(Undecided), None], Some("read-out-scale")),
        ([Some(Accepted), Some(Rejected), Some(Rejected)], Some("display-misread")),
        ([Some(Accepted), Some(Rejected), None], Some("display-misread")),
        ([Some(Rejected), Some(Rejected), Some(Rejected)], Some("scale-ways-disagree")),
        ([Some(Rejected), None, None], Some("scale-ways-disagree")),
        ([None, Some(Rejected), None], Some("scale-ways-disagree")),
        ([Some(Accepted), Some(Accepted), Some(Accepted)], None),
        ([Some(Accepted), None, None], None),
        ([None, None, None], None),
    ] {
        assert_eq!(ways(verdicts).as_deref(), cause, "{verdicts:?}");
    }
}

#[test]
fn accelerations_that_are_too_low_tell_of_more_inertia_and_less_torque_and_the_other_way_round() {
    let title = |difference| {
        let rows = vec![
            pair("reversal-less-read-out", Rejected, difference),
            pair("read-out-less-display", Accepted, 0.0),
        ];
        found(rows)[0].title.clone()
    };
    assert!(title(-0.5).contains("the inertia is more") && title(-0.5).contains("makes less torque"));
    assert!(title(0.5).contains("the inertia is less") && title(0.5).contains("makes more torque"));
}

#[test]
fn a_bent_line_has_no_one_scale_and_two_that_contradict_each_other_need_not_be_told_apart() {
    let bent = measured("command-scale.linearity", Rejected, 0.0, 9.0, Some(1.0));
    assert_eq!(ids(vec![pair("reversal-less-read-out", Rejected, 0.5), bent]), ["torque-limited"]);
    // What would tell is named.
    let told = |names| found(vec![pair(names, Rejected, 0.5)])[0].not_told_apart.join(" ");
    assert!(told("reversal-less-read-out").contains("display, read by a person, would tell"));
    assert!(told("reversal-less-display").contains("a torque read-out would tell"));
}

#[test]
fn an_inertia_is_impossible_only_where_it_was_rejected() {
    let inertia = |verdict| ids(vec![measured("command-scale.inertia", verdict, 1.0, 9.0, None)]);
    assert_eq!(inertia(Rejected), ["inertia-impossible"]);
    assert!(inertia(Undecided).is_empty());
}
