//! Which of several causes is said first, where the results alone leave more than one.

use super::*;

/// A result that says why it has no number.
fn without(id: &str, verdict: Verdict, why: &str) -> Row {
    let mut row = said(id, verdict, "", "");
    (row.4, row.5, row.6) = (None, None, why.to_owned());
    row
}

#[test]
fn a_flag_of_torque_that_stays_with_enable_open_is_first_an_amplifier_that_ignores_enable() {
    let active = || said("lines.torque-on", Verdict::Rejected, "idle", "active");
    let stayed = |id: &str| without(id, Verdict::Rejected, "the flag stayed when enable was opened");
    let follows = |verdict| {
        without("enable-off-turning.forward.follows", verdict, "it stands, and the brake could do that")
    };
    let gate = |verdict| said("enable-off-turning.gate", verdict, "yes", "");
    let both = ["enable-always", "enable-flag"];

    // At rest only: turning would tell.
    let all = found(vec![active()]);
    assert_eq!(all.iter().map(|d| d.id.as_str()).collect::<Vec<_>>(), both);
    assert!(all.iter().all(|d| d.not_told_apart[0].contains("--only enable-off-turning")), "{all:#?}");
    assert!(all[0].remedy.starts_with("Treat it as an amplifier that ignores enable"), "{}", all[0].remedy);

    // Turning was tried in vain: it is not said that it would tell.
    let all = found(vec![active(), follows(Verdict::Undecided), gate(Verdict::Undecided)]);
    assert_eq!(all.iter().map(|d| d.id.as_str()).collect::<Vec<_>>(), both);
    assert!(
        all.iter().all(|d| d.not_told_apart[0].contains("could not tell them apart this time")),
        "{all:#?}"
    );

    // The flag stayed, at rest or turning.
    assert_eq!(ids(vec![stayed("enable-off-rest.torque-on.off")]), both);
    let turning = vec![stayed("enable-off-turning.forward.torque-on.off"), follows(Verdict::Undecided)];
    assert_eq!(ids(turning), ["enable-always"]);

    // Enable is known to be obeyed: the flag is wrong, and nothing else.
    let all = found(vec![active(), follows(Verdict::Accepted), gate(Verdict::Accepted)]);
    assert_eq!((all[0].id.as_str(), all.len(), all[0].not_told_apart.len()), ("enable-flag", 1, 0));
    // The shaft followed with enable open: no flag is needed to say so.
    let all = found(vec![active(), follows(Verdict::Rejected), gate(Verdict::Rejected)]);
    assert_eq!((all[0].id.as_str(), all.len(), all[0].not_told_apart.len()), ("enable-always", 1, 0));
    // A flag that never came does not stay.
    let never = without(
        "enable-off-rest.torque-on.off",
        Verdict::Rejected,
        "the flag was not there when enable was opened",
    );
    assert_eq!(ids(vec![never]), ["enable-flag"]);
    // Torque that goes when the contact closes is inverted.
    let no_torque = said("nudge.moves", Verdict::Rejected, "moves", "no torque");
    let all = ids(vec![active(), no_torque]);
    assert_eq!(all[0], "enable-inverted");
    assert!(!all.contains(&"enable-always".to_owned()), "{all:?}");
}

#[test]
fn too_much_to_start_is_a_dead_band_unless_the_scale_or_the_line_says_otherwise() {
    let late = || said("creep.breakaway", Verdict::Rejected, "at most 3.0", "6.0");
    let gain = |ratio: f64, verdict| measured("command-scale.gain", verdict, 10.0, 10.0 * ratio, Some(0.2));
    let zero = |percent, verdict| measured("command-scale.zero", verdict, 0.0, percent, Some(0.2));
    let first = |rows| ids(rows).first().cloned().unwrap_or_default();
    assert_eq!(ids(vec![late()]), ["dead-band"]);
    // One level gives a scale that is low by the dead band's share.
    let one_level = vec![late(), gain(0.86, Verdict::Rejected)];
    assert_eq!(ids(one_level), ["dead-band", "input-loaded"]);
    // A scale that is halved takes twice the command, and explains it.
    assert_eq!(ids(vec![late(), gain(0.5, Verdict::Rejected)]), ["gain-by-two"]);
    assert_eq!(first(vec![late(), gain(1.0, Verdict::Accepted), zero(-3.0, Verdict::Rejected)]), "dead-band");
    assert_eq!(
        ids(vec![late(), gain(1.0, Verdict::Accepted), zero(0.0, Verdict::Accepted)]),
        ["friction-more"]
    );
}

