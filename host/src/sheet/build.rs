//! Checked values to the typed sheet, and what can't stand beside each other.

use std::collections::BTreeMap;

use proofstand_units::{
    Degrees, Hertz, Joules, KilogramSquareMetres, Kilograms, Metres, NativePerRev, NewtonMetres, Percent,
    PulsesPerRev, Rpm, Seconds, Volts,
};

use super::conduct::{Amplifier, Bench, BenchChange, Cap, Enable, Regeneration, Tolerances};
use super::document::{Document, Table, fallback, stated_whole};
use super::error::{Fault, FaultKind};
use super::model::{
    Axis, AxisSheet, Basis, Command, CommandPair, Disc, DiscSource, Encoder, Inertia, Motor, Stated,
};
use super::settings::{settings, strange};
use super::signals::{
    Direction, Display, Flag, Handling, Input, InputRole, Pair, SpeedReadOut, TorqueReadOut, Wiring,
};
use super::words::{DecisionWord, Mode};
use crate::metrology::{DecisionRule, Risk};

/// The sheet, or every fault in the order of the text.
pub(super) fn build(mut document: Document) -> Result<AxisSheet, Vec<Fault>> {
    let sheet = assemble(&mut document);
    let mut faults = document.faults;
    match sheet {
        Some(sheet) if faults.is_empty() => Ok(sheet),
        _ => {
            faults.sort_by_key(|fault| (fault.span.start, fault.span.end));
            Err(faults)
        }
    }
}

/// `None` only where a fault is noted.
fn assemble(document: &mut Document) -> Option<AxisSheet> {
    // Everything is read before anything is given up, so that contradictions are found beside other faults.
    let mut clashes = Clashes::default();
    let mut motor = document.one("motor").and_then(|table| motor(table, &mut clashes));
    let measured_inertia = document
        .one("measured_inertia")
        .map(|table| motor.as_mut().and_then(|motor| measured_inertia(table, motor)));
    let disc = document.one("disc").map(|table| disc(table, &mut clashes));
    let command = document.one("command").and_then(|table| command(table, &mut clashes));
    let encoder = document.one("encoder").and_then(|table| encoder(table, &mut clashes));
    let cap =
        document.one("cap").and_then(|table| cap(table, motor.as_ref(), disc.flatten_ref(), &mut clashes));
    let flags: Vec<_> = document.all("flag").iter().map(flag).collect();
    let inputs: Vec<_> = document.all("input").iter().map(|table| input(table, &mut clashes)).collect();
    let bench = document.one("bench").and_then(|table| bench(table, &mut clashes));
    let bench_changes: Vec<_> = document.all("bench_change").iter().map(bench_change).collect();
    let torque_read_out = document.one("torque_read_out").map(torque_read_out);
    let speed_read_out = document.one("speed_read_out").map(speed_read_out);
    let display = document.one("display").map(display);
    let decision = document.one("decision").map(|table| decision(table, &mut clashes));
    speed_response(document, &mut clashes);
    unique(document, &mut clashes);
    let settings = settings(document, &mut clashes.0);
    if !document.all("input").is_empty()
        && !document
            .all("input")
            .iter()
            .any(|table| !table.has("role") || table.word("role") == Some(InputRole::Enable))
    {
        let header = document.all("input").first().map_or(0..0, |table| table.header.clone());
        clashes.0.push(Fault {
            kind: FaultKind::Missing,
            span: header,
            key: "input.role".to_owned(),
            why: "no input has the role \"enable\"".to_owned(),
            help: Some("without enable the fixture could not take torque away; add an [[input]]".to_owned()),
        });
    }
    document.faults.append(&mut clashes.0);
    let tolerances = tolerances(document.one("tolerances"), motor.as_ref(), disc.flatten_ref());
    let decision = decision.unwrap_or(Some(DecisionRule::default()));
    let sheet = AxisSheet {
        axis: document.one("axis").and_then(axis)?,
        command: command?,
        motor: motor?,
        disc: optional(disc)?,
        encoder: encoder?,
        direction: document.one("direction").and_then(direction)?,
        cap: cap?,
        flags: flags.into_iter().collect::<Option<_>>()?,
        inputs: inputs.into_iter().collect::<Option<_>>()?,
        enable: document.one("enable").and_then(enable)?,
        bench: bench?,
        torque_read_out: optional(torque_read_out)?,
        speed_read_out: optional(speed_read_out)?,
        display: optional(display)?,
        measured_inertia: optional(measured_inertia)?,
        amplifier: amplifier(document.one("amplifier"))?,
        tolerances: tolerances?,
        decision: decision?,
        wiring: document.one("wiring").and_then(wiring)?,
        settings: settings?,
        bench_changes: bench_changes.into_iter().collect::<Option<_>>()?,
    };
    document.faults.extend(strange(document, &sheet));
    Some(sheet)
}

