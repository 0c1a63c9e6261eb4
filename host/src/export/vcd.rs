//! Value change dump (IEEE 1364-2001, clause 18): flags, index and state over time in microseconds.
//!
//! Changes stand at the times that the fixture stamped on its events, finer than its samples. A flag is 1 while its pair
//! conducts.

use std::io::Write;

use ::vcd::{IdCode, SimulationCommand, TimescaleUnit, Value, Writer};
use proofstand_protocol::message::{Event, State};

use super::{ExportError, Recorded, damage};

/// Length of the mark that stands for a latched index: it says when, not how wide the index is.
const INDEX_MARK_US: u64 = 100;
/// States with a wire of their own, 1 while the fixture is in it.
const STATES: [(&str, State); 7] = [
    ("state_safe", State::Safe),
    ("state_armed", State::Armed),
    ("state_enabling", State::Enabling),
    ("state_live", State::Live),
    ("state_tripped", State::Tripped),
    ("state_calibrating", State::Calibrating),
    ("state_opened", State::Opened),
];

/// Writes the signals; time 0 is the first thing that is known.
///
/// # Errors
/// [`ExportError::Write`].
pub fn vcd(of: &Recorded<'_>, to: impl Write) -> Result<(), ExportError> {
    let first_sample = of.samples.samples.first();
    let start = of.events.iter().map(|e| e.at.0).chain(first_sample.map(|s| s.at.0)).min().unwrap_or(0);

    let mut out = Writer::new(to);
    out.version(concat!("proofstand ", env!("CARGO_PKG_VERSION")))?;
    out.comment(&format!("{} run {}", of.kind(), text(of.id)))?;
    out.comment(&format!(
        "time 0 is {start} us on the fixture's clock; a flag is 1 while its pair conducts"
    ))?;
    out.comment(&format!(
        "index is a mark of {INDEX_MARK_US} us where the index was latched, not the width of the index"
    ))?;
    out.comment("burst_a, burst_b, burst_z are the raw lines while a burst takes them, else x")?;
    if let Some(damage) = damage(of.samples) {
        out.comment(&damage)?;
    }
    out.timescale(1, TimescaleUnit::US)?;
    out.add_module("fixture")?;
    let mut wires =
        Wires { flags: Vec::new(), index: IdCode::FIRST, states: Vec::new(), lines: [IdCode::FIRST; 3] };
    for flag in &of.flags {
        wires.flags.push(out.add_wire(1, flag)?);
    }
    wires.index = out.add_wire(1, "index")?;
    for (name, _) in STATES {
        wires.states.push(out.add_wire(1, name)?);
    }
    for (wire, name) in wires.lines.iter_mut().zip(["burst_a", "burst_b", "burst_z"]) {
        *wire = out.add_wire(1, name)?;
    }
    out.upscope()?;
    out.enddefinitions()?;

    out.timestamp(0)?;
    out.begin(SimulationCommand::Dumpvars)?;
    for &wire in wires.flags.iter().chain(&wires.states).chain(&wires.lines) {
        out.change_scalar(wire, Value::X)?;
    }
    out.change_scalar(wires.index, Value::V0)?;
    out.end()?;

    let mut last_time = 0;
    let mut last: Vec<(IdCode, Value)> = vec![(wires.index, Value::V0)];
    for (at, wire, value) in changes(of, &wires) {
        let known = last.iter_mut().find(|(w, _)| *w == wire);
        match known {
            Some((_, v)) if *v == value => continue,
            Some((_, v)) => *v = value,
            None => last.push((wire, value)),
        }
        let time = at.saturating_sub(start);
        if time != last_time {
            out.timestamp(time)?;
            last_time = time;
        }
        out.change_scalar(wire, value)?;
    }
    // The end of the last state: without it a reader can't tell how long it lasted.
    let end = of.samples.samples.last().map_or(0, |s| s.at.0.saturating_sub(start));
    if end > last_time {
        out.timestamp(end)?;
    }
    Ok(out.flush()?)
}

struct Wires {
    flags: Vec<IdCode>,
    index: IdCode,
    states: Vec<IdCode>,
    /// A, B and Z while a burst takes them.
    lines: [IdCode; 3],
}

/// Every change in the order of time: what the first sample shows, then what events say.
fn changes(of: &Recorded<'_>, wires: &Wires) -> Vec<(u64, IdCode, Value)> {
    let mut all = Vec::new();
    let level = |on: bool| if on { Value::V1 } else { Value::V0 };
    let state = |all: &mut Vec<_>, at: u64, now: State| {
        for (wire, (_, state)) in wires.states.iter().zip(STATES) {
            all.push((at, *wire, level(now == state)));
        }
    };
    if let Some(first) = of.samples.samples.first() {
        for (n, wire) in wires.flags.iter().enumerate() {
            all.push((first.at.0, *wire, level(first.flags >> n & 1 == 1)));
        }
        state(&mut all, first.at.0, first.state);
    }
    for event in of.events {
        match event.event {
            Event::Flag { input, conducting } => {
                if let Some(wire) = wires.flags.get(usize::from(input)) {
                    all.push((event.at.0, *wire, level(conducting)));
                }
            }
            Event::Index { .. } => {
                all.push((event.at.0, wires.index, Value::V1));
                all.push((event.at.0.saturating_add(INDEX_MARK_US), wires.index, Value::V0));
            }
            Event::StateChanged { state: now, .. } => state(&mut all, event.at.0, now),
            _ => {}
        }
    }
    for burst in of.samples.bursts.iter().filter(|b| b.first.is_some()) {
        for (n, lines) in burst.lines().iter().enumerate() {
            for (line, wire) in wires.lines.iter().enumerate() {
                all.push((burst.at_us(n), *wire, level(lines >> line & 1 == 1)));
            }
        }
        if !burst.lines().is_empty() {
            let end = burst.at_us(burst.lines().len());
            all.extend(wires.lines.iter().map(|wire| (end, *wire, Value::X)));
        }
    }
    // Stable: of two changes at one time the later said counts.
    all.sort_by_key(|(at, _, _)| *at);
    all
}

/// A comment ends at `$end`; a name must not.
pub(super) fn text(name: &str) -> String {
    name.chars().filter(|c| c.is_ascii_graphic() && *c != '$').collect()
}
