//! Whole rehearsals of an axis that takes a speed command.

use proofstand::record::model::{Run, Verdict};
use proofstand::record::{SAMPLES, read_samples};
use proofstand_tests::bench::{Plan, check, demo, row};

/// Fault, the check that must reject it, the cause that must be named first.
const FAULTS: &[(&str, &str, &str)] = &[
    ("pulses-for-counts", "line-count-slow", "pulses-for-counts"),
    ("counts-for-pulses", "line-count-slow", "pulses-for-counts"),
    ("direction-mirrored", "nudge", "direction-mirrored"),
    ("encoder-swapped", "nudge", "counts-reversed"),
    ("command-reversed", "nudge", "command-reversed"),
    ("gain-doubled", "line-count-slow", "gain-by-two"),
    ("gain-halved", "line-count-slow", "gain-by-two"),
    ("input-loaded", "speed-scale", "input-loaded"),
    ("input-loaded=2", "speed-scale", "input-loaded"),
    ("offset=0.02", "creep", "offset"),
    ("offset=0.02", "speed-scale", "offset"),
    ("offset=-0.2", "creep", "offset"),
    ("cap-not-set", "speed-cap", "cap-not-set"),
    ("cap-one-direction", "speed-cap", "cap-one-direction"),
    ("flag-elsewhere", "cap-flag", "flag-elsewhere"),
    ("flag-inverted", "cap-flag", "flag-inverted"),
    ("flag-dead", "cap-flag", "flag-dead"),
    ("index-missing", "line-count-slow", "index-missing"),
    ("counts-lost", "speed-cap", "counts-lost"),
    ("wrong-phase", "nudge", "jumps-and-locks"),
    ("gain-not-stored", "retention", "setting-not-stored"),
    ("gain-not-in-force", "retention", "setting-not-in-force"),
    ("pulses-not-stored", "retention", "setting-not-stored"),
    ("pulses-not-in-force", "retention", "setting-not-in-force"),
    ("cap-not-stored", "retention", "setting-not-stored"),
    ("enable-dead", "nudge", "never-moves"),
    ("limit-open", "nudge", "limit-open"),
    ("mode-unselected", "nudge", "never-moves"),
    ("enable-inverted", "lines", "enable-inverted"),
    ("torque-off-open", "enable-off-rest", "cannot-enable"),
    ("amplifier-fault", "lines", "amplifier-fault"),
    ("bus-overvoltage", "speed-cap", "fault-in-motion"),
    ("encoder-a-reversed", "nudge", "counts-reversed"),
    ("encoder-a-open", "lines", "encoder-not-driven"),
    ("phase-dead", "nudge", "encoder-silent"),
    ("encoder-noise", "line-count-slow", "pairs-disturbed"),
    ("counter-loses", "line-count-slow", "counts-uneven"),
    ("flag-shared", "enable-off-rest", "flag-shared"),
    ("flag-wrong-common", "lines", "flag-stuck"),
    ("brake-unasked", "enable-off-turning", "braked-when-off"),
];

#[test]
fn a_healthy_speed_axis_is_accepted_for_every_seed_and_no_check_of_a_torque_command_is_in_its_list() {
    for seed in 1..=8 {
        let run = Plan::batch_auger().seed(seed).run().unwrap();
        assert_eq!(run.outcome.verdict, Verdict::Accepted, "seed {seed}: {:#?}", run.checks);
        assert_eq!(run.outcome.stopped, None);
        assert!(run.diagnoses.is_empty(), "seed {seed}: {:#?}", run.diagnoses);
        assert!(check(&run, "command-scale").is_none());
        assert!(check(&run, "speed-scale").is_some());
    }
    let torque = Plan::film_winder().only("speed-scale").run().unwrap();
    assert!(check(&torque, "speed-scale").is_none());
}

#[test]
fn each_fault_of_a_speed_axis_is_rejected_by_its_check_and_its_cause_is_named_first() {
    for (fault, rejecting, cause) in FAULTS {
        for seed in [1, 2] {
            let run = Plan::batch_auger().seed(seed).fault(fault).run().unwrap();
            let made = check(&run, rejecting).unwrap();
            assert_eq!(made.verdict, Verdict::Rejected, "{fault}, seed {seed}: {made:#?}");
            assert_eq!(run.outcome.verdict, Verdict::Rejected, "{fault}, seed {seed}");
            let first = run.diagnoses.first().map(|d| d.id.as_str());
            assert_eq!(first, Some(*cause), "{fault}, seed {seed}: {:#?}", run.diagnoses);
        }
    }
}