/// An optional table: outer `None` where it is written and wrong.
fn optional<T>(table: Option<Option<T>>) -> Option<Option<T>> {
    match table {
        None => Some(None),
        Some(None) => None,
        Some(read) => Some(read),
    }
}

trait FlattenRef<T> {
    fn flatten_ref(&self) -> Option<&T>;
}

impl<T> FlattenRef<T> for Option<Option<T>> {
    fn flatten_ref(&self) -> Option<&T> {
        self.as_ref().and_then(Option::as_ref)
    }
}

/// Contradictions found so far.
#[derive(Default)]
struct Clashes(Vec<Fault>);

impl Clashes {
    fn add(&mut self, table: &Table, key: &str, why: String, help: &str) {
        self.push(FaultKind::Contradiction, table, key, why, help);
    }

    fn missing(&mut self, table: &Table, key: &str, when: &str) {
        self.push(FaultKind::Missing, table, key, format!("is missing: needed when {when}"), "");
    }

    fn push(&mut self, kind: FaultKind, table: &Table, key: &str, why: String, help: &str) {
        let help = if help.is_empty() { None } else { Some(help.to_owned()) };
        self.0.push(Fault { kind, span: table.span(key), key: format!("{}.{key}", table.name()), why, help });
    }
}

fn axis(table: &Table) -> Option<Axis> {
    Some(Axis {
        title: table.text("title")?,
        customer: table.text("customer")?,
        notes: table.text("notes")?,
        invented: table.truth("invented")?,
    })
}

fn command(table: &Table, clashes: &mut Clashes) -> Option<Command> {
    let mode = table.word::<Mode>("mode")?;
    let (wanted, other, when) = match mode {
        Mode::Torque => ("pair_percent_of_rated_torque", "pair_rpm", "the mode is torque"),
        Mode::Speed => ("pair_rpm", "pair_percent_of_rated_torque", "the mode is speed"),
    };
    if table.has(other) {
        clashes.add(table, other, format!("can't be given when {when}"), &format!("give {wanted} instead"));
    }
    if !table.has(wanted) {
        clashes.missing(table, wanted, when);
    }
    let (volts, range) = (table.number("pair_volts"), table.number("input_range_volts"));
    if let (Some(volts), Some(range)) = (volts, range)
        && volts > range
    {
        let why = format!("{volts} V is above the amplifier's input range of {range} V");
        clashes.add(table, "pair_volts", why, "the amplifier could never be asked for this");
    }
    let (volts, amount) = (Volts::new(volts?), table.number(wanted)?);
    let pair = match mode {
        Mode::Torque => CommandPair::Torque { volts, percent_of_rated: Percent::new(amount) },
        Mode::Speed => CommandPair::Speed { volts, speed: Rpm::new(amount) },
    };
    Some(Command { pair, input_range: Volts::new(range?) })
}

fn decision(table: &Table, clashes: &mut Clashes) -> Option<DecisionRule> {
    const RISK: &str = "risk_percent";
    let word = table.word::<DecisionWord>("rule")?;
    if word != DecisionWord::SpecificRisk && table.has(RISK) {
        clashes.add(table, RISK, "says nothing with this rule".to_owned(), "only specific_risk has a risk");
    }
    match word {
        DecisionWord::Guarded => Some(DecisionRule::Guarded),
        DecisionWord::Simple => Some(DecisionRule::Simple),
        DecisionWord::SpecificRisk => {
            if !table.has(RISK) {
                clashes.missing(table, RISK, "the rule is specific_risk");
            }
            Risk::new(table.number(RISK)? / 100.0).ok().map(DecisionRule::SpecificRisk)
        }
    }
}

