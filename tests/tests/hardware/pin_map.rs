//! `hardware/pins.toml`, as read.

/// A wire with a number (GPIO, bit or channel) or a name (terminal).
pub struct Wire {
    pub number: i64,
    pub name: String,
    pub role: String,
    pub net: String,
    pub safe: Option<String>,
}

/// The whole pin map.
pub struct PinMap {
    pub pins: Vec<Wire>,
    pub register_out: Vec<Wire>,
    pub register_in: Vec<Wire>,
    pub channels: Vec<Wire>,
    pub terminals: Vec<Wire>,
}

impl PinMap {
    /// Pins without a net (the module's own light) are left out.
    pub fn parse(text: &str) -> Self {
        let table: toml::Table = text.parse().unwrap();
        let wires = |kind: &str, number: &str| -> Vec<Wire> {
            let text = |wire: &toml::Value, key: &str| {
                wire.get(key).and_then(toml::Value::as_str).map(str::to_owned)
            };
            table[kind]
                .as_array()
                .unwrap()
                .iter()
                .filter(|wire| wire.get("net").is_some())
                .map(|wire| Wire {
                    number: wire.get(number).and_then(toml::Value::as_integer).unwrap_or(-1),
                    name: text(wire, "name").unwrap_or_default(),
                    role: text(wire, "role").unwrap(),
                    net: text(wire, "net").unwrap(),
                    safe: text(wire, "safe"),
                })
                .collect()
        };
        Self {
            pins: wires("pin", "gpio"),
            register_out: wires("register_out", "bit"),
            register_in: wires("register_in", "bit"),
            channels: wires("channel", "number"),
            terminals: wires("terminal", "name"),
        }
    }
}
