//! The fixture's own times, from its ceilings: random walks, and each time-out on its own tick.

use proptest::prelude::*;

use super::{Open, healthy};
use crate::fixture::CONTACT_TICKS;
use crate::fixture::limits::{ARMED_TIME_MAX, BEAT_MAX, ENABLE_DELAY_MAX, NO_COUNTS_MAX, READBACK_DWELL_MAX};
use crate::interlock::{Causes, Demand, Interlock, Seen, State, Timeouts, TripCause};

/// Least armed time that is tried: a minute, the shortest that a whole motion has room in. The most is the fixture's ceiling.
const ARMED_TIME_LEAST: u32 = 60_000;

/// What the fixture takes from a host, up to its own ceilings, with its own contacts.
fn real_timeouts() -> impl Strategy<Value = Timeouts> {
    let armed = prop_oneof![1 => Just(ARMED_TIME_MAX), 3 => ARMED_TIME_LEAST..=ARMED_TIME_MAX];
    let beat = prop_oneof![1 => Just(BEAT_MAX), 1 => 20..=BEAT_MAX];
    (beat, armed, 1..=ENABLE_DELAY_MAX, 0..=READBACK_DWELL_MAX, 1..=NO_COUNTS_MAX).prop_map(
        |(beat, armed, torque, readback, no_counts)| Timeouts {
            beat,
            armed,
            torque,
            contact: CONTACT_TICKS,
            readback,
            no_counts,
        },
    )
}

/// What the enable relay's contact does.
#[derive(Debug, Clone, Copy)]
enum Contact {
    /// It follows at once.
    Follows,
    /// It follows after so many ticks.
    Late(u32),
    /// It stands so, whatever is wanted.
    Stands(bool),
}

/// What happens for a while, after a demand. The same is seen on every tick, but for the beat and the relay.
#[derive(Debug, Clone)]
struct Stretch {
    demand: Option<Demand>,
    told: Seen,
    /// Ticks from one beat to the next; none: the host is silent.
    beat_every: Option<u32>,
    contact: Contact,
    ticks: u32,
}

fn stretch() -> impl Strategy<Value = Stretch> {
    let demand = prop_oneof![
        3 => Just(Some(Demand::Arm { current: true })),
        3 => Just(Some(Demand::Enable { current: true })),
        1 => Just(Some(Demand::Arm { current: false })),
        1 => Just(Some(Demand::Enable { current: false })),
        1 => Just(Some(Demand::Calibrate { current: true })),
        3 => (0..100_u32).prop_map(|keep| Some(Demand::Open { current: true, keep })),
        1 => Just(Some(Demand::Disarm)),
        2 => Just(Some(Demand::Acknowledge { matching: true })),
        1 => Just(Some(Demand::Acknowledge { matching: false })),
        3 => Just(None),
    ];
    let mostly = |so: bool| prop_oneof![19 => Just(so), 1 => Just(!so)];
    let cause = prop_oneof![
        24 => Just(Causes::NONE),
        1 => prop::sample::select(Causes::ORDER.to_vec()).prop_map(|c| Causes::NONE.with(c, true)),
    ];
    // A host beats every 20 ms; some only just often enough, some not.
    let beat_every =
        prop_oneof![12 => Just(Some(20)), 3 => (1..2 * BEAT_MAX).prop_map(Some), 1 => Just(None)];
    let contact = prop_oneof![
        12 => Just(Contact::Follows),
        4 => (1..2 * CONTACT_TICKS).prop_map(Contact::Late),
        1 => any::<bool>().prop_map(Contact::Stands),
    ];
    let torque_on = prop_oneof![3 => Just(None), 3 => Just(Some(true)), 1 => Just(Some(false))];
    // Some last until the longest armed time is over.
    let ticks = prop_oneof![16 => 1..300_u32, 1 => 1..ARMED_TIME_MAX + 1000];
    let chain = (mostly(true), mostly(true), mostly(true));
    let rest = (mostly(false), mostly(false), mostly(false), cause, torque_on);
    (demand, chain, rest, beat_every, contact, ticks).prop_map(
        |(demand, (stop_closed, hold_closed, guard_closed), rest, beat_every, contact, ticks)| {
            let (readback_off, stuck, amplifier, causes, torque_on) = rest;
            let told = Seen {
                stop_closed,
                hold_closed,
                guard_closed,
                torque_on,
                readback_off,
                stuck,
                amplifier,
                causes,
                ..Seen::default()
            };
            Stretch { demand, told, beat_every, contact, ticks }
        },
    )
}

