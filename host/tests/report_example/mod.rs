//! An example of a run, rich enough to exercise every part of a report. Everything in it is invented: machine, customer,
//! numbers, findings. Curves come from formulas; no fixture and no simulation was asked.

use proofstand::record::model::*;

/// The example, as a rehearsal.
pub(crate) fn rehearsal() -> Run {
    Run {
        schema: RUN_SCHEMA.into(),
        kind: RunKind::Rehearsal,
        id: "film-winder-20260304-091244".into(),
        started: "2026-03-04T09:12:44+01:00".into(),
        finished: "2026-03-04T09:14:09+01:00".into(),
        axis: Axis {
            title: "Film winder, rewind spindle".into(),
            customer: "Larkspur Film Works (invented)".into(),
            sheet_file: "film-winder.toml".into(),
            sheet_crc32: "5d0c3f9a".into(),
            sheet_text: SHEET.into(),
            invented: true,
            identity: vec![
                fact("Amplifier", "invented type, serial number EX-0001, firmware 9.9"),
                fact("Motor", "invented type, 3.2 N·m, serial number EX-0002"),
                fact("Supply", "230 V, 50 Hz, one phase"),
                fact("Added disc", "1.02 kg, 90 mm outside, 16 mm bore"),
            ],
        },
        provenance: Provenance {
            software: "proofstand 0.1.0 (example)".into(),
            protocol: "1.0".into(),
            firmware: "0.1.0".into(),
            controller_serial: "e660583883724a31".into(),
            analog_serial: "00000000000000a7".into(),
            calibration: "calibrated 2026-01-12, due 2027-01-12".into(),
            calibration_valid: true,
            traceability: vec![
                fact(
                    "Voltages",
                    "to the meter \"invented meter\", stated accuracy ±(35 ppm of reading + 50 µV), by the fixture's calibration of \
                     2026-01-12, due 2027-01-12",
                ),
                fact("Times", "by the fixture's crystal, assumed: no traceability is claimed"),
            ],
            simulated: true,
            seed: Some(7),
            faults: vec!["gain-high".into(), "flag-slow".into()],
            warnings: vec!["The fixture's clock differs from the host's by 18 ppm.".into()],
        },
        rule: Some(AgreedRule::Guarded),
        acknowledged_by: Some("Kim Sander (invented)".into()),
        cautions: [
            "The shaft will turn. Guard it, or take everything off it; take the key out or hold it captive.",
            "Clamp the motor. Nothing is held by hand while it turns.",
            "A separate emergency stop that cuts the supply must be within reach. Opening enable is not removal of power \
             (IEC 60204-1).",
            "Before touching terminals: supply off, and wait the discharge time on the amplifier's label.",
            "Local codes and the maker's instructions come before anything said here.",
            "The fixture is a bench instrument, not a safety component.",
        ]
        .map(String::from)
        .to_vec(),
        outcome: Outcome {
            verdict: Verdict::Rejected,
            stopped: None,
            sentence: "The axis is not as the sheet asks: the command scale gives 8 % more torque per volt than stated, \
                       and the delay of the cap's flag could not be decided."
                .into(),
            accepted: 3,
            undecided: 1,
            rejected: 1,
            not_done: 1,
            took: Took { bench_seconds: 64.2, person_seconds: 9.5 },
            left_out: Vec::new(),
            measurement: false,
        },
        targets: targets(),
        checks: vec![nudge(), lines(), cap(), flag(), scale(), fast()],
        diagnoses: vec![
            Diagnosis {
                id: "gain-few-percent-high".into(),
                title: "The full-scale torque in the amplifier is set for another motor".into(),
                evidence: vec![
                    "command-scale.gain is 13.49 %/V where the sheet asks 12.50 %/V: a ratio of 1.079, the same at every level."
                        .into(),
                    "command-scale.offset and command-scale.linearity are accepted: neither wiring nor a limit explains it.".into(),
                ],
                remedy: "Read the amplifier's setting of rated torque against the motor's nameplate, correct it and run \
                         command-scale again."
                    .into(),
                rank: 1,
                not_told_apart: vec![
                    "Inertia 8 % below the sheet's value: the same check with the disc off and on tells them apart.".into(),
                ],
            },
            Diagnosis {
                id: "flag-delay-near-limit".into(),
                title: "The flag's filter time is as long as the limit".into(),
                evidence: vec!["cap-flag.delay is 19.7 ms with U = 0.9 ms against a limit of 20 ms.".into()],
                remedy: "Shorten the filter of that output by one step, or ask the customer for 25 ms.".into(),
                rank: 2,
                not_told_apart: vec![],
            },
        ],
        undo: vec![
            "Take the added disc off the shaft.".into(),
            "Set the amplifier's torque limit back from 40 % to the value in its settings table.".into(),
            "Remove the fixture's cable; connect the controller only after the command scale is accepted.".into(),
        ],
        undone: Vec::new(),
        follows: None,
    }
}

