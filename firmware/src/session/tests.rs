use std::vec::Vec;

use proofstand_protocol::frame::{FrameBuffer, encode_raw};
use proofstand_protocol::message::{Chain, Event, Refusal, State, Status};
use proofstand_protocol::units::{Micros, Microvolts};
use proofstand_protocol::version::Version;
use proptest::prelude::*;

use super::*;
use crate::fixture::tests::{Bench, healthy, identity};
use crate::fixture::{AdcCodes, Start};

/// What a host can make of what it hears.
#[derive(Debug, Clone, PartialEq)]
enum Heard {
    Hello(FixtureHello),
    Message(FixtureMessage),
}

/// A host at the other end of the bytes.
struct Host {
    session: Session,
    decoder: Decoder,
    ticks: u64,
}

impl Host {
    fn new() -> Self {
        let session = Session::new(Fixture::new(identity(), Start { epoch: 5, ..Start::default() }, None));
        let mut host = Self { session, decoder: Decoder::new(), ticks: 0 };
        host.tick();
        host
    }

    fn greeted() -> Self {
        let mut host = Self::new();
        host.greet(HostHello::new(77, 100));
        assert!(matches!(host.hear()[..], [Heard::Hello(_)]));
        host
    }

    fn greet(&mut self, hello: HostHello) {
        let mut frame = FrameBuffer::new();
        self.session.on_bytes(frame.host_hello(&hello).unwrap());
    }

    fn say(&mut self, message: &HostMessage) {
        let mut frame = FrameBuffer::new();
        self.session.on_bytes(frame.message(message).unwrap());
    }

    fn ask(&mut self, id: u32, body: Request) {
        self.say(&HostMessage::Request { id, body });
    }

    fn tick(&mut self) {
        self.ticks += 1;
        let inputs = Inputs {
            now: Micros(self.ticks * 1_000),
            counter: 0,
            last_edge: None,
            index: None,
            flags: 0b1000,
            flag_edges: &[],
            adc: AdcCodes::ZERO,
            chain: Chain { stop: true, hold: true, guard: true, relay: false },
            encoder_fault: false,
            pairs_open: false,
            illegal_transitions: 0,
        };
        self.session.on_tick(&inputs);
    }

    /// Everything the fixture has to say, taken in small bites.
    fn hear(&mut self) -> Vec<Heard> {
        let mut heard = Vec::new();
        let mut bite = [0; 7];
        loop {
            let count = self.session.transmit(&mut bite);
            if count == 0 {
                return heard;
            }
            let mut bytes = &bite[..count];
            while let Some(result) = self.decoder.feed(&mut bytes) {
                let payload = result.expect("the fixture sends intact frames");
                heard.push(match payload.kind {
                    Kind::FixtureHello => Heard::Hello(FixtureHello::from_bytes(payload.body).unwrap()),
                    _ => Heard::Message(decode_message(payload).unwrap()),
                });
            }
        }
    }

    fn answers(&mut self) -> Vec<(u32, Answer)> {
        let messages = self.hear().into_iter();
        messages
            .filter_map(|heard| match heard {
                Heard::Message(FixtureMessage::Reply { id, body }) => Some((id, body)),
                _ => None,
            })
            .collect()
    }

    fn status(&mut self, id: u32) -> Status {
        self.ask(id, Request::Status);
        match self.answers()[..] {
            [(answered, Answer::Status(status))] if answered == id => status,
            ref other => panic!("{other:?}"),
        }
    }
}

#[test]
fn nothing_is_said_or_done_before_a_host_of_the_same_major_has_greeted() {
    let mut host = Host::new();
    host.ask(1, Request::Stream { decimation: 1 });
    for _ in 0..50 {
        host.tick();
    }
    assert_eq!(host.hear(), []);
    let foreign =
        HostHello { version: Version { major: VERSION.major + 1, minor: 0 }, ..HostHello::new(3, 0) };
    host.greet(foreign);
    let [Heard::Hello(hello)] = host.hear()[..] else { panic!("it says who it is") };
    assert_eq!((hello.session, hello.version, hello.simulated), (3, VERSION, true));
    assert_eq!((hello.analog_serial, hello.fingerprint), (identity().analog_serial, FINGERPRINT));
    host.ask(2, Request::Status);
    assert_eq!(host.hear(), [], "but no more");
    assert_eq!(host.session.not_understood(), 2);
}

