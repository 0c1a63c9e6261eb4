//! The parser against sheets spoiled on purpose: each fault has its kind, key, place and remedy.

use super::*;

const WINDER: &str = include_str!("../../sheets/film-winder.toml");
const ROTOR: &str = include_str!("../../sheets/bare-rotor.toml");

fn spoiled(from: &str, to: &str) -> Vec<Fault> {
    assert!(WINDER.contains(from), "the demonstration sheet has no {from:?}");
    match parse("s.toml", WINDER.replacen(from, to, 1).as_bytes()) {
        Ok(_) => panic!("{to:?} was taken"),
        Err(error) => error.faults().to_vec(),
    }
}

fn only(from: &str, to: &str, kind: FaultKind, key: &str) -> Fault {
    let faults = spoiled(from, to);
    assert_eq!(faults.len(), 1, "{faults:#?}");
    assert_eq!((faults[0].kind, faults[0].key.as_str()), (kind, key), "{faults:#?}");
    faults[0].clone()
}

#[test]
fn both_demonstration_sheets_are_taken_and_say_that_they_are_invented() {
    for text in [WINDER, ROTOR] {
        let sheet = parse("demo.toml", text.as_bytes()).unwrap_or_else(|error| panic!("{error}"));
        assert!(sheet.axis.invented);
    }
}

#[test]
fn values_arrive_in_the_units_their_keys_name() {
    let sheet = parse("demo.toml", WINDER.as_bytes()).unwrap();
    assert_eq!(sheet.enable.on_delay.to_millis(), 60.0);
    assert_eq!(sheet.encoder.controller_pulse_rate.unwrap().get(), 250_000.0);
    assert!((sheet.encoder.controller_edge.unwrap().get() - 500e-9).abs() < 1e-21);
    assert_eq!(sheet.encoder.pulses.to_counts().get(), 10_000);
    assert_eq!(sheet.motor.rated_speed.get(), 3000.0);
    assert_eq!(sheet.tolerances.torque_gain.basis, Basis::Sheet);
    assert_eq!(
        sheet.tolerances.linearity,
        Stated { value: proofstand_units::Percent::new(2.0), basis: Basis::CommonPractice }
    );
}

#[test]
fn a_disc_of_mass_and_radii_has_the_inertia_of_the_reference_table() {
    // tests/reference/mechanics-examples.toml, [[inertia]] disc_1kg_50mm, disc_2.5kg_200mm and ring (closed form).
    for (mass, outer, inner, expected) in
        [(1.0, 50.0, 0.0, 0.00125), (2.5, 200.0, 0.0, 0.05), (0.8, 60.0, 40.0, 0.00208)]
    {
        let text = WINDER
            .replace("mass_kilograms = 1.02", &format!("mass_kilograms = {mass:.2}"))
            .replace("outer_radius_millimetres = 45.0", &format!("outer_radius_millimetres = {outer:.2}"))
            .replace("inner_radius_millimetres = 8.0", &format!("inner_radius_millimetres = {inner:.2}"));
        let disc = parse("s.toml", text.as_bytes()).unwrap().disc.unwrap();
        assert!((disc.inertia.get() / expected - 1.0).abs() < 1e-14, "{mass} kg: {}", disc.inertia.get());
    }
}

#[test]
fn a_misspelt_key_is_one_fault_that_names_the_key_that_was_meant() {
    let fault = only(
        "rated_torque_newton_metres",
        "rated_torqe_newton_metres",
        FaultKind::Unknown,
        "motor.rated_torqe_newton_metres",
    );
    assert_eq!(fault.help.as_deref(), Some("nearest valid key: rated_torque_newton_metres"));
}

#[test]
fn an_abbreviated_unit_is_answered_with_the_spelled_one() {
    let fault =
        only("rated_torque_newton_metres", "rated_torque_nm", FaultKind::Unknown, "motor.rated_torque_nm");
    assert_eq!(fault.help.as_deref(), Some("nearest valid key: rated_torque_newton_metres"));
}

