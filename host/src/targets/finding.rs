//! What to know before anything moves: each finding with its reason and what would help.

use proofstand_units::{Seconds, Volts};
use serde::Serialize;

use super::Targets;
use super::capability::{SCALE_OF_READ_OUT, STEPS_OF_DISPLAY};
use super::command::{CommandTargets, command_range};
use super::encoder::Place;
use super::fixture::Fixture;
use crate::estimate::known_disc::contradicts;
use crate::sheet::{
    AxisSheet, BrakeDriver, CapKind, CommandPair, FlagRole, Handling, Mounting, Stop, TorqueShown,
};

/// How grave a finding is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Severity {
    /// Motion that would be needed is not made.
    Refused,
    /// A check can be made, but its result could not be decided.
    NotCapable,
    /// Something does not fit, and the run goes on.
    Warning,
    /// Good to know.
    Note,
}

impl Severity {
    /// In words.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Refused => "refused",
            Self::NotCapable => "not capable",
            Self::Warning => "warning",
            Self::Note => "note",
        }
    }
}

/// One thing to know.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Finding {
    /// How grave.
    pub severity: Severity,
    /// What it is about: a check or a quantity.
    pub subject: &'static str,
    /// Why, with the numbers.
    pub reason: String,
    /// What would help; empty where nothing needs to.
    pub remedy: String,
}

/// Every finding, gravest first.
pub(super) fn all(sheet: &AxisSheet, fixture: &Fixture, targets: &Targets) -> Vec<Finding> {
    let mut found = Findings(Vec::new());
    mounting(sheet, &mut found);
    trip(sheet, targets, &mut found);
    levels(sheet, targets, &mut found);
    capability(sheet, targets, &mut found);
    inertia(sheet, &mut found);
    command(sheet, fixture, targets, &mut found);
    encoder(sheet, fixture, targets, &mut found);
    flags_and_inputs(sheet, &mut found);
    energy(sheet, targets, &mut found);
    read_outs(sheet, fixture, targets, &mut found);
    found.0.sort_by_key(|finding| finding.severity);
    found.0
}

struct Findings(Vec<Finding>);

impl Findings {
    fn add(&mut self, severity: Severity, subject: &'static str, reason: String, remedy: impl Into<String>) {
        self.0.push(Finding { severity, subject, reason, remedy: remedy.into() });
    }
}

use Severity::{NotCapable, Note, Refused, Warning};

fn mounting(sheet: &AxisSheet, found: &mut Findings) {
    let reason = match sheet.bench.mounting {
        Mounting::FreeShaft => return,
        Mounting::Coupled => {
            "a machine is coupled to the shaft: checks that spin or reverse it are for a free shaft"
        }
        Mounting::Vertical => {
            "gravity moves the load as soon as torque is off: checks that spin it are for a free shaft"
        }
    };
    found.add(Refused, "motion", reason.to_owned(), "uncouple the motor for the acceptance");
}

fn trip(sheet: &AxisSheet, targets: &Targets, found: &mut Findings) {
    let (trip, maximum) = (targets.trip_speed.get(), sheet.maximum_speed().get());
    if trip > maximum {
        let reason = format!(
            "the fixture would trip at {trip:.0} rpm, above the highest mechanical speed of {maximum:.0} rpm"
        );
        let least = maximum / (trip / sheet.cap.speed.get());
        found.add(
            Refused,
            "motion",
            reason,
            format!("a cap of at most {least:.0} rpm for the acceptance, or less overshoot allowed"),
        );
    }
}

