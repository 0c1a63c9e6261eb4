use proofstand_protocol::message::Field;
use proofstand_protocol::units::{MicrovoltsPerRpm, MicrovoltsPerRpmSecond};
use std::vec::Vec;

use super::*;
use crate::fixture::tests::healthy;
use crate::rotor::Rotor;

fn command(microvolts: i32, end: End, next: Next) -> Segment {
    let drive = Drive::Command { target: Microvolts(microvolts), slew: MicrovoltsPerTick(20_000_000) };
    Segment { drive, end, next, timeout: Ticks(500) }
}

fn hold(speed: i32, bound: i32) -> Segment {
    let drive = Drive::HoldSpeed {
        speed: MilliRpm(speed),
        bound: Microvolts(bound),
        proportional: MicrovoltsPerRpm(500),
        integral: MicrovoltsPerRpmSecond(3_000),
    };
    Segment { drive, end: End::IndexCount(3), next: Next::Finish, timeout: Ticks(2_000) }
}

fn program(segments: &[Segment]) -> Program {
    let mut program = Program::new();
    for (slot, segment) in segments.iter().enumerate() {
        program.load(slot as u8, *segment).unwrap();
    }
    program
}

/// Entries and the ending, each with its tick.
type Told = (Vec<(u32, u8)>, Option<(u32, Ending)>);

/// Runs a program with a view of each tick; what it entered and how it ended, with the tick.
fn run(program: &mut Program, mut view: impl FnMut(u32) -> View) -> Told {
    let mut entries = Vec::new();
    for tick in 0..200_000 {
        match program.tick(&view(tick), &healthy()) {
            Step::Idle => return (entries, None),
            Step::Drive { entered, .. } => entries.extend(entered.map(|slot| (tick, slot))),
            Step::Ended(ending) => return (entries, Some((tick, ending))),
        }
    }
    (entries, None)
}

#[test]
fn segments_follow_one_another_on_the_tick_on_which_their_end_holds() {
    let segments = [
        command(1_000_000, End::Time(Ticks(5)), Next::Segment(1)),
        command(2_000_000, End::SpeedAtLeast(MilliRpm(50_000)), Next::Segment(2)),
        command(-2_000_000, End::SpeedAtMost(MilliRpm(-50_000)), Next::Segment(3)),
        command(0, End::Flag { input: 6, conducting: true }, Next::Segment(4)),
        command(500_000, End::Travel(Counts(30)), Next::Segment(5)),
        command(500_000, End::IndexCount(2), Next::Segment(6)),
        command(0, End::Standstill(Ticks(7)), Next::Finish),
    ];
    let mut program = program(&segments);
    program.start(0, Ticks(1_000), &healthy()).unwrap();
    let view = |tick: u32| View {
        speed: MilliRpm(match tick {
            0..20 => 49_999,
            20..30 => 50_000,
            _ => -50_000,
        }),
        flags: if tick >= 40 { 0x40 } else { 0x3f },
        position: Counts(-i64::from(tick)),
        index_passes: (tick / 10).wrapping_sub(7),
        still: 100,
        command: Microvolts(0),
    };
    let (entries, ending) = run(&mut program, view);
    assert_eq!(entries, [(0, 0), (5, 1), (20, 2), (30, 3), (40, 4), (70, 5), (90, 6)]);
    assert_eq!(ending, Some((97, Ending::Finished)));
    assert_eq!(program.running(), None);
}

#[test]
fn a_segment_that_lasts_too_long_ends_the_program_and_names_itself() {
    let mut program = program(&[
        command(0, End::Time(Ticks(10)), Next::Segment(1)),
        command(0, End::SpeedAtLeast(MilliRpm(1)), Next::Segment(0)),
    ]);
    program.start(0, Ticks(120_000), &healthy()).unwrap();
    let (_, ending) = run(&mut program, |_| View::default());
    assert_eq!(ending, Some((510, Ending::TimedOut { slot: 1 })));
}

