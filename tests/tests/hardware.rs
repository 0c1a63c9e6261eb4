//! The fixture's hardware: pin map, netlist and parts held against rules, and deliberate faults that must be caught.
//!
//! These tests read what is committed. Those that need KiCad make it again and say what differs.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a helper of a test fails as the test does")]

#[path = "hardware/circuit.rs"]
mod circuit;
#[path = "hardware/netlist.rs"]
mod netlist;
#[path = "hardware/pin_map.rs"]
mod pin_map;
#[path = "hardware/rules.rs"]
mod rules;

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::process::Command;

use netlist::Netlist;
use pin_map::PinMap;
use proofstand::wiring;

fn hardware() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../hardware").canonicalize().unwrap()
}

fn read(file: &str) -> String {
    std::fs::read_to_string(hardware().join(file)).unwrap_or_else(|error| panic!("{file}: {error}"))
}

fn committed() -> (Netlist, PinMap) {
    (Netlist::parse(&read("schematic/outputs/fixture.net")), PinMap::parse(&read("pins.toml")))
}

fn assert_none(faults: &[String]) {
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}

#[test]
fn pins_registers_channels_and_terminals_are_wired_as_the_pin_map_says() {
    let (net, map) = committed();
    assert_eq!((map.pins.len(), map.terminals.len()), (26, 52));
    assert_none(&rules::pins(&net, &map));
}

#[test]
fn levels_before_the_firmware_runs_are_held_by_resistors() {
    let (net, map) = committed();
    assert_none(&rules::safe_levels(&net, &map));
}

#[test]
fn every_part_has_a_maker_a_code_a_rating_and_a_value_of_its_series() {
    let (net, _) = committed();
    assert!(net.parts.len() > 180, "{} parts", net.parts.len());
    assert_none(&rules::parts(&net));
    assert_none(&rules::ratings(&net));
}

#[test]
fn enable_passes_stop_hold_to_run_guard_relay_request_and_keep_alive() {
    let (net, _) = committed();
    assert_none(&rules::enable_path(&net));
}

#[test]
fn the_change_over_opens_the_command_and_ties_the_terminal() {
    let (net, _) = committed();
    assert_none(&rules::command_path(&net));
}

#[test]
fn isolated_domains_share_no_net() {
    let (net, _) = committed();
    assert_none(&rules::domains(&net));
}

#[test]
fn every_terminal_is_protected() {
    let (net, map) = committed();
    assert_none(&rules::protection(&net, &map));
}

#[test]
fn the_bill_of_materials_lists_every_part_once_and_each_line_can_be_ordered() {
    let (net, _) = committed();
    let mut reader = csv::Reader::from_path(hardware().join("schematic/outputs/bom.csv")).unwrap();
    let heads = reader.headers().unwrap().clone();
    assert_eq!(
        &heads,
        &["References", "Quantity", "Value", "Maker", "Part", "Rating", "Package", "Basis"][..]
    );
    let mut listed = BTreeSet::new();
    let mut codes = BTreeMap::new();
    for line in reader.records() {
        let line = line.unwrap();
        let references: Vec<&str> = line[0].split(',').collect();
        assert_eq!(references.len().to_string(), line[1], "{line:?}");
        assert!(line.iter().all(|field| !field.trim().is_empty()), "{line:?}");
        assert!(["symbol", "datasheet", "memory"].contains(&&line[7]), "{line:?}");
        let terminals = line[4].starts_with("1803");
        let before = codes.insert(line[4].to_owned(), line[2].to_owned());
        assert!(terminals || before.is_none(), "two lines for {}", &line[4]);
        for reference in references {
            assert_eq!(net.parts[reference].field("Part"), &line[4], "{reference}");
            assert!(listed.insert(reference.to_owned()), "{reference} twice");
        }
    }
    assert_eq!(listed, net.parts.keys().cloned().collect());
}