/// A count of revolutions, with how it is said.
fn counted(id: &str, verdict: Verdict, counts: f64, why: &str) -> Row {
    let mut row = measured(id, verdict, 10_000.0, counts, None);
    (row.2, row.6) = ("counts".to_owned(), why.to_owned());
    row
}

#[test]
fn intervals_of_two_revolutions_beside_right_ones_are_an_index_that_is_missing_at_times() {
    let wrong = |id: &str, times: f64, why: &str| counted(id, Verdict::Rejected, 10_000.0 * times, why);
    let some = "1 of 4 intervals differ from 10000; they sum to 50000 counts";
    let all = "4 of 4 intervals differ from 10000; they sum to 80000 counts";
    assert_eq!(ids(vec![wrong("line-count-slow.slow-forward", 2.0, some)]), ["index-drops"]);
    assert_eq!(ids(vec![wrong("line-count-slow.slow-forward", 2.0, all)]), ["pulses-for-counts"]);
    // All that was counted this way is doubled, and by hand, or the other way, it was right.
    let forward = || {
        wrong(
            "line-count-slow.slow-forward",
            2.0,
            "1 of 1 intervals differ from 10000; they sum to 20000 counts",
        )
    };
    let right = |id: &str| counted(id, Verdict::Accepted, 10_000.0, "");
    assert_eq!(ids(vec![forward()]), ["pulses-for-counts"]);
    assert_eq!(ids(vec![forward(), right("hand-turn.one-way")]), ["index-drops"]);
    assert_eq!(ids(vec![forward(), right("line-count-slow.slow-reverse")]), ["index-drops"]);
    // Not whole: counts are wrong as well.
    let odd = wrong("line-count-slow.slow-reverse", 2.04, some);
    assert!(
        !ids(vec![wrong("line-count-slow.slow-forward", 2.0, some), odd]).contains(&"index-drops".to_owned())
    );
    // Doubled both ways after the power cycle only: a setting.
    let gate = || said("line-count-slow.gate", Verdict::Accepted, "every one", "every one");
    let after = ["retention.counts-forward", "retention.counts-reverse"];
    let mut rows: Vec<Row> = after.map(|id| wrong(id, 2.0, "changed over the power cycle")).into();
    rows.extend([gate(), right("line-count-slow.slow-forward"), right("line-count-slow.slow-reverse")]);
    assert_eq!(ids(rows.clone()), ["setting-not-stored"]);
    // One way only: no setting does that.
    rows[1] = right("retention.counts-reverse");
    assert_eq!(ids(rows), ["index-drops"]);
    // At speed.
    let at_speed = wrong("speed-cap.low-forward.counts", 2.0, "1 of 121 intervals differ from 10000");
    assert_eq!(ids(vec![gate(), at_speed]), ["index-drops"]);
}

#[test]
fn counts_wrong_at_speed_are_lost_or_where_no_encoder_makes_them_reflected() {
    let gate = || said("line-count-slow.gate", Verdict::Accepted, "every one", "every one");
    let wrong = |why: &str| counted("speed-cap.low-forward.counts", Verdict::Rejected, 9_996.0, why);
    let plain = "2 of 152 intervals differ from 10000: the speeds beside them mean nothing";
    let torn = format!("{plain}; 4 {}", crate::checks::NO_ENCODER_MAKES);
    assert_eq!(ids(vec![gate(), wrong(plain)]), ["counts-lost"]);
    assert_eq!(ids(vec![gate(), wrong(&torn)]), ["pairs-ring"]);
    assert!(ids(vec![wrong(&torn)]).is_empty(), "slowly it was not right either, or not counted");
    let illegal = measured("line-count-fast.illegal", Verdict::Rejected, 0.0, 4.0, None);
    let fast = counted("line-count-fast.top-forward", Verdict::Rejected, 10_004.0, plain);
    assert_eq!(ids(vec![gate(), fast, illegal])[0], "pairs-ring");
}