fn levels(sheet: &AxisSheet, targets: &Targets, found: &mut Findings) {
    let inertia = targets.inertia.value.get();
    for level in &targets.levels {
        let percent = level.percent_of_rated.get();
        // Full level is for information and for the cap; a scale is found at the others.
        let scale = percent < 100.0;
        let severity = if scale { Refused } else { Warning };
        if !level.in_range {
            let reason = format!(
                "{percent:.0} % of rated torque needs {:.2} V, more than can be put out or taken",
                level.command.get()
            );
            found.add(Warning, "torque level", reason, "levels within the range are used");
            continue;
        }
        if !level.moves {
            let reason = format!(
                "{percent:.0} % of rated torque is not above the breakaway bound of {:.1} %: the shaft may not start",
                sheet.motor.breakaway_bound.get()
            );
            found.add(
                severity,
                "command scale",
                reason,
                "a higher level, or a lower bound if the friction is known better",
            );
        }
        if !level.margin_fits {
            let room = (sheet.maximum_speed() - targets.trip_speed).to_rad_per_sec().get();
            let reason = format!(
                "at {percent:.0} % of rated torque the shaft would reach {:.0} rpm after a trip at {:.0} rpm ({:.1} ms until torque is gone), above the highest mechanical speed of {:.0} rpm",
                level.after_trip.get(),
                targets.trip_speed.get(),
                targets.reaction.to_millis(),
                sheet.maximum_speed().get()
            );
            let remedy = if room > 0.0 {
                let more = level.torque.get() * targets.reaction.get() / room - inertia;
                format!("a lower level, or a disc of {more:.2e} kg·m² more")
            } else {
                "a lower cap".to_owned()
            };
            found.add(severity, "reaction margin", reason, remedy);
        }
        if scale && !level.window.fits {
            let reason = format!(
                "at {percent:.0} % of rated torque, turning round at {:.0} rpm, {} samples and {:.2} turns are left to measure an acceleration in; 20 samples and half a turn are needed",
                targets.turn_round_speed.get(),
                level.window.samples,
                level.window.turns.get()
            );
            let more = level.window.least_inertia.get() - inertia;
            found.add(
                Refused,
                "command scale",
                reason,
                format!("a disc of {more:.2e} kg·m² more, or a lower level"),
            );
        }
    }
}

/// A measured inertia beside the catalogue's.
fn inertia(sheet: &AxisSheet, found: &mut Findings) {
    let Some(catalogue) = sheet.motor.catalogue_inertia else { return };
    let measured = sheet.motor.rotor_inertia;
    let expanded = measured * (sheet.motor.rotor_inertia_uncertainty.get() / 100.0);
    let by = 100.0 * (catalogue.value / measured - 1.0);
    if contradicts((catalogue.value, catalogue.expanded), (measured, expanded)) {
        let reason = format!(
            "the catalogue's rotor inertia is {by:+.1} % of the measured one, more than both uncertainties combined (k = 2): it \
             can't be true; the measured one is used"
        );
        found.add(
            Warning,
            "rotor inertia",
            reason,
            "look at the motor's type and at the unit of the catalogue's value",
        );
    } else {
        let reason = format!(
            "the measured rotor inertia is used; the catalogue's differs by {by:+.1} % and may be true"
        );
        found.add(Note, "rotor inertia", reason, "nothing");
    }
}

fn capability(sheet: &AxisSheet, targets: &Targets, found: &mut Findings) {
    for expected in &targets.expected {
        let (u, tolerance) = (expected.expanded.get(), expected.tolerance.get());
        let numbers = format!(
            "U = {u:.2} % (k = 2) is to be expected against a tolerance of ±{tolerance:.2} % of {}; most of it from: {}",
            expected.share_of, expected.largest
        );
        let remedy = match expected.largest {
            "inertia" => {
                let share = 100.0 * (sheet.motor.rotor_inertia / targets.inertia.value);
                format!(
                    "an inertia known better: the rotor is {share:.0} % of it; a disc of known inertia, at least twice the rotor's, takes its share down"
                )
            }
            SCALE_OF_READ_OUT => {
                "a wider tolerance, or a read-out whose scale its maker states closer".to_owned()
            }
            STEPS_OF_DISPLAY => "a wider tolerance, or a display of finer steps".to_owned(),
            _ => "a wider tolerance, or a better calibration".to_owned(),
        };
        if !expected.decidable() {
            found.add(NotCapable, expected.quantity, numbers, remedy);
        } else if 3.0 * u > tolerance {
            // A third of the tolerance: common practice, no source.
            found.add(
                Warning,
                expected.quantity,
                format!("{numbers}; results near the limits stay undecided"),
                remedy,
            );
        }
    }
    if targets.torque_gain().is_some() && !targets.levels.iter().any(super::Level::usable_for_reversal) {
        let reason = "no level fits a reversal: the torque gain can't be found with the encoder".to_owned();
        found.add(Refused, "command scale", reason, "see the levels; a disc helps most");
    }
}

