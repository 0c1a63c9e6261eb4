use std::collections::{HashSet, VecDeque};
use std::vec::Vec;

use super::*;

mod real_times;

/// Short, all different where that matters, so that the walk stays small and no two time-outs hide one another.
const SHORT: Timeouts = Timeouts { beat: 3, armed: 6, torque: 3, contact: 2, readback: 1, no_counts: 2 };

/// What a healthy fixture sees in a state, with the relay following at once.
fn healthy(interlock: &Interlock) -> Seen {
    Seen {
        relay_closed: interlock.enable(),
        beat: true,
        torque_on: Some(interlock.enable()),
        ..Seen::default()
    }
}

/// Everything a tick may show: each chain contact, the cause that acts in any state and one of those that act when
/// armed, and every mix of the rest. More than one at a time only changes which is reported; that the other causes act
/// like the one is tested for each of them below.
fn sights() -> Vec<Seen> {
    let mut sights = Vec::new();
    for bits in 0..16_u32 {
        for torque_on in [None, Some(false), Some(true)] {
            let base = Seen {
                relay_closed: bits & 1 != 0,
                beat: bits & 2 != 0,
                readback_off: bits & 4 != 0,
                stuck: bits & 8 != 0,
                torque_on,
                ..Seen::default()
            };
            sights.push(base);
            sights.push(Seen { stop_closed: false, ..base });
            sights.push(Seen { hold_closed: false, ..base });
            sights.push(Seen { guard_closed: false, ..base });
            sights.push(Seen { amplifier: true, ..base });
            let causes = [TripCause::FirmwareFault, TripCause::AmplifierFault];
            sights.extend(causes.map(|cause| Seen { causes: Causes::NONE.with(cause, true), ..base }));
        }
    }
    sights
}

const DEMANDS: [Demand; 11] = [
    Demand::Arm { current: true },
    Demand::Arm { current: false },
    Demand::Enable { current: true },
    Demand::Enable { current: false },
    Demand::Calibrate { current: true },
    Demand::Calibrate { current: false },
    Demand::Open { current: true, keep: 2 },
    Demand::Open { current: false, keep: 2 },
    Demand::Disarm,
    Demand::Acknowledge { matching: true },
    Demand::Acknowledge { matching: false },
];

/// Every state that can be reached by any ticks and any demands, from power-up and from a latched trip.
fn reachable() -> HashSet<Interlock> {
    let sights = sights();
    let mut found: HashSet<Interlock> = [Interlock::new(false), Interlock::new(true)].into();
    let mut open: VecDeque<Interlock> = found.iter().copied().collect();
    while let Some(state) = open.pop_front() {
        for seen in &sights {
            let mut ticked = state;
            ticked.tick(seen, &SHORT);
            let demanded = DEMANDS.map(|demand| {
                let mut next = state;
                let _ = next.demand(demand, seen);
                next
            });
            for next in demanded.into_iter().chain([ticked]) {
                if found.insert(next) {
                    open.push_back(next);
                }
            }
        }
    }
    found
}