/// The relay's contact itself.
#[derive(Debug, Default)]
struct Relay {
    closed: bool,
    moving: u32,
}

impl Relay {
    fn closed(&mut self, wanted: bool, contact: Contact) -> bool {
        self.moving = if self.closed == wanted { 0 } else { self.moving + 1 };
        match contact {
            Contact::Follows => self.closed = wanted,
            Contact::Late(ticks) if self.moving > ticks => self.closed = wanted,
            Contact::Late(_) => {}
            Contact::Stands(so) => self.closed = so,
        }
        self.closed
    }
}

/// Kept apart from the machine: what was granted since it was last safe, and for how many ticks what has stood.
#[derive(Debug, Default)]
struct Kept {
    armed: bool,
    enabled: bool,
    since_arming: u32,
    since_enabling: u32,
    silent: u32,
    readback_off: u32,
    relay_off: u32,
    still: u32,
}

impl Kept {
    /// A demand was granted.
    fn granted(&mut self, demand: Demand, before: State) -> Result<(), TestCaseError> {
        match demand {
            Demand::Arm { current } => {
                prop_assert!(current && before == State::Safe);
                *self = Self { armed: true, relay_off: self.relay_off, ..Self::default() };
            }
            Demand::Enable { current } => {
                prop_assert!(current && self.armed);
                (self.enabled, self.since_enabling, self.relay_off) = (true, 0, 0);
            }
            Demand::Acknowledge { matching } => prop_assert!(matching && !self.armed),
            Demand::Disarm | Demand::Calibrate { .. } => (self.armed, self.enabled) = (false, false),
            Demand::Open { .. } => (self.enabled, self.relay_off) = (false, 0),
        }
        Ok(())
    }

    /// A tick showed this; before it the machine wanted the relay closed or not, and was in a state.
    fn ticked(&mut self, seen: &Seen, wanted: bool, before: State) {
        let count = |so: bool, counter: &mut u32| *counter = if so { *counter + 1 } else { 0 };
        self.since_arming += 1;
        self.since_enabling += 1;
        count(!seen.beat, &mut self.silent);
        count(seen.readback_off, &mut self.readback_off);
        count(seen.relay_closed != wanted, &mut self.relay_off);
        count(seen.stuck && before == State::Live, &mut self.still);
    }

