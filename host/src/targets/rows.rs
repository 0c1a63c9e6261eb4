//! Targets as rows of a table, for screen and report.

use super::{CommandTargets, Targets};
use crate::record::model::TargetRow;

impl Targets {
    /// The targets as rows, in the order of a reader.
    #[must_use]
    pub fn rows(&self) -> Vec<TargetRow> {
        let mut rows = Vec::new();
        let mut add = |name: &str, value: f64, unit: &str, note: &str| {
            let (name, unit, note) = (name.to_owned(), unit.to_owned(), note.to_owned());
            rows.push(TargetRow { name, value, unit, note });
        };
        match self.command {
            CommandTargets::Torque {
                gain,
                torque_per_volt,
                at_rated,
                at_peak,
                resolution,
                quantisation,
                largest,
            } => {
                add("Command gain", gain.get(), "%/V", "percent of rated torque per volt");
                add("Torque per volt", torque_per_volt.get(), "N·m/V", "");
                add("Command at rated torque", at_rated.get(), "V", "");
                add("Command at peak torque", at_peak.get(), "V", "may be beyond what can be put out");
                add(
                    "Largest torque by command",
                    largest.get(),
                    "%",
                    "of rated torque, at the end of the range",
                );
                add(
                    "Command resolution",
                    resolution.get(),
                    "%",
                    "of rated torque, one code of 2^16 over 20 V",
                );
                add("Command quantisation, rms", quantisation.get(), "%", "of rated torque, resolution/√12");
            }
            CommandTargets::Speed { gain, at_rated, at_cap, largest, resolution, quantisation } => {
                add("Command gain", gain.get(), "rpm/V", "");
                add("Command at rated speed", at_rated.get(), "V", "may be beyond what can be put out");
                add("Command at the cap", at_cap.get(), "V", "");
                add("Largest speed by command", largest.get(), "rpm", "at the end of the range");
                add("Command resolution", resolution.get(), "rpm", "one code of 2^16 over 20 V");
                add("Command quantisation, rms", quantisation.get(), "rpm", "resolution/√12");
                add(
                    "Speed allowed at 0 V",
                    self.speed_offset.get(),
                    "rpm",
                    "either way; the offset's tolerance",
                );
                let millivolts = self.speed_offset.get() / gain.get() * 1e3;
                add("Offset allowed", millivolts, "mV", "either way; the same, seen at the command");
            }
        }
        let encoder = &self.encoder;
        add("Pulses per revolution", f64::from(encoder.pulses.get()), "pulses", "full cycles of phase A");
        add(
            "Counts per revolution",
            f64::from(encoder.counts.get()),
            "counts",
            "quadrature edges, four to the pulse",
        );
        let whole = if encoder.division.is_whole() { "whole" } else { "not whole: edges unevenly spaced" };
        add("Native positions per count", encoder.division.get(), "", whole);
        add("Angle of one count", encoder.per_count.get(), "°", "of the shaft");
        add(
            "Narrowest count",
            encoder.narrowest_phase.get(),
            "°",
            "electrical, less the phase error allowed for",
        );
        for rate in &encoder.rates {
            let at = format!("{}, {:.0} rpm", rate.place.words(), rate.speed.get());
            add(&format!("Pulses at {at}"), rate.pulses.get() / 1e3, "kHz", "cycles of phase A");
            add(&format!("Counts at {at}"), rate.counts.get() / 1e3, "kHz", "quadrature edges");
            let note = format!("{:.0} ns if all counts were alike", rate.ideal_edge.get() * 1e9);
            add(&format!("Shortest edge at {at}"), rate.shortest_edge.get() * 1e9, "ns", &note);
        }
        let note = format!("± {:.1} % (k = 2)", self.inertia.relative().get());
        add("Inertia", self.inertia.value.get(), "kg·m²", &note);
        add(
            "Trip speed",
            self.trip_speed.get(),
            "rpm",
            "the larger of 1.2 x cap and cap plus overshoot allowed",
        );
        add("Reaction", self.reaction.to_millis(), "ms", "from the trip speed to torque gone");
        add("Turn-round speed", self.turn_round_speed.get(), "rpm", "of a reversal, at most");
        let braking = &self.braking;
        add("Braking energy from turn-round", braking.from_turn_round.get(), "J", "");
        add("Braking energy from the cap", braking.from_cap.get(), "J", "");
        let peak = "from rest, without friction";
        add("Time to the cap at peak torque", braking.time_to_cap_at_peak.to_millis(), "ms", peak);
        let outs = &self.read_outs;
        if let Some(volts) = outs.torque_at_rated {
            add("Torque read-out at rated torque", volts.get(), "V", "");
        }
        if let Some(volts) = outs.speed_at_cap {
            add("Speed read-out at the cap", volts.get(), "V", "");
        }
        rows
    }
}