fn motor(table: &Table, clashes: &mut Clashes) -> Option<Motor> {
    at_least(table, "peak_torque_newton_metres", "rated_torque_newton_metres", clashes);
    at_least(table, "maximum_rpm", "rated_rpm", clashes);
    let (breakaway, running) =
        ("breakaway_percent_of_rated_torque", "running_friction_percent_of_rated_torque");
    at_least(table, breakaway, running, clashes);
    let bound = table.number(breakaway)?;
    let assumed = Stated { value: Percent::new(bound * 2.0 / 3.0), basis: Basis::Assumed };
    Some(Motor {
        rated_torque: NewtonMetres::new(table.number("rated_torque_newton_metres")?),
        peak_torque: NewtonMetres::new(table.number("peak_torque_newton_metres")?),
        rated_speed: Rpm::new(table.number("rated_rpm")?),
        maximum_speed: Rpm::new(table.number("maximum_rpm")?),
        rotor_inertia: KilogramSquareMetres::new(table.number("rotor_inertia_kilogram_square_metres")?),
        rotor_inertia_uncertainty: Percent::new(table.number("rotor_inertia_uncertainty_percent")?),
        catalogue_inertia: None,
        breakaway_bound: Percent::new(bound),
        running_friction: table.stated(running, Percent::new).unwrap_or(assumed),
    })
}

/// A key's number must not be below another's.
fn at_least(table: &Table, larger: &str, smaller: &str, clashes: &mut Clashes) {
    if let (Some(high), Some(low)) = (table.number(larger), table.number(smaller))
        && high < low
    {
        clashes.add(
            table,
            larger,
            format!("{high} is below {smaller}, which is {low}"),
            "one of the two is wrong",
        );
    }
}

fn disc(table: &Table, clashes: &mut Clashes) -> Option<Disc> {
    const GIVEN: &str = "inertia_kilogram_square_metres";
    const DIMENSIONS: [&str; 3] = ["mass_kilograms", "outer_radius_millimetres", "inner_radius_millimetres"];
    let (inertia, known_from) = if table.has(GIVEN) {
        for key in DIMENSIONS.into_iter().filter(|key| table.has(key)) {
            clashes.add(
                table,
                key,
                format!("can't be given beside {GIVEN}"),
                "give the inertia, or mass and radii",
            );
        }
        (table.number(GIVEN)?, DiscSource::Given)
    } else {
        for key in DIMENSIONS.into_iter().take(2).filter(|key| !table.has(key)) {
            clashes.missing(table, key, &format!("{GIVEN} is not given"));
        }
        let (outer, inner) =
            (table.number(DIMENSIONS[1])? * 1e-3, table.number(DIMENSIONS[2]).unwrap_or(0.0) * 1e-3);
        if inner >= outer {
            clashes.add(table, DIMENSIONS[2], "is not smaller than outer_radius_millimetres".to_owned(), "");
            return None;
        }
        let mass = table.number(DIMENSIONS[0])?;
        let (outer_radius, inner_radius) = (Metres::new(outer), Metres::new(inner));
        let dimensions = DiscSource::Dimensions { mass: Kilograms::new(mass), outer_radius, inner_radius };
        // Hollow cylinder about its axis: textbook formula, J = m·(r₁² + r₂²)/2.
        (0.5 * mass * (outer * outer + inner * inner), dimensions)
    };
    Some(Disc {
        inertia: KilogramSquareMetres::new(inertia),
        uncertainty: Percent::new(table.number("uncertainty_percent")?),
        known_from,
        maximum_speed: table.number("maximum_rpm").map(Rpm::new),
    })
}