fn command(sheet: &AxisSheet, fixture: &Fixture, targets: &Targets, found: &mut Findings) {
    let range = command_range(sheet, fixture);
    let beyond = |volts: Volts| volts.get() > range.get();
    match targets.command {
        CommandTargets::Torque { at_rated, at_peak, largest, .. } => {
            let (severity, what, volts) = if beyond(at_rated) {
                (Warning, "rated torque", at_rated)
            } else if beyond(at_peak) {
                (Warning, "peak torque", at_peak)
            } else {
                return;
            };
            let reason = format!(
                "{what} needs {:.2} V; fixture and amplifier range end at ±{:.1} V, which is {:.0} % of rated torque",
                volts.get(),
                range.get(),
                largest.get()
            );
            found.add(severity, "command range", reason, "nothing, if the controller never asks for more");
        }
        CommandTargets::Speed { at_cap, largest, .. } => {
            if beyond(at_cap) {
                let reason = format!(
                    "the cap needs {:.2} V; the range ends at ±{:.1} V: the cap is never reached by command",
                    at_cap.get(),
                    range.get()
                );
                found.add(Refused, "speed cap", reason, "a lower cap for the acceptance");
            }
            if largest > sheet.maximum_speed() {
                let reason = format!(
                    "{:.1} V ask for {:.0} rpm, above the highest mechanical speed of {:.0} rpm: only the cap holds it down",
                    range.get(),
                    largest.get(),
                    sheet.maximum_speed().get()
                );
                found.add(Warning, "command range", reason, "the cap is proven at its lowest level first");
            }
        }
    }
    if !sheet.command.pair.is_torque() {
        let reason = "volts ask for a speed: torque by reversal says nothing about them and is not in the list of checks";
        found.add(Note, "command scale", reason.to_owned(), "the speed scale takes its place");
    }
    if let CommandPair::Torque { percent_of_rated, .. } = sheet.command.pair
        && percent_of_rated.get() > 100.0 * (sheet.motor.peak_torque / sheet.motor.rated_torque)
    {
        let reason = format!(
            "the command pair is given at {:.0} % of rated torque, above peak torque",
            percent_of_rated.get()
        );
        found.add(Warning, "command range", reason, "check that the percentage is of rated torque");
    }
}

fn encoder(sheet: &AxisSheet, fixture: &Fixture, targets: &Targets, found: &mut Findings) {
    let encoder = &targets.encoder;
    let nanoseconds = |time: Seconds| time.get() * 1e9;
    for rate in &encoder.rates {
        // At the cap a check would fail; above it only a runaway goes.
        let severity = if rate.place == Place::Cap { Refused } else { Warning };
        if rate.shortest_edge < fixture.shortest_edge {
            let reason = format!(
                "at the {} of {:.0} rpm two edges may be {:.0} ns apart; the fixture counts edges at least {:.0} ns apart",
                rate.place.words(),
                rate.speed.get(),
                nanoseconds(rate.shortest_edge),
                nanoseconds(fixture.shortest_edge)
            );
            found.add(
                severity,
                "line count, fast",
                reason,
                "fewer pulses, a lower speed, or less phase error",
            );
        }
        if let Some(least) = sheet.encoder.controller_edge
            && rate.shortest_edge < least
        {
            let reason = format!(
                "at the {} of {:.0} rpm two edges may be {:.0} ns apart; the controller needs {:.0} ns",
                rate.place.words(),
                rate.speed.get(),
                nanoseconds(rate.shortest_edge),
                nanoseconds(least)
            );
            found.add(
                Warning,
                "encoder rate",
                reason,
                "fewer pulses, a lower cap, or a faster input of the controller",
            );
        }
        if let Some(most) = sheet.encoder.controller_pulse_rate
            && rate.pulses > most
        {
            let reason = format!(
                "at the {} of {:.0} rpm phase A has {:.1} kHz; the controller takes {:.1} kHz (pulses, not counts)",
                rate.place.words(),
                rate.speed.get(),
                rate.pulses.get() / 1e3,
                most.get() / 1e3
            );
            found.add(
                Warning,
                "encoder rate",
                reason,
                "fewer pulses, a lower cap, or a faster input of the controller",
            );
        }
    }
    if encoder.narrowest_phase < sheet.tolerances.phase.value {
        let reason = format!(
            "division by {:.4} makes counts as narrow as {:.1}° electrical; with {:.1}° of phase error allowed for, {:.1}° are left, and {:.1}° are asked for",
            encoder.division.get(),
            encoder.division.narrowest_phase().get(),
            sheet.encoder.phase_error.value.get(),
            encoder.narrowest_phase.get(),
            sheet.tolerances.phase.value.get()
        );
        found.add(NotCapable, "phase", reason, "a whole division, or fewer pulses");
    }
    if !encoder.division.is_whole() {
        let reason = format!(
            "{} native positions to {} counts is no whole division ({:.4}): counts per revolution are exact, edges are not evenly spaced",
            encoder.division.native.get(),
            encoder.counts.get(),
            encoder.division.get()
        );
        found.add(Note, "encoder division", reason, "");
    }
}

