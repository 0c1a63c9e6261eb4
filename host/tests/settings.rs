//! `proofstand settings` as a technician and a script meet it, and its tables held against outside checks.

#![expect(clippy::unwrap_used, clippy::panic, reason = "a test may stop")]

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use assert_cmd::Command;
use predicates::prelude::*;
use proofstand::settings::{Comparison, Expectation, Finding, Fit, Table, Worksheet, expectations};
use proofstand::sheet::{AxisSheet, DecimalSign, TableLayout, TextEncoding, parse};
use proptest::prelude::*;

const WINDER: &str = include_str!("../sheets/settings/film-winder.toml");

fn proofstand() -> Command {
    let mut command = Command::cargo_bin("proofstand").unwrap();
    command.current_dir(Path::new(env!("CARGO_MANIFEST_DIR")));
    command
}

fn sheet(text: &str) -> AxisSheet {
    parse("s.toml", text.as_bytes()).unwrap_or_else(|error| panic!("{error}"))
}

fn layout(decimal: DecimalSign) -> TableLayout {
    TableLayout {
        number_column: Some("no".to_owned()),
        name_column: None,
        value_column: "value".to_owned(),
        unit_column: None,
        delimiter: None,
        decimal,
        encoding: TextEncoding::Utf8,
    }
}

fn table(text: &str, decimal: DecimalSign) -> Table {
    Table::parse("t.csv", text.as_bytes(), &layout(decimal)).unwrap_or_else(|error| panic!("{error}"))
}

fn refusal(text: &str, decimal: DecimalSign) -> String {
    Table::parse("t.csv", text.as_bytes(), &layout(decimal)).unwrap_err().to_string()
}

const DEMO: [&str; 3] = [
    "sheets/settings/film-winder.toml",
    "sheets/settings/film-winder-before.csv",
    "sheets/settings/film-winder-after.csv",
];

#[test]
fn the_demonstration_comparison_reads_as_written_here() {
    let out = proofstand().args(["settings", "compare"]).args(DEMO).assert().code(1);
    let expected = "\
Film winder, rewind spindle, with its settings
Larkspur Film Works (invented)
INVENTED DATA: a demonstration, no real axis
Sheet: sheets/settings/film-winder.toml

before  sheets/settings/film-winder-before.csv
after   sheets/settings/film-winder-after.csv

CHANGED, AND NOBODY EXPECTED IT (1)
  V-60  Gandel: 0,80 → 1,60   (lines 13, 13)

DISAPPEARED (1)
  V-77  Altval: 3 → (not there)   (lines 15, -)

NEW, AND NOBODY EXPECTED IT (1)
  V-78  Neuval: (not there) → 1   (lines -, 15)

EXPECTED TO CHANGE, BUT DID NOT (1)
  V-31  Pirvel: 2048 Takte → 2048 Takte   (lines 8, 8)
      expected 2500 pulses/rev: follows from the pulses per revolution

changed as expected (4)
  V-07  Tarnung: speed → torque   (lines 4, 4)
      expected torque: the web controller commands torque
  V-11  Ostrel: 10,00 V → 8,00 V   (lines 5, 5)
      expected 8,00 V at rated torque: follows from the torque gain of the command
  V-23  Kessum: 120,0 % → 66,5 %   (lines 7, 7)
      expected 66,5 % of rated speed: follows from the speed cap
  V-50  Wehrun: obeyed → ignored   (lines 11, 11)
      expected ignored: the travel switches of the dancer roller go to the controller

as expected, and so before (1)
  V-42  Lenz groß: 2,00 V → 2,00 V   (lines 9, 9)
      expected 2,00 V per 1000 rpm: follows from the scale of the speed read-out

unchanged: 3
sheets/settings/film-winder-before.csv: lines without columns, taken for titles: 3, 10
sheets/settings/film-winder-after.csv: lines without columns, taken for titles: 3, 10
SOMETHING UNEXPECTED OR MISSING.
";
    assert_eq!(String::from_utf8_lossy(&out.get_output().stdout), expected);
}

#[test]
fn what_was_wanted_and_nothing_else_is_exit_0() {
    proofstand()
        .args(["settings", "compare"])
        .args([DEMO[0], DEMO[1], "sheets/settings/film-winder-after-clean.csv"])
        .assert()
        .code(0)
        .stdout(predicate::str::ends_with("Nothing unexpected, nothing missing.\n"));
}