#[test]
fn a_key_in_the_wrong_table_is_sent_home() {
    let faults = spoiled("[cap]\n", "[cap]\nmounting = \"coupled\"\n");
    assert_eq!(faults[0].help.as_deref(), Some("mounting belongs in [bench]"));
}

#[test]
fn a_misspelt_table_names_the_nearest_one() {
    let faults = spoiled("[encoder]", "[encoders]");
    assert!(
        faults.iter().any(|fault| fault.help.as_deref() == Some("nearest valid table: [encoder]")),
        "{faults:#?}"
    );
}

#[test]
fn a_missing_key_is_put_at_the_header_of_its_table() {
    let fault = only("rated_rpm = 3000\n", "", FaultKind::Missing, "motor.rated_rpm");
    let (line, column) = line_and_column(WINDER, fault.span.start);
    assert_eq!(WINDER.lines().nth(line - 1), Some("[motor]"));
    assert_eq!(column, 2, "at the name in the brackets");
}

#[test]
fn a_missing_table_lists_what_it_needs() {
    let faults = spoiled(
        "[direction]\npositive_command_turns = \"counterclockwise\"\nseen_from = \"shaft_end\"\npositive_command_counts = \"up\"\n",
        "",
    );
    assert_eq!(faults.len(), 1);
    assert!(faults[0].help.as_deref().is_some_and(|help| help.contains("positive_command_turns")));
}

#[test]
fn every_sort_of_impossible_value_is_refused_at_its_key() {
    use FaultKind::{Contradiction, Missing, NotPossible, WrongType};
    for (from, to, kind, key) in [
        (
            "pulses_per_revolution = 2500",
            "pulses_per_revolution = 0",
            NotPossible,
            "encoder.pulses_per_revolution",
        ),
        (
            "pulses_per_revolution = 2500",
            "pulses_per_revolution = 40000",
            Contradiction,
            "encoder.pulses_per_revolution",
        ),
        (
            "pulses_per_revolution = 2500",
            "pulses_per_revolution = 2500.0",
            WrongType,
            "encoder.pulses_per_revolution",
        ),
        (
            "pulses_per_revolution = 2500",
            "pulses_per_revolution = 99999999999999999999",
            NotPossible,
            "encoder.pulses_per_revolution",
        ),
        ("rated_rpm = 3000", "rated_rpm = \"3000\"", WrongType, "motor.rated_rpm"),
        ("rated_rpm = 3000", "rated_rpm = nan", NotPossible, "motor.rated_rpm"),
        ("rated_rpm = 3000", "rated_rpm = inf", NotPossible, "motor.rated_rpm"),
        ("rated_rpm = 3000", "rated_rpm = 1e999", NotPossible, "motor.rated_rpm"),
        ("rated_rpm = 3000", "rated_rpm = 5001", Contradiction, "motor.maximum_rpm"),
        (
            "peak_torque_newton_metres = 9.6",
            "peak_torque_newton_metres = 3.1",
            Contradiction,
            "motor.peak_torque_newton_metres",
        ),
        (
            "square_metres = 1.9e-4",
            "square_metres = -1.9e-4",
            NotPossible,
            "motor.rotor_inertia_kilogram_square_metres",
        ),
        (
            "brake_resistor = true\nabsorbs_joules = 40.0",
            "brake_resistor = false",
            Missing,
            "bench.absorbs_joules",
        ),
        ("rpm = 2000", "rpm = 5001", Contradiction, "cap.rpm"),
        ("fixture_input = 1", "fixture_input = 0", Contradiction, "flag.fixture_input"),
        ("fixture_input = 1", "fixture_input = 8", NotPossible, "flag.fixture_input"),
        ("\"G3\"", "\"G1\"", Contradiction, "flag.terminal"),
        ("\"D0\"", "\"P1\"", Contradiction, "input.common_terminal"),
        ("\"can_enable\"", "\"torque_on\"", Contradiction, "flag.role"),
        ("\"can_enable\"", "\"can_enabled\"", NotPossible, "flag.role"),
        ("role = \"enable\"", "role = \"end_switch_positive\"", Contradiction, "input.role"),
        (
            "torque_gain_percent = 5.0",
            "torque_gain_percent = 0",
            NotPossible,
            "tolerances.torque_gain_percent",
        ),
        ("cap_percent = 2.0", "cap_percent = -2.0", NotPossible, "tolerances.cap_percent"),
        (
            "inner_radius_millimetres = 8.0",
            "inner_radius_millimetres = 45.0",
            Contradiction,
            "disc.inner_radius_millimetres",
        ),
        ("pair_volts = 8.0", "pair_volts = 10.0\npair_rpm = 3", Contradiction, "command.pair_rpm"),
        ("input_range_volts = 10.0", "input_range_volts = 5.0", Contradiction, "command.pair_volts"),
        (
            "running_friction_percent_of_rated_torque = 2.0",
            "running_friction_percent_of_rated_torque = 3.1",
            Contradiction,
            "motor.breakaway_percent_of_rated_torque",
        ),
        ("invented = true", "invented = 1", WrongType, "axis.invented"),
        ("title = \"Film winder, rewind spindle\"", "title = \" \"", NotPossible, "axis.title"),
        ("title = \"Film winder, rewind spindle\"", "title = \"\\u001b[2J\"", NotPossible, "axis.title"),
    ] {
        let faults = spoiled(from, to);
        assert!(faults.iter().any(|fault| fault.kind == kind && fault.key == key), "{to}: {faults:#?}");
    }
}

