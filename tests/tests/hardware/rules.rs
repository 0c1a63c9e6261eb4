//! Rules that the netlist must keep; each function gives what breaks its rule, in words.

use std::collections::{BTreeMap, BTreeSet};

use super::circuit::{Circuit, State};
use super::netlist::Netlist;
use super::pin_map::{PinMap, Wire};

/// Everything that breaks a rule.
pub(crate) fn all(net: &Netlist, map: &PinMap) -> Vec<String> {
    [
        pins(net, map),
        safe_levels(net, map),
        parts(net),
        ratings(net),
        enable_path(net),
        command_path(net),
        domains(net),
        protection(net, map),
    ]
    .concat()
}

/// 330R, 4k7, 1M as ohms; also 100n, 2u2 as farads.
pub(crate) fn ohms(text: &str) -> Option<f64> {
    let scale = [("R", 1.0), ("k", 1e3), ("M", 1e6), ("n", 1e-9), ("u", 1e-6), ("p", 1e-12)];
    let (letter, factor) = scale.into_iter().find(|(letter, _)| text.contains(letter))?;
    text.replacen(letter, ".", 1).parse::<f64>().ok().map(|number| number * factor)
}

fn part_with(net: &Netlist, symbol: &str) -> String {
    net.parts.iter().find(|(_, part)| part.symbol == symbol).map_or(String::new(), |(name, _)| name.clone())
}

/// The net of a pin, or that behind a single resistor of up to 1 kΩ.
fn on(net: &Netlist, part: &str, pin: &str, wanted: &str) -> bool {
    let here = net.net((part, pin));
    let through = |(r, near): (&str, &str)| {
        let resistor =
            net.parts.get(r).is_some_and(|p| p.symbol == "R" && ohms(&p.value).is_some_and(|o| o <= 4_700.0));
        resistor && net.net((r, if near == "1" { "2" } else { "1" })) == wanted
    };
    !wanted.is_empty() && (here == wanted || net.on(here).any(through))
}

/// The pin map against the netlist.
pub(crate) fn pins(net: &Netlist, map: &PinMap) -> Vec<String> {
    let mut wrong = Vec::new();
    // RP2040 pins on the module's edge (Pico datasheet, pinout).
    let edge = [
        1, 2, 4, 5, 6, 7, 9, 10, 11, 12, 14, 15, 16, 17, 19, 20, 21, 22, 24, 25, 26, 27, 29, 0, 0, 0, 31, 32,
        34,
    ];
    let (board, out, into) = (part_with(net, "Pico"), part_with(net, "74HCT595"), part_with(net, "74HC165"));
    let adc = part_with(net, "ADS8684");
    let mut check = |part: &str, pin: &str, what: String, wire: &Wire| {
        if !on(net, part, pin, &net.full(&wire.net)) {
            wrong.push(format!("{what} is not on {}", wire.net));
        }
    };
    for wire in &map.pins {
        check(&board, &edge[wire.number as usize].to_string(), format!("GP{}", wire.number), wire);
    }
    for wire in &map.register_out {
        check(&out, ["15", "1", "2", "3"][wire.number as usize], format!("output bit {}", wire.number), wire);
    }
    for wire in &map.register_in {
        let pin = ["11", "12", "13", "14", "3", "4", "5", "6"][wire.number as usize];
        check(&into, pin, format!("input bit {}", wire.number), wire);
    }
    for wire in &map.channels {
        check(&adc, ["16", "18", "21", "23"][wire.number as usize], format!("channel {}", wire.number), wire);
    }
    for wire in &map.terminals {
        let (letter, number) = wire.name.split_at(1);
        let block = part_with(net, &format!("Terminals_{letter}"));
        check(&block, number, wire.name.clone(), wire);
    }
    wrong
}