#[test]
fn from_every_reachable_state_only_the_right_steps_lead_towards_motion() {
    let (states, sights) = (reachable(), sights());
    assert!(states.len() > 500, "{} states: the walk went nowhere", states.len());
    let all = [State::Safe, State::Armed, State::Enabling, State::Live, State::Tripped];
    for all in all.into_iter().chain([State::Calibrating, State::Opened]) {
        assert!(states.iter().any(|state| state.state() == all), "{all:?} is never reached");
    }
    for state in &states {
        for seen in &sights {
            let mut next = *state;
            let cause = next.tick(seen, &SHORT);
            // A tick by itself never arms, never closes enable, and never clears a trip.
            let allowed = match state.state() {
                State::Safe => matches!(next.state(), State::Safe | State::Tripped),
                State::Armed => matches!(next.state(), State::Armed | State::Tripped),
                State::Enabling => matches!(next.state(), State::Enabling | State::Live | State::Tripped),
                State::Live => matches!(next.state(), State::Live | State::Tripped),
                State::Tripped => next.state() == State::Tripped,
                State::Calibrating => matches!(next.state(), State::Calibrating | State::Tripped),
                // Once enable was opened on request, only safe follows.
                State::Opened => {
                    matches!(next.state(), State::Opened | State::Safe | State::Tripped) && !next.enable()
                }
            };
            assert!(allowed, "{state:?} saw {seen:?} and became {next:?}");
            assert_eq!(cause.is_some(), next.state() == State::Tripped && state.state() != State::Tripped);
            if next.state() == State::Tripped {
                assert!(!next.enable() && !next.may_command() && !next.connect());
            }
            // A level for a meter never stands with enable closed, nor with a powered amplifier.
            assert!(!next.calibrating() || (!next.enable() && !next.may_command() && !seen.amplifier));
            // Live is reached with the relay really closed and no flag against it.
            if next.state() == State::Live {
                let torque = seen.torque_on != Some(false);
                assert!(torque && (state.state() == State::Live || seen.relay_closed));
            }
            for demand in DEMANDS {
                let mut next = *state;
                let answer = next.demand(demand, seen);
                if answer.is_err() {
                    assert_eq!(next, *state, "a denied demand changed something");
                }
                match (state.state(), next.state()) {
                    (from, to) if from == to => {}
                    (_, State::Armed) => {
                        assert_eq!((state.state(), demand), (State::Safe, Demand::Arm { current: true }));
                        assert!(chain(seen).is_none() && seen.causes == Causes::NONE);
                        assert!(!seen.relay_closed && !seen.readback_off);
                    }
                    (_, State::Enabling) => {
                        assert_eq!((state.state(), demand), (State::Armed, Demand::Enable { current: true }));
                        assert!(chain(seen).is_none() && seen.causes == Causes::NONE);
                        assert!(!seen.relay_closed && !seen.readback_off);
                    }
                    (_, State::Calibrating) => {
                        let asked = Demand::Calibrate { current: true };
                        assert_eq!((state.state(), demand), (State::Safe, asked));
                        assert!(chain(seen).is_none() && !seen.amplifier && !seen.relay_closed);
                    }
                    (_, State::Opened) => {
                        assert_eq!(state.state(), State::Live);
                        assert!(matches!(demand, Demand::Open { current: true, .. }) && !next.enable());
                    }
                    (State::Tripped, to) => {
                        assert_eq!((to, demand), (State::Safe, Demand::Acknowledge { matching: true }));
                    }
                    (_, to) => assert_eq!((to, demand), (State::Safe, Demand::Disarm)),
                }
            }
        }
    }
}

type Open = fn(&mut Seen);

#[test]
fn every_cause_that_acts_at_once_trips_from_every_armed_state_within_the_tick() {
    for state in reachable() {
        if !matches!(state.state(), State::Armed | State::Enabling | State::Live | State::Opened) {
            continue;
        }
        let chain: [(Open, TripCause); 3] = [
            (|seen| seen.stop_closed = false, TripCause::FixtureStop),
            (|seen| seen.guard_closed = false, TripCause::GuardOpen),
            (|seen| seen.hold_closed = false, TripCause::HoldReleased),
        ];
        for (open, cause) in chain {
            let (mut next, mut seen) = (state, healthy(&state));
            open(&mut seen);
            assert_eq!(next.tick(&seen, &SHORT), Some(cause));
            assert_eq!(next.state(), State::Tripped);
        }
        for cause in Causes::ORDER {
            let mut next = state;
            let seen = Seen { causes: Causes::NONE.with(cause, true), ..healthy(&state) };
            assert_eq!(next.tick(&seen, &SHORT), Some(cause));
            assert!(!next.enable() && !next.may_command());
        }
    }
}