/// The same as if it had been made on a fixture.
pub(crate) fn acceptance() -> Run {
    let mut run = rehearsal();
    run.kind = RunKind::Acceptance;
    run.provenance.simulated = false;
    run.provenance.seed = None;
    run.provenance.faults.clear();
    run
}

fn fact(label: &str, value: &str) -> Fact {
    Fact { label: label.into(), value: value.into() }
}

fn targets() -> Vec<TargetRow> {
    [
        ("Gain", 12.5, "%/V", "percent of rated torque per volt: 100 % at 8 V"),
        ("Torque per volt", 0.4, "N·m/V", "rated torque 3.2 N·m"),
        ("Volts for peak torque", 24.0, "V", "above the fixture's 10 V: peak torque can't be asked for"),
        ("Smallest step of the command", 0.003_814_697, "%", "20 V in 65 536 steps"),
        ("Counts per revolution", 10_000.0, "counts", "2500 pulses, four counts to the pulse"),
        ("Pulse rate at the cap", 83_333.333_3, "Hz", "phase A at 2000 rpm"),
        ("Total inertia", 1.267_5e-3, "kg·m²", "rotor and disc"),
        ("Highest trip speed", 2400.0, "rpm", "1.2 times the cap"),
        ("Time to the cap at 10 %", 0.951, "s", "from rest, friction taken off"),
    ]
    .map(|(name, value, unit, note)| TargetRow {
        name: name.into(),
        value,
        unit: unit.into(),
        note: note.into(),
    })
    .to_vec()
}

fn check(id: &str, title: &str, shows: &str, verdict: Verdict) -> CheckRecord {
    CheckRecord {
        id: id.into(),
        title: title.into(),
        shows: shows.into(),
        verdict,
        not_done: None,
        results: vec![],
        plots: vec![],
        steps: vec![],
        notes: vec![],
        took: Took::default(),
    }
}

/// name, unit, [target, measured, U, lower, upper].
fn number(
    id: &str,
    name: &str,
    unit: &str,
    n: [Option<f64>; 5],
    verdict: Verdict,
    sentence: &str,
) -> ResultRow {
    ResultRow {
        id: id.into(),
        name: name.into(),
        unit: unit.into(),
        target: n[0],
        measured: n[1],
        measured_text: None,
        target_text: None,
        expanded_uncertainty: n[2],
        coverage_factor: n[2].map(|_| 2.0),
        lower_limit: n[3],
        upper_limit: n[4],
        verdict,
        sentence: sentence.into(),
        budget: vec![],
        statement: None,
        decision: None,
    }
}

fn words(id: &str, name: &str, target: &str, found: &str, verdict: Verdict, sentence: &str) -> ResultRow {
    let mut row = number(id, name, "", [None; 5], verdict, sentence);
    row.target_text = Some(target.into());
    row.measured_text = Some(found.into());
    row
}