#[test]
fn the_json_says_the_same_to_a_script() {
    let out = proofstand().args(["settings", "compare", "--json"]).args(DEMO).assert().code(1);
    let json: serde_json::Value = serde_json::from_slice(&out.get_output().stdout).unwrap();
    let finding = |key: &str| {
        let changes = json["changes"].as_array().unwrap();
        changes.iter().find(|change| change["key"] == key).unwrap()["finding"].clone()
    };
    assert_eq!(finding("V-60"), "unexpected");
    assert_eq!(finding("V-77"), "disappeared");
    assert_eq!(finding("V-78"), "new");
    assert_eq!(finding("V-31"), "not_changed");
    assert_eq!(finding("V-11"), "as_expected");
    assert_eq!(json["unchanged"], 3);
}

#[test]
fn every_way_a_setting_can_come_out_has_its_finding() {
    let before = table("no;value\na;1\nb;1\nc;1\nd;1\ne;1\nf;1\ng;1\nh;x\n", DecimalSign::Point);
    let after = table("no;value\na;2\nb;2\nc;1.0\nd;3\ne;1\nf;1.00\ni;1\nj;5\nh;x\n", DecimalSign::Point);
    let expected: BTreeMap<_, _> = [("b", "2"), ("c", "1"), ("d", "2"), ("e", "2"), ("j", "5.0"), ("k", "1")]
        .map(|(key, value)| (key.to_owned(), Expectation::new(value, "")))
        .into();
    let comparison = Comparison::of(&before, &after, &expected);
    let found: BTreeMap<_, _> =
        comparison.changes.iter().map(|change| (change.key.as_str(), change.finding)).collect();
    let wanted: BTreeMap<_, _> = [
        ("a", Finding::Unexpected),
        ("b", Finding::AsExpected),
        ("c", Finding::AlreadySo),
        ("d", Finding::ChangedOtherwise),
        ("e", Finding::NotChanged),
        ("g", Finding::Disappeared),
        ("i", Finding::New),
        ("j", Finding::AsExpected),
        ("k", Finding::Absent),
    ]
    .into();
    assert_eq!(found, wanted);
    // f (1 and 1.00) and h (x and x).
    assert_eq!(comparison.unchanged, 2);
    assert!(!comparison.clean());
}

#[test]
fn the_same_number_in_another_unit_is_a_change_and_never_as_expected() {
    let layout = TableLayout { unit_column: Some("unit".to_owned()), ..layout(DecimalSign::Point) };
    let read = |text: &str| Table::parse("t.csv", text.as_bytes(), &layout).unwrap();
    let (before, after) = (read("no;value;unit\na;5;ms\n"), read("no;value;unit\na;5;s\n"));
    assert_eq!(Comparison::of(&before, &after, &BTreeMap::new()).changes[0].finding, Finding::Unexpected);
    let expected = [("a".to_owned(), Expectation::new("5", ""))].into();
    assert_eq!(Comparison::of(&before, &after, &expected).changes[0].finding, Finding::ChangedOtherwise);
}

/// 8,00 mV is no 8 V, also where it was so before.
#[test]
fn a_value_in_another_unit_than_the_sheets_is_never_as_expected() {
    let folder = tempfile::tempdir().unwrap();
    let bytes = |text: &str| text.chars().map(|c| u8::try_from(u32::from(c)).unwrap()).collect::<Vec<_>>();
    let clean = text_of("sheets/settings/film-winder-after-clean.csv");
    for (wrong, unit, form) in [
        ("V-11;Ostrel;8,00;mV", "mV", "V at rated torque"),
        ("V-11;Ostrel;8,00;%", "%", "V at rated torque"),
        ("V-11;Ostrel;8,00;0.01 V", "0.01 V", "V at rated torque"),
    ] {
        let after = clean.replace("V-11;Ostrel;8,00;V", wrong);
        assert_ne!(after, clean);
        let [before, after] = files(&folder, &bytes(&after), &bytes(&after));
        let mut command = proofstand();
        command.args(["settings", "compare", DEMO[0]]).arg(before).arg(after).env("COLUMNS", "120");
        command
            .assert()
            .code(1)
            .stdout(predicate::str::contains("EXPECTED TO CHANGE, BUT DID NOT (1)"))
            .stdout(predicate::str::contains(format!(
                "the table gives it in {unit}, and the sheet in {form}"
            )));
    }
}

