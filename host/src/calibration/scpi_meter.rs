//! A reference meter that is read over a link.

use core::time::Duration;

use proofstand_units::Volts;

use super::conduct::{Asked, CalibrateError, ReferenceMeter};
use super::reading::Impossible;
use crate::link::Link;
use crate::scpi::{Dialogue, Event};

/// A meter at the end of a link.
pub struct ScpiMeter<L> {
    link: L,
    dialogue: Dialogue,
    identity: [String; 4],
    repeats: usize,
    /// A reading is wanted that could not be asked for yet.
    wanted: bool,
}

impl<L: Link> ScpiMeter<L> {
    /// Asks a meter who it is and sets it to direct voltage. `repeats`: readings of one level and direction.
    ///
    /// # Errors
    /// [`CalibrateError::Meter`], [`CalibrateError::MeterPort`].
    pub fn connect(
        mut link: L,
        repeats: usize,
        wait: &mut dyn FnMut() -> Result<(), CalibrateError>,
    ) -> Result<Self, CalibrateError> {
        let mut dialogue = Dialogue::new(link.now());
        let mut identity = None;
        loop {
            pump(&mut link, &mut dialogue)?;
            match dialogue.event() {
                Some(Event::Identified(who)) => identity = Some(who),
                Some(Event::Ready) => break,
                Some(Event::Failed(error)) => return Err(error.into()),
                Some(Event::Reading(_)) => {}
                None => wait()?,
            }
        }
        Ok(Self { link, dialogue, identity: identity.unwrap_or_default(), repeats, wanted: false })
    }

    /// Maker, model, serial number and firmware, as the meter says itself.
    pub const fn identity(&self) -> &[String; 4] {
        &self.identity
    }
}

/// Sends what is to be sent, takes what came. Waits a moment only.
fn pump<L: Link>(link: &mut L, dialogue: &mut Dialogue) -> Result<(), CalibrateError> {
    while let Some(line) = dialogue.transmit() {
        link.send(line.as_bytes()).map_err(CalibrateError::MeterPort)?;
    }
    let mut buffer = [0; 256];
    let got = link.receive(&mut buffer, Duration::ZERO).map_err(CalibrateError::MeterPort)?;
    let now = link.now();
    dialogue.on_bytes(buffer.get(..got).unwrap_or_default(), now);
    dialogue.on_time(now);
    while let Some(line) = dialogue.transmit() {
        link.send(line.as_bytes()).map_err(CalibrateError::MeterPort)?;
    }
    Ok(())
}

impl<L: Link> ReferenceMeter for ScpiMeter<L> {
    fn ask(&mut self, _about: &Asked) {
        self.wanted = !self.dialogue.ask(self.link.now());
    }

    fn poll(&mut self) -> Result<Option<Volts>, CalibrateError> {
        if self.wanted {
            self.wanted = !self.dialogue.ask(self.link.now());
        }
        pump(&mut self.link, &mut self.dialogue)?;
        match self.dialogue.event() {
            Some(Event::Reading(volts)) => Ok(Some(volts)),
            Some(Event::Failed(error)) => Err(error.into()),
            _ => Ok(None),
        }
    }

    fn repeats(&self) -> usize {
        self.repeats
    }

    fn refused(&mut self, _why: &Impossible) -> bool {
        false
    }
}