#[test]
fn a_loop_of_segments_ends_when_the_whole_has_lasted_too_long() {
    let mut program = program(&[
        command(0, End::Time(Ticks(10)), Next::Segment(1)),
        command(0, End::Time(Ticks(10)), Next::Segment(0)),
    ]);
    program.start(0, Ticks(1_234), &healthy()).unwrap();
    let (entries, ending) = run(&mut program, |_| View::default());
    assert_eq!((entries.len(), ending), (124, Some((1_234, Ending::TimedOut { slot: 1 }))));

    let mut busy = program_of_one_tick_loops();
    busy.start(0, Ticks(77), &healthy()).unwrap();
    let (_, ending) = run(&mut busy, |_| View::default());
    assert_eq!(ending, Some((77, Ending::TimedOut { slot: 0 })), "also if every tick ends a segment");
}

fn program_of_one_tick_loops() -> Program {
    program(&[
        command(0, End::Time(Ticks(1)), Next::Segment(1)),
        command(0, End::Time(Ticks(1)), Next::Segment(0)),
    ])
}

#[test]
fn a_reversal_turns_round_at_the_speed_and_not_a_tick_later() {
    let turn = |volts: i32, end: End, next: u8| command(volts, end, Next::Segment(next));
    let mut program = program(&[
        turn(1_000_000, End::SpeedAtLeast(MilliRpm(300_000)), 1),
        turn(-1_000_000, End::SpeedAtMost(MilliRpm(-300_000)), 0),
    ]);
    program.start(0, Ticks(400), &healthy()).unwrap();
    let mut rotor = Rotor::new(10_000, 500);
    let (mut standing, mut turns) = (Microvolts(0), Vec::new());
    loop {
        rotor.tick(standing);
        let view = View { speed: rotor.speed(), command: standing, ..View::default() };
        match program.tick(&view, &healthy()) {
            Step::Drive { target, entered, .. } => {
                standing = target;
                turns.extend(entered.map(|_| rotor.speed().magnitude().0));
            }
            Step::Ended(ending) => break assert!(matches!(ending, Ending::TimedOut { .. })),
            Step::Idle => panic!("it stopped by itself"),
        }
    }
    assert!(turns.len() >= 6);
    // One tick gains at most 10 rpm and loses at most 0.5.
    assert!(turns.iter().skip(1).all(|speed| (300_000..310_000).contains(speed)), "{turns:?}");
}

#[test]
fn what_is_wrong_with_a_segment_is_named_when_it_is_loaded() {
    let good = command(0, End::Time(Ticks(1)), Next::Finish);
    let with = |change: &dyn Fn(&mut Segment)| {
        let mut segment = good;
        change(&mut segment);
        Program::new().load(0, segment)
    };
    let refused = |field| Err(Refusal::OutOfRange(field));
    assert_eq!(Program::new().load(31, good), Ok(()));
    assert_eq!(Program::new().load(32, good), refused(Field::Slot));
    assert_eq!(with(&|s| s.next = Next::Segment(32)), refused(Field::Slot));
    assert_eq!(with(&|s| s.timeout = Ticks(0)), refused(Field::Timeout));
    assert_eq!(with(&|s| s.timeout = Ticks(120_001)), refused(Field::Timeout));
    assert_eq!(with(&|s| s.end = End::Time(Ticks(0))), refused(Field::Timeout));
    assert_eq!(with(&|s| s.end = End::Travel(Counts(-1))), refused(Field::Travel));
    assert_eq!(with(&|s| s.end = End::IndexCount(0)), refused(Field::Points));
    assert_eq!(with(&|s| s.end = End::Flag { input: 8, conducting: true }), refused(Field::Input));
    assert_eq!(with(&|s| s.end = End::SpeedAtMost(MilliRpm(i32::MIN))), refused(Field::Speed));
    let drive = |target, slew| Drive::Command { target: Microvolts(target), slew: MicrovoltsPerTick(slew) };
    assert_eq!(with(&|s| s.drive = drive(-10_000_001, 1)), refused(Field::Command));
    assert_eq!(with(&|s| s.drive = drive(i32::MIN, 1)), refused(Field::Command));
    assert_eq!(with(&|s| s.drive = drive(0, 0)), refused(Field::Slew));
    assert_eq!(with(&|s| s.drive = hold(19_999, 1).drive), refused(Field::Speed));
    assert_eq!(with(&|s| s.drive = hold(0, 1).drive), Ok(()));
    assert_eq!(with(&|s| s.drive = hold(-20_000, 0).drive), refused(Field::Command));
    let gains = |p, i| Drive::HoldSpeed {
        speed: MilliRpm(0),
        bound: Microvolts(1),
        proportional: MicrovoltsPerRpm(p),
        integral: MicrovoltsPerRpmSecond(i),
    };
    assert_eq!(with(&|s| s.drive = gains(0, 0)), refused(Field::Gain));
    assert_eq!(with(&|s| s.drive = gains(1_000_001, 0)), refused(Field::Gain));
    assert_eq!(with(&|s| s.drive = gains(0, 10_000_001)), refused(Field::Gain));
}

