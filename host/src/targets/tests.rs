//! Targets worked by hand, and against published tables and identities.

use super::encoder::rate;
use super::*;
use crate::sheet::parse;
use proofstand_units::{Degrees, NativePerRev, PulsesPerRev};

const WINDER: &str = include_str!("../../sheets/film-winder.toml");
const ROTOR: &str = include_str!("../../sheets/bare-rotor.toml");

fn targets(text: &str) -> Targets {
    Targets::compute(&parse("s.toml", text.as_bytes()).unwrap_or_else(|error| panic!("{error}")))
}

#[track_caller]
fn near(value: f64, expected: f64, relative: f64) {
    assert!((value / expected - 1.0).abs() <= relative, "{value} is not {expected}");
}

fn finds(targets: &Targets, severity: Severity, subject: &str) -> bool {
    targets.findings.iter().any(|finding| finding.severity == severity && finding.subject == subject)
}

fn reference(name: &str) -> csv::Reader<std::fs::File> {
    let path = format!("{}/../tests/reference/{name}", env!("CARGO_MANIFEST_DIR"));
    csv::Reader::from_path(&path).unwrap_or_else(|error| panic!("{path}: {error}"))
}

/// The film winder, worked with pencil and pocket calculator from the numbers in its sheet:
/// 8 V = 100 % of 3.2 N·m, peak 9.6 N·m, 2500 pulses of 131 072 positions, cap 2000 rpm.
#[test]
fn the_film_winder_has_the_targets_worked_by_hand() {
    let targets = targets(WINDER);
    let CommandTargets::Torque {
        gain,
        torque_per_volt,
        at_rated,
        at_peak,
        largest,
        resolution,
        quantisation,
    } = targets.command
    else {
        panic!("not a torque command")
    };
    near(gain.get(), 12.5, 1e-12); //                K = 100 % / 8 V
    near(torque_per_volt.get(), 0.4, 1e-12); //      3.2 N·m x 12.5 %/V / 100
    near(at_rated.get(), 8.0, 1e-12); //             100 % / 12.5 %/V
    near(at_peak.get(), 24.0, 1e-12); //             300 % / 12.5 %/V: above 10 V
    near(largest.get(), 125.0, 1e-12); //            10 V x 12.5 %/V
    near(resolution.get(), 0.003_814_697, 1e-6); //  20 V / 65536 = 305.1758 µV; x 12.5
    near(quantisation.get(), 0.001_101_208, 1e-6); // / 3.464102
    assert!(finds(&targets, Severity::Warning, "command range"));

    let encoder = &targets.encoder;
    assert_eq!(encoder.counts.get(), 10_000);
    near(encoder.division.get(), 13.1072, 1e-12); //          131072 / 10000
    near(encoder.per_count.get(), 0.036, 1e-12); //           360 / 10000
    // floor(13.1072) = 13 positions of 131072; x 10000 counts x 90 = 89.2639; less 10 allowed for.
    near(encoder.narrowest_phase.get(), 79.263_916, 1e-7);
    let cap = &encoder.rates[0];
    near(cap.pulses.get(), 83_333.333_3, 1e-9); //            2500 x 2000 / 60
    near(cap.counts.get(), 333_333.333, 1e-8); //             4 x that
    near(cap.ideal_edge.get(), 3e-6, 1e-9); //                1 / that
    near(cap.shortest_edge.get(), 2.642_130_5e-6, 1e-7); //   3 µs x 79.263916 / 90

    // Disc ½ x 1.02 x (0.045² + 0.008²) = 0.51 x 0.002089 = 1.06539e-3; with the rotor 1.25539e-3 kg·m².
    near(targets.inertia.value.get(), 1.255_39e-3, 1e-9);
    // 4 % of 1.9e-4 = 7.6e-6, 1 % of 1.06539e-3 = 1.06539e-5; root of squares 1.30868e-5: 1.0424 %.
    near(targets.inertia.relative().get(), 1.042_447, 1e-5);
    near(targets.trip_speed.get(), 2400.0, 1e-12); //         both 1.2 x 2000 and 2000 + 20 %
    near(targets.turn_round_speed.get(), 1200.0, 1e-12);
    near(targets.reaction.to_millis(), 23.1, 1e-9); //        1 + 8 + 5 + 0.5 + 0.6 + 8

    let level = targets.level(Percent::new(30.0)).unwrap();
    near(level.command.get(), 2.4, 1e-12); //                 30 / 12.5
    near(level.torque.get(), 0.96, 1e-12);
    // Friction 2 % = 0.064 N·m: 0.896 / 1.25539e-3 = 713.722 rad/s².
    near(level.acceleration.get(), 713.722, 1e-6);
    // To the cap, 209.43951 rad/s: 0.293447 s; half of that at full speed: 30.7300 rad = 4.89083 turns.
    let reach = level.reaches.iter().find(|reach| reach.speed.get() == 2000.0).unwrap();
    near(reach.time.get(), 0.293_447, 2e-6);
    near(reach.turns.get(), 4.890_8, 2e-5);
    near(reach.energy.get(), 27.534, 1e-4); //                ½ x 1.25539e-3 x 209.43951²
    // 0.96 / 1.25539e-3 = 764.703 rad/s² for 23.1 ms: 17.6646 rad/s = 168.684 rpm on top of 2400.
    near(level.after_trip.get(), 2568.684, 1e-6);
    assert!(level.margin_fits && level.usable_for_reversal());
    // Braking 1.024 N·m: 815.683 rad/s². From 125.66371 less 5 x 1.1 ms x 815.683 = 4.48626: 121.17745 rad/s,
    // 148.559 ms, 148 samples, 9.00104 rad = 1.43256 turns.
    assert_eq!(level.window.samples, 148);
    near(level.window.turns.get(), 1.432_56, 1e-5);
}

