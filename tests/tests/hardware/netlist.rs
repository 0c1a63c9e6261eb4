//! KiCad's netlist and symbol library, as read, and small changes to a copy.

use std::collections::BTreeMap;

/// A node of an S-expression.
enum Node {
    Text(String),
    List(Vec<Node>),
}

impl Node {
    fn list(&self) -> &[Node] {
        if let Self::List(list) = self { list } else { &[] }
    }

    fn text(&self) -> &str {
        if let Self::Text(text) = self { text } else { "" }
    }

    fn head(&self) -> &str {
        self.list().first().map_or("", Node::text)
    }

    fn all<'a>(&'a self, head: &str) -> impl Iterator<Item = &'a Node> {
        self.list().iter().filter(move |node| node.head() == head)
    }

    /// The text after a head, e.g. the 7 of `(pin "7")`.
    fn value(&self, head: &str) -> &str {
        self.all(head).next().and_then(|node| node.list().get(1)).map_or("", Node::text)
    }
}

fn parse(text: &str) -> Node {
    let mut open: Vec<Vec<Node>> = vec![Vec::new()];
    let mut letters = text.chars().peekable();
    while let Some(letter) = letters.next() {
        match letter {
            '(' => open.push(Vec::new()),
            ')' => {
                let done = open.pop().unwrap();
                open.last_mut().unwrap().push(Node::List(done));
            }
            '"' => {
                let mut word = String::new();
                while let Some(inner) = letters.next() {
                    match inner {
                        '"' => break,
                        '\\' => word.extend(letters.next()),
                        other => word.push(other),
                    }
                }
                open.last_mut().unwrap().push(Node::Text(word));
            }
            space if space.is_whitespace() => {}
            first => {
                let mut word = String::from(first);
                while let Some(next) = letters.next_if(|c| !c.is_whitespace() && !"()\"".contains(*c)) {
                    word.push(next);
                }
                open.last_mut().unwrap().push(Node::Text(word));
            }
        }
    }
    open.pop().unwrap().pop().unwrap()
}

/// A part and its fields.
#[derive(Debug, Clone)]
pub(crate) struct Part {
    pub(crate) value: String,
    pub(crate) symbol: String,
    pub(crate) fields: BTreeMap<String, String>,
}

impl Part {
    pub(crate) fn field(&self, name: &str) -> &str {
        self.fields.get(name).map_or("", String::as_str)
    }
}

/// Parts, and the net that each pin is on.
#[derive(Debug, Clone)]
pub(crate) struct Netlist {
    pub(crate) parts: BTreeMap<String, Part>,
    pub(crate) pins: BTreeMap<(String, String), String>,
}

pub(crate) type PinOf<'a> = (&'a str, &'a str);

impl Netlist {
    pub(crate) fn parse(text: &str) -> Self {
        let root = parse(text);
        let section = |name| root.all(name).next().unwrap();
        let parts = section("components").all("comp").map(|comp| {
            let fields = comp.all("fields").flat_map(|fields| fields.all("field"));
            let fields = fields
                .map(|f| (f.value("name").to_owned(), f.list().get(2).map_or("", Node::text).to_owned()));
            let symbol = comp.all("libsource").next().unwrap().value("part").to_owned();
            (
                comp.value("ref").to_owned(),
                Part { value: comp.value("value").to_owned(), symbol, fields: fields.collect() },
            )
        });
        let mut pins = BTreeMap::new();
        for net in section("nets").all("net") {
            for node in net.all("node") {
                pins.insert(
                    (node.value("ref").to_owned(), node.value("pin").to_owned()),
                    net.value("name").to_owned(),
                );
            }
        }
        Self { parts: parts.collect(), pins }
    }

    /// The net of a pin; empty: none.
    pub(crate) fn net(&self, (part, pin): PinOf<'_>) -> &str {
        self.pins.get(&(part.to_owned(), pin.to_owned())).map_or("", String::as_str)
    }

    /// Pins of a part with their nets.
    pub(crate) fn of<'a>(&'a self, part: &'a str) -> impl Iterator<Item = (&'a str, &'a str)> {
        self.pins
            .iter()
            .filter(move |((p, _), _)| p == part)
            .map(|((_, pin), net)| (pin.as_str(), net.as_str()))
    }

    /// Parts with a pin on a net.
    pub(crate) fn on<'a>(&'a self, net: &'a str) -> impl Iterator<Item = (&'a str, &'a str)> {
        self.pins.iter().filter(move |(_, n)| *n == net).map(|((part, pin), _)| (part.as_str(), pin.as_str()))
    }

    /// A net's full name: pages put their path before it.
    pub(crate) fn full(&self, name: &str) -> String {
        let ends = format!("/{name}");
        self.pins.values().find(|net| *net == name || net.ends_with(&ends)).cloned().unwrap_or_default()
    }

    pub(crate) fn connect(&mut self, (part, pin): PinOf<'_>, net: &str) {
        assert!(self.parts.contains_key(part), "{part}");
        self.pins.insert((part.to_owned(), pin.to_owned()), net.to_owned());
    }

    pub(crate) fn disconnect(&mut self, (part, pin): PinOf<'_>) {
        self.pins.remove(&(part.to_owned(), pin.to_owned())).unwrap();
    }

    pub(crate) fn swap(&mut self, one: PinOf<'_>, other: PinOf<'_>) {
        let (a, b) = (self.net(one).to_owned(), self.net(other).to_owned());
        self.connect(one, &b);
        self.connect(other, &a);
    }

    /// Makes one net of two.
    pub(crate) fn join(&mut self, one: &str, other: &str) {
        let mut found = 0;
        for net in self.pins.values_mut().filter(|net| *net == other) {
            one.clone_into(net);
            found += 1;
        }
        assert!(found > 0, "{other}");
    }

    pub(crate) fn merge(&mut self, one: PinOf<'_>, other: PinOf<'_>) {
        let (a, b) = (self.net(one).to_owned(), self.net(other).to_owned());
        self.join(&a, &b);
    }

    pub(crate) fn remove(&mut self, part: &str) {
        self.parts.remove(part).unwrap();
        self.pins.retain(|(p, _), _| p != part);
    }

    pub(crate) fn set(&mut self, part: &str, field: &str, text: &str) {
        let part = self.parts.get_mut(part).unwrap();
        text.clone_into(&mut part.value);
        if field != "Value" {
            part.fields.insert(field.to_owned(), text.to_owned());
        }
    }
}

/// A symbol library: pins' names by number.
pub(crate) struct Library(Node);

impl Library {
    pub(crate) fn parse(text: &str) -> Self {
        Self(parse(text))
    }

    pub(crate) fn pins(&self, name: &str) -> BTreeMap<String, String> {
        let symbol =
            self.0.all("symbol").find(|s| s.list()[1].text() == name).unwrap_or_else(|| panic!("no {name}"));
        if let Some(base) = symbol.all("extends").next() {
            return self.pins(base.list()[1].text());
        }
        let units = symbol.all("symbol").flat_map(|unit| unit.all("pin"));
        units.map(|pin| (pin.value("number").to_owned(), pin.value("name").to_owned())).collect()
    }
}