/// The registers' bits have their names in the image's source, not in a table that it could hand out.
#[test]
fn the_firmware_uses_registers_and_channels_as_the_pin_map_says() {
    let (_, map) = committed();
    let board = std::fs::read_to_string(hardware().join("../firmware/pico/src/board/analog.rs")).unwrap();
    let out = ["OUT_CLEAR_FAULT", "OUT_END_PLUS", "OUT_END_MINUS", "OUT_CHANGE_OVER"];
    let roles = ["clear fault", "end switch +", "end switch -", "change-over"];
    for (name, role) in out.into_iter().zip(roles).chain([("IN_GUARD", "guard")]) {
        let register = if name.starts_with("OUT") { &map.register_out } else { &map.register_in };
        let bit = register.iter().find(|wire| wire.role == role).unwrap().number;
        assert!(board.contains(&format!("const {name}: u8 = 1 << {bit};")), "{role} is bit {bit}");
    }
    assert!(board.contains("const IN_PRESENT: u8 = 0b1000_0000;"));
    assert!(board.contains("const IN_PRESENT_MASK: u8 = 0b1100_0000;"));
    let order: Vec<&str> = map.channels.iter().map(|wire| wire.role.as_str()).collect();
    assert_eq!(order, ["terminal", "converter", "torque", "speed"]);
    assert!(board.contains("let Some(Ok([terminal, converter, torque, speed]))"));
}

#[test]
fn the_wiring_sheet_and_the_guide_name_the_terminals_of_the_pin_map() {
    let (_, map) = committed();
    let role = |name: &str| map.terminals.iter().find(|t| t.name == name).map(|t| t.role.clone()).unwrap();
    let mut named = BTreeSet::new();
    let mut expect = |name: &str, words: &str| {
        assert_eq!(role(name), words, "{name}");
        named.insert(name.to_owned());
    };
    for (name, words) in wiring::COMMAND.into_iter().zip(["command +", "command -", "command screen"]) {
        expect(name, words);
    }
    let encoder = ["A", "A inverted", "B", "B inverted", "index", "index inverted", "0 V", "screen"];
    for (name, words) in wiring::ENCODER.into_iter().zip(encoder) {
        expect(name, &format!("encoder {words}"));
    }
    for (n, [collector, emitter]) in wiring::FLAGS.into_iter().enumerate() {
        expect(collector, &format!("flag {n} collector"));
        expect(emitter, &format!("flag {n} emitter"));
    }
    let contacts = ["enable", "clear fault", "end switch +", "end switch -"];
    for ([one, other], words) in wiring::CONTACTS.into_iter().zip(contacts) {
        expect(one, words);
        expect(other, words);
    }
    for (names, words) in wiring::READ_OUTS.into_iter().zip(["torque read-out", "speed read-out"]) {
        for (name, end) in names.into_iter().zip(["", " common", " screen"]) {
            expect(name, &format!("{words}{end}"));
        }
    }
    let rest: Vec<&str> =
        map.terminals.iter().map(|t| t.name.as_str()).filter(|name| !named.contains(*name)).collect();
    assert_eq!(rest, ["S1", "S2", "S3", "S4", "S5", "S6", "P1", "P2", "P3", "X1", "X2"]);
    let guide = read("CABLE.md");
    for terminal in &map.terminals {
        let line = format!("| {} | {} |", terminal.name, terminal.role);
        assert!(guide.contains(&line), "CABLE.md has no line {line}");
    }
}

fn past_the_chain(net: &mut Netlist) {
    net.connect(("RL1", "A1"), "+24V");
    let gate = if net.net(("R707", "1")) == "/CHAIN24" { "1" } else { "2" };
    net.connect(("R707", gate), "+24V");
}

fn across_the_change_over(net: &mut Netlist) {
    net.connect(("R204", "1"), "/CMD_P");
    net.connect(("R204", "2"), "/CMD_SENSE");
}