/// Contributions from standard uncertainties; shares from their squares.
fn budget(rows: &[(&str, &str, &str, f64, Option<f64>)]) -> Vec<ContributionRow> {
    let sum: f64 = rows.iter().map(|r| r.3 * r.3).sum();
    rows.iter()
        .map(|(name, kind, distribution, u, degrees_of_freedom)| ContributionRow {
            name: (*name).into(),
            kind: (*kind).into(),
            distribution: (*distribution).into(),
            input_uncertainty: Some(*u),
            input_unit: String::new(),
            sensitivity: Some(1.0),
            standard_uncertainty: *u,
            degrees_of_freedom: *degrees_of_freedom,
            share_percent: 100.0 * u * u / sum,
        })
        .collect()
}

fn step(what: &str, ended: &str, start: f64, long: f64) -> StepRecord {
    let sample = |t: f64| (t * 1000.0).round() as u32;
    StepRecord {
        what: what.into(),
        ended: ended.into(),
        start_seconds: start,
        duration_seconds: long,
        first_sample: sample(start),
        last_sample: sample(start + long),
        samples_lost: 0,
        bursts: Vec::new(),
    }
}

fn nudge() -> CheckRecord {
    let mut c = check(
        "nudge",
        "Nudge",
        "The shaft turns the way the sheet says, phases A and B follow in order, and the index comes once a turn.",
        Verdict::Accepted,
    );
    c.results = vec![
        words(
            "nudge.direction",
            "Direction of the shaft",
            "counterclockwise",
            "counterclockwise",
            Verdict::Accepted,
            "A person saw the shaft turn counterclockwise on a positive command, as the sheet asks.",
        ),
        words(
            "nudge.phases",
            "Order of the phases",
            "up",
            "up",
            Verdict::Accepted,
            "Counts go up on a positive command.",
        ),
        number(
            "nudge.index",
            "Counts between index passes",
            "counts",
            [Some(10_000.0), Some(10_000.0), None, None, None],
            Verdict::Accepted,
            "Exactly what the sheet asks.",
        ),
    ];
    c.steps = vec![step("ramp from 0 % to 4 % of rated torque, forward", "after 1.2 turns", 2.104, 1.832)];
    c
}

fn lines() -> CheckRecord {
    let mut c = check(
        "line-count-slow",
        "Line count, slow",
        "Every revolution gives exactly the counts the sheet asks, in both directions, below 100 rpm.",
        Verdict::Accepted,
    );
    let turns = |name: &str| Series {
        name: name.into(),
        style: SeriesStyle::Points,
        points: (1..=20).map(|n| [f64::from(n), 10_000.0]).collect(),
        uncertainty: vec![],
    };
    for (id, name) in [("forward", "forward"), ("reverse", "reverse")] {
        c.results.push(number(
            &format!("line-count-slow.{id}"),
            &format!("Counts per revolution, {name}"),
            "counts",
            [Some(10_000.0), Some(10_000.0), None, Some(10_000.0), Some(10_000.0)],
            Verdict::Accepted,
            "20 of 20 revolutions exact; at most 15 % of revolutions can be wrong (95 %).",
        ));
    }
    c.plots = vec![Plot {
        id: "line-count-slow-counts".into(),
        title: "Counts in each revolution (invented)".into(),
        description:
            "Every counted revolution as a point, against the exact target of 10 000 counts per revolution."
                .into(),
        x: PlotAxis { label: "Revolution".into(), unit: String::new() },
        panels: vec![Panel {
            y: PlotAxis { label: "Counts per revolution".into(), unit: "counts".into() },
            series: vec![turns("80 rpm, counterclockwise"), turns("80 rpm, clockwise")],
            bands: vec![],
            marks: vec![Mark { name: "target 10000".into(), y: 10_000.0 }],
        }],
        lanes: vec![],
    }];
    c.notes = vec!["The index is 4 counts wide: forward and reverse meet different edges of it.".into()];
    c.steps = vec![
        step("held at 80 rpm, forward", "after 20 index passes", 6.010, 15.450),
        step("held at 80 rpm, reverse", "after 20 index passes", 22.020, 15.461),
    ];
    c
}

/// A reproducible scatter in -1..1.
fn scatter(n: u32) -> f64 {
    let mixed = n.wrapping_mul(2_654_435_761) ^ 0x9e37_79b9;
    f64::from(mixed.rotate_left(13).wrapping_mul(2_246_822_519) >> 8) / f64::from(1 << 23) - 1.0
}