#[test]
fn every_scale_level_of_the_film_winder_can_be_reversed_and_nothing_is_refused() {
    let targets = targets(WINDER);
    for percent in [5.0, 10.0, 20.0, 30.0] {
        assert!(targets.level(Percent::new(percent)).unwrap().usable_for_reversal(), "{percent} %");
    }
    let grave = |finding: &&Finding| finding.severity <= Severity::NotCapable;
    assert_eq!(targets.findings.iter().find(grave), None);
    assert!(targets.expected.iter().all(Expected::decidable));
}

#[test]
fn the_bare_rotor_is_partly_refused_with_reasons_and_remedies() {
    let targets = targets(ROTOR);
    assert!(targets.level(Percent::new(5.0)).unwrap().usable_for_reversal());
    for percent in [10.0, 20.0, 30.0] {
        assert!(!targets.level(Percent::new(percent)).unwrap().usable_for_reversal(), "{percent} %");
    }
    assert!(finds(&targets, Severity::Refused, "reaction margin"));
    assert!(finds(&targets, Severity::Refused, "command scale"));
    // The rotor's inertia is known to 12 %, the gain's tolerance is 10 %.
    assert!(finds(&targets, Severity::NotCapable, "torque gain by reversal"));
    // d = 20000/12000: a count of one position is 54° electrical.
    assert!(finds(&targets, Severity::NotCapable, "phase"));
    for finding in targets.findings.iter().filter(|finding| finding.severity != Severity::Note) {
        assert!(!finding.remedy.is_empty(), "{finding:?}");
    }
}

#[test]
fn the_disc_a_remedy_asks_for_is_just_enough() {
    let targets = targets(ROTOR);
    let level = targets.level(Percent::new(20.0)).unwrap();
    let friction = 0.32 * 0.04 * 2.0 / 3.0;
    let at = |inertia: f64| {
        let (omega, alpha) = (targets.turn_round_speed.to_rad_per_sec().get(), (0.064 + friction) / inertia);
        let settled = omega - alpha * 5.0 * 1e-3;
        (settled / alpha, settled * settled / alpha / 2.0 / std::f64::consts::TAU)
    };
    let least = level.window.least_inertia.get();
    let (time, turns) = at(least * 1.000_1);
    assert!(time >= 0.020 && turns >= 0.5, "{time} s, {turns} turns");
    let (time, turns) = at(least * 0.999);
    assert!(time < 0.020 || turns < 0.5, "{time} s, {turns} turns");
}

/// tests/reference/quadrature-rates.csv (closed form). Its 54° column is a phase error of 36°.
#[test]
fn rates_and_edges_agree_with_the_quadrature_table() {
    let mut rows = 0;
    for row in reference("quadrature-rates.csv").records() {
        let row: Vec<f64> = row.unwrap().iter().map(|cell| cell.parse().unwrap()).collect();
        let pulses = PulsesPerRev::new(row[0] as u32);
        let rate = rate(Place::Cap, Rpm::new(row[1]), pulses, Degrees::new(90.0 - 36.0));
        near(rate.pulses.get(), row[2], 1e-11);
        near(rate.counts.get(), row[3], 1e-11);
        near(rate.ideal_edge.get() * 1e9, row[4], 1e-11);
        near(rate.shortest_edge.get() * 1e9, row[5], 1e-11);
        near(std::f64::consts::TAU / f64::from(pulses.to_counts().get()), row[6], 1e-14);
        rows += 1;
    }
    assert_eq!(rows, 7);
}