#[test]
fn a_number_with_the_other_decimal_sign_is_told_and_expectations_are_in_the_tables_sign() {
    let folder = tempfile::tempdir().unwrap();
    let bytes = |text: &str| text.chars().map(|c| u8::try_from(u32::from(c)).unwrap()).collect::<Vec<_>>();
    let clean = text_of("sheets/settings/film-winder-after-clean.csv");
    let [_, point] = files(&folder, b"", &bytes(&clean.replace("8,00;V", "8.00;V")));
    let hint = |value: &str| {
        format!("! \"{value}\" is a number with the other decimal sign: is `decimal` in [settings] right?")
    };
    let compare = |sheet: &Path, after: &Path| {
        let mut command = proofstand();
        command.args(["settings", "compare"]).arg(sheet).arg(DEMO[1]).arg(after).env("COLUMNS", "120");
        String::from_utf8(command.assert().code(1).get_output().stdout.clone()).unwrap()
    };
    let said = compare(Path::new(DEMO[0]), &point);
    let (_, otherwise) = said.split_once("CHANGED, BUT NOT TO WHAT WAS EXPECTED (1)").unwrap();
    assert!(otherwise.contains("10,00 V → 8.00 V") && otherwise.contains(&hint("8.00")), "{said}");
    assert!(otherwise.contains("expected 8,00 V at rated torque: follows"), "{said}");

    // The sheet's own mistake: every number of the table has the other sign.
    let axis = folder.path().join("axis.toml");
    std::fs::write(&axis, WINDER.replace("decimal = \"comma\"", "decimal = \"point\"")).unwrap();
    let said = compare(&axis, Path::new("sheets/settings/film-winder-after-clean.csv"));
    let (_, after) = said.split_once("0,000 V → 0,0 V").unwrap();
    assert!(after.trim_start_matches(|c| c != '!').starts_with(&hint("0,0")), "{said}");
    assert!(said.contains("expected 8.00 V at rated torque"), "{said}");
    // Whole numbers are the same in both, and texts are none.
    assert!(!said.contains(&hint("2500")) && !said.contains(&hint("torque")), "{said}");
}

#[test]
fn what_is_in_neither_table_is_said_so_and_a_key_that_differs_in_its_letters_is_named() {
    let folder = tempfile::tempdir().unwrap();
    let bytes = |text: &str| text.chars().map(|c| u8::try_from(u32::from(c)).unwrap()).collect::<Vec<_>>();
    let lower =
        |file: &str| bytes(&text_of(file).replace("V-11", "v-11").replace("V-31;Pirvel", "W-31;Pirvel"));
    let [before, after] =
        files(&folder, &lower(DEMO[1]), &lower("sheets/settings/film-winder-after-clean.csv"));
    let mut command = proofstand();
    command.args(["settings", "compare", DEMO[0]]).arg(before).arg(after).env("COLUMNS", "120");
    let said = String::from_utf8(command.assert().code(1).get_output().stdout.clone()).unwrap();
    assert!(
        said.contains("  V-11: in neither table\n") && said.contains("  V-31: in neither table\n"),
        "{said}"
    );
    assert!(!said.contains("(not there) →"), "{said}");
    let hint = "! there is \"v-11\" too: keys are the same only letter by letter";
    assert_eq!(said.matches("keys are the same only letter by letter").count(), 1, "{said}");
    assert!(said.contains(hint), "{said}");
}

