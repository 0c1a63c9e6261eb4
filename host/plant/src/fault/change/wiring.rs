//! Wires, pairs, terminals.

use super::{Fault, FaultError};
use crate::encoder::Line;
use crate::setup::{DeadPair, FlagSource, FlagWire, PlantSetup};

/// The input that the cap flag is wired to.
pub(super) fn cap_input(fault: Fault, setup: &PlantSetup) -> Result<usize, FaultError> {
    let is_cap = |wire: &Option<FlagWire>| wire.is_some_and(|wire| wire.source == FlagSource::HoldingSpeed);
    setup.wiring.flags.iter().position(is_cap).ok_or(FaultError::NoCapFlag { name: fault.name() })
}

pub(super) fn dead(setup: &mut PlantSetup, line: Line, reported: bool) {
    setup.wiring.dead_pair = Some(DeadPair { line, reported });
}

pub(super) fn invert_index(setup: &mut PlantSetup) {
    let encoder = &mut setup.encoder;
    let counts = encoder.pulses.to_counts().get();
    encoder.index_at = (encoder.index_at + encoder.index_width) % counts;
    encoder.index_width = counts - encoder.index_width;
}

pub(super) fn flag_elsewhere(fault: Fault, setup: &mut PlantSetup) -> Result<(), FaultError> {
    let from = cap_input(fault, setup)?;
    let flags = &mut setup.wiring.flags;
    // A free input if there is one, else it changes places with the next.
    let next = (from + 1) % flags.len();
    let to = flags.iter().position(Option::is_none).unwrap_or(next);
    flags.swap(from, to);
    Ok(())
}

/// A flag whose being dead shows: one that says by conducting that all is well, or that something has come.
pub(super) fn flag_dead(fault: Fault, setup: &mut PlantSetup, source: FlagSource) -> Result<(), FaultError> {
    let conducts = source != FlagSource::Fault;
    let is_it = |wire: &Option<FlagWire>| {
        wire.is_some_and(|wire| wire.source == source && wire.conducts_when_active == conducts)
    };
    let input = setup.wiring.flags.iter().position(is_it).ok_or(FaultError::Lacks {
        name: fault.name(),
        lacks: "it has no such flag, or an open one says what a dead one says",
    })?;
    setup.wiring.flags[input] = None;
    Ok(())
}

/// The cap flag's input hears something else.
pub(super) fn flag_says(fault: Fault, setup: &mut PlantSetup, source: FlagSource) -> Result<(), FaultError> {
    let input = cap_input(fault, setup)?;
    setup.wiring.flags[input] = Some(FlagWire { source, conducts_when_active: true });
    Ok(())
}

/// Two outputs on one pair: it conducts with torque as well.
pub(super) fn flag_shared(fault: Fault, setup: &mut PlantSetup) -> Result<(), FaultError> {
    let input = cap_input(fault, setup)?;
    let other = FlagWire { source: FlagSource::TorqueOn, conducts_when_active: true };
    setup.wiring.flags_shared[input] = Some(other);
    Ok(())
}