#[test]
fn a_repeated_greeting_is_answered_and_changes_nothing_and_a_new_one_begins_anew() {
    let mut host = Host::greeted();
    host.ask(100, Request::Stream { decimation: 1 });
    host.greet(HostHello::new(77, 100));
    assert!(matches!(
        host.hear()[..],
        [Heard::Hello(_), Heard::Message(FixtureMessage::Reply { id: 100, .. })]
    ));
    for _ in 0..4 {
        host.tick();
    }
    assert!(
        matches!(host.hear()[..], [Heard::Message(FixtureMessage::Samples { .. })]),
        "the stream goes on"
    );
    host.ask(100, Request::Disarm);
    assert_eq!(host.answers(), [(100, Answer::Done)], "the stored answer");
    host.greet(HostHello::new(78, 7));
    for _ in 0..40 {
        host.tick();
    }
    assert!(matches!(host.hear()[..], [Heard::Hello(_)]), "no stream that it did not ask for");
    host.ask(6, Request::Status);
    host.ask(7, Request::Disarm);
    assert_eq!(host.answers(), [(6, Answer::Refused(Refusal::StaleId)), (7, Answer::Done)]);
}

#[test]
fn a_request_is_done_once_however_often_it_arrives() {
    let mut host = Host::greeted();
    let epoch = host.status(100).epoch;
    let arm = Request::Arm { epoch, limits: healthy() };
    host.ask(101, arm.clone());
    host.ask(102, Request::Disarm);
    assert_eq!(host.answers(), [(101, Answer::Done), (102, Answer::Done)]);
    let disarmed = host.status(103).epoch;
    host.ask(101, arm.clone());
    host.ask(102, Request::Disarm);
    let stale = Answer::Refused(Refusal::StaleId);
    assert_eq!(host.answers(), [(101, stale.clone()), (102, stale)]);
    assert_eq!((host.status(104).state, host.status(105).epoch), (State::Safe, disarmed));
    host.ask(106, arm);
    assert_eq!(
        host.answers(),
        [(106, Answer::Refused(Refusal::StaleEpoch))],
        "a new id does not help an old epoch"
    );
}

#[test]
fn answers_go_before_events_and_events_before_samples() {
    let mut host = Host::greeted();
    host.ask(100, Request::Stream { decimation: 1 });
    let epoch = host.session.fixture().status().epoch;
    for _ in 0..8 {
        host.tick();
    }
    host.ask(101, Request::Arm { epoch, limits: healthy() });
    let kinds: Vec<_> = host
        .hear()
        .iter()
        .map(|heard| match heard {
            Heard::Message(FixtureMessage::Reply { id, .. }) => *id,
            Heard::Message(FixtureMessage::Event { number, body: Event::StateChanged { .. }, .. }) => *number,
            Heard::Message(FixtureMessage::Samples { samples, .. }) => 1_000 + samples.len() as u32,
            other => panic!("{other:?}"),
        })
        .collect();
    assert_eq!(kinds, [100, 101, 1, 1_004, 1_004]);
    host.ask(102, Request::RepeatEvents { from: 1 });
    let again = host.hear();
    assert!(matches!(again[1], Heard::Message(FixtureMessage::Event { number: 1, .. })), "{again:?}");
}

#[test]
fn when_the_port_is_slow_samples_are_dropped_and_counted_and_answers_still_come() {
    let mut host = Host::greeted();
    host.ask(100, Request::Stream { decimation: 1 });
    for _ in 0..500 {
        host.tick();
    }
    host.ask(101, Request::Disarm);
    let heard = host.hear();
    assert!(matches!(heard[1], Heard::Message(FixtureMessage::Reply { id: 101, .. })));
    let (mut kept, mut lost) = (0, 0);
    for heard in &heard {
        if let Heard::Message(FixtureMessage::Samples { dropped, samples }) = heard {
            (kept, lost) = (kept + samples.len(), *dropped);
        }
    }
    assert!(kept >= 30 && kept + lost as usize == 500, "{kept} kept, {lost} lost");
}

#[test]
fn when_answers_wait_further_requests_are_not_taken_and_can_be_sent_again() {
    let mut host = Host::greeted();
    for id in 100..110 {
        host.ask(id, Request::Disarm);
    }
    let answered: Vec<_> = host.answers().into_iter().map(|(id, _)| id).collect();
    assert_eq!(answered, [100, 101, 102, 103]);
    host.ask(104, Request::Disarm);
    assert_eq!(host.answers(), [(104, Answer::Done)]);
}