/// A page that is printed and lies about says whose it is, and that the demonstration is none.
#[test]
fn worksheet_and_comparison_name_the_axis_and_say_that_the_data_are_invented() {
    for verb in [&["worksheet", DEMO[0]][..], &["compare", DEMO[0], DEMO[1], DEMO[2]]] {
        let run = |more: &[&str]| {
            let out = proofstand().arg("settings").args(verb).args(more).output().unwrap();
            String::from_utf8(out.stdout).unwrap()
        };
        let head =
            "Film winder, rewind spindle, with its settings\nLarkspur Film Works (invented)\nINVENTED DATA";
        let text = run(&[]);
        assert!(
            text.starts_with(head) && text.contains("\nSheet: sheets/settings/film-winder.toml\n"),
            "{text}"
        );
        let json: serde_json::Value = serde_json::from_str(&run(&["--json"])).unwrap();
        assert_eq!(json["axis"]["invented"], true);
        assert_eq!(json["axis"]["sheet"], DEMO[0]);
    }
    let real = WINDER.replace("invented = true", "invented = false");
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("axis.toml"), real).unwrap();
    let out =
        proofstand().args(["settings", "worksheet"]).arg(folder.path().join("axis.toml")).output().unwrap();
    assert!(!String::from_utf8(out.stdout).unwrap().contains("INVENTED DATA"));
}

#[test]
fn bad_tables_are_refused_with_file_line_and_column() {
    for (text, decimal, start, why) in [
        ("no;value\na;1,234\n", DecimalSign::Point, "t.csv:2:3:", "ambiguous"),
        ("no;value\na;1.234\n", DecimalSign::Comma, "t.csv:2:3:", "ambiguous"),
        ("no;value\na;12 345\n", DecimalSign::Point, "t.csv:2:3:", "ambiguous"),
        ("no;value\na;1\na;2\n", DecimalSign::Point, "t.csv:3:1:", "given twice, first in line 2"),
        ("no;value\n;1\n", DecimalSign::Point, "t.csv:2:1:", "without a number or name"),
        ("x;no;value\nx;a\n", DecimalSign::Point, "t.csv:2:3:", "ends after 2 columns"),
        ("no;valeu\na;1\n", DecimalSign::Point, "t.csv:1:1:", "missing here: \"value\""),
        ("no;value;value\na;1;2\n", DecimalSign::Point, "t.csv:1:10:", "two columns have the heading"),
        ("no;value\na;\"1\n", DecimalSign::Point, "t.csv:2:3:", "never closed"),
        ("no;value\na;1\"\n", DecimalSign::Point, "t.csv:2:4:", "a quote inside a field"),
        ("no;value\n", DecimalSign::Point, "t.csv:1:1:", "no setting below the headings"),
        ("", DecimalSign::Point, "t.csv:1:1:", "missing here"),
    ] {
        let shown = refusal(text, decimal);
        assert!(shown.starts_with(start) && shown.contains(why), "{text:?}: {shown}");
    }
}

#[test]
fn any_of_the_three_delimiters_and_any_preamble_is_found_by_the_headings() {
    for text in [
        "Tool, 1.0; x\nno;value\na;1\n",
        "\"sep\"\nno,value\na,1\n",
        "no\tvalue\r\na\t1\r\n",
        "no,value\ra,1\r",
    ] {
        assert_eq!(table(text, DecimalSign::Point).get("a").unwrap().value, "1", "{text:?}");
    }
}

#[test]
fn the_same_table_in_any_encoding_is_the_same_table() {
    let text = "no;value\nÄé;1,5\n";
    let of = |bytes: &[u8], encoding| {
        Table::parse("t.csv", bytes, &TableLayout { encoding, ..layout(DecimalSign::Comma) }).unwrap()
    };
    let utf8 = of(text.as_bytes(), TextEncoding::Utf8);
    let utf16: Vec<u8> = text.encode_utf16().flat_map(u16::to_le_bytes).collect();
    assert_eq!(of(&utf16, TextEncoding::Utf16Le), utf8);
    let marked: Vec<u8> =
        [0xFE, 0xFF].into_iter().chain(text.encode_utf16().flat_map(u16::to_be_bytes)).collect();
    assert_eq!(of(&marked, TextEncoding::Windows1252), utf8);
    // Ä and é have the same code in Latin-1, Unicode and windows-1252.
    let latin: Vec<u8> = text.chars().map(|c| u8::try_from(u32::from(c)).unwrap()).collect();
    assert_eq!(of(&latin, TextEncoding::Windows1252), utf8);
}