/// What stands for too long, the ticks that it may stand at most, what it trips as, and the states in which it must.
type Lasting = (TripCause, u32, fn(&mut Seen), &'static [State]);

#[test]
fn every_cause_that_acts_when_it_lasts_trips_from_every_state_that_it_acts_in_one_tick_after_its_limit() {
    use State::{Armed, Calibrating, Enabling, Live, Opened};
    let all: [Lasting; 6] = [
        (TripCause::BeatLost, SHORT.beat, |s| s.beat = false, &[Armed, Enabling, Live, Opened, Calibrating]),
        (
            TripCause::ReadbackMismatch,
            SHORT.readback,
            |s| s.readback_off = true,
            &[Armed, Enabling, Live, Opened, Calibrating],
        ),
        // The healthy relay stands as enable: this is the other way, welded or open.
        (
            TripCause::RelayMismatch,
            SHORT.contact,
            |s| s.relay_closed = !s.relay_closed,
            &[State::Safe, Armed, Enabling, Live, Opened, Calibrating],
        ),
        // With enable open nobody wants torque or motion.
        (TripCause::TorqueOff, SHORT.torque, |s| s.torque_on = Some(false), &[Enabling, Live]),
        (TripCause::NoCounts, SHORT.no_counts, |s| s.stuck = true, &[Enabling, Live]),
        (TripCause::ArmedTime, SHORT.armed, |_| (), &[Armed, Enabling, Live, Calibrating]),
    ];
    let states = reachable();
    for (cause, limit, spoil, acts_in) in all {
        for acts in acts_in {
            let mut as_itself = 0;
            for state in states.iter().filter(|state| state.state() == *acts) {
                let (mut next, mut before) = (*state, *state);
                let tripped = (0..=limit).find_map(|_| {
                    let mut seen = healthy(&next);
                    spoil(&mut seen);
                    before = next;
                    next.tick(&seen, &SHORT)
                });
                // Some of its armed time is over already, and that can't be made to begin anew; and once enable was opened
                // on request, safe may come first.
                let safe_first = *acts == Opened && next.state() == State::Safe && tripped.is_none();
                let first = tripped == Some(cause) || tripped == Some(TripCause::ArmedTime);
                assert!(first || safe_first, "{cause:?} for {} ticks from {state:?}: {tripped:?}", limit + 1);
                assert!(!next.enable() && !next.connect() && !next.may_command(), "{cause:?} from {state:?}");
                // Safe trips on a relay too: that says nothing of the state before.
                let there = *acts == State::Safe || before.state() != State::Safe;
                as_itself += u32::from(tripped == Some(cause) && there);
            }
            assert!(as_itself > 0, "{cause:?} was never seen to trip from {acts:?}");
        }
    }
}

#[test]
fn calibrating_trips_on_the_chain_the_beat_a_powered_amplifier_and_its_own_time_and_not_on_open_pairs() {
    let times = Timeouts { beat: 100, armed: 1_000, torque: 0, contact: 8, readback: 3, no_counts: 0 };
    let trips_after = |spoil: &dyn Fn(&mut Seen)| {
        let mut interlock = Interlock::new(false);
        interlock.demand(Demand::Calibrate { current: true }, &Seen::default()).unwrap();
        (1..2_000).find_map(|tick| {
            let mut seen = Seen { beat: true, ..Seen::default() };
            spoil(&mut seen);
            interlock.tick(&seen, &times).map(|cause| (tick, cause))
        })
    };
    assert_eq!(trips_after(&|seen| seen.stop_closed = false), Some((1, TripCause::FixtureStop)));
    assert_eq!(trips_after(&|seen| seen.hold_closed = false), Some((1, TripCause::HoldReleased)));
    assert_eq!(trips_after(&|seen| seen.amplifier = true), Some((1, TripCause::AmplifierConnected)));
    assert_eq!(trips_after(&|seen| seen.beat = false), Some((100, TripCause::BeatLost)));
    assert_eq!(trips_after(&|seen| seen.readback_off = true), Some((4, TripCause::ReadbackMismatch)));
    assert_eq!(trips_after(&|seen| seen.relay_closed = true), Some((9, TripCause::RelayMismatch)));
    let open = Causes::NONE.with(TripCause::EncoderLine, true);
    assert_eq!(trips_after(&|seen| seen.causes = open), Some((1_000, TripCause::ArmedTime)));

    let mut interlock = Interlock::new(false);
    let seen = Seen { beat: true, ..Seen::default() };
    for _ in 0..5 {
        interlock.demand(Demand::Calibrate { current: true }, &seen).unwrap();
        assert!((0..900).all(|_| interlock.tick(&seen, &times).is_none()), "each level has its own time");
    }
    for demand in [Demand::Arm { current: true }, Demand::Enable { current: true }] {
        assert_eq!(interlock.demand(demand, &seen), Err(Denial::WrongState));
    }
}

#[test]
fn after_enable_was_opened_the_command_stands_for_the_ticks_asked_for_and_no_more() {
    let live: Vec<Interlock> = reachable().into_iter().filter(|s| s.state() == State::Live).collect();
    assert!(!live.is_empty());
    let patient = Timeouts { beat: 1_000, armed: 1_000, torque: 9, contact: 9, readback: 9, no_counts: 2 };
    for mut interlock in live {
        interlock.demand(Demand::Open { current: true, keep: 5 }, &Seen::default()).unwrap();
        let mut stood = 0;
        while interlock.may_command() {
            assert!(interlock.connect() && !interlock.enable());
            // No torque and no motion: what is hoped for.
            let seen = Seen { torque_on: Some(false), stuck: true, ..Seen::default() };
            assert_eq!(interlock.tick(&seen, &patient), None);
            stood += u32::from(interlock.may_command());
        }
        assert_eq!((stood, interlock.state()), (5, State::Safe));
    }
}

/// A message in the network: its epoch was current when it was sent. It is delivered at any time, any number of times.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
struct Letter {
    demand: Demand,
    fresh: bool,
}

#[test]
fn a_late_or_repeated_demand_from_before_a_change_of_state_never_arms_or_enables() {
    let (sights, start) = (sights(), Interlock::new(false));
    let letters = [
        Demand::Arm { current: true },
        Demand::Enable { current: true },
        Demand::Calibrate { current: true },
    ];
    let mut found: HashSet<(Interlock, Letter)> =
        letters.map(|demand| (start, Letter { demand, fresh: true })).into();
    let mut open: VecDeque<_> = found.iter().copied().collect();
    while let Some((state, letter)) = open.pop_front() {
        let mut reach = |next: Interlock| {
            let fresh = letter.fresh && next.state() == state.state();
            let pair = (next, Letter { fresh, ..letter });
            if found.insert(pair) {
                open.push_back(pair);
            }
        };
        for seen in &sights {
            let mut next = state;
            next.tick(seen, &SHORT);
            reach(next);
            for demand in DEMANDS {
                let mut next = state;
                let _ = next.demand(demand, seen);
                reach(next);
            }
            // Delivery of the old letter: its epoch is compared with the present one.
            let mut next = state;
            let demand = match letter.demand {
                Demand::Arm { .. } => Demand::Arm { current: letter.fresh },
                Demand::Calibrate { .. } => Demand::Calibrate { current: letter.fresh },
                _ => Demand::Enable { current: letter.fresh },
            };
            let answer = next.demand(demand, seen);
            if !letter.fresh {
                assert!(answer.is_err() && next == state, "{state:?} obeyed a stale {letter:?}");
            }
            reach(next);
        }
    }
    assert!(found.iter().any(|(state, letter)| state.state() == State::Live && !letter.fresh));
}

#[test]
fn what_comes_and_goes_within_its_time_does_not_trip() {
    let long = Timeouts { beat: 100, armed: 10_000, torque: 50, contact: 8, readback: 3, no_counts: 200 };
    let mut interlock = Interlock::new(false);
    interlock.demand(Demand::Arm { current: true }, &Seen::default()).unwrap();
    interlock.demand(Demand::Enable { current: true }, &Seen::default()).unwrap();
    for tick in 0..5_000_u32 {
        let seen = Seen {
            beat: tick % 100 == 99,
            readback_off: tick % 4 != 3,
            stuck: tick % 200 != 199,
            relay_closed: tick % 9 == 8 || tick < 8,
            torque_on: Some(true),
            ..Seen::default()
        };
        assert_eq!(interlock.tick(&seen, &long), None, "tick {tick}");
    }
}

#[test]
fn what_was_used_up_of_a_time_before_disarming_does_not_shorten_the_next_arming_or_level() {
    let long = Timeouts { beat: 100, armed: 10_000, torque: 50, contact: 8, readback: 3, no_counts: 200 };
    let cases: [(Open, u32, TripCause, u32); 3] = [
        (|_| (), 9_000, TripCause::ArmedTime, 10_000),
        (|seen| seen.beat = false, 99, TripCause::BeatLost, 100),
        (|seen| seen.readback_off = true, 3, TripCause::ReadbackMismatch, 4),
    ];
    for demand in [Demand::Arm { current: true }, Demand::Calibrate { current: true }] {
        for (spoil, used, cause, whole) in cases {
            let mut seen = Seen { beat: true, ..Seen::default() };
            let mut interlock = Interlock::new(false);
            interlock.demand(demand, &seen).unwrap();
            spoil(&mut seen);
            assert!((0..used).all(|_| interlock.tick(&seen, &long).is_none()));
            interlock.demand(Demand::Disarm, &seen).unwrap();
            interlock.demand(demand, &Seen::default()).unwrap();
            let trips = (1..=20_000).find_map(|tick| Some((tick, interlock.tick(&seen, &long)?)));
            assert_eq!(trips, Some((whole, cause)), "{demand:?}");
        }
    }
}

#[test]
fn arming_or_a_level_for_a_meter_gives_a_relay_that_does_not_follow_no_new_time() {
    let closed = Seen { relay_closed: true, beat: true, ..Seen::default() };
    for demand in [Demand::Arm { current: true }, Demand::Calibrate { current: true }] {
        let mut interlock = Interlock::new(false);
        assert!((0..SHORT.contact).all(|_| interlock.tick(&closed, &SHORT).is_none()));
        // It bounces open just when it is looked at.
        interlock.demand(demand, &Seen::default()).unwrap();
        assert_eq!(interlock.tick(&closed, &SHORT), Some(TripCause::RelayMismatch), "{demand:?}");
    }
}

#[test]
fn a_level_for_a_meter_is_connected_with_enable_open_and_no_program_may_run() {
    let mut interlock = Interlock::new(false);
    assert!(!interlock.calibrating());
    interlock.demand(Demand::Calibrate { current: true }, &Seen::default()).unwrap();
    assert!(interlock.calibrating() && interlock.connect());
    assert!(!interlock.enable() && !interlock.may_command());
}

#[test]
fn a_cause_that_is_found_twice_is_one_cause() {
    let twice = Causes::NONE.with(TripCause::Travel, true).with(TripCause::Travel, true);
    assert!(twice.has(TripCause::Travel));
    assert_eq!(twice, Causes::NONE.with(TripCause::Travel, true).with(TripCause::Runaway, false));
}

#[test]
fn torque_that_does_not_come_trips_and_without_a_flag_the_wait_is_the_delay() {
    let until_live = |torque_on: Option<bool>| {
        let mut interlock = Interlock::new(false);
        let timeouts =
            Timeouts { torque: 20, beat: 100, armed: 1_000, contact: 8, readback: 3, no_counts: 9 };
        interlock.demand(Demand::Arm { current: true }, &Seen::default()).unwrap();
        interlock.demand(Demand::Enable { current: true }, &Seen::default()).unwrap();
        for tick in 1..200 {
            let seen = Seen { beat: true, relay_closed: true, torque_on, ..Seen::default() };
            if let Some(cause) = interlock.tick(&seen, &timeouts) {
                return Err((tick, cause));
            }
            if interlock.may_command() {
                return Ok(tick);
            }
        }
        panic!("it waits for ever");
    };
    assert_eq!(until_live(Some(true)), Ok(1));
    assert_eq!(until_live(None), Ok(20));
    assert_eq!(until_live(Some(false)), Err((20, TripCause::TorqueOff)));
}

#[test]
fn a_relay_that_stays_closed_trips_a_safe_fixture_again_and_again_and_refuses_arming() {
    let welded = Seen { relay_closed: true, ..Seen::default() };
    let mut interlock = Interlock::new(false);
    let refused = interlock.demand(Demand::Arm { current: true }, &welded);
    assert_eq!(refused, Err(Denial::NotReady(TripCause::RelayMismatch)));
    let causes: Vec<_> = (0..3).map(|_| interlock.tick(&welded, &SHORT)).collect();
    assert_eq!(causes, [None, None, Some(TripCause::RelayMismatch)]);
    interlock.demand(Demand::Acknowledge { matching: true }, &welded).unwrap();
    assert_eq!(interlock.tick(&welded, &SHORT), Some(TripCause::RelayMismatch));
}

#[test]
fn the_first_of_two_causes_is_the_one_that_is_reported() {
    let mut interlock = Interlock::new(false);
    interlock.demand(Demand::Arm { current: true }, &Seen::default()).unwrap();
    let both = Causes::NONE.with(TripCause::Travel, true).with(TripCause::EncoderLine, true);
    let seen = Seen { causes: both, ..Seen::default() };
    assert_eq!(interlock.tick(&seen, &SHORT), Some(TripCause::EncoderLine));
    let stop = Seen { stop_closed: false, ..Seen::default() };
    assert_eq!(interlock.tick(&stop, &SHORT), None, "a later cause does not replace it");
}

#[test]
fn after_any_reset_nothing_is_enabled_connected_or_commanded_and_a_latched_trip_is_still_one() {
    // What a reset keeps is whether a trip is latched, and nothing else of any state: so these are all there are.
    for (latched, state) in [(false, State::Safe), (true, State::Tripped)] {
        let after = Interlock::new(latched);
        assert_eq!(after.state(), state);
        assert!(!after.enable() && !after.connect() && !after.may_command() && !after.calibrating());
        for seen in sights() {
            let mut next = after;
            next.tick(&seen, &SHORT);
            assert!(!next.enable() && !next.connect() && !next.may_command());
        }
    }
}