fn rounded(v: f64, to: f64) -> f64 {
    (v * to).round() / to
}

/// Run-up at constant torque, overshoot, held speed, run-down.
fn speed(t: f64) -> f64 {
    let rise = 2230.0 * t;
    let reached = 0.906;
    let held = |t: f64| 2004.0 + 96.0 * (-(t - reached) * 9.0).exp() * ((t - reached) * 24.0).sin();
    let fall = 2.6;
    if t < reached {
        rise * (1.0 - 0.01 * t)
    } else if t < fall {
        held(t)
    } else {
        (held(fall) - 620.0 * (t - fall)).max(0.0)
    }
}

fn cap() -> CheckRecord {
    let mut c = check(
        "speed-cap",
        "Speed cap",
        "The amplifier holds the speed at the cap, in both directions and at every level, without much overshoot.",
        Verdict::Accepted,
    );
    for (id, name, measured) in [("forward", "counterclockwise", 2004.1), ("reverse", "clockwise", 1998.7)] {
        let mut row = number(
            &format!("speed-cap.held-{id}"),
            &format!("Held speed, {name}"),
            "rpm",
            [Some(2000.0), Some(measured), Some(2.3), Some(1960.0), Some(2040.0)],
            Verdict::Accepted,
            "Inside its limits by more than its uncertainty.",
        );
        row.budget = budget(&[
            ("scatter of the held speed", "A", "normal", 1.12, Some(29.0)),
            ("clock of the fixture", "B", "rectangular", 0.2, None),
            ("quantisation by counts", "B", "triangular", 0.03, None),
        ]);
        c.results.push(row);
    }
    c.results.push(number(
        "speed-cap.overshoot",
        "Overshoot",
        "%",
        [None, Some(3.31), Some(0.24), None, Some(20.0)],
        Verdict::Accepted,
        "Below the limit by more than its uncertainty; noise makes a maximum look larger, not smaller.",
    ));
    c.results.push(number(
        "speed-cap.ripple",
        "Ripple, peak to peak",
        "%",
        [None, Some(0.42), Some(0.11), None, Some(3.0)],
        Verdict::Accepted,
        "Below the limit by more than its uncertainty.",
    ));
    c.steps = vec![
        step("10 % of rated torque, forward, until the cap holds", "after 2.6 s", 41.200, 3.400),
        step("10 % of rated torque, reverse, until the cap holds", "after 2.6 s", 46.100, 3.400),
    ];
    c
}