/// Worked by hand from the sheet: 8 V ask for 100 %, so 12.5 %/V, so 8.00 V at rated torque. 2000 of 3000 rpm is
/// 66.667 %; in steps of 0.5 % at most 66.5 %, which is 1995 rpm: 5 rpm of the ± 40 rpm (2 %) allowed, 12.5 %.
#[test]
fn the_worksheet_of_the_demonstration_is_what_a_pencil_finds() {
    let worksheet = Worksheet::of(&sheet(WINDER));
    let row = |key: &str| worksheet.rows.iter().find(|row| row.key.as_deref() == Some(key)).unwrap();
    assert_eq!(row("V-11").entry.as_deref(), Some("8.00"));
    assert_eq!(row("V-11").cost.unwrap().value, 0.0);
    let cap = row("V-23");
    assert_eq!(cap.entry.as_deref(), Some("66.5"));
    assert!((cap.becomes.unwrap().value - 1995.0).abs() < 1e-9);
    assert!((cap.cost.unwrap().value + 5.0).abs() < 1e-9);
    assert!((cap.share_percent.unwrap() - 12.5).abs() < 1e-9);
    assert_eq!(row("V-31").entry.as_deref(), Some("2500"));
    assert!(worksheet.fits());
    assert!(worksheet.rows.iter().any(|row| row.fit == Fit::NoSetting));
}

/// 8 V for 100 % of 3.2 N·m is 0.4 N·m/V; in steps of 0.3 that is 1.333, so 1 step, 0.3 N·m/V, 9.375 %/V: 3.125 %/V
/// too low, where ± 5 % of 12.5 %/V, 0.625 %/V, is allowed: 500 %. 2500 pulses are 10 000 counts; in steps of 96 that
/// is 104.17, so 104 steps, 9984 counts, 2496 pulses: not exact.
#[test]
fn a_step_that_costs_more_than_the_tolerance_is_told() {
    let text = WINDER
        .replace(
            "entered_as = \"volts_at_rated_torque\"\nstep = 0.01\nleast = 1.0",
            "entered_as = \"newton_metres_per_volt\"\nstep = 0.3\nentry = \"steps\"",
        )
        .replace(
            "entered_as = \"pulses_per_revolution\"\nstep = 1.0",
            "entered_as = \"counts_per_revolution\"\nstep = 96.0",
        );
    let worksheet = Worksheet::of(&sheet(&text));
    let (gain, pulses) = (&worksheet.rows[0], &worksheet.rows[2]);
    assert_eq!((gain.entry.as_deref(), gain.nearest.as_deref(), gain.fit), (None, Some("1"), Fit::TooCoarse));
    assert!((gain.becomes.unwrap().value - 9.375).abs() < 1e-9);
    assert!((gain.share_percent.unwrap() - 500.0).abs() < 1e-6);
    let found = (pulses.entry.as_deref(), pulses.nearest.as_deref(), pulses.fit);
    assert_eq!(found, (None, Some("9984"), Fit::TooCoarse));
    assert!((pulses.becomes.unwrap().value - 2496.0).abs() < 1e-9);
    assert!(!worksheet.fits());
}

