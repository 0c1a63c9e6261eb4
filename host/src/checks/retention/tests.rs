//! What a power cycle leaves uncompared, wrong or unfinished is never accepted.

use proofstand_protocol::message::TripCause::NoCounts;
use proofstand_protocol::message::{Sample, Trip};
use proofstand_protocol::units::{Counts, Micros, Microvolts, MilliRpm};

use super::judge::{compared, cycled, finished};
use super::*;

const PER_REV: i64 = 10_000;

fn made(ending: StepEnding) -> StepEvidence {
    StepEvidence { ending, ..StepEvidence::named("run") }
}

fn tripped() -> StepEvidence {
    let (at, position, speed) = (Micros(0), Counts(0), MilliRpm(0));
    let command = Microvolts(0);
    let trip = Trip { number: 1, cause: NoCounts, at, position, speed, command, acknowledged: false };
    made(StepEnding::Tripped(trip))
}

#[test]
fn only_right_counts_of_a_motion_that_ended_well_after_right_counts_before_are_accepted() {
    let (well, late) = (made(StepEnding::Finished), made(StepEnding::TimedOut { slot: 1 }));
    let trip = tripped();
    let verdict = |worst, before, made: &StepEvidence| compared(worst, PER_REV, before, made, 3).0;
    use Verdict::{Accepted, Rejected, Undecided};
    for (worst, before, made, wanted) in [
        (PER_REV, Some(PER_REV), &well, Accepted),
        (PER_REV, None, &well, Undecided),
        (PER_REV, Some(PER_REV), &late, Undecided),
        (PER_REV, None, &late, Undecided),
        (PER_REV, Some(PER_REV), &trip, Rejected),
        (PER_REV, Some(2500), &well, Rejected),
        (2500, Some(2500), &well, Rejected),
        (2500, Some(PER_REV), &well, Rejected),
        (2500, None, &well, Rejected),
        (2500, Some(2500), &late, Rejected),
    ] {
        assert_eq!(
            verdict(worst, before, made),
            wanted,
            "{worst}, before {before:?}, {}",
            made.ended_in_words()
        );
    }
}

#[test]
fn two_motions_are_compared_only_if_both_came_to_their_ends() {
    let (well, late) = (made(StepEnding::Finished), made(StepEnding::TimedOut { slot: 1 }));
    let trip = tripped();
    let verdict = |before, after| finished(before, after, "none".to_owned()).map_err(|m| m.verdict).err();
    assert_eq!(verdict(Some(&well), Some(&well)), None);
    for (before, after, wanted) in [
        (None, None, Verdict::NotDone),
        (None, Some(&well), Verdict::NotDone),
        (Some(&well), None, Verdict::NotDone),
        (Some(&late), Some(&well), Verdict::Undecided),
        (Some(&trip), Some(&well), Verdict::Undecided),
        (Some(&well), Some(&late), Verdict::Rejected),
        (Some(&well), Some(&trip), Verdict::Rejected),
    ] {
        assert_eq!(verdict(before, after), Some(wanted));
    }
}

#[test]
fn a_power_cycle_is_one_only_if_the_lines_go_and_come_again() {
    let driven = |encoder_driven| StepEvidence { encoder_driven, ..made(StepEnding::Finished) };
    let verdict = |off, on| cycled(&driven(off), &driven(on)).verdict;
    assert_eq!(verdict(Some(false), Some(true)), Verdict::Accepted);
    assert_eq!(verdict(Some(true), Some(true)), Verdict::Undecided);
    assert_eq!(verdict(Some(false), Some(false)), Verdict::Undecided);
    // A board that can't tell: by the flags.
    let flags = |flags: &[u8]| {
        let samples = flags.iter().map(|f| Sample { flags: *f, ..Sample::default() }).collect();
        StepEvidence { samples, ..made(StepEnding::Finished) }
    };
    assert_eq!(cycled(&flags(&[3, 3, 0]), &flags(&[0, 3])).verdict, Verdict::Accepted);
    assert_eq!(cycled(&flags(&[3, 3, 0]), &flags(&[0, 0])).verdict, Verdict::Undecided);
    assert_eq!(cycled(&flags(&[3, 3, 3]), &flags(&[3, 3])).verdict, Verdict::Undecided);
    assert_eq!(cycled(&flags(&[3, 0]), &flags(&[])).verdict, Verdict::Undecided);
}