#[test]
fn a_trip_by_the_speed_read_out_below_the_cap_is_its_scale_and_above_it_the_cap() {
    use proofstand_protocol::message::TripCause as T;
    let gate = || said("line-count-slow.gate", Verdict::Accepted, "every one", "every one");
    let held = |rpm: f64, why: &str| {
        let mut row = measured("speed-cap.low-forward.held", Verdict::Rejected, 1000.0, rpm, None);
        row.6 = why.to_owned();
        row
    };
    let by_it = format!("the run tripped: {} (at 800 rpm)", cause_in_words(T::OverspeedReadout));
    assert_eq!(ids(vec![gate(), held(800.0, &by_it)]), ["speed-read-out-scale"]);
    // Held a little above the cap, before the limiter has it down.
    assert_eq!(ids(vec![gate(), held(1020.0, &by_it)]), ["speed-read-out-scale"]);
    assert_eq!(ids(vec![gate(), held(1205.0, "nothing held the speed down")])[0], "cap-not-set");
    // Counts that nobody knows to be right are no witness.
    assert!(!ids(vec![held(800.0, &by_it)]).contains(&"speed-read-out-scale".to_owned()));
    let slow = counted(
        "line-count-slow.slow-forward",
        Verdict::Rejected,
        10_000.0,
        &format!("1 intervals were right, then: {}", cause_in_words(T::OverspeedReadout)),
    );
    assert_eq!(ids(vec![slow]), ["speed-read-out-scale"]);
}

#[test]
fn a_flag_of_ready_that_never_comes_is_the_flag_where_the_shaft_moves_and_the_amplifier_where_it_does_not() {
    let idle = || said("enable-off-rest.can-enable", Verdict::Rejected, "active", "idle");
    assert_eq!(
        ids(vec![idle(), said("nudge.moves", Verdict::Accepted, "moves", "moves")]),
        ["flag-of-ready"]
    );
    let none = ids(vec![idle(), said("nudge.moves", Verdict::Rejected, "moves", "no torque")]);
    assert_eq!(none[0], "cannot-enable");
    assert!(!none.contains(&"flag-of-ready".to_owned()));
}

#[test]
fn a_speed_loop_that_drives_the_shaft_at_0_v_until_it_is_stopped_runs_away() {
    use proofstand_protocol::message::TripCause as T;
    let auger = |rows: Vec<Row>| -> Vec<String> {
        let check =
            Seen { id: "check".to_owned(), not_done: None, ended: Vec::new(), right: Vec::new(), rows };
        let sheet = "batch-auger".to_owned();
        let seen = Recorded { sheet, fault: None, causes: Vec::new(), checks: vec![check] };
        seen.diagnosed().into_iter().map(|d| d.id).collect()
    };
    let stands = |cause| said("enable-off-rest.stands", Verdict::Rejected, "none", cause_in_words(cause));
    assert_eq!(auger(vec![stands(T::OverspeedCounts)]), ["runs-away"]);
    assert_eq!(auger(vec![stands(T::OverspeedReadout)]), ["runs-away"]);
    assert!(!auger(vec![stands(T::OverspeedIndex)]).contains(&"runs-away".to_owned()), "noise on Z");
    let drift = without(
        "creep.drift",
        Verdict::Rejected,
        &format!("{} (at 170 rpm)", cause_in_words(T::OverspeedCounts)),
    );
    assert_eq!(auger(vec![drift])[0], "runs-away");
    // Only where the trip is what the check found.
    let left_open = without("creep.drift", Verdict::Undecided, cause_in_words(T::OverspeedCounts));
    assert!(!auger(vec![left_open]).contains(&"runs-away".to_owned()));
    // A drift that was measured is an offset.
    let offset = measured("creep.drift", Verdict::Rejected, 0.0, 40.0, Some(1.0));
    assert_eq!(auger(vec![offset]), ["offset"]);
    // A torque command's shaft that is driven at 0 V is no speed loop's.
    assert!(!ids(vec![stands(T::OverspeedCounts)]).contains(&"runs-away".to_owned()));
}

#[test]
fn a_counter_that_stands_while_a_hand_turns_says_nothing_of_a_reversal() {
    let pushed = || {
        vec![
            said("nudge.counts", Verdict::Rejected, "up", "down"),
            said("nudge.direction", Verdict::Accepted, "clockwise", "clockwise"),
        ]
    };
    assert_eq!(ids(pushed())[0], "counts-reversed");
    let mut stood = pushed();
    stood.push(said("hand-turn.counts", Verdict::Rejected, "one revolution", "none"));
    assert!(!ids(stood).contains(&"counts-reversed".to_owned()));
}