/// Fastest true speed in a run, over a tenth of a second, from positions and what the fault makes of a turn.
#[allow(clippy::unwrap_used, reason = "tests")]
fn fastest(fault: &str, counts_per_turn: f64) -> f64 {
    let folder = tempfile::tempdir().unwrap();
    let (_, path) = Plan::batch_auger().fault(fault).run_in(folder.path()).unwrap();
    let read = read_samples(std::fs::File::open(path.join(SAMPLES)).unwrap()).unwrap();
    let rpm = |w: &[proofstand_protocol::message::Sample]| {
        let counts = (w[99].position.0 - w[0].position.0).abs() as f64;
        counts / counts_per_turn / (w[99].at.0 - w[0].at.0) as f64 * 60e6
    };
    read.samples.windows(100).map(rpm).fold(0.0, f64::max)
}

#[test]
fn a_doubled_scale_moves_nothing_faster_than_a_hundred_rpm() {
    for (fault, counts) in [
        ("gain-doubled", 4096.0),
        ("pulses-for-counts", 1024.0),
        ("counts-for-pulses", 16_384.0),
        ("encoder-swapped", 4096.0),
        ("index-missing", 4096.0),
    ] {
        let fastest = fastest(fault, counts);
        assert!(fastest > 1.0 && fastest < 100.0, "{fault}: {fastest} rpm");
    }
}

#[test]
fn a_cap_that_is_not_set_is_found_without_a_trip_and_without_trying_a_higher_command() {
    let run = Plan::batch_auger().fault("cap-not-set").run().unwrap();
    let made = check(&run, "speed-cap").unwrap();
    assert_eq!(made.steps.len(), 2, "{:#?}", made.steps);
    assert!(made.steps.iter().all(|s| s.ended == "finished"), "{:#?}", made.steps);
    // 1.08 x 1800 rpm.
    let held = row(&run, "speed-cap.low-forward.held").unwrap();
    assert!((held.measured.unwrap() - 1944.0).abs() < 20.0, "{held:#?}");
    assert!(fastest("cap-not-set", 4096.0) < 2160.0);
}

/// The same numbers through the whole chain: with an offset of the plant's known beforehand, the line must find it.
#[test]
fn scale_and_offset_are_found_as_they_were_put_in() {
    let found = |run: &Run, id: &str| {
        let row = row(run, id).unwrap();
        (row.measured.unwrap(), row.expanded_uncertainty.unwrap())
    };
    let healthy = Plan::batch_auger().run().unwrap();
    let (gain, _) = found(&healthy, "speed-scale.gain");
    let (offset, _) = found(&healthy, "speed-scale.offset");
    // The seed draws the same axis; a loss of 3 % and 6 mV are put on top of it: 250 rpm/V make 1.5 rpm of the latter.
    let loaded = Plan::batch_auger().fault("input-loaded=3").run().unwrap();
    let (less, u) = found(&loaded, "speed-scale.gain");
    assert!((less / gain - 0.97).abs() < 2.0 * u / gain, "{less} of {gain}, U = {u}");
    let shifted = Plan::batch_auger().fault("offset=0.006").run().unwrap();
    // The same 6 mV at standstill, to the volt and to the rpm; the null has the other sign.
    for (id, put_in) in [("creep.drift", 0.006 * gain), ("creep.null", -0.006)] {
        let ((before, u0), (after, u)) = (found(&healthy, id), found(&shifted, id));
        assert!((after - before - put_in).abs() < u.max(u0), "{id}: {before} then {after}, U = {u}");
    }
    let (more, u) = found(&shifted, "speed-scale.offset");
    assert!((more - offset - 0.006 * gain).abs() < u, "{offset} then {more}, U = {u}");
}

#[test]
fn a_ramp_of_the_amplifiers_own_only_makes_the_run_longer() {
    let folder = tempfile::tempdir().unwrap();
    let text = std::fs::read_to_string(demo("batch-auger.toml")).unwrap();
    let ramp = "[amplifier]\nramp_milliseconds_per_thousand_rpm = 300";
    let sheet = folder.path().join("ramped.toml");
    std::fs::write(&sheet, text.replace("[amplifier]", ramp)).unwrap();
    let run = Plan { sheet, ..Plan::batch_auger() }.run().unwrap();
    assert_eq!(run.outcome.verdict, Verdict::Accepted, "{:#?}", run.checks);
}