fn encoder(table: &Table, clashes: &mut Clashes) -> Option<Encoder> {
    let (pulses, native) =
        (table.whole("pulses_per_revolution"), table.whole("native_positions_per_revolution"));
    if let (Some(pulses), Some(native)) = (pulses, native)
        && u64::from(pulses) * 4 > u64::from(native)
    {
        let counts = u64::from(pulses) * 4;
        let why = format!(
            "{pulses} pulses are {counts} counts in a revolution, more than the {native} native positions they are made from"
        );
        let help = "a pulse is four counts: was the number of counts written where pulses are asked for?";
        clashes.add(table, "pulses_per_revolution", why, help);
    }
    Some(Encoder {
        pulses: PulsesPerRev::new(pulses?),
        native: NativePerRev::new(native?),
        controller_pulse_rate: table
            .number("controller_pulse_rate_kilohertz")
            .map(|khz| Hertz::new(khz * 1e3)),
        controller_edge: table.number("controller_edge_nanoseconds").map(|ns| Seconds::new(ns * 1e-9)),
        phase_error: table.stated("phase_error_degrees", Degrees::new)?,
        start_up: table.stated("start_up_milliseconds", Seconds::from_millis)?,
    })
}

fn direction(table: &Table) -> Option<Direction> {
    Some(Direction {
        positive_command: table.word("positive_command_turns")?,
        seen_from: table.word("seen_from")?,
        positive_counts: table.word("positive_command_counts")?,
    })
}

fn cap(table: &Table, motor: Option<&Motor>, disc: Option<&Disc>, clashes: &mut Clashes) -> Option<Cap> {
    let speed = Rpm::new(table.number("rpm")?);
    let limits = [
        (motor.map(|motor| motor.maximum_speed), "motor's highest mechanical speed"),
        (disc.and_then(|disc| disc.maximum_speed), "disc's highest speed"),
    ];
    for (limit, name) in limits {
        if let Some(limit) = limit
            && speed > limit
        {
            let why = format!("{} rpm is above the {name} of {} rpm", speed.get(), limit.get());
            clashes.add(table, "rpm", why, "a cap above what the shaft may turn protects nothing");
        }
    }
    Some(Cap { speed, kind: table.word("kind")? })
}

fn flag(table: &Table) -> Option<Flag> {
    Some(Flag {
        role: table.word("role")?,
        terminal: table.text("terminal")?,
        common_terminal: table.text("common_terminal")?,
        fixture_input: u8::try_from(table.whole("fixture_input")?).ok()?,
        active: table.word("active")?,
    })
}

fn input(table: &Table, clashes: &mut Clashes) -> Option<Input> {
    let role: InputRole = table.word("role")?;
    if !matches!(role, InputRole::EndSwitchPositive | InputRole::EndSwitchNegative) {
        for key in ["handling", "delivered_unwired"] {
            let wrong = match key {
                "handling" => table.word(key) == Some(Handling::Ignored),
                _ => table.truth(key) == Some(true),
            };
            if wrong {
                let why = format!("only an end switch can have this, not the role \"{}\"", role.words());
                clashes.add(table, key, why, "");
            }
        }
    }
    Some(Input {
        role,
        terminal: table.text("terminal")?,
        common_terminal: table.text("common_terminal")?,
        active: table.word("active")?,
        handling: table.word("handling")?,
        delivered_unwired: table.truth("delivered_unwired")?,
    })
}

fn enable(table: &Table) -> Option<Enable> {
    Some(Enable {
        on_delay: Seconds::from_millis(table.number("on_delay_milliseconds")?),
        off: table.word("off")?,
        first_may_move: Degrees::new(table.number("first_may_move_degrees")?),
        brake: table.word("brake")?,
    })
}

fn bench_change(table: &Table) -> Option<BenchChange> {
    Some(BenchChange { kind: table.word("kind")?, what: table.text("what")?, undo: table.text("undo")? })
}

fn bench(table: &Table, clashes: &mut Clashes) -> Option<Bench> {
    let brake_resistor = table.truth("brake_resistor");
    if brake_resistor == Some(false) && !table.has("absorbs_joules") {
        clashes.missing(table, "absorbs_joules", "there is no brake resistor");
    }
    Some(Bench {
        mounting: table.word("mounting")?,
        control_power_separable: table.truth("control_power_separable")?,
        regeneration: Regeneration {
            absorbs: table.number("absorbs_joules").map(Joules::new),
            brake_resistor: brake_resistor?,
        },
    })
}