/// Outputs that could move something are held at their safe level by a resistor.
pub(crate) fn safe_levels(net: &Netlist, map: &PinMap) -> Vec<String> {
    let mut wrong = Vec::new();
    for wire in &map.pins {
        let rail = match wire.safe.as_deref() {
            Some("low") => "GND",
            Some("high") => "+3V3",
            _ => continue,
        };
        let full = net.full(&wire.net);
        let held = net.on(&full).any(|(part, pin)| {
            net.parts.get(part).is_some_and(|p| p.symbol == "R")
                && net.net((part, if pin == "1" { "2" } else { "1" })) == rail
        });
        if !held {
            wrong.push(format!("{} is not held {}", wire.net, wire.safe.as_deref().unwrap_or_default()));
        }
    }
    wrong
}

/// E24 for resistors and E6 for capacitors: IEC 60063:2015, tables 1 and 2 (from memory).
const E24: [u32; 24] =
    [10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91];
const E6: [u32; 6] = [10, 15, 22, 33, 47, 68];

/// Fields, series, and a maker's code that says the same value.
pub(crate) fn parts(net: &Netlist) -> Vec<String> {
    let mut wrong = Vec::new();
    let mut values: BTreeMap<&str, &str> = BTreeMap::new();
    for (name, part) in &net.parts {
        for field in ["Maker", "Part", "Rating", "Package", "Basis"] {
            if part.field(field).is_empty() {
                wrong.push(format!("{name} has no {field}"));
            }
        }
        let code = part.field("Part");
        let before = values.insert(code, &part.value);
        if before.is_some_and(|before| before != part.value) && part.field("Terminal").is_empty() {
            wrong.push(format!("{name}: {code} is {} and {}", part.value, before.unwrap_or_default()));
        }
        let series: &[u32] = match part.symbol.as_str() {
            "R" => &E24,
            "C" => &E6,
            _ => continue,
        };
        let value = ohms(&part.value).unwrap_or_default();
        let digits = (value / 10f64.powf(value.log10().floor()) * 10.0).round();
        let exact = (value / 10f64.powf(value.log10().floor()) * 10.0 - digits).abs() < 1e-6;
        if !(exact && series.iter().any(|e| f64::from(*e) == digits)) {
            wrong.push(format!("{name}: {} is in no series", part.value));
        }
        if part.symbol == "R" && part.field("Maker") == "Yageo" {
            let coded = code.split("-07").nth(1).unwrap_or_default().trim_end_matches('L').replace('K', "k");
            if ohms(&coded) != Some(value) {
                wrong.push(format!("{name}: {code} is not {}", part.value));
            }
        }
    }
    wrong
}

/// Volts that can stand on a net against its ground, at the highest supply (24 V + 20 %, IEC 61131-2, from memory).
fn highest(net: &str) -> f64 {
    match net {
        "+24V" | "WET24" | "/SUPPLY_24V" | "/CHAIN24" => 28.8,
        "+15V" | "-15V" => 15.8,
        "+5V" | "+5VA" | "VBUS_H" => 5.5,
        "GND" | "0V24" | "GND_H" | "CHASSIS" => 0.0,
        net if net.contains("U802") => 15.8,
        net if net.contains("REF") => 4.1,
        _ => 10.0,
    }
}