/// 2500 pulses in steps of 128 are 19.53 steps: 2560, which is not 2500. 2000 rpm is 66.7 % of rated speed, and of what
/// goes up to 60 % the nearest is 60 %, 1800 rpm. Neither does, and neither is ever what the sheet expects.
#[test]
fn what_does_not_fit_is_neither_told_to_be_entered_nor_taken_as_expected() {
    let folder = tempfile::tempdir().unwrap();
    let text =
        WINDER.replace("step = 1.0\nleast = 16.0", "step = 128.0\nleast = 256.0").replace("150.0", "60.0");
    let axis = folder.path().join("axis.toml");
    std::fs::write(&axis, &text).unwrap();
    let shown =
        proofstand().args(["settings", "worksheet"]).arg(&axis).env("COLUMNS", "120").assert().code(1);
    let shown = String::from_utf8(shown.get_output().stdout.clone()).unwrap();
    for line in [
        "V-31  CAN'T BE ENTERED (nearest 2560) (exactly 2500 pulses/rev; step 128, 256 to 32768)",
        "becomes 2560 pulses/rev; rounding costs 60 pulses/rev, must be exact; STEP TOO COARSE",
        "V-23  CAN'T BE ENTERED (nearest 60.0) (exactly 66.6667 % of rated speed; step 0.5, 0 to 60)",
        "becomes 1800 rpm; rounding costs -200 rpm, 500.0 % of the tolerance; OUT OF RANGE",
    ] {
        assert!(shown.contains(line), "{line}\n{shown}");
    }
    assert!(!shown.contains("ENTER 2560") && !shown.contains("ENTER 60"), "{shown}");

    // Somebody enters the nearest all the same.
    let after = text_of(DEMO[2]).replace("V-31;Pirvel;2048", "V-31;Pirvel;2560").replace("66,5;%", "60,0;%");
    let after: Vec<u8> = after.chars().map(|c| u8::try_from(u32::from(c)).unwrap()).collect();
    let [_, after] = files(&folder, b"", &after);
    let compare = |form: &[&str]| {
        let mut command = proofstand();
        command
            .args(["settings", "compare"])
            .arg(&axis)
            .arg(DEMO[1])
            .arg(&after)
            .args(form)
            .env("COLUMNS", "120");
        String::from_utf8(command.assert().code(1).get_output().stdout.clone()).unwrap()
    };
    let said = compare(&[]);
    let (cannot, others) = said.split_once("\n\nCHANGED").unwrap();
    for line in [
        "CAN'T BE ENTERED AS THE TARGET ASKS (2)",
        "V-31  Pirvel: 2048 Takte → 2560 Takte",
        "CAN'T BE ENTERED (nearest 2560 pulses/rev): pulses per revolution wanted 2500 pulses/rev, becomes 2560 pulses/rev",
        "V-23  Kessum: 120,0 % → 60,0 %",
    ] {
        assert!(cannot.contains(line), "{line}\n{said}");
    }
    assert!(!others.contains("V-31") && !others.contains("V-23"), "{said}");
    assert!(said.contains("\nSOMETHING CAN'T BE ENTERED AS THE TARGETS ASK.\n"), "{said}");
    let json: serde_json::Value = serde_json::from_str(&compare(&["--json"])).unwrap();
    assert_eq!(json["changes"][0]["finding"], "cannot_be_entered");
    assert!(compare(&["--csv"]).contains("can't be entered as the target asks,V-23,"));
}

/// The table of the demonstration as text.
fn text_of(file: &str) -> String {
    let bytes = std::fs::read(Path::new(env!("CARGO_MANIFEST_DIR")).join(file)).unwrap();
    // What it has beyond ASCII has the same code in windows-1252 and Unicode.
    bytes.into_iter().map(char::from).collect()
}

/// A cap is never raised into the amplifier's range: 70 % is beyond 2000 of 3000 rpm.
#[test]
fn a_cap_below_the_amplifiers_range_has_no_nearest_value() {
    let worksheet = Worksheet::of(&sheet(&WINDER.replace("least = 0.0", "least = 70.0")));
    let cap = worksheet.rows.iter().find(|row| row.target == "speed cap").unwrap();
    assert_eq!((cap.entry.as_deref(), cap.nearest.as_deref(), cap.fit), (None, None, Fit::OutOfRange));
    let expected = expectations(&sheet(&WINDER.replace("least = 0.0", "least = 70.0")));
    assert!(!expected["V-23"].can_be_entered && expected["V-11"].can_be_entered);
}

/// 10 V ask for 2500 rpm: 250 rpm/V; with 3000 rpm rated that is 12 V at rated speed, beyond the 10 V taken. With 10 V
/// at rated speed a volt asks for 300 rpm.
#[test]
fn a_speed_axis_gets_its_gain_and_a_value_out_of_range_is_told() {
    let text = WINDER
        .replace(
            "mode = \"torque\"\npair_volts = 8.0\npair_percent_of_rated_torque = 100.0",
            "mode = \"speed\"\npair_volts = 10.0\npair_rpm = 2500",
        )
        .replace("target = \"torque_gain\"", "target = \"speed_gain\"")
        .replace("entered_as = \"volts_at_rated_torque\"", "entered_as = \"volts_at_rated_speed\"");
    let worksheet = Worksheet::of(&sheet(&text));
    let gain = &worksheet.rows[0];
    assert_eq!(gain.wanted.value, 250.0);
    let found = (gain.entry.as_deref(), gain.nearest.as_deref(), gain.fit);
    assert_eq!(found, (None, Some("10.00"), Fit::OutOfRange));
    assert_eq!(gain.becomes.unwrap().value, 300.0);
}