fn flags_and_inputs(sheet: &AxisSheet, found: &mut Findings) {
    for (role, subject, severity) in [
        (FlagRole::HoldingSpeedDown, "cap flag", Refused),
        (FlagRole::TorqueOn, "enable off", Warning),
        (FlagRole::Fault, "fault flag", Warning),
    ] {
        if sheet.flag(role).is_none() {
            let reason = format!("the sheet has no flag \"{}\"", role.words());
            found.add(severity, subject, reason, "wire the flag and add a [[flag]], if the amplifier has it");
        }
    }
    match sheet.enable.brake {
        BrakeDriver::None => {}
        BrakeDriver::Controller => found.add(
            Refused,
            "motion",
            "the controller drives the brake, and the fixture stands in its place without a brake output".to_owned(),
            "release the brake by other means made for it, and state brake = \"none\" for the bench",
        ),
        BrakeDriver::Amplifier if sheet.flag(FlagRole::BrakeRelease).is_none() => found.add(
            Warning,
            "brake",
            "the amplifier drives a brake and the sheet has no flag \"brake release\": pushing against it is not told apart".to_owned(),
            "wire the flag in parallel with the brake's driver",
        ),
        BrakeDriver::Amplifier => {}
    }
    for input in
        sheet.inputs.iter().filter(|input| input.delivered_unwired && input.handling == Handling::Obeyed)
    {
        let reason = format!(
            "{} is obeyed and delivered unwired: if open means tripped, that direction never moves",
            input.role.words()
        );
        found.add(Warning, "end switches", reason, "set it to ignored, or wire it");
    }
    if sheet.cap.kind == CapKind::AnalogInput {
        let reason = "the cap is a voltage at a second analog input; left open it may be 0 V, which is 0 rpm"
            .to_owned();
        found.add(Note, "speed cap", reason, "wire that input on the bench as on the machine");
    }
    if !sheet.bench.control_power_separable {
        let reason =
            "control power can't be on without motor power: nobody may turn the shaft by hand".to_owned();
        found.add(Note, "hand turn", reason, "recorded as not done");
    }
    if sheet.enable.first_may_move.get() > 0.0 {
        let reason = format!(
            "the first enable after power-up may move the shaft by {:.1}° either way",
            sheet.enable.first_may_move.get()
        );
        found.add(Note, "enable", reason, "keep clear of the shaft at the first enable");
    }
}

fn energy(sheet: &AxisSheet, targets: &Targets, found: &mut Findings) {
    let Some(absorbs) = targets.braking.absorbs else { return };
    let braking = &targets.braking;
    let cases =
        [(braking.from_turn_round, "turn-round of a reversal", Refused), (braking.from_cap, "cap", Warning)];
    for (energy, from, severity) in cases {
        let braked = from != "cap" || sheet.enable.off == Stop::Brake;
        if energy > absorbs && braked {
            let reason = format!(
                "braking from the {from} gives back {:.2} J; without a brake resistor the amplifier takes {:.2} J",
                energy.get(),
                absorbs.get()
            );
            found.add(severity, "braking", reason, "a brake resistor, a smaller disc, or a lower speed");
        }
    }
}

fn read_outs(sheet: &AxisSheet, fixture: &Fixture, targets: &Targets, found: &mut Findings) {
    let out_of = |volts: Option<Volts>| volts.filter(|volts| *volts > fixture.read_out_range);
    if let Some(volts) = out_of(targets.read_outs.torque_at_peak) {
        let reason = format!(
            "peak torque would read {:.1} V; the fixture reads ±{:.0} V",
            volts.get(),
            fixture.read_out_range.get()
        );
        found.add(Warning, "torque read-out", reason, "checks stay within the range");
    }
    if let Some(volts) = out_of(targets.read_outs.speed_at_maximum) {
        let reason = format!(
            "the highest mechanical speed would read {:.1} V; the fixture reads ±{:.0} V, so that the overspeed trip by read-out ends there",
            volts.get(),
            fixture.read_out_range.get()
        );
        found.add(Warning, "speed read-out", reason, "the trips by counts and index go on");
    }
    match &sheet.torque_read_out {
        Some(out) if out.shows == TorqueShown::Reference => {
            let reason =
                "the torque read-out shows the reference: it proves the scale, not that torque is made"
                    .to_owned();
            found.add(Note, "torque read-out", reason, "");
        }
        Some(_) => {}
        None => found.add(
            Note,
            "torque read-out",
            "the sheet has none: one way of three to find the gain is missing".to_owned(),
            "",
        ),
    }
}