#[test]
fn what_the_limits_do_not_allow_is_refused_at_the_start_wherever_in_the_program_it_stands() {
    let start = |segments: &[Segment], limits: &Limits| program(segments).start(0, Ticks(100), limits);
    let first = command(0, End::Time(Ticks(1)), Next::Segment(1));
    let mut limits = healthy();
    assert_eq!(start(&[first, hold(100_000, 5_000_000)], &limits), Ok(()));
    assert_eq!(start(&[first], &limits), Err(Refusal::MissingSegment(1)));
    assert_eq!(start(&[], &limits), Err(Refusal::MissingSegment(0)));
    let refused = |field| Err(Refusal::OutOfRange(field));
    assert_eq!(start(&[first, hold(100_000, 5_000_001)], &limits), refused(Field::Command));
    assert_eq!(start(&[first, hold(-3_000_000, 1)], &limits), refused(Field::Speed));
    let far = command(-5_000_001, End::Time(Ticks(1)), Next::Finish);
    assert_eq!(start(&[first, far], &limits), refused(Field::Command));
    let unreached = [command(0, End::Time(Ticks(1)), Next::Finish), far];
    assert_eq!(start(&unreached, &limits), Ok(()), "what cannot be reached is not judged");
    limits.mode = CommandMode::Speed;
    assert_eq!(start(&[first, hold(100_000, 1)], &limits), Err(Refusal::WrongState));
    let mut fine = program(&[first, first]);
    assert_eq!(fine.start(0, Ticks(0), &limits), refused(Field::Timeout));
    assert_eq!(fine.start(0, Ticks(120_001), &limits), refused(Field::Timeout));
    assert_eq!(fine.start(32, Ticks(1), &limits), refused(Field::Slot));
    assert_eq!(fine.start(0, Ticks(1), &limits), Ok(()));
    assert_eq!(fine.start(0, Ticks(1), &limits), Err(Refusal::WrongState), "one at a time");
    assert_eq!(fine.load(5, first), Err(Refusal::WrongState), "not while one runs");
    assert!(fine.stop() && !fine.stop());
    assert_eq!(fine.load(5, first), Ok(()));
}

#[test]
fn the_slew_is_the_smaller_of_segment_and_limits() {
    let mut program =
        program(&[command(1_000_000, End::Time(Ticks(2)), Next::Segment(1)), hold(100_000, 1_000_000)]);
    let mut limits = healthy();
    program.start(0, Ticks(100), &limits).unwrap();
    limits.slew = MicrovoltsPerTick(700);
    for _ in 0..4 {
        let Step::Drive { slew, .. } = program.tick(&View::default(), &limits) else { panic!("it runs") };
        assert_eq!(slew, MicrovoltsPerTick(700));
    }
}