#[test]
fn the_speed_cap_is_never_rounded_up() {
    for step in ["0.5", "0.7", "1.0", "7.0", "0.01", "66.0"] {
        let text = WINDER.replace("step = 0.5", &format!("step = {step}"));
        let worksheet = Worksheet::of(&sheet(&text));
        let cap = worksheet.rows.iter().find(|row| row.target == "speed cap").unwrap();
        assert!(cap.becomes.unwrap().value <= 2000.0 + 1e-9, "{step}");
    }
}

#[test]
fn wrong_settings_in_a_sheet_are_faults_of_the_sheet() {
    for (from, to, key, why) in [
        (
            "target = \"torque_gain\"",
            "target = \"speed_gain\"",
            "setting.entered_as",
            "can't be entered in this form",
        ),
        ("key = \"V-23\"", "key = \"V-11\"", "setting.key", "already given"),
        ("key = \"V-50\"", "key = \"V-11\"", "expected_change.key", "already given"),
        ("most = 10.0", "most = 0.5", "setting.most", "below least"),
        ("name_column = \"Merkmal\"", "name_column = \"Wert\"", "settings.value_column", "same heading"),
        ("step = 0.25", "step = 0.0", "setting.step", "above 0"),
        ("encoding = \"windows-1252\"", "encoding = \"windows-1925\"", "settings.encoding", "must be one of"),
        (
            "entered_as = \"volts_at_rated_torque\"\nstep",
            "entered_as = \"rpm\"\nstep",
            "setting.entered_as",
            "can't be entered",
        ),
    ] {
        assert!(WINDER.contains(from), "{from}");
        let error = parse("s.toml", WINDER.replacen(from, to, 1).as_bytes()).unwrap_err();
        let fault = error.faults().iter().find(|fault| fault.key == key);
        assert!(fault.is_some_and(|fault| fault.why.contains(why)), "{to}: {error}");
    }
    let no_read_out = {
        let start = WINDER.find("[speed_read_out]").unwrap();
        let end = WINDER.find("[amplifier]").unwrap();
        format!("{}{}", &WINDER[..start], &WINDER[end..])
    };
    let error = parse("s.toml", no_read_out.as_bytes()).unwrap_err();
    assert!(error.to_string().contains("this axis has no scale of the speed read-out"), "{error}");
}

#[test]
fn expectations_are_the_worksheets_entries_and_the_sheets_own() {
    let expected = expectations(&sheet(WINDER));
    let values: Vec<_> =
        expected.iter().map(|(key, expected)| (key.as_str(), expected.value.as_str())).collect();
    assert_eq!(
        values,
        [
            ("V-07", "torque"),
            ("V-11", "8.00"),
            ("V-23", "66.5"),
            ("V-31", "2500"),
            ("V-42", "2.00"),
            ("V-50", "ignored")
        ]
    );
}

fn files(folder: &tempfile::TempDir, before: &[u8], after: &[u8]) -> [PathBuf; 2] {
    let paths = [folder.path().join("before.csv"), folder.path().join("after.csv")];
    std::fs::write(&paths[0], before).unwrap();
    std::fs::write(&paths[1], after).unwrap();
    paths
}

#[test]
fn bad_input_is_exit_2_with_a_message_and_no_output() {
    let folder = tempfile::tempdir().unwrap();
    let good = std::fs::read(Path::new(env!("CARGO_MANIFEST_DIR")).join(DEMO[1])).unwrap();
    for (after, says) in [
        (&b""[..], "no line has all the headings"),
        (b"\xFF\xFEN\0r\0", "no line has all the headings"),
        (b"\0\0\0\0", "not windows-1252"),
        (b"Nr.;Merkmal;Wert;Ma\xDF\na;b;1.234;\n", "ambiguous"),
        (&vec![b'x'; (8 << 20) + 1], "larger than"),
    ] {
        let [before, after] = files(&folder, &good, after);
        let run = proofstand().args(["settings", "compare", DEMO[0]]).args([before, after]).assert().code(2);
        run.stdout("").stderr(predicate::str::contains(says)).stderr(predicate::str::contains("after.csv"));
    }
    proofstand()
        .args(["settings", "compare", DEMO[0], "no-such.csv", DEMO[2]])
        .assert()
        .code(2)
        .stderr(predicate::str::contains("no-such.csv: can't read"));
    proofstand()
        .args(["settings", "compare", "sheets/bare-rotor.toml", DEMO[1], DEMO[2]])
        .assert()
        .code(2)
        .stderr(predicate::str::contains("no table [settings]"));
}