#[test]
fn a_self_check_is_answered_when_it_is_done_and_not_to_the_next_session() {
    let mut host = Host::greeted();
    host.ask(100, Request::SelfCheck { level: Microvolts(0) });
    host.ask(100, Request::SelfCheck { level: Microvolts(0) });
    assert_eq!(host.answers(), [], "it is being done");
    for _ in 0..10 {
        host.tick();
    }
    let answer = (100, Answer::SelfCheck { converter: Microvolts(0), terminal: Microvolts(0) });
    assert_eq!(host.answers(), std::slice::from_ref(&answer));
    host.ask(100, Request::SelfCheck { level: Microvolts(0) });
    assert_eq!(host.answers(), [answer]);
    host.ask(101, Request::SelfCheck { level: Microvolts(0) });
    host.greet(HostHello::new(79, 50));
    for _ in 0..10 {
        host.tick();
    }
    assert!(matches!(host.hear()[..], [Heard::Hello(_)]));
}

#[test]
fn when_the_port_closes_the_session_is_over_but_the_fixture_goes_on() {
    let mut host = Host::greeted();
    let epoch = host.status(100).epoch;
    host.ask(101, Request::Arm { epoch, limits: healthy() });
    host.session.on_port_reset();
    assert_eq!(host.hear(), []);
    host.ask(102, Request::Disarm);
    assert_eq!(host.session.fixture().state(), State::Armed);
    for _ in 0..100 {
        host.tick();
    }
    assert_eq!(host.session.fixture().state(), State::Tripped, "nobody sends a beat");
}

#[test]
fn an_intact_frame_that_is_no_message_is_counted_and_the_next_is_read() {
    let mut host = Host::greeted();
    let mut frame = [0; MAX_FRAME];
    for (kind, body) in
        [(Kind::Message, &[9_u8, 9][..]), (Kind::FixtureHello, &[]), (Kind::HostHello, &[1, 2])]
    {
        let length = encode_raw(kind, body, &mut frame).unwrap();
        host.session.on_bytes(&frame[..length]);
    }
    host.session.on_bytes(&[1, 2, 3, 0]);
    assert_eq!((host.session.not_understood(), host.session.damage().total()), (3, 1));
    assert_eq!(host.status(100).state, State::Safe);
}

#[test]
fn the_whole_fixture_fits_a_modest_memory() {
    let bytes = size_of::<Session>();
    assert!(bytes < 24 * 1_024, "{bytes} bytes");
}

#[test]
fn a_bench_behind_the_messages_and_a_session_behind_the_bytes_are_the_same_fixture() {
    let mut bench = Bench::new();
    let mut host = Host::greeted();
    let epoch = (bench.epoch(), host.status(100).epoch);
    assert_eq!(bench.arm(healthy()), Ok(()));
    host.ask(101, Request::Arm { epoch: epoch.1, limits: healthy() });
    assert_eq!(host.answers(), [(101, Answer::Done)]);
    assert_eq!(bench.fixture.state(), host.session.fixture().state());
}

proptest! {
    #[test]
    fn noise_of_any_kind_arms_nothing_and_the_next_request_is_answered(
        noise in prop::collection::vec(prop::collection::vec(any::<u8>(), 0..400), 0..12),
    ) {
        let mut host = Host::greeted();
        for bytes in noise {
            host.session.on_bytes(&bytes);
            host.tick();
            host.hear();
        }
        host.session.on_bytes(&[0]);
        host.hear();
        prop_assert_eq!(host.status(4_000_000_000).state, State::Safe);
    }

    /// A line that delays, doubles and swaps frames of a host that went through one cycle: each acts at most once, only
    /// before any later one, and only on the state that its epoch was quoted for.
    #[test]
    fn late_doubled_and_swapped_frames_never_arm_again(order in prop::collection::vec(0_usize..4, 1..40)) {
        let mut host = Host::greeted();
        let epoch = host.status(100).epoch;
        let sent = [
            Request::Arm { epoch, limits: healthy() },
            Request::Enable { epoch: epoch + 1 },
            Request::Disarm,
            Request::Status,
        ];
        let (mut newest, mut state, mut changes) = (None, State::Safe, 0);
        for index in order {
            host.ask(101 + index as u32, sent[index].clone());
            host.hear();
            if newest.is_none_or(|newest| newest < index) {
                newest = Some(index);
                let next = match (index, state, changes) {
                    (0, State::Safe, 0) => State::Armed,
                    (1, State::Armed, 1) => State::Enabling,
                    (2, _, _) => State::Safe,
                    _ => state,
                };
                (state, changes) = (next, changes + u32::from(next != state));
            }
            let status = host.session.fixture().status();
            prop_assert_eq!((status.state, status.epoch), (state, epoch + changes));
        }
    }
}
