//! What a fixture says before it is known which folder it belongs into.

use std::io;

use proofstand_protocol::message::Sample;

use crate::fixture::{Burst, BurstChunk, Numbered, Tap};

/// Holds samples and events back until there is a folder.
#[derive(Debug, Default)]
pub struct Waiting {
    samples: Vec<(u32, Vec<Sample>)>,
    events: Vec<Numbered>,
    bursts: Vec<(u32, Burst)>,
}

impl Waiting {
    /// Hands everything on, in the order it came.
    ///
    /// # Errors
    /// If the receiver can't keep it.
    pub fn hand_on(self, to: &mut dyn Tap) -> io::Result<()> {
        for (dropped, samples) in self.samples {
            to.samples(dropped, &samples)?;
        }
        for event in &self.events {
            to.event(event)?;
        }
        for (offset, Burst { number, order, first, bytes }) in self.bursts {
            to.burst(&BurstChunk { number, order, first, offset, bytes: &bytes })?;
        }
        Ok(())
    }
}

impl Tap for Waiting {
    fn samples(&mut self, dropped: u32, samples: &[Sample]) -> io::Result<()> {
        self.samples.push((dropped, samples.to_vec()));
        Ok(())
    }

    fn event(&mut self, event: &Numbered) -> io::Result<()> {
        self.events.push(*event);
        Ok(())
    }

    fn burst(&mut self, chunk: &BurstChunk<'_>) -> io::Result<()> {
        let BurstChunk { number, order, first, offset, bytes } = *chunk;
        self.bursts.push((offset, Burst { number, order, first, bytes: bytes.to_vec() }));
        Ok(())
    }
}