    /// Enable stands, having seen this: nothing speaks against it, and nothing has for too long.
    fn may_stand(&self, seen: &Seen, state: State, timeouts: &Timeouts) -> Result<(), TestCaseError> {
        prop_assert!(self.armed && self.enabled, "enable stands without its two demands");
        prop_assert!(seen.stop_closed && seen.hold_closed && seen.guard_closed);
        prop_assert!(seen.causes == Causes::NONE);
        prop_assert!(self.silent < timeouts.beat, "the host fell silent: {self:?}");
        prop_assert!(self.readback_off <= timeouts.readback, "read-back has been off: {self:?}");
        prop_assert!(self.since_arming < timeouts.armed, "armed for too long: {self:?}");
        prop_assert!(self.still < timeouts.no_counts, "no counts came: {self:?}");
        let torque = seen.torque_on != Some(false);
        prop_assert!(torque || (state == State::Enabling && self.since_enabling < timeouts.torque));
        Ok(())
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 2000, ..ProptestConfig::default() })]

    #[test]
    fn with_real_times_enable_stands_only_after_both_demands_and_never_outlasts_a_cause(
        timeouts in real_timeouts(),
        stretches in prop::collection::vec(stretch(), 1..30),
    ) {
        let (mut interlock, mut relay, mut kept) = (Interlock::new(false), Relay::default(), Kept::default());
        for Stretch { demand, told, beat_every, contact, ticks } in stretches {
            for tick in 0..ticks {
                let relay_closed = relay.closed(interlock.enable(), contact);
                let beat = beat_every.is_some_and(|every| tick % every == 0);
                let seen = Seen { relay_closed, beat, ..told };
                if let (0, Some(demand)) = (tick, demand) {
                    let before = interlock.state();
                    if interlock.demand(demand, &seen).is_ok() {
                        kept.granted(demand, before)?;
                    }
                }
                let (before, wanted) = (interlock.state(), interlock.enable());
                let cause = interlock.tick(&seen, &timeouts);
                let state = interlock.state();
                kept.ticked(&seen, wanted, before);
                if !matches!(state, State::Armed | State::Enabling | State::Live | State::Opened) {
                    (kept.armed, kept.enabled) = (false, false);
                }
                if interlock.enable() {
                    kept.may_stand(&seen, state, &timeouts)?;
                }
                if state == State::Live && before != State::Live {
                    prop_assert!(before == State::Enabling && seen.relay_closed, "live on an open relay");
                }
                // In any state, armed or not: a relay that does not follow is not passed over.
                prop_assert!(state == State::Tripped || kept.relay_off <= timeouts.contact, "{kept:?}");
                if interlock.may_command() {
                    prop_assert!(interlock.connect());
                }
                prop_assert_eq!(cause.is_some(), before != State::Tripped && state == State::Tripped);
                if before == State::Tripped {
                    prop_assert_eq!(state, State::Tripped, "it cleared itself");
                }
                if state == State::Tripped {
                    prop_assert!(!interlock.enable() && !interlock.connect() && !interlock.may_command());
                }
            }
        }
    }
}

/// Ticks until the trip, of a machine that has been brought to live and then sees the same on every tick.
fn trips_after(long: &Timeouts, spoil: Open) -> (u32, TripCause) {
    let mut interlock = Interlock::new(false);
    interlock.demand(Demand::Arm { current: true }, &Seen::default()).unwrap();
    interlock.demand(Demand::Enable { current: true }, &Seen::default()).unwrap();
    assert_eq!(interlock.tick(&healthy(&interlock), long), None);
    assert_eq!(interlock.state(), State::Live);
    for tick in 1..2 * ARMED_TIME_MAX {
        let mut seen = healthy(&interlock);
        spoil(&mut seen);
        if let Some(cause) = interlock.tick(&seen, long) {
            return (tick, cause);
        }
    }
    panic!("it never tripped");
}

proptest! {
    // Armed times of minutes are counted out tick by tick.
    #![proptest_config(ProptestConfig { cases: 40, ..ProptestConfig::default() })]

    #[test]
    fn each_real_time_out_trips_on_its_own_tick(times in real_timeouts()) {
        let after = |spoil: Open| trips_after(&times, spoil);
        prop_assert_eq!(after(|seen| seen.beat = false), (times.beat, TripCause::BeatLost));
        prop_assert_eq!(after(|seen| seen.readback_off = true), (times.readback + 1, TripCause::ReadbackMismatch));
        prop_assert_eq!(after(|seen| seen.relay_closed = false), (CONTACT_TICKS + 1, TripCause::RelayMismatch));
        prop_assert_eq!(after(|seen| seen.torque_on = Some(false)), (1, TripCause::TorqueOff));
        prop_assert_eq!(after(|seen| seen.stuck = true), (times.no_counts, TripCause::NoCounts));
        // The tick on which it became live counts too.
        prop_assert_eq!(after(|_| ()), (times.armed - 1, TripCause::ArmedTime));
    }
}