#[test]
fn all_faults_are_listed_at_once_in_the_order_of_the_text() {
    let text = WINDER
        .replace("rated_rpm = 3000", "rated_rpm = \"fast\"")
        .replace("pulses_per_revolution = 2500", "pulses_per_revolution = 0")
        .replace("[cap]\nrpm = 2000", "[cap]\nrpm = 9000")
        .replace("cap_percent", "cap_precent");
    let error = parse("s.toml", text.as_bytes()).unwrap_err();
    // The cap can't be compared with a motor that is not known; it is above the disc's 6000 rpm.
    let keys: Vec<_> = error.faults().iter().map(|fault| fault.key.as_str()).collect();
    assert_eq!(
        keys,
        ["motor.rated_rpm", "encoder.pulses_per_revolution", "cap.rpm", "tolerances.cap_precent"]
    );
}

#[test]
fn the_listing_has_file_line_column_key_reason_and_a_caret_under_the_value() {
    let text = WINDER.replace("rated_rpm = 3000", "rated_rpm = -3");
    let shown = parse("winder.toml", text.as_bytes()).unwrap_err().to_string();
    let line = 1 + text.lines().position(|line| line == "rated_rpm = -3").unwrap();
    let expected = format!(
        "winder.toml:{line}:13: motor.rated_rpm: must be above 0 and at most 100000\n  {line} | rated_rpm = -3\n     |             ^^\n     = rated_rpm: Rated speed\n"
    );
    assert!(shown.starts_with(&expected), "{shown}");
}

#[test]
fn two_syntax_errors_are_both_found_and_nothing_is_called_missing() {
    let text = WINDER.replace("rated_rpm = 3000", "rated_rpm = = 3").replace("rpm = 2000", "rpm 2000");
    let error = parse("s.toml", text.as_bytes()).unwrap_err();
    let count = |kind| error.faults().iter().filter(|fault| fault.kind == kind).count();
    assert!(count(FaultKind::Syntax) >= 2, "{error}");
    assert_eq!(count(FaultKind::Missing), 0, "{error}");
}

#[test]
fn a_file_that_is_no_sheet_is_told_apart_by_its_reason() {
    assert!(matches!(parse("s", b""), Err(SheetError::Empty { .. })));
    assert!(matches!(parse("s", b"\xEF\xBB\xBF \n\t"), Err(SheetError::Empty { .. })));
    assert!(matches!(
        parse("s", b"[axis]\nt\xFF"),
        Err(SheetError::NotUtf8 { line: 2, column: 2, byte: 0xFF, .. })
    ));
    assert!(matches!(parse("s", &vec![b'#'; SHEET_BYTES_MAX + 1]), Err(SheetError::TooLarge { .. })));
    assert!(matches!(read(Path::new("/nowhere/at/all.toml")), Err(SheetError::Unreadable { .. })));
}

