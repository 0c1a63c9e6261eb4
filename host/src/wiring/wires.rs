//! From the sheet's terminals to numbered wires.

use std::collections::{BTreeMap, BTreeSet};

use super::terminals::{Block, COMMAND, ENCODER, FLAGS, READ_OUTS, contact};
use super::{AtRest, Cable, Line, Polarity, Wire};
use crate::sheet::{AxisSheet, BrakeDriver, FlagRole, Handling, Input, InputRole, Pair};
use crate::sheet::{CapKind, Polarity as State, nearly_the_same};

/// Every cable, its wires numbered in the order of the fixture's terminals.
pub(super) fn cables(sheet: &AxisSheet) -> Vec<Cable> {
    let mut cables = vec![command(sheet), encoder(sheet)];
    cables.extend(flags(sheet));
    cables.push(contacts(sheet));
    cables.extend(read_outs(sheet));
    number(&mut cables);
    cables
}

fn wire(fixture: &'static str, amplifier: &str, signal: String, polarity: Polarity) -> Wire {
    Wire {
        number: 0,
        fixture,
        amplifier: amplifier.to_owned(),
        signal,
        polarity,
        at_rest: None,
        delivered_unwired: false,
        shared_with: Vec::new(),
        note: String::new(),
    }
}

/// A twisted pair of an analog or line-driver signal.
fn twisted(fixture: [&'static str; 2], pair: &Pair, names: [&str; 2]) -> Line {
    Line::Pair {
        first: wire(fixture[0], &pair.positive, names[0].to_owned(), Polarity::Positive),
        second: wire(fixture[1], &pair.negative, names[1].to_owned(), Polarity::Negative),
        twisted: true,
    }
}

fn command(sheet: &AxisSheet) -> Cable {
    let [positive, negative, screen] = COMMAND;
    let mut line = twisted([positive, negative], &sheet.wiring.command, ["command +", "command \u{2212}"]);
    if let Line::Pair { second, .. } = &mut line {
        // Half the command arrives when only one side is connected: twice or half the gain.
        "differential: to its own terminal, not to 0 V".clone_into(&mut second.note);
    }
    Cable { block: Block::Command, name: "command", screen: Some(screen), lines: vec![line] }
}

fn encoder(sheet: &AxisSheet) -> Cable {
    let [a, a_inverted, b, b_inverted, z, z_inverted, ground, screen] = ENCODER;
    let wiring = &sheet.wiring;
    let mut zero =
        wire(ground, &wiring.signal_ground, "0 V of the encoder pairs".to_owned(), Polarity::Reference);
    "without it counts are lost at speed".clone_into(&mut zero.note);
    Cable {
        block: Block::Encoder,
        name: "encoder",
        screen: Some(screen),
        lines: vec![
            twisted([a, a_inverted], &wiring.phase_a, ["phase A", "phase A inverted"]),
            twisted([b, b_inverted], &wiring.phase_b, ["phase B", "phase B inverted"]),
            twisted([z, z_inverted], &wiring.index, ["index Z", "index Z inverted"]),
            Line::Single(zero),
        ],
    }
}

fn flags(sheet: &AxisSheet) -> Option<Cable> {
    let mut flags: Vec<_> = sheet.flags.iter().collect();
    flags.sort_by_key(|flag| flag.fixture_input);
    let lines: Vec<_> = flags
        .into_iter()
        .filter_map(|flag| {
            // The parser allows 0 to 7 only.
            let [collector, emitter] = *FLAGS.get(usize::from(flag.fixture_input))?;
            let name = flag.role.words();
            let mut first = wire(collector, &flag.terminal, format!("{name}, collector"), Polarity::Positive);
            let mut second =
                wire(emitter, &flag.common_terminal, format!("{name}, emitter"), Polarity::Negative);
            first.at_rest = Some(at_rest(flag.active));
            first.note = match flag.active {
                State::Open => "opens when active".to_owned(),
                State::Conducting => "conducts when active".to_owned(),
            };
            if flag.role == FlagRole::BrakeRelease {
                "listens only: the brake's driver stays connected".clone_into(&mut second.note);
            }
            Some(Line::Pair { first, second, twisted: false })
        })
        .collect();
    (!lines.is_empty()).then_some(Cable { block: Block::Flags, name: "flags", screen: None, lines })
}

const fn at_rest(active: State) -> AtRest {
    match active {
        State::Open => AtRest::Closed,
        State::Conducting => AtRest::Open,
    }
}

fn contacts(sheet: &AxisSheet) -> Cable {
    let lines = InputRole::ALL.into_iter().filter_map(|role| sheet.input(role)).map(input).collect();
    Cable { block: Block::Contacts, name: "contacts", screen: None, lines }
}

fn input(input: &Input) -> Line {
    let [one, other] = contact(input.role);
    let name = input.role.words().replace('-', "\u{2212}");
    let mut first = wire(one, &input.terminal, name.clone(), Polarity::Either);
    let mut second = wire(other, &input.common_terminal, format!("{name}, common"), Polarity::Either);
    first.at_rest = Some(at_rest(input.active));
    first.delivered_unwired = input.delivered_unwired;
    second.delivered_unwired = input.delivered_unwired;
    let mut notes = Vec::new();
    if input.role == InputRole::Enable && input.active == State::Open {
        notes.push("ENABLED WHILE OPEN, also with this wire off");
    }
    if input.handling == Handling::Ignored {
        notes.push("amplifier must ignore it");
    }
    first.note = notes.join("; ");
    if input.delivered_unwired {
        "delivered unwired: pair off before handover".clone_into(&mut second.note);
    }
    Line::Pair { first, second, twisted: false }
}

fn read_outs(sheet: &AxisSheet) -> Vec<Cable> {
    let torque = sheet.torque_read_out.as_ref().map(|out| {
        (
            "torque read-out",
            &out.terminal,
            &out.common_terminal,
            out.volts_at_rated.get(),
            "V at rated torque",
        )
    });
    let speed = sheet.speed_read_out.as_ref().map(|out| {
        let volts = out.volts_per_thousand_rpm.get();
        ("speed read-out", &out.terminal, &out.common_terminal, volts, "V per 1000 rpm")
    });
    [torque, speed]
        .into_iter()
        .zip(READ_OUTS)
        .filter_map(|(read_out, [signal, common, screen])| {
            let (name, terminal, common_terminal, volts, scale) = read_out?;
            let pair = Pair { positive: terminal.clone(), negative: common_terminal.clone() };
            let mut line = twisted([signal, common], &pair, [name, &format!("{name}, common")]);
            if let Line::Pair { first, .. } = &mut line {
                first.note = format!("{volts} {scale}");
            }
            Some(Cable { block: Block::ReadOuts, name, screen: Some(screen), lines: vec![line] })
        })
        .collect()
}

/// Numbers the wires and says which of them meet at one terminal.
fn number(cables: &mut [Cable]) {
    let mut at: BTreeMap<String, Vec<usize>> = BTreeMap::new();
    let mut next = 0;
    for wire in wires_mut(cables) {
        next += 1;
        wire.number = next;
        at.entry(wire.amplifier.clone()).or_default().push(next);
    }
    for wire in wires_mut(cables) {
        let others = at.get(&wire.amplifier).into_iter().flatten().copied();
        wire.shared_with = others.filter(|other| *other != wire.number).collect();
    }
}

fn wires_mut(cables: &mut [Cable]) -> impl Iterator<Item = &mut Wire> {
    cables.iter_mut().flat_map(|cable| cable.lines.iter_mut()).flat_map(|line| {
        let (first, second) = match line {
            Line::Single(wire) => (wire, None),
            Line::Pair { first, second, .. } => (first, Some(second)),
        };
        std::iter::once(first).chain(second)
    })
}

/// What to know before a terminal of this axis is touched.
#[must_use]
pub fn cautions(sheet: &AxisSheet) -> Vec<String> {
    let mut all: Vec<String> = [
        "Supply off, and the discharge time on the amplifier's label kept, before any terminal is touched. The \
         maker's instructions and local codes come first; licensed work is for licensed persons.",
        "Wire only the terminals shown. Leave the amplifier's torque-off inputs as its maker says: the fixture is no \
         safety component and never bridges them.",
        "A separate emergency stop that cuts the supply must be within reach. Opening enable is not removal of power \
         (stop categories: IEC 60204-1).",
        "Check + and \u{2212} of every open collector before power: the wrong way round its flag never changes, and it may be damaged.",
        "The contacts are dry: the amplifier's input supply must be present, and is not drawn here.",
    ]
    .into_iter()
    .map(str::to_owned)
    .collect();
    if sheet.enable.brake != BrakeDriver::None {
        all.push(
            "The brake keeps its own driver; the fixture listens in parallel and never feeds a brake."
                .to_owned(),
        );
    }
    if sheet.cap.kind == CapKind::AnalogInput {
        all.push(
            "The speed limit is a second analog input, which the fixture does not drive: left open it is 0 rpm. Feed \
             it as on the machine."
                .to_owned(),
        );
    }
    if sheet.input(InputRole::Enable).is_some_and(|enable| enable.active == State::Open) {
        all.push(
            "ENABLE IS ACTIVE WHILE OPEN: the amplifier is enabled by a broken wire, by the fixture without power and \
             with the connector off."
                .to_owned(),
        );
    }
    all.extend(doubtful(sheet));
    all
}

/// Labels that differ by capitals or spaces only. A sheet may have them, some amplifiers do; a slip has them too, and
/// then two wires are drawn to one terminal as if they were apart.
pub(super) fn doubtful(sheet: &AxisSheet) -> Vec<String> {
    let labels: BTreeSet<String> = sheet.terminals().into_iter().map(|terminal| terminal.label).collect();
    let labels: Vec<_> = labels.iter().collect();
    let pairs =
        labels.iter().enumerate().flat_map(|(n, one)| labels[n + 1..].iter().map(move |other| (one, other)));
    pairs
        .filter(|(one, other)| nearly_the_same(one, other))
        .map(|(one, other)| {
            format!(
                "ONE TERMINAL OR TWO? \"{one}\" and \"{other}\" differ by capitals or spaces only and are taken for two: \
                 look at the amplifier, and write both alike if they are one."
            )
        })
        .collect()
}