/// Capacitors bear 1.5 times their voltage; resistors what a miswire or the supply puts into them.
pub(crate) fn ratings(net: &Netlist) -> Vec<String> {
    let mut wrong = Vec::new();
    let number = |text: &str, unit: &str| -> f64 {
        let words: Vec<&str> = text.split([' ', ',']).collect();
        let at = words.iter().position(|word| *word == unit);
        at.and_then(|at| words.get(at.wrapping_sub(1))?.parse().ok()).unwrap_or(0.0)
    };
    for (name, part) in &net.parts {
        let volts: Vec<f64> = net.of(name).map(|(_, n)| highest(n)).collect();
        let rating = part.field("Rating");
        if part.symbol == "C" && !rating.contains("1 kV") {
            let most = volts.iter().fold(0.0_f64, |a, b| a.max(*b));
            if number(rating, "V") < 1.5 * most {
                wrong.push(format!("{name} bears {} V, {most} V stand on it", number(rating, "V")));
            }
        }
        // Worst cases: the whole of 28.8 V across what stands in a 24 V loop; 24 V on the command's terminal.
        let worst = match (part.symbol.as_str(), part.value.as_str()) {
            ("R", "3k3" | "3k9") => 28.8_f64.powi(2) / ohms(&part.value).unwrap_or(1.0),
            ("R", "330R") => 0.065_f64.powi(2) * 330.0,
            ("R", "1k")
                if net.of(name).any(|(_, n)| n == "GND")
                    && !net.of(name).any(|(_, n)| n.contains("D805")) =>
            {
                24.0_f64.powi(2) / 1_000.0
            }
            _ => 0.0,
        };
        if part.symbol == "R" && number(rating, "W") < worst {
            wrong.push(format!("{name} bears {} W, {worst:.2} W may come", number(rating, "W")));
        }
    }
    wrong
}

/// Enable is closed with everything given, and open without any one of it.
pub(crate) fn enable_path(net: &Netlist) -> Vec<String> {
    let mut wrong = Vec::new();
    let closed = |state, open: &[&'static str]| {
        let circuit = Circuit::settle(net, state, open);
        (circuit.connected("/ENABLE_A", "/ENABLE_B", ""), circuit.driven("RL1"))
    };
    if closed(State::ALL, &[]) != (true, true) {
        wrong.push("enable never closes".to_owned());
    }
    let without: [(&str, State); 5] = [
        ("stop", State { stop: false, ..State::ALL }),
        ("hold-to-run", State { hold: false, ..State::ALL }),
        ("guard", State { guard: false, ..State::ALL }),
        ("request", State { request: false, ..State::ALL }),
        ("alive", State { alive: false, ..State::ALL }),
    ];
    for (what, state) in without {
        let (enable, relay) = closed(state, &[]);
        if enable {
            wrong.push(format!("enable stays closed without {what}"));
        }
        if relay {
            wrong.push(format!("RL1 stays closed without {what}"));
        }
        // Even with one of the two contacts welded the other opens.
        let lit = Circuit::settle(net, state, &[]);
        if lit.driven("U604") {
            wrong.push(format!("the enable contact stays lit without {what}"));
        }
    }
    for part in ["RL1", "U604"] {
        if closed(State::ALL, &[part]).0 {
            wrong.push(format!("enable does not pass {part}"));
        }
    }
    wrong
}

/// Connected with everything given; else open and tied to 0 V, without firmware's help.
pub(crate) fn command_path(net: &Netlist) -> Vec<String> {
    let mut wrong = Vec::new();
    let live = Circuit::settle(net, State::ALL, &[]);
    if !live.connected("/CMD_SENSE", "/CMD_P", "") || live.connected("/CMD_P", "GND", "") {
        wrong.push("the command does not reach the terminal, or stays tied".to_owned());
    }
    for (what, state) in [
        ("change-over", State { change_over: false, ..State::ALL }),
        ("stop", State { stop: false, ..State::ALL }),
        ("hold-to-run", State { hold: false, ..State::ALL }),
        ("guard", State { guard: false, ..State::ALL }),
        ("alive", State { alive: false, ..State::ALL }),
    ] {
        let rest = Circuit::settle(net, state, &[]);
        if rest.connected("/CMD_SENSE", "/CMD_P", "") {
            wrong.push(format!("the command reaches the terminal without {what}"));
        }
        if !rest.connected("/CMD_P", "GND", "") {
            wrong.push(format!("the terminal is not tied without {what}"));
        }
        if !rest.connected("+3V3", "/CHANGE_REST", "") {
            wrong.push(format!("the change-over at rest is not seen without {what}"));
        }
    }
    wrong
}

