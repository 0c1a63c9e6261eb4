//! An emulated fixture on a bench with a simulated axis, ready to be spoken to.

use std::cell::RefCell;
use std::path::Path;
use std::rc::Rc;

use proofstand::acceptance::{Job, Setting};
use proofstand::checks::Check;
use proofstand::fixture::{BurstChunk, Client, Numbered, Tap};
use proofstand::link::Link;
use proofstand::record::RunFolder;
use proofstand::record::model::{Run, RunKind};
use proofstand::rehearsal::{Fault, simulated_axis};
use proofstand::sequence::Quiet;
use proofstand_firmware::calibration::layout::checksum;
use proofstand_protocol::message::{CHUNK_BYTES, Request, Sample};

use super::{Analog, AtTheBoard, BenchSetup, EmulatedOperator, Emulator, EmulatorError, Lockstep};
use crate::bench::{Failure, TODAY};

/// A sheet, and the simulated axis that belongs to it.
#[derive(Debug)]
pub struct Axis {
    /// The sheet and what follows from it.
    pub job: Job,
    /// The seed of what is random in the axis.
    pub seed: u64,
    /// The faults in it.
    pub faults: Vec<String>,
}

impl Axis {
    /// From a sheet's file, with faults as on the command line.
    ///
    /// # Errors
    /// A sheet that can't be read.
    pub fn read(sheet: &Path, faults: &[&str], seed: u64) -> Result<Self, Failure> {
        let read = proofstand::sheet::read(sheet)?;
        let job = Job::new(read.file, read.text, read.sheet);
        Ok(Self { job, seed, faults: faults.iter().map(|&fault| fault.to_owned()).collect() })
    }

    /// A bench with this axis.
    ///
    /// # Errors
    /// A fault that there is not, or that the axis can't have.
    pub fn bench(&self) -> Result<BenchSetup, Failure> {
        let faults = self.faults.iter().map(|f| Fault::parse(f)).collect::<Result<Vec<_>, _>>()?;
        let setup = simulated_axis(&self.job.sheet, &faults, self.seed)?;
        Ok(BenchSetup { axis: Some((setup, self.seed)), ..BenchSetup::default() })
    }
}

/// A powered, calibrated, emulated fixture with an axis on it.
#[derive(Debug)]
pub struct EmulatedFixture {
    /// The board.
    pub board: Rc<RefCell<Emulator>>,
    /// Somebody is there to answer which way the shaft turned.
    pub attended: bool,
    /// The analog board's truth.
    pub analog: Analog,
    axis: Axis,
}

impl EmulatedFixture {
    /// Powers one up and stores its calibration through the wire, as a laboratory would.
    ///
    /// # Errors
    /// Whatever is missing or fails.
    pub fn start(axis: Axis) -> Result<Self, Failure> {
        Self::start_on(axis, false)
    }

    /// The same, recorded from power-up (see [`Emulator::recorded`]).
    ///
    /// # Errors
    /// Whatever is missing or fails.
    pub fn start_recorded(axis: Axis) -> Result<Self, Failure> {
        Self::start_on(axis, true)
    }

    fn start_on(axis: Axis, record: bool) -> Result<Self, Failure> {
        let setup = BenchSetup { record, ..axis.bench()? };
        let board = Rc::new(RefCell::new(Emulator::start(&setup)?));
        let mut client = Client::connect(Lockstep::new(Rc::clone(&board)), &mut Nobody)?;
        store_calibration(&mut client, &setup.analog)?;
        Ok(Self { board, attended: true, analog: setup.analog, axis })
    }

    /// A link to it.
    #[must_use]
    pub fn link(&self) -> Lockstep {
        Lockstep::new(Rc::clone(&self.board))
    }

    /// Gives the board up, to be run otherwise.
    ///
    /// # Errors
    /// If a link to it is still held.
    pub fn into_board(self) -> Result<Emulator, EmulatorError> {
        let held = || EmulatorError::Failed("a link to the board is still held".to_owned());
        Ok(Rc::try_unwrap(self.board).map_err(|_| held())?.into_inner())
    }

    /// Makes the acceptance with the host's own engine, and gives its model.
    ///
    /// # Errors
    /// If host and fixture don't come together.
    pub fn accept(&self, checks: &[&'static dyn Check], folder: &Path) -> Result<Run, Failure> {
        self.accept_over(self.link(), checks, folder)
    }

    /// The same over a cable that something was done to.
    ///
    /// # Errors
    /// If host and fixture don't come together.
    pub fn accept_over(
        &self,
        link: impl Link,
        checks: &[&'static dyn Check],
        folder: &Path,
    ) -> Result<Run, Failure> {
        let mut folder = RunFolder::create(folder, "run", true)?;
        let mut client = Client::connect(link, &mut folder)?;
        let mut operator = EmulatedOperator::new(AtTheBoard(Rc::clone(&self.board)), self.attended);
        let setting = Setting {
            seed: Some(self.axis.seed),
            faults: self.axis.faults.clone(),
            today: TODAY,
            ..Setting::default()
        };
        // The axis is simulated, whatever the image says of itself.
        let kind = RunKind::Rehearsal;
        let job = &self.axis.job;
        Ok(job.run(kind, checks, &setting, &mut client, &mut folder, &mut operator, &mut Quiet))
    }
}

/// Writes a calibration for the connected board through the wire and makes it valid.
///
/// # Errors
/// [`EmulatorError`] if it is refused.
pub fn store_calibration<L: Link>(client: &mut Client<L>, analog: &Analog) -> Result<(), EmulatorError> {
    let record = analog.record(client.hello().analog_serial, TODAY)?;
    store_record(client, &record)
}

/// Writes a calibration record through the wire and makes it valid.
///
/// # Errors
/// [`EmulatorError`] if it is refused.
pub fn store_record<L: Link>(client: &mut Client<L>, record: &[u8]) -> Result<(), EmulatorError> {
    for (index, bytes) in record.chunks(CHUNK_BYTES).enumerate() {
        let offset = (index * CHUNK_BYTES) as u32;
        let bytes = bytes.iter().copied().collect();
        client.done(Request::WriteCalibration { offset, bytes }, &mut Nobody)?;
    }
    let commit = Request::CommitCalibration { length: record.len() as u32, crc: checksum(record) };
    Ok(client.done(commit, &mut Nobody)?)
}

/// Keeps nothing of what comes in.
#[derive(Debug)]
pub struct Nobody;

impl Tap for Nobody {
    fn samples(&mut self, _: u32, _: &[Sample]) -> std::io::Result<()> {
        Ok(())
    }

    fn event(&mut self, _: &Numbered) -> std::io::Result<()> {
        Ok(())
    }

    fn burst(&mut self, _: &BurstChunk<'_>) -> std::io::Result<()> {
        Ok(())
    }
}
