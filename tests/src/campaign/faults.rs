//! The faults of a campaign: which sizes must be caught, and which causes count as the right name.
//!
//! Classes hold faults that look alike from the fixture's place. They are fixed here, before a campaign; thresholds of
//! rules are tuned on the seeds of the tests, never on a campaign's.

/// A fault, in all sizes that are tried.
#[derive(Debug, Clone, Copy)]
pub struct FaultRow {
    /// Name on the command line.
    pub name: &'static str,
    /// What kind of thing is wrong.
    pub family: Family,
    /// Sizes that are tried, smallest first; empty: it has none.
    pub sizes: &'static [f64],
    /// From this size on it must be caught, always.
    pub stated: f64,
    /// Causes that are right as a name for it.
    pub causes: &'static [&'static str],
}

/// What kind of thing is wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Family {
    /// A setting of the amplifier.
    Settings,
    /// A wire, a terminal, a pair.
    Wiring,
    /// Motor and mechanics.
    Mechanics,
    /// The fixture itself.
    Fixture,
    /// Line, noise, supply.
    Line,
}

impl Family {
    /// The word for it.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Settings => "settings",
            Self::Wiring => "wiring",
            Self::Mechanics => "motor and mechanics",
            Self::Fixture => "fixture",
            Self::Line => "line and noise",
        }
    }
}

const fn plain(name: &'static str, family: Family, causes: &'static [&'static str]) -> FaultRow {
    FaultRow { name, family, sizes: &[], stated: 0.0, causes }
}

const fn graded(
    name: &'static str,
    family: Family,
    sizes: &'static [f64],
    stated: f64,
    causes: &'static [&'static str],
) -> FaultRow {
    FaultRow { name, family, sizes, stated, causes }
}

use Family::{Fixture, Line, Mechanics, Settings, Wiring};

/// Causes that look alike: what the amplifier drives the rotor with differs from what the sheet says.
const SCALE_OR_ROTOR: &[&str] = &["input-loaded", "inertia-or-constant", "scale-ways-disagree", "gain-wrong"];

/// Every fault.
pub const FAULTS: &[FaultRow] = &[
    plain("pulses-for-counts", Settings, &["pulses-for-counts"]),
    plain("counts-for-pulses", Settings, &["pulses-for-counts"]),
    plain("direction-mirrored", Settings, &["direction-mirrored"]),
    plain("encoder-swapped", Wiring, &["counts-reversed"]),
    plain("command-reversed", Wiring, &["command-reversed"]),
    plain("gain-doubled", Settings, &["gain-by-two", "gain-of-peak"]),
    plain("gain-halved", Settings, &["gain-by-two"]),
    plain("gain-of-peak", Settings, &["gain-of-peak", "gain-by-two", "gain-wrong"]),
    graded("offset", Settings, &[0.05, 0.1, 0.2, 0.3, 0.5], 0.2, &["offset"]),
    plain("cap-not-set", Settings, &["cap-not-set"]),
    plain("cap-one-direction", Settings, &["cap-one-direction"]),
    graded("cap-drooping", Settings, &[20.0, 40.0, 60.0], 60.0, &["cap-drooping", "cap-other-value"]),
    plain("flag-elsewhere", Wiring, &["flag-elsewhere"]),
    plain("flag-inverted", Wiring, &["flag-inverted"]),
    plain("flag-dead", Wiring, &["flag-dead"]),
    graded("input-loaded", Wiring, &[2.0, 4.0, 7.0, 10.0], 7.0, SCALE_OR_ROTOR),
    graded("torque-limited", Settings, &[10.0, 15.0, 25.0], 0.0, &["torque-limited"]),
    plain("enable-dead", Wiring, &["never-moves"]),
    plain("enable-always", Settings, &["enable-always"]),
    plain("end-switches-obeyed", Settings, &["end-switches-obeyed"]),
    plain("end-switches-swapped", Wiring, &["end-switches-swapped", "end-switches-obeyed"]),
    plain("index-missing", Wiring, &["index-missing"]),
    graded("index-noisy", Line, &[0.5, 2.0, 5.0, 20.0], 5.0, &["index-noisy"]),
    plain("index-inverted", Wiring, &["index-inverted"]),
    plain("index-one-way", Wiring, &["index-one-way"]),
    graded("phase-error", Line, &[20.0, 40.0, 55.0], 55.0, &["phase-error", "edges-too-near"]),
    graded("duty-error", Line, &[20.0, 40.0, 55.0], 55.0, &["duty-error", "edges-too-near"]),
    graded("response-slow", Settings, &[1e-3, 2e-3, 5e-3], 5e-3, &["response-slow"]),
    graded("counts-lost", Line, &[0.05, 0.2, 0.5, 2.0], 0.5, &["counts-lost"]),
    graded("inertia-more", Mechanics, &[10.0, 30.0, 60.0], 60.0, SCALE_OR_ROTOR),
    graded("read-out-more", Settings, &[5.0, 10.0, 20.0], 20.0, &["read-out-scale", "scale-ways-disagree"]),
    graded("torque-constant-less", Mechanics, &[5.0, 12.0, 20.0], 12.0, SCALE_OR_ROTOR),
    plain("brake-closed", Mechanics, &["never-moves", "brake-closed"]),
    plain("wrong-phase", Mechanics, &["jumps-and-locks", "never-moves"]),
    plain("encoder-unwired", Wiring, &["encoder-not-driven", "encoder-silent"]),
    graded("dead-band", Settings, &[0.05, 0.12, 0.3], 0.3, &["dead-band"]),
    plain("end-switches-ignored", Settings, &["end-switches-ignored"]),
    plain("gain-not-stored", Settings, &["setting-not-stored"]),
    plain("gain-not-in-force", Settings, &["setting-not-in-force"]),
    plain("pulses-not-stored", Settings, &["setting-not-stored"]),
    plain("pulses-not-in-force", Settings, &["setting-not-in-force"]),
    plain("cap-not-stored", Settings, &["setting-not-stored"]),
    graded("fixture-drifted", Fixture, &[0.05, 0.2, 1.0], 0.2, &["fixture-off"]),
];

impl FaultRow {
    /// As on the command line, a line a size, and whether it must be caught.
    pub fn specs(&self) -> impl Iterator<Item = (String, bool)> {
        let sized = self.sizes.iter().map(|size| (format!("{}={size}", self.name), *size >= self.stated));
        let bare = self.sizes.is_empty().then(|| (self.name.to_owned(), true));
        sized.chain(bare)
    }

    /// The row of a fault as on the command line.
    #[must_use]
    pub fn of(spec: &str) -> Option<&'static Self> {
        let name = spec.split('=').next()?;
        FAULTS.iter().find(|row| row.name == name)
    }
}

#[cfg(test)]
mod tests {
    use proofstand_plant::Fault;

    use super::*;

    #[test]
    fn every_fault_that_can_be_put_in_is_in_the_table_and_parses() {
        for fault in Fault::all() {
            assert!(FaultRow::of(fault.name()).is_some(), "{} is missing", fault.name());
        }
        for (spec, _) in FAULTS.iter().flat_map(FaultRow::specs) {
            assert!(Fault::parse(&spec).is_ok(), "{spec}");
        }
    }

    #[test]
    fn every_fault_has_a_size_that_must_be_caught() {
        for row in FAULTS {
            assert!(row.specs().any(|(_, stated)| stated), "{}", row.name);
            assert!(!row.causes.is_empty(), "{}", row.name);
        }
    }
}
