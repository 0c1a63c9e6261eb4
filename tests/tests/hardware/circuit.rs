//! What conducts to what, for a state of contacts and controls: a circuit as the logic of its paths.
//!
//! Resistors up to 10 kΩ, fuses, inductors, closed contacts, coils and forward diodes conduct. Transistors and couplers
//! conduct when their control does. Rails end a path: what lies behind a rail is not reached through it.

use std::collections::{BTreeMap, BTreeSet};

use super::netlist::Netlist;

const RAILS: [&str; 8] = ["+24V", "0V24", "+5V", "+3V3", "GND", "+15V", "-15V", "+5VA"];

/// What somebody or the firmware does. All true: motion is allowed.
#[derive(Debug, Clone, Copy)]
pub(crate) struct State {
    pub(crate) stop: bool,
    pub(crate) hold: bool,
    pub(crate) guard: bool,
    pub(crate) request: bool,
    pub(crate) alive: bool,
    pub(crate) change_over: bool,
}

impl State {
    pub(crate) const ALL: Self =
        Self { stop: true, hold: true, guard: true, request: true, alive: true, change_over: true };
}

/// A netlist in a state, with what has settled.
pub(crate) struct Circuit<'a> {
    net: &'a Netlist,
    state: State,
    /// Forced open, for the question what happens if only this opens.
    open: Vec<&'static str>,
    conducts: BTreeSet<String>,
}

impl<'a> Circuit<'a> {
    pub(crate) fn settle(net: &'a Netlist, state: State, open: &[&'static str]) -> Self {
        let mut circuit = Self { net, state, open: open.to_vec(), conducts: BTreeSet::new() };
        for _ in 0..8 {
            let mut conducts = BTreeSet::new();
            for (name, part) in &net.parts {
                let driven = match part.symbol.as_str() {
                    "Coupler" | "PhotoRelay" => circuit.lit(name, "1", "2"),
                    "RelayGuided" => circuit.lit(name, "A1", "A2"),
                    "RelayDPDT" => circuit.lit(name, "1", "8"),
                    "NMOS" => circuit.gate(net.net((name, "1"))),
                    _ => false,
                };
                if driven && !circuit.open.contains(&name.as_str()) {
                    conducts.insert(name.clone());
                }
            }
            if conducts == circuit.conducts {
                return circuit;
            }
            circuit.conducts = conducts;
        }
        panic!("the circuit does not settle");
    }

    pub(crate) fn driven(&self, part: &str) -> bool {
        self.conducts.contains(part)
    }

    /// Whether two nets are connected, without the help of a part.
    pub(crate) fn connected(&self, from: &str, to: &str, without: &str) -> bool {
        self.reaches(from, to, without, "")
    }

    /// The same, and not through a net.
    fn reaches(&self, from: &str, to: &str, without: &str, avoid: &str) -> bool {
        let edges = self.edges(without);
        let mut seen = BTreeSet::from([from.to_owned(), avoid.to_owned()]);
        let mut waiting = vec![from.to_owned()];
        while let Some(net) = waiting.pop() {
            if net == to {
                return true;
            }
            if net != from && RAILS.contains(&net.as_str()) {
                continue;
            }
            for next in edges.get(&net).into_iter().flatten() {
                if seen.insert(next.clone()) {
                    waiting.push(next.clone());
                }
            }
        }
        false
    }

    /// Current flows from a supply through a part's two pins to the supply's other side. A register's output that is
    /// on is a supply.
    fn lit(&self, part: &str, plus: &str, minus: &str) -> bool {
        let (plus, minus) = (self.net.net((part, plus)), self.net.net((part, minus)));
        if plus.is_empty() || minus.is_empty() {
            return false;
        }
        // Not through its own other side: a diode across a coil is no way to ground.
        let on = |supply: &str, ground: &str| {
            self.reaches(supply, plus, part, minus) && self.reaches(minus, ground, part, plus)
        };
        let output = self.state.change_over && self.state.alive && on("/CHANGE_OVER", "GND");
        on("+24V", "0V24") || on("+5V", "GND") || output
    }

    fn gate(&self, net: &str) -> bool {
        match net {
            "/ENABLE_REQUEST" => self.state.request,
            "/chain/ALIVE" => self.state.alive,
            // A gate behind a coupler is on when it is connected to the supply of the chain.
            net => self.connected("+24V", net, ""),
        }
    }

    fn edges(&self, without: &str) -> BTreeMap<String, Vec<String>> {
        let mut edges: BTreeMap<String, Vec<String>> = BTreeMap::new();
        let mut edge = |a: &str, b: &str, both: bool| {
            if a.is_empty() || b.is_empty() {
                return;
            }
            edges.entry(a.to_owned()).or_default().push(b.to_owned());
            if both {
                edges.entry(b.to_owned()).or_default().push(a.to_owned());
            }
        };
        for (name, part) in &self.net.parts {
            if name == without {
                continue;
            }
            let net = |pin: &str| self.net.net((name, pin));
            let (on, open) = (self.driven(name), self.open.contains(&name.as_str()));
            match part.symbol.as_str() {
                "R" if super::rules::ohms(&part.value).is_some_and(|ohms| ohms <= 10_000.0) => {
                    edge(net("1"), net("2"), true)
                }
                "PTC" | "L" => edge(net("1"), net("2"), true),
                "D" | "LED" | "D_Schottky" => edge(net("2"), net("1"), false),
                "Coupler" => {
                    edge(net("1"), net("2"), false);
                    edge(net("4"), if on { net("3") } else { "" }, true);
                }
                "PhotoRelay" => {
                    edge(net("1"), net("2"), false);
                    edge(net("4"), if on { net("3") } else { "" }, true);
                }
                "NMOS" if on => edge(net("3"), net("2"), true),
                "RelayGuided" => {
                    edge(net("A1"), net("A2"), true);
                    edge(net("13"), if on && !open { net("14") } else { "" }, true);
                    edge(net("23"), if on && !open { net("24") } else { "" }, true);
                    edge(net("31"), if on { "" } else { net("32") }, true);
                }
                "RelayDPDT" => {
                    edge(net("1"), net("8"), true);
                    edge(net("3"), if on { net("4") } else { net("2") }, true);
                    edge(net("6"), if on { net("5") } else { net("7") }, true);
                }
                "Terminals_S" => {
                    edge(net("1"), if self.state.stop { net("2") } else { "" }, true);
                    edge(net("3"), if self.state.hold { net("4") } else { "" }, true);
                    edge(net("5"), if self.state.guard { net("6") } else { "" }, true);
                }
                _ => {}
            }
        }
        edges
    }
}