#[test]
fn a_speed_sheet_asks_for_rpm_instead_of_percent() {
    let text = WINDER
        .replace("mode = \"torque\"", "mode = \"speed\"")
        .replace("pair_percent_of_rated_torque = 100.0", "pair_rpm = 3000");
    let sheet = parse("s.toml", text.as_bytes()).unwrap();
    assert!(!sheet.command.pair.is_torque());
}

#[test]
fn a_tolerance_left_out_depends_on_the_disc() {
    let without_disc: String = {
        let (before, rest) = WINDER.split_once("[disc]").unwrap();
        let (_, after) = rest.split_once("[encoder]").unwrap();
        format!("{before}[encoder]{after}")
    };
    for (text, expected) in [(WINDER.to_owned(), 5.0), (without_disc, 10.0)] {
        let text = text.replace("torque_gain_percent = 5.0\n", "");
        let gain = parse("s.toml", text.as_bytes()).unwrap().tolerances.torque_gain;
        assert_eq!((gain.value.get(), gain.basis), (expected, Basis::CommonPractice));
    }
}

const AUGER: &str = include_str!("../../sheets/batch-auger.toml");

#[test]
fn the_response_of_a_speed_loop_is_read_and_refused_where_nothing_could_show_it() {
    let sheet = parse("s.toml", AUGER.as_bytes()).unwrap_or_else(|error| panic!("{error}"));
    let constant = sheet.amplifier.speed_time_constant;
    assert!((constant.value.to_millis() - 5.0).abs() < 1e-12 && constant.basis == Basis::Sheet);
    assert_eq!(sheet.amplifier.speed_rise_time, None);
    assert!((sheet.tolerances.speed_overshoot.value.get() - 25.0).abs() < 1e-12);
    let key = "speed_time_constant_milliseconds = 5.0";
    let told = |text: String| match parse("s.toml", text.as_bytes()) {
        Ok(_) => panic!("{text} was taken"),
        Err(error) => error.to_string(),
    };
    let ramp = told(AUGER.replace(key, &format!("{key}\nramp_milliseconds_per_thousand_rpm = 300")));
    assert!(ramp.contains("speed_time_constant_milliseconds") && ramp.contains("300 ms"), "{ramp}");
    let torque = told(WINDER.replacen(
        "off_delay_milliseconds = 8.0",
        &format!("{key}\noff_delay_milliseconds = 8.0"),
        1,
    ));
    assert!(torque.contains("the mode is torque"), "{torque}");
    for wrong in ["speed_time_constant_milliseconds = 0", "speed_time_constant_milliseconds = nan"] {
        let text = told(AUGER.replace(key, wrong));
        assert!(text.contains("amplifier.speed_time_constant_milliseconds"), "{text}");
    }
    let misspelt = told(AUGER.replace("speed_overshoot_percent", "speed_overshot_percent"));
    assert!(misspelt.contains("speed_overshoot_percent"), "{misspelt}");
    let rise = told(AUGER.replace(key, &key.replace("time_constant", "rise_tme")));
    assert!(rise.contains("speed_rise_time_milliseconds"), "{rise}");
}

#[test]
fn a_flag_is_active_while_its_own_pair_is_in_the_state_that_the_sheet_says() {
    let sheet = parse("demo.toml", WINDER.as_bytes()).unwrap();
    for flag in &sheet.flags {
        let (own, others) = (1_u8 << flag.fixture_input, !(1_u8 << flag.fixture_input));
        let conducting = flag.active == Polarity::Conducting;
        for (inputs, conducts) in [(own, true), (0, false), (0xff, true), (others, false)] {
            assert_eq!(flag.is_active(inputs), conducts == conducting, "{:?}, {inputs:#010b}", flag.role);
        }
    }
    assert!(sheet.flags.iter().any(|f| f.active == Polarity::Open), "both polarities are in the sheet");
}