#[test]
fn hostile_cells_drive_neither_a_terminal_nor_a_spreadsheet() {
    let folder = tempfile::tempdir().unwrap();
    let row = |value: &str| {
        let text = format!("Nr.;Merkmal;Wert;Ma\u{DF}\n=HYPERLINK(1);\u{1b}]0;{value};@x\n");
        text.chars().map(|c| u8::try_from(u32::from(c)).unwrap()).collect::<Vec<_>>()
    };
    // The escape sequence has a semicolon of its own: the value is what follows the third.
    let [before, after] = files(&folder, &row("1"), &row("\u{1b}[2J\u{9b}5m"));
    for form in [None, Some("--json"), Some("--csv")] {
        let mut command = proofstand();
        command.args(["settings", "compare", DEMO[0]]).args([&before, &after]).args(form);
        let out = command.assert().code(1).get_output().stdout.clone();
        let text = String::from_utf8(out.clone()).unwrap();
        let breaks = ['\n', '\r'];
        assert!(text.chars().all(|c| breaks.contains(&c) || !c.is_control()), "{form:?}: {text:?}");
        if form == Some("--csv") {
            let mut reader = csv::Reader::from_reader(out.as_slice());
            for record in reader.records() {
                for cell in record.unwrap().iter() {
                    assert!(!cell.starts_with(['=', '+', '@', '\t', '\r']), "{cell}");
                }
            }
            assert!(text.contains("'=HYPERLINK(1)"));
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(256))]

    #[test]
    fn no_bytes_make_the_reader_panic(bytes in proptest::collection::vec(any::<u8>(), 0..300), decimal in any::<bool>()) {
        let sign = if decimal { DecimalSign::Comma } else { DecimalSign::Point };
        for encoding in [TextEncoding::Utf8, TextEncoding::Utf16Be, TextEncoding::ShiftJis, TextEncoding::Windows1258] {
            let _ = Table::parse("t", &bytes, &TableLayout { encoding, ..layout(sign) });
        }
        let mut headed = b"no;value\n".to_vec();
        headed.extend(&bytes);
        let _ = Table::parse("t", &headed, &layout(sign));
    }

    #[test]
    fn a_table_compared_with_itself_has_no_change(
        rows in proptest::collection::btree_map("[a-z]{1,6}", "[ -~&&[^\";,.' ]]{0,8}", 1..20)
    ) {
        let text: String = std::iter::once("no;value\n".to_owned())
            .chain(rows.iter().map(|(key, value)| format!("{key};{value}\n"))).collect();
        let read = table(&text, DecimalSign::Point);
        let comparison = Comparison::of(&read, &read, &BTreeMap::new());
        prop_assert!(comparison.clean() && comparison.changes.is_empty());
        prop_assert_eq!(comparison.unchanged, rows.len());
    }

    #[test]
    fn exactly_the_settings_that_were_changed_are_found(
        rows in proptest::collection::btree_map("[a-z]{1,6}", 0_u32..100_000, 2..20), pick in any::<proptest::sample::Index>()
    ) {
        let write = |rows: &BTreeMap<String, u32>| -> String {
            std::iter::once("no;value\n".to_owned())
                .chain(rows.iter().map(|(key, value)| format!("{key};{value}\n"))).collect()
        };
        let key = rows.keys().nth(pick.index(rows.len())).unwrap().clone();
        let mut changed = rows.clone();
        *changed.get_mut(&key).unwrap() += 1;
        let (before, after) = (table(&write(&rows), DecimalSign::Point), table(&write(&changed), DecimalSign::Point));
        let comparison = Comparison::of(&before, &after, &BTreeMap::new());
        prop_assert_eq!(comparison.changes.len(), 1);
        prop_assert_eq!(&comparison.changes[0].key, &key);
        prop_assert_eq!(comparison.changes[0].finding, Finding::Unexpected);
    }
}
