//! `hardware/pins.toml`, as read.

/// A wire with a number (GPIO, bit or channel) or a name (terminal).
pub(crate) struct Wire {
    pub(crate) number: i64,
    pub(crate) name: String,
    pub(crate) role: String,
    pub(crate) net: String,
    pub(crate) safe: Option<String>,
}

/// The whole pin map.
pub(crate) struct PinMap {
    pub(crate) pins: Vec<Wire>,
    pub(crate) register_out: Vec<Wire>,
    pub(crate) register_in: Vec<Wire>,
    pub(crate) channels: Vec<Wire>,
    pub(crate) terminals: Vec<Wire>,
}

impl PinMap {
    /// Pins without a net (the module's own light) are left out.
    pub(crate) fn parse(text: &str) -> Self {
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