fn flag() -> CheckRecord {
    let mut c = check(
        "cap-flag",
        "Flag of the cap",
        "While the speed is held down, the flag on terminals G1 and G2 conducts, soon and without chatter.",
        Verdict::Undecided,
    );
    c.results = vec![
        words(
            "cap-flag.idle",
            "Before the cap",
            "open",
            "open",
            Verdict::Accepted,
            "The flag is idle below the cap.",
        ),
        number(
            "cap-flag.delay",
            "Delay from 98 % of the cap",
            "ms",
            [None, Some(19.73), Some(0.92), None, Some(20.0)],
            Verdict::Undecided,
            "Within its uncertainty of the limit; the largest contribution is the time at which the speed crosses 98 %.",
        ),
        number(
            "cap-flag.chatter",
            "Edges beyond the first",
            "",
            [Some(0.0), Some(0.0), None, None, Some(1.0)],
            Verdict::Accepted,
            "None seen.",
        ),
    ];
    c.results[1].budget = budget(&[
        ("crossing of 98 % of the cap", "A", "normal", 0.44, Some(7.0)),
        ("tick of the fixture", "B", "rectangular", 0.12, None),
        ("coupler's asymmetry", "B", "rectangular", 0.02, None),
    ]);
    let points = (0..1700)
        .map(|n| {
            let t = f64::from(n) * 0.002;
            [
                rounded(t, 1000.0),
                rounded(
                    speed(t) + 3.0 * scatter(n) + 2.5 * (t * 70.0).sin() * f64::from(u8::from(t > 0.9)),
                    10.0,
                ),
            ]
        })
        .collect();
    c.plots = vec![Plot {
        id: "cap-flag-speed".into(),
        title: "Speed and the cap's flag (invented)".into(),
        description: "Speed over time during the run-up, against the cap of 2000 rpm with its tolerance of ±40 rpm; \
                      beneath, the flag, which begins to conduct 19.7 ms after the speed passes 98 % of the cap."
            .into(),
        x: PlotAxis { label: "Time".into(), unit: "s".into() },
        panels: vec![Panel {
            y: PlotAxis { label: "Speed".into(), unit: "rpm".into() },
            series: vec![Series { name: "speed from counts".into(), style: SeriesStyle::Line, points, uncertainty: vec![] }],
            bands: vec![Band {
                name: "tolerance of the cap".into(),
                points: vec![[0.0, 1960.0, 2040.0], [3.398, 1960.0, 2040.0]],
            }],
            marks: vec![
                Mark { name: "cap".into(), y: 2000.0 },
                Mark { name: "98 % of the cap".into(), y: 1960.0 },
                Mark { name: "trip".into(), y: 2400.0 },
            ],
        }],
        lanes: vec![
            Lane {
                name: "holding speed down, terminal G1".into(),
                initial: false,
                changes: vec![0.9068, 2.664],
                high_label: "conducting".into(),
                low_label: "open".into(),
            },
            Lane {
                name: "torque on, terminal G5".into(),
                initial: true,
                changes: vec![],
                high_label: "conducting".into(),
                low_label: "open".into(),
            },
        ],
    }];
    c.notes = vec!["The delay is counted at the terminal; the coupler's own delays are taken off.".into()];
    c.steps = vec![step("10 % of rated torque, forward, then 1 %", "speed below 100 rpm", 51.300, 6.120)];
    c
}

