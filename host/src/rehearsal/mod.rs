//! A bench without hardware: the fixture's own firmware core, a simulated board, amplifier, motor and operator, and one
//! virtual clock.
//!
//! Bytes go through real frames both ways. The plant is set from the sheet, from a seed and from faults; what comes out
//! of it reaches the judges as samples only.

mod axis;
mod bench;
mod board;
mod calibration;
mod link;
mod meter;
mod noisy;
mod operator;
mod plug;

use std::cell::RefCell;
use std::rc::Rc;

pub use bench::Bench;
pub use calibration::{Before, FixtureEnd, MeterBench, MeterEnd, SharedBench};
pub use link::VirtualLink;
pub use meter::{MeterFault, STATED as METER_STATED, SimulatedMeter};
pub use noisy::{Disturbed, Noise, NoisyLink};
pub use operator::{Person, RehearsedOperator};
pub use plug::{PlugBench, PlugFault, PlugHands, PlugLink};
pub use proofstand_plant::Fault;
use proofstand_plant::{PlantSetup, Random};
use proofstand_protocol::message::State;
use proofstand_units::{Rpm, Volts};

use crate::sheet::AxisSheet;

/// A rehearsal can't be set up.
#[derive(Debug, thiserror::Error)]
pub enum RehearsalError {
    /// The simulation refuses its setup.
    #[error("the simulated axis can't be set up from this sheet: {0}")]
    Setup(#[from] proofstand_plant::SetupError),
    /// A fault can't be put in.
    #[error(transparent)]
    Fault(#[from] proofstand_plant::FaultError),
}

/// A simulated axis as a rehearsal of this sheet has one, drawn from a seed, faults put in: for benches whose fixture is
/// another than the virtual one. (A rehearsal with the same seed has another axis: it draws its board first.)
///
/// # Errors
/// [`RehearsalError::Fault`] if a fault can't be put in.
pub fn simulated_axis(sheet: &AxisSheet, faults: &[Fault], seed: u64) -> Result<PlantSetup, RehearsalError> {
    let mut setup = axis::setup(sheet, &mut Random::new(seed));
    for fault in faults {
        fault.apply(&mut setup)?;
    }
    Ok(setup)
}

/// The axis that a rehearsal of this sheet has for this seed: the truth that its results can be held against.
///
/// # Errors
/// [`RehearsalError::Fault`] if a fault can't be put in.
pub fn rehearsed_axis(sheet: &AxisSheet, faults: &[Fault], seed: u64) -> Result<PlantSetup, RehearsalError> {
    Ok(bench::drawn(sheet, faults, seed)?.1)
}

/// A virtual bench, ready to be connected to.
pub struct Rehearsal {
    bench: Rc<RefCell<Bench>>,
}

impl Rehearsal {
    /// A bench whose axis is what the sheet says, within what tolerances and uncertainties leave open for this seed,
    /// with faults put in.
    ///
    /// # Errors
    /// [`RehearsalError`] if no such axis can be simulated.
    pub fn new(sheet: &AxisSheet, faults: &[Fault], seed: u64, today: u32) -> Result<Self, RehearsalError> {
        Self::found(sheet, faults, seed, today, Before::Own)
    }

    /// The same with a fixture that comes without its calibration, or with one that names another board.
    ///
    /// # Errors
    /// As [`Self::new`].
    pub fn found(
        sheet: &AxisSheet,
        faults: &[Fault],
        seed: u64,
        today: u32,
        before: Before,
    ) -> Result<Self, RehearsalError> {
        let bench = Bench::found(sheet, faults, seed, today, before)?;
        Ok(Self { bench: Rc::new(RefCell::new(bench)) })
    }

    /// The host's end of the cable.
    #[must_use]
    pub fn link(&self) -> VirtualLink {
        VirtualLink::new(Rc::clone(&self.bench))
    }

    /// Voltage at the command terminals, and whether the enable contact is closed.
    #[must_use]
    pub fn at_the_terminals(&self) -> (Volts, bool) {
        self.bench.borrow().at_the_terminals()
    }

    /// True speed of the simulated shaft, clockwise positive: whether anything moves, whatever the fixture makes of it.
    #[must_use]
    pub fn speed(&self) -> Rpm {
        self.bench.borrow().speed()
    }

    /// The fixture's state.
    #[must_use]
    pub fn state(&self) -> State {
        self.bench.borrow().state()
    }

    /// The person beside the bench; `attended`: is there one?
    #[must_use]
    pub fn operator(&self, attended: bool) -> RehearsedOperator {
        RehearsedOperator::new(Rc::clone(&self.bench), attended)
    }
}
