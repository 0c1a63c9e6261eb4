//! What is gone, or has come, over a power cycle.

use super::*;
use Verdict::{Accepted, NotDone, Rejected};

const STORED: &str = "setting-not-stored";
const IN_FORCE: &str = "setting-not-in-force";

/// Which of the two is found.
fn cycled(rows: &[Row]) -> Vec<String> {
    let both = |id: &String| id == STORED || id == IN_FORCE;
    ids(rows.to_vec()).into_iter().filter(both).collect()
}

fn before(counts: f64) -> Row {
    counted("line-count-slow.slow-forward", Rejected, Some(counts))
}

fn after(verdict: Verdict, counts: Option<f64>) -> Row {
    counted("retention.counts-forward", verdict, counts)
}

#[test]
fn counts_that_became_wrong_are_a_setting_gone_and_counts_that_became_right_are_one_now_in_force() {
    assert_eq!(cycled(&[after(Rejected, Some(2500.0))]), [STORED]);
    assert_eq!(cycled(&[before(2500.0), after(Rejected, Some(5000.0))]), [STORED], "wrong otherwise");
    assert_eq!(cycled(&[before(2500.0), after(Rejected, Some(10_000.0))]), [IN_FORCE]);
    assert!(cycled(&[before(2500.0), after(Rejected, Some(2500.0))]).is_empty(), "as wrong as before");
    assert!(cycled(&[after(Rejected, None)]).is_empty(), "none were counted");
    assert!(cycled(&[after(NotDone, None)]).is_empty());
    // The counts are right, and a motion that went well before trips.
    assert_eq!(cycled(&[after(Rejected, Some(10_000.0))]), [STORED]);
    // It trips by a speed read-out that shows too much, as it did before: no setting is gone. Other counts are.
    let mut by_read_out = counted("line-count-slow.reverse", Rejected, Some(10_000.0));
    by_read_out.6 = cause_in_words(proofstand_protocol::message::TripCause::OverspeedReadout).to_owned();
    assert!(cycled(&[by_read_out.clone(), after(Rejected, Some(10_000.0))]).is_empty());
    assert_eq!(cycled(&[by_read_out, after(Rejected, Some(2500.0))]), [STORED]);
}

#[test]
fn nothing_is_known_of_a_setting_where_what_is_counted_is_a_matter_of_luck() {
    let changed = || after(Rejected, Some(9990.0));
    assert_eq!(cycled(&[changed()]), [STORED]);
    // Counts lost at speed.
    let gate = said("line-count-slow.gate", Accepted, "every one", "every one");
    let lost = counted("line-count-fast.forward", Rejected, Some(9985.0));
    assert!(cycled(&[changed(), gate, lost]).is_empty());
    // At any speed.
    let mut uneven = before(9996.0);
    uneven.6 = "2 of 5 intervals differ from 10000; they sum to 49992 counts".to_owned();
    assert!(cycled(&[changed(), uneven]).is_empty());
    // An index that comes one way only.
    let none = counted("line-count-slow.slow-reverse", Rejected, None);
    let right = counted("line-count-slow.slow-forward", Accepted, Some(10_000.0));
    assert!(cycled(&[changed(), right, none]).is_empty());
}

#[test]
fn a_scale_that_the_power_cycle_put_right_was_not_in_force_and_else_it_is_gone() {
    let change = |percent| measured("retention.gain", Rejected, 0.0, percent, Some(0.5));
    let gain = |ratio| measured("command-scale.gain", Rejected, 12.5, 12.5 * ratio, Some(0.1));
    assert_eq!(cycled(&[gain(2.0), change(-50.0)]), [IN_FORCE]);
    assert_eq!(cycled(&[gain(0.5), change(100.0)]), [IN_FORCE]);
    assert_eq!(cycled(&[gain(0.8), change(25.0)]), [IN_FORCE]);
    assert_eq!(cycled(&[gain(2.0), change(-25.0)]), [STORED], "nearer, and not right");
    assert_eq!(cycled(&[gain(2.0), change(50.0)]), [STORED]);
    assert_eq!(cycled(&[change(-50.0)]), [STORED], "it was right");
}

#[test]
fn a_cap_or_a_flag_that_changed_is_gone_but_not_one_that_was_as_wrong_before() {
    let cap = measured("retention.cap", Rejected, 0.0, 5.0, Some(0.5));
    let flag = |found| said("retention.flag", Rejected, "as before", found);
    // Whatever the scale was: it is not that which changed.
    let doubled = measured("command-scale.gain", Rejected, 12.5, 12.5 / 1.05, Some(0.1));
    assert_eq!(cycled(std::slice::from_ref(&cap)), [STORED]);
    assert_eq!(cycled(&[cap, doubled]), [STORED]);
    assert_eq!(cycled(&[flag("inverted")]), [STORED]);
    assert!(cycled(&[flag("as before")]).is_empty());
    // A cycle that was not seen says nothing of settings.
    assert!(cycled(&[said("retention.cycled", Rejected, "seen", "not seen")]).is_empty());
}