fn torque_read_out(table: &Table) -> Option<TorqueReadOut> {
    Some(TorqueReadOut {
        shows: table.word("shows")?,
        volts_at_rated: Volts::new(table.number("volts_at_rated_torque")?),
        scale_uncertainty: table.stated("scale_uncertainty_percent", Percent::new)?,
        terminal: table.text("terminal")?,
        common_terminal: table.text("common_terminal")?,
    })
}

fn display(table: &Table) -> Option<Display> {
    Some(Display {
        shows: table.word("torque_shows")?,
        step: Percent::new(table.number("step_percent_of_rated_torque")?),
    })
}

/// The measured inertia takes the catalogue's place in the motor; its provenance is kept.
fn measured_inertia(table: &Table, motor: &mut Motor) -> Option<String> {
    let value = KilogramSquareMetres::new(table.number("rotor_kilogram_square_metres")?);
    let uncertainty = Percent::new(table.number("uncertainty_percent")?);
    let catalogue = motor.rotor_inertia;
    let expanded = catalogue * (motor.rotor_inertia_uncertainty.get() / 100.0);
    motor.catalogue_inertia = Some(Inertia { value: catalogue, expanded });
    motor.rotor_inertia = value;
    motor.rotor_inertia_uncertainty = uncertainty;
    table.text("provenance")
}

fn speed_read_out(table: &Table) -> Option<SpeedReadOut> {
    Some(SpeedReadOut {
        volts_per_thousand_rpm: Volts::new(table.number("volts_per_thousand_rpm")?),
        terminal: table.text("terminal")?,
        common_terminal: table.text("common_terminal")?,
    })
}

fn amplifier(table: Option<&Table>) -> Option<Amplifier> {
    let millis = |key| match table {
        Some(table) => table.stated(key, Seconds::from_millis),
        None => fallback("amplifier", key, Seconds::from_millis),
    };
    Some(Amplifier {
        command_filter: millis("command_filter_milliseconds")?,
        torque_time_constant: millis("torque_time_constant_milliseconds")?,
        off_delay: millis("off_delay_milliseconds")?,
        ramp: millis("ramp_milliseconds_per_thousand_rpm")?,
        speed_time_constant: millis("speed_time_constant_milliseconds")?,
        speed_rise_time: table
            .and_then(|table| table.number("speed_rise_time_milliseconds"))
            .map(Seconds::from_millis),
    })
}

/// What says something of a speed loop only, and of one without a ramp before it.
fn speed_response(document: &Document, clashes: &mut Clashes) {
    let by_torque =
        document.one("command").and_then(|table| table.word::<Mode>("mode")) == Some(Mode::Torque);
    let Some(table) = document.one("amplifier") else { return };
    let ramp = table.number("ramp_milliseconds_per_thousand_rpm").filter(|ramp| *ramp > 0.0);
    for key in ["speed_time_constant_milliseconds", "speed_rise_time_milliseconds"] {
        if !table.has(key) {
            continue;
        }
        if by_torque {
            let why = "says nothing where the mode is torque".to_owned();
            clashes.add(table, key, why, "state torque_time_constant_milliseconds instead");
        } else if let Some(ramp) = ramp {
            let why = format!("can't be seen behind the amplifier's own ramp of {ramp} ms for 1000 rpm");
            clashes.add(table, key, why, "leave one of the two out; without the ramp a step shows the loop");
        }
    }
}