fn scale() -> CheckRecord {
    let mut c = check(
        "command-scale",
        "Command scale by reversal",
        "So many volts give so many percent of rated torque: gain, offset and linearity from accelerations at the same \
         speed, free of friction.",
        Verdict::Rejected,
    );
    let (target, gain, offset) = (12.5, 13.49, 0.06);
    c.results = vec![
        number(
            "command-scale.gain",
            "Gain",
            "%/V",
            [Some(12.5), Some(13.487), Some(0.172), Some(11.875), Some(13.125)],
            Verdict::Rejected,
            "Above the upper limit by more than its uncertainty.",
        ),
        number(
            "command-scale.offset",
            "Offset",
            "% of rated",
            [Some(0.0), Some(-0.058), Some(0.11), Some(-1.0), Some(1.0)],
            Verdict::Accepted,
            "Inside its limits by more than its uncertainty; holds only if friction is the same both ways.",
        ),
        number(
            "command-scale.linearity",
            "Largest deviation from the line",
            "%",
            [Some(0.0), Some(0.31), Some(0.19), None, Some(2.0)],
            Verdict::Accepted,
            "Inside its limit by more than its uncertainty.",
        ),
    ];
    c.results[0].budget = budget(&[
        ("inertia of rotor and disc", "B", "normal", 0.081, None),
        ("scatter of accelerations", "A", "normal", 0.026, Some(14.0)),
        ("calibration of the command", "B", "normal", 0.009, None),
        ("temperature of the magnets", "B", "rectangular", 0.008, None),
        ("clock of the fixture", "B", "rectangular", 0.000_4, None),
    ]);
    let levels = [-2.4, -1.6, -0.8, -0.4, 0.4, 0.8, 1.6, 2.4];
    let measured: Vec<[f64; 2]> = levels
        .iter()
        .enumerate()
        .map(|(n, v)| [*v, rounded(gain * v + offset + 0.11 * scatter(n as u32 * 7 + 3), 1000.0)])
        .collect();
    let uncertainty: Vec<f64> = levels.iter().map(|v: &f64| rounded(0.12 + 0.09 * v.abs(), 1000.0)).collect();
    let line = |k: f64, b: f64| vec![[-2.6, k * -2.6 + b], [2.6, k * 2.6 + b]];
    let points =
        |name: &str, style, points, uncertainty| Series { name: name.into(), style, points, uncertainty };
    let band = |k: f64| Band {
        name: "tolerance ±5 %".into(),
        points: [-2.6, -1.3, 0.0, 1.3, 2.6]
            .map(|v: f64| [v, k * v - 0.625 * v.abs(), k * v + 0.625 * v.abs()])
            .to_vec(),
    };
    c.plots = vec![Plot {
        id: "command-scale-torque".into(),
        title: "Torque against command (invented)".into(),
        description: "Torque in percent of rated torque against the command in volts at four levels of either sign, with \
                      the target of 12.5 %/V and its tolerance; beneath, the torque less the target. The measured points \
                      leave the tolerance on both sides."
            .into(),
        x: PlotAxis { label: "Command".into(), unit: "V".into() },
        panels: vec![
            Panel {
                y: PlotAxis { label: "Torque".into(), unit: "% of rated".into() },
                series: vec![
                    points("measured, U (k = 2)", SeriesStyle::Points, measured.clone(), uncertainty.clone()),
                    points("target", SeriesStyle::Dashed, line(target, 0.0), vec![]),
                    points("fitted line", SeriesStyle::Line, line(gain, offset), vec![]),
                ],
                bands: vec![band(target)],
                marks: vec![],
            },
            Panel {
                y: PlotAxis { label: "Torque less target".into(), unit: "% of rated".into() },
                series: vec![
                    points(
                        "measured less target",
                        SeriesStyle::Points,
                        measured.iter().map(|p| [p[0], rounded(p[1] - target * p[0], 1000.0)]).collect(),
                        uncertainty,
                    ),
                    points("fitted line less target", SeriesStyle::Line, line(gain - target, offset), vec![]),
                ],
                bands: vec![band(0.0)],
                marks: vec![],
            },
        ],
        lanes: vec![],
    }];
    c.notes = vec![
        "Evaluated at 1200 rpm, 60 % of the cap: nearer to it the amplifier's limiter takes torque away."
            .into(),
        "The smallest disagreement with the torque read-out that could be seen is 1.9 % of rated torque."
            .into(),
    ];
    c.steps = [5, 10, 20, 30]
        .iter()
        .enumerate()
        .map(|(n, level)| {
            step(
                &format!("reversals between ±1400 rpm at {level} % of rated torque"),
                "after 4 reversals",
                58.0 + 6.0 * n as f64,
                22.0 / f64::from(*level),
            )
        })
        .collect();
    c
}

fn fast() -> CheckRecord {
    let mut c = check(
        "line-count-fast",
        "Line count, fast",
        "Every revolution gives exactly the counts the sheet asks, up to the cap.",
        Verdict::NotDone,
    );
    c.not_done = Some(NotDone {
        why: "The command scale was rejected; nothing runs at full speed on a scale that is not the sheet's."
            .into(),
        would_allow: "Correct the command scale and run the acceptance again.".into(),
        shown_also_by: None,
    });
    c
}

const SHEET: &str = r#"# Excerpt of an axis sheet. Machine, customer, motor and amplifier are invented; none of it exists.
# A pulse is one full cycle of phase A; a count is one quadrature edge, four to the pulse.

[axis]
title = "Film winder, rewind spindle"
customer = "Larkspur Film Works (invented)"
invented = true

[command]
mode = "torque"
pair_volts = 8.0
pair_percent_of_rated_torque = 100.0

[motor]
rated_torque_newton_metres = 3.2
rated_rpm = 3000
maximum_rpm = 5000
rotor_inertia_kilogram_square_metres = 1.9e-4
rotor_inertia_uncertainty_percent = 4.0

[encoder]
pulses_per_revolution = 2500
native_positions_per_revolution = 131072

[direction]
positive_command_turns = "counterclockwise"
seen_from = "shaft_end"

[cap]
rpm = 2000

[[flag]]
role = "holding_speed_down"
terminal = "G1"
common_terminal = "G2"
active = "conducting"

[tolerances]
torque_gain_percent = 5.0
cap_percent = 2.0
cap_flag_delay_milliseconds = 20.0
"#;
