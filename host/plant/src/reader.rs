//! What a person reads off the amplifier's display.

use proofstand_units::{Percent, Volts};

use crate::plant::Plant;

/// Milliseconds that a number must stand still for a person to read it.
const READ_MS: u32 = 1500;
/// Commands that differ by less count as one: a step of a 16-bit output over ±10 V.
const STEPS_PER_VOLT: f64 = 3000.0;

/// Somebody who looks at the display and remembers the last number that stood there long enough to be read: while enable
/// was closed and the command stood still, at another value than 0 V.
#[derive(Debug, Default)]
pub struct DisplayReader {
    /// The command at the terminals in steps, and for how many milliseconds it has stood there.
    standing: (i32, u32),
    read: Option<Percent>,
}

impl DisplayReader {
    /// A millisecond of looking.
    pub fn look(&mut self, plant: &mut Plant, terminal: Volts, enabled: bool) {
        let step = (terminal.get() * STEPS_PER_VOLT).round() as i32;
        let (at, stood) = self.standing;
        self.standing = if enabled && step != 0 && step == at { (at, stood + 1) } else { (step, 0) };
        if self.standing.1 == READ_MS {
            self.read = plant.operator().display();
        }
    }

    /// What was read last.
    #[must_use]
    pub const fn read(&self) -> Option<Percent> {
        self.read
    }
}