fn tolerances(table: Option<&Table>, motor: Option<&Motor>, disc: Option<&Disc>) -> Option<Tolerances> {
    fn stated<T>(table: Option<&Table>, key: &str, unit: fn(f64) -> T) -> Option<Stated<T>> {
        match table {
            Some(table) => table.stated(key, unit),
            None => fallback("tolerances", key, unit),
        }
    }
    let percent = |key| stated(table, key, Percent::new);
    let millis = |key| stated(table, key, Seconds::from_millis);
    // Common practice, no source: 10 % with a catalogue inertia, 5 % where a known disc dominates it.
    let known = motor.zip(disc).is_some_and(|(motor, disc)| disc.inertia >= motor.rotor_inertia * 2.0);
    let gain = Stated { value: Percent::new(if known { 5.0 } else { 10.0 }), basis: Basis::CommonPractice };
    Some(Tolerances {
        torque_gain: percent("torque_gain_percent").unwrap_or(gain),
        torque_gain_read_out: percent("torque_gain_read_out_percent")?,
        torque_gain_display: percent("torque_gain_display_percent")?,
        torque_offset: percent("torque_offset_percent_of_rated_torque")?,
        linearity: percent("linearity_percent")?,
        speed_gain: percent("speed_gain_percent")?,
        speed_offset: percent("speed_offset_percent_of_full_speed")?,
        cap: percent("cap_percent")?,
        cap_least: stated(table, "cap_least_rpm", Rpm::new)?,
        cap_overshoot: percent("cap_overshoot_percent")?,
        cap_ripple: percent("cap_ripple_percent")?,
        cap_flag_delay: millis("cap_flag_delay_milliseconds")?,
        cap_flag_chatter: stated_whole(table, "tolerances", "cap_flag_chatter_edges")?,
        enable_off: millis("enable_off_milliseconds")?,
        phase: stated(table, "phase_degrees", Degrees::new)?,
        step_response: percent("step_response_percent")?,
        speed_overshoot: percent("speed_overshoot_percent")?,
        retention_gain: percent("retention_gain_percent")?,
    })
}

fn wiring(table: &Table) -> Option<Wiring> {
    let pair = |positive: &str, negative: &str| {
        Some(Pair { positive: table.text(positive)?, negative: table.text(negative)? })
    };
    Some(Wiring {
        command: pair("command_positive", "command_negative")?,
        phase_a: pair("phase_a", "phase_a_inverted")?,
        phase_b: pair("phase_b", "phase_b_inverted")?,
        index: pair("index", "index_inverted")?,
        signal_ground: table.text("signal_ground")?,
    })
}

/// One signal to a terminal, one flag to a fixture input, one table to a role.
fn unique(document: &Document, clashes: &mut Clashes) {
    const WIRES: [&str; 8] = [
        "command_positive",
        "command_negative",
        "phase_a",
        "phase_a_inverted",
        "phase_b",
        "phase_b_inverted",
        "index",
        "index_inverted",
    ];
    let repeated = ["flag", "input", "torque_read_out", "speed_read_out"];
    let tables = || repeated.iter().flat_map(|name| document.all(name));
    let wiring = || document.all("wiring").iter();
    let signals = wiring()
        .flat_map(|table| WIRES.into_iter().map(move |key| (table, key)))
        .chain(tables().map(|table| (table, "terminal")));
    let commons = wiring()
        .map(|table| (table, "signal_ground"))
        .chain(tables().map(|table| (table, "common_terminal")));

    let mut taken: BTreeMap<String, String> = BTreeMap::new();
    for (table, key) in signals {
        let Some(label) = table.text(key).filter(|label| !label.is_empty()) else { continue };
        let role = table.raw_word("role").map_or_else(String::new, |role| format!(" of \"{role}\""));
        let who = format!("{}.{key}{role}", table.name());
        if let Some(first) = taken.get(&label) {
            let why = format!("terminal \"{label}\" is already taken by {first}");
            clashes.add(table, key, why, "one terminal carries one signal");
        } else {
            taken.insert(label, who);
        }
    }
    for (table, key) in commons {
        if let Some(label) = table.text(key)
            && let Some(first) = taken.get(&label)
        {
            let why = format!("terminal \"{label}\" is already taken by {first}");
            clashes.add(table, key, why, "a common can be shared with commons only");
        }
    }

    let mut fixture_inputs = BTreeMap::new();
    for table in document.all("flag") {
        let role = table.raw_word("role").unwrap_or_default();
        if let Some(number) = table.whole("fixture_input")
            && let Some(first) = fixture_inputs.insert(number, role)
        {
            let why = format!("fixture input {number} is already taken by flag \"{first}\"");
            clashes.add(table, "fixture_input", why, "each flag has an input of its own, 0 to 7");
        }
    }
    for section in ["flag", "input"] {
        let mut roles = BTreeMap::new();
        for table in document.all(section) {
            if let Some(role) = table.raw_word("role")
                && let Some(()) = roles.insert(role, ())
            {
                let why = format!("role \"{role}\" is given to two tables [[{section}]]");
                clashes.add(table, "role", why, "each role at most once");
            }
        }
    }
}
