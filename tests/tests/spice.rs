//! The fixture's circuits in ngspice: every figure beside its limit and where that comes from. Element values of the
//! decks are those of the netlist.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a helper of a test fails as the test does")]

#[path = "hardware/netlist.rs"]
#[allow(dead_code, reason = "the other half is used by the rules")]
mod netlist;

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::process::Command;

const DECKS: [&str; 7] = ["command", "flag", "receiver", "readout", "keepalive", "contact", "power"];

fn spice() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../hardware/spice").canonicalize().unwrap()
}

fn read(name: &str) -> String {
    std::fs::read_to_string(spice().join(name)).unwrap()
}

struct Limit {
    deck: String,
    name: String,
    unit: String,
    min: f64,
    max: f64,
    source: String,
}

fn limits() -> Vec<Limit> {
    let table: toml::Table = read("limits.toml").parse().unwrap();
    let text = |figure: &toml::Value, key: &str| figure[key].as_str().unwrap().to_owned();
    let limit = |figure: &toml::Value| Limit {
        deck: text(figure, "deck"),
        name: text(figure, "name"),
        unit: text(figure, "unit"),
        min: figure["min"].as_float().unwrap(),
        max: figure["max"].as_float().unwrap(),
        source: text(figure, "source"),
    };
    table["figure"].as_array().unwrap().iter().map(limit).collect()
}

/// Lines `name = number` of names that start with a small letter, as `print` writes them; all values of each name.
fn figures(output: &str) -> BTreeMap<String, Vec<f64>> {
    let mut found: BTreeMap<String, Vec<f64>> = BTreeMap::new();
    for line in output.lines() {
        let Some((name, number)) = line.split_once(" = ") else { continue };
        let named = name.starts_with(|c: char| c.is_ascii_lowercase()) && !name.contains(' ');
        if let (true, Ok(number)) = (named, number.trim().parse()) {
            found.entry(name.to_owned()).or_default().push(number);
        }
    }
    found
}

#[test]
fn every_figure_that_a_deck_prints_has_a_limit_with_a_source() {
    let limits = limits();
    for deck in DECKS {
        let text = read(&format!("{deck}.cir"));
        let printed: BTreeSet<&str> =
            text.lines().filter_map(|line| line.trim().strip_prefix("print ")).map(str::trim).collect();
        let limited: BTreeSet<&str> =
            limits.iter().filter(|limit| limit.deck == deck).map(|limit| limit.name.as_str()).collect();
        assert_eq!(printed, limited, "{deck}");
    }
    assert!(limits.iter().all(|limit| DECKS.contains(&limit.deck.as_str())));
    for limit in &limits {
        assert!(limit.min < limit.max && !limit.source.is_empty(), "{}", limit.name);
        assert!(!limit.unit.is_empty(), "{}", limit.name);
    }
}

/// `R203 a b 330` in a deck is R203 of the schematic. Names of other shapes are of what stands outside.
#[test]
fn the_decks_have_the_values_of_the_netlist() {
    let text = std::fs::read_to_string(spice().join("../schematic/outputs/fixture.net")).unwrap();
    let net = netlist::Netlist::parse(&text);
    let scale = [("p", 1e-12), ("n", 1e-9), ("u", 1e-6), ("k", 1e3), ("Meg", 1e6), ("R", 1.0), ("M", 1e6)];
    let number = |text: &str, infix: bool| -> f64 {
        let found =
            scale.into_iter().find(|(letter, _)| text.contains(letter) && !(infix && *letter == "Meg"));
        let (letter, factor) = found.unwrap_or(("", 1.0));
        let plain = if infix { text.replacen(letter, ".", 1) } else { text.replacen(letter, "", 1) };
        plain.parse::<f64>().unwrap_or_else(|_| panic!("{text}")) * factor
    };
    let mut compared = 0;
    for deck in DECKS {
        for line in read(&format!("{deck}.cir")).lines() {
            let words: Vec<&str> = line.split_whitespace().collect();
            let [name, _, _, value] = words[..] else { continue };
            let ours =
                name.len() == 4 && name.starts_with(['R', 'C', 'L']) && name[1..].parse::<u16>().is_ok();
            if !ours {
                continue;
            }
            let drawn = &net.parts.get(name).unwrap_or_else(|| panic!("{deck}: no {name}")).value;
            let drawn = drawn.trim_end_matches('H');
            let (deck_value, net_value) = (number(value, false), number(drawn, true));
            assert!((deck_value / net_value - 1.0).abs() < 1e-9, "{deck}: {name} is {value}, drawn {drawn}");
            compared += 1;
        }
    }
    assert!(compared > 20, "{compared}");
}

#[test]
#[ignore = "needs ngspice"]
fn every_circuit_stays_within_its_limits() {
    let limits = limits();
    let mut wrong = Vec::new();
    for deck in DECKS {
        let done = Command::new("ngspice")
            .args(["-b", &format!("{deck}.cir")])
            .current_dir(spice())
            .output()
            .unwrap();
        let figures = figures(&String::from_utf8_lossy(&done.stdout));
        println!("\n{deck}");
        for limit in limits.iter().filter(|limit| limit.deck == deck) {
            let Some(values) = figures.get(&limit.name) else {
                wrong.push(format!("{deck}: {} was not printed", limit.name));
                continue;
            };
            let least = values.iter().copied().fold(f64::INFINITY, f64::min);
            let most = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
            let Limit { name, unit, min, max, source, .. } = limit;
            println!(
                "  {name:26} {least:>10.4} to {most:>10.4} {unit:4} within {min} to {max}, {} values: {source}",
                values.len()
            );
            if least < *min || most > *max {
                wrong.push(format!("{deck}: {name} is {least} to {most} {unit}, allowed {min} to {max}"));
            }
        }
        // Random draws that do not converge must not go unseen.
        let draws: BTreeSet<usize> = figures
            .iter()
            .filter(|(name, _)| name.starts_with("drawn"))
            .map(|(_, values)| values.len())
            .collect();
        assert!(draws.iter().all(|count| *count == 200 || *count == 40), "{deck}: {draws:?} draws");
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}