/// Each is put into a copy of the committed netlist; the rules must name it.
#[test]
fn twelve_deliberate_faults_in_a_copy_are_each_caught() {
    type Fault = (&'static str, fn(&mut Netlist), &'static str);
    let faults: [Fault; 12] = [
        (
            "A and B swapped at the controller",
            |n| n.swap(("A101", "4"), ("A101", "5")),
            "GP2 is not on ENC_A",
        ),
        ("hold-to-run bridged", |n| n.join("/AFTER_STOP", "/AFTER_HOLD"), "enable stays closed without hold"),
        (
            "relay and its transistor fed past the chain",
            |n| past_the_chain(n),
            "RL1 stays closed without stop",
        ),
        ("relay contact bridged", |n| n.merge(("RL1", "13"), ("RL1", "14")), "enable does not pass RL1"),
        ("enable contact fed past the keep-alive", |n| n.connect(("Q702", "2"), "GND"), "without alive"),
        ("tie of the command left out", |n| n.disconnect(("RL2", "2")), "not tied"),
        ("tie put across the change-over", |n| across_the_change_over(n), "reaches the terminal"),
        ("signal ground joined to the 24 V side", |n| n.connect(("C810", "1"), "0V24"), "0V24 and"),
        ("suppressor of a read-out left out", |n| n.remove("D303"), "R1 is not protected"),
        ("a value that no series has", |n| n.set("R203", "Value", "347R"), "R203: 347R is in no series"),
        ("a part without an order code", |n| n.set("U301", "Part", ""), "U301 has no Part"),
        ("a pull-down that pulls up", |n| n.connect(("R706", "1"), "+3V3"), "ENABLE_REQUEST is not held low"),
    ];
    let (net, map) = committed();
    for (what, put_in, expected) in faults {
        let mut copy = net.clone();
        put_in(&mut copy);
        let found = rules::all(&copy, &map);
        assert!(found.iter().any(|fault| fault.contains(expected)), "{what}: {found:#?}");
    }
}

#[test]
fn no_rule_of_the_drawing_program_is_violated_on_any_page() {
    let report: serde_json::Value = serde_json::from_str(&read("schematic/outputs/erc.json")).unwrap();
    assert_eq!(report["violations"].as_array().unwrap().len(), 0);
    assert_eq!(report["sheets"].as_array().unwrap().len(), 10);
    let project = read("schematic/fixture.kicad_pro");
    assert!(!project.contains("erc_exclusions") && !project.contains("rule_severities"));
}

#[test]
#[ignore = "needs python3 and kicad-cli"]
fn the_generator_makes_what_is_committed_and_kicad_finds_no_violation() {
    let done = Command::new("python3")
        .args(["generate.py", "--check"])
        .current_dir(hardware().join("schematic"))
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&done.stdout).into_owned() + &String::from_utf8_lossy(&done.stderr);
    assert!(done.status.success(), "{said}");
    assert!(said.contains("no rule is violated"), "{said}");
}

/// An outside check of pin numbers: KiCad's own libraries, where they have the part. `KICAD9_SYMBOL_DIR` or the
/// distribution's place.
#[test]
#[ignore = "needs kicad-symbols"]
fn pin_numbers_are_those_of_kicads_own_libraries() {
    let folder = std::env::var("KICAD9_SYMBOL_DIR").unwrap_or("/usr/share/kicad/symbols".into());
    let ours = netlist::Library::parse(&read("schematic/proofstand.kicad_sym"));
    let same = [
        ("ADS8684", "Analog_ADC", "ADS8684"),
        ("ADUM4160", "Interface_USB", "ADUM4160"),
        ("24AA025E64", "Memory_EEPROM", "24AA025E-OT"),
        ("TMR4-2411WI", "Converter_DCDC", "TMR4-2411WI"),
        ("USBLC6-2", "Power_Protection", "USBLC6-2SC6"),
        ("74HC165", "74xx", "74HC165"),
        ("74HCT595", "74xx", "74HC595"),
    ];
    for (name, library, theirs) in same {
        let text = std::fs::read_to_string(Path::new(&folder).join(format!("{library}.kicad_sym"))).unwrap();
        let theirs = netlist::Library::parse(&text).pins(theirs);
        let fold = |pins: &BTreeMap<String, String>| -> BTreeMap<String, String> {
            pins.iter()
                .map(|(n, name)| {
                    (n.clone(), name.to_uppercase().replace("V_{SS}", "VSS").replace("V_{CC}", "VCC"))
                })
                .collect()
        };
        let (mine, other) = (fold(&ours.pins(name)), fold(&theirs));
        for (number, called) in &other {
            let known = mine.get(number).unwrap_or_else(|| panic!("{name} has no pin {number}"));
            assert!(
                called == "NC" || called == "REMOTE" || known == called,
                "{name} pin {number}: {known}, KiCad {called}"
            );
        }
        assert_eq!(mine.len(), other.len(), "{name}");
    }
}