/// tests/reference/adc-dac-lsb.csv (definitions): 16 bits over ±10 V.
#[test]
fn command_resolution_agrees_with_the_converter_table() {
    let row = reference("adc-dac-lsb.csv").records().map(Result::unwrap).find(|row| &row[0] == "16").unwrap();
    let (lsb, rms): (f64, f64) = (row[3].parse().unwrap(), row[5].parse().unwrap());
    near(Fixture::DESIGN.command_lsb().get(), lsb, 1e-15);
    let CommandTargets::Torque { gain, resolution, quantisation, .. } = targets(WINDER).command else {
        panic!()
    };
    near(resolution.get() / gain.get(), lsb, 1e-14);
    near(quantisation.get() / gain.get(), rms, 1e-14);
}

/// tests/reference/mechanics-examples.toml, [[acceleration]] (closed form): J, T, α and time from rest to 3000 rpm.
/// Friction can't be zero in a sheet: 0.0001 % of rated torque, and 0.0002 % allowed.
#[test]
fn acceleration_and_time_agree_with_the_mechanics_examples() {
    let path = format!("{}/../tests/reference/mechanics-examples.toml", env!("CARGO_MANIFEST_DIR"));
    let examples: toml::Table = toml::from_str(&std::fs::read_to_string(path).unwrap()).unwrap();
    let cases = examples["acceleration"].as_array().unwrap();
    assert_eq!(cases.len(), 2);
    for case in cases {
        let (inertia, torque) = (case["J_kg_m2"].as_float().unwrap(), case["T_N_m"].as_float().unwrap());
        let quoted = |key: &str| case[key].as_str().unwrap().parse::<f64>().unwrap();
        let (alpha, time) = (quoted("alpha_rad_s2"), quoted("time_0_to_3000_rpm_s"));
        let (before, rest) = WINDER.split_once("[disc]").unwrap();
        let (_, after) = rest.split_once("[encoder]").unwrap();
        let text = format!("{before}[encoder]{after}")
            .replace("square_metres = 1.9e-4", &format!("square_metres = {inertia:e}"))
            .replace("rated_torque_newton_metres = 3.2", &format!("rated_torque_newton_metres = {torque}"))
            .replace(
                "running_friction_percent_of_rated_torque = 2.0",
                "running_friction_percent_of_rated_torque = 1e-4",
            );
        let targets = targets(&text);
        let full = targets.level(Percent::new(100.0)).unwrap();
        near(full.acceleration.get(), alpha, 2e-6);
        let reach = full.reaches.iter().find(|reach| reach.speed.get() == 3000.0).unwrap();
        near(reach.time.get(), time, 2e-6);
    }
}

/// tests/reference/units-rotation.csv (exact definitions): 3000 rpm in rad/s, and its power row.
#[test]
fn energy_at_the_cap_agrees_with_the_units_table() {
    let rows: std::collections::HashMap<String, f64> = reference("units-rotation.csv")
        .records()
        .map(|row| row.map(|row| (row[0].to_owned(), row[1].parse().unwrap())).unwrap())
        .collect();
    let omega = rows["rad_per_s_at_3000_rpm"];
    near(Rpm::new(3000.0).to_rad_per_sec().get(), omega, 1e-15);
    let targets = targets(&WINDER.replace("[cap]\nrpm = 2000", "[cap]\nrpm = 3000"));
    near(targets.braking.from_cap.get(), 0.5 * 1.255_39e-3 * omega * omega, 1e-9);
}

/// Handbook geometry: of 90° electrical, floor(d)/d are left to the narrowest count.
#[test]
fn a_fractional_division_narrows_some_counts() {
    // R = 128·4N/100: d = 1.28 gives 90/1.28 = 70.3125°; d = 1.6 gives 56.25°; d = 4 leaves all of 90°.
    for (native, pulses, phase, whole) in
        [(32_000, 6250, 70.3125, false), (16_000, 2500, 56.25, false), (40_000, 2500, 90.0, true)]
    {
        let counts = PulsesPerRev::new(pulses).to_counts();
        let division = Division { native: NativePerRev::new(native), counts };
        near(division.narrowest_phase().get(), phase, 1e-12);
        assert_eq!(division.is_whole(), whole);
    }
}