/// Pins of parts that keep domains apart, in groups that belong together.
fn groups(symbol: &str) -> Option<&'static [&'static [&'static str]]> {
    Some(match symbol {
        "Coupler" | "PhotoRelay" => &[&["1", "2"], &["3", "4"]],
        "RelayGuided" => &[&["A1", "A2"], &["13", "14"], &["23", "24"], &["31", "32"], &["41", "42"]],
        "RelayDPDT" => &[&["1", "8"], &["2", "3", "4"], &["5", "6", "7"]],
        "ADUM4160" => {
            &[&["1", "2", "3", "4", "5", "6", "7", "8"], &["9", "10", "11", "12", "13", "14", "15", "16"]]
        }
        "TMR4-2411WI" | "TMR2-2423WI" => &[&["1", "2", "3"], &["6", "7", "9"]],
        symbol if symbol.starts_with("Terminals") => &[],
        _ => return None,
    })
}

/// Nothing but isolating parts joins the 24 V side, the controller's side, the computer's side, and each contact.
pub(crate) fn domains(net: &Netlist) -> Vec<String> {
    let mut parent: BTreeMap<String, String> = net.pins.values().map(|n| (n.clone(), n.clone())).collect();
    fn root(parent: &BTreeMap<String, String>, net: &str) -> String {
        let mut at = net.to_owned();
        while parent[&at] != at {
            at = parent[&at].clone();
        }
        at
    }
    for (name, part) in &net.parts {
        let mut join = |nets: Vec<&str>| {
            for pair in nets.windows(2) {
                let (a, b) = (root(&parent, pair[0]), root(&parent, pair[1]));
                parent.insert(a, b);
            }
        };
        match groups(&part.symbol) {
            Some(groups) => {
                for group in groups {
                    join(net.of(name).filter(|(pin, _)| group.contains(pin)).map(|(_, n)| n).collect());
                }
            }
            None => join(net.of(name).map(|(_, n)| n).collect()),
        }
    }
    let anchors = ["GND", "0V24", "GND_H", "/ENABLE_A", "/CLEAR_A", "/PLUS_A", "/MINUS_A"];
    let mut wrong = Vec::new();
    for (n, one) in anchors.iter().enumerate() {
        for other in &anchors[n + 1..] {
            if root(&parent, one) == root(&parent, other) {
                wrong.push(format!("{other} and {one} are joined"));
            }
        }
    }
    // And each side is one: a part that hangs on nothing would be in no domain.
    let sides: BTreeSet<String> = parent.keys().map(|n| root(&parent, n)).collect();
    let loose = net
        .pins
        .values()
        .filter(|n| !n.starts_with("unconnected"))
        .any(|n| !anchors.iter().any(|anchor| root(&parent, anchor) == root(&parent, n)));
    if loose {
        wrong.push(format!("a net is in no domain, of {}", sides.len()));
    }
    if wrong.iter().any(|w| w.starts_with("0V24")) {
        wrong.push("0V24 and GND must stay apart".to_owned());
    }
    wrong
}

/// Each terminal meets a suppressor, a fuse or a resistor that bears it, unless it is itself a reference.
pub(crate) fn protection(net: &Netlist, map: &PinMap) -> Vec<String> {
    let mut wrong = Vec::new();
    for wire in &map.terminals {
        let full = net.full(&wire.net);
        let protects = |name: &str| {
            let part = &net.parts[name];
            match part.symbol.as_str() {
                "D_TVS" | "D_TVS2" | "SM712" | "USBLC6-2" | "PTC" => true,
                "R" if ohms(&part.value) >= Some(3_300.0) => {
                    let behind =
                        |net_name: &str| net.on(net_name).any(|(p, _)| net.parts[p].symbol == "D_TVS2");
                    part.field("Rating").contains("0.5 W")
                        || net.of(name).any(|(_, n)| n != full && behind(n))
                }
                _ => false,
            }
        };
        let reference = ["GND", "0V24", "CHASSIS"].contains(&wire.net.as_str());
        if !reference && !net.on(&full).any(|(part, _)| protects(part)) {
            wrong.push(format!("{} is not protected", wire.name));
        }
    }
    wrong
}