#[test]
fn a_speed_sheet_has_rpm_per_volt_and_no_torque_levels() {
    let text = WINDER
        .replace("mode = \"torque\"", "mode = \"speed\"")
        .replace("pair_volts = 8.0", "pair_volts = 6.0")
        .replace("pair_percent_of_rated_torque = 100.0", "pair_rpm = 3000");
    let targets = targets(&text);
    let CommandTargets::Speed { gain, at_rated, at_cap, largest, .. } = targets.command else { panic!() };
    near(gain.get(), 500.0, 1e-12); // 3000 rpm / 6 V
    near(at_rated.get(), 6.0, 1e-12);
    near(at_cap.get(), 4.0, 1e-12);
    near(largest.get(), 5000.0, 1e-12);
    assert!(targets.levels.is_empty() && targets.torque_gain().is_none());
}

#[test]
fn overshoot_allowed_moves_the_trip_and_a_trip_above_the_maximum_is_refused() {
    let text = WINDER.replace("cap_percent = 2.0", "cap_percent = 2.0\ncap_overshoot_percent = 30.0");
    near(targets(&text).trip_speed.get(), 2600.0, 1e-12);
    let refused = targets(&WINDER.replace("[cap]\nrpm = 2000", "[cap]\nrpm = 4500"));
    assert!(finds(&refused, Severity::Refused, "motion"));
}

#[test]
fn a_shaft_that_is_not_free_is_refused() {
    for mounting in ["coupled", "vertical"] {
        let text = WINDER.replace("\"free_shaft\"", &format!("\"{mounting}\""));
        assert!(finds(&targets(&text), Severity::Refused, "motion"), "{mounting}");
    }
}

#[test]
fn a_read_out_scale_beyond_the_fixture_is_a_warning() {
    let text = WINDER.replace("volts_at_rated_torque = 3.0", "volts_at_rated_torque = 4.0");
    assert!(finds(&targets(&text), Severity::Warning, "torque read-out")); // 12 V at peak
    assert!(!finds(&targets(WINDER), Severity::Warning, "torque read-out")); // 9 V at peak
}

/// Closed forms: the film winder's read-out is known to 1 % (k = 2) and shows 0.9 V at 30 % (2.4 V), 1 mV of each; a display
/// of steps of 0.1 % at levels of 1, 2 and 4 times 6.6 % has u = 0.1/√24 over √(14/3 · 6.6²).
#[test]
fn what_read_out_and_display_state_is_weighed_against_their_tolerances_before_anything_moves() {
    let of = |targets: &Targets, quantity: &str| {
        targets.expected.iter().find(|e| e.quantity == quantity).map(|e| (e.expanded.get(), e.decidable()))
    };
    let winder = targets(WINDER);
    let (read_out, decidable) = of(&winder, "torque gain by read-out").unwrap();
    near(read_out, (1.0_f64 + (0.1_f64 / 2.4).powi(2) + (0.1_f64 / 0.9).powi(2)).sqrt(), 1e-9);
    assert!(decidable);
    let lowest = 6.6; //                                     2.2 x 3 % of breakaway
    let steps = 200.0 * (0.1 / 24.0_f64.sqrt()) / (lowest * (14.0_f64 / 3.0).sqrt());
    let (display, decidable) = of(&winder, "torque gain by display").unwrap();
    near(display, steps.hypot(0.1 / (4.0 * lowest / 12.5)), 1e-9);
    assert!(decidable);
    let narrow = targets(&WINDER.replace(
        "torque_gain_percent = 5.0",
        "torque_gain_percent = 5.0\ntorque_gain_read_out_percent = 0.9\ntorque_gain_display_percent = 0.2",
    ));
    for quantity in ["torque gain by read-out", "torque gain by display"] {
        assert!(finds(&narrow, Severity::NotCapable, quantity), "{quantity}");
    }
    assert!(!finds(&narrow, Severity::NotCapable, "torque gain by reversal"));
    // A display behind the limits is never read, and forecasts nothing.
    let behind = WINDER.replace("torque_shows = \"command\"", "torque_shows = \"actual\"");
    assert_eq!(of(&targets(&behind), "torque gain by display"), None);
}
