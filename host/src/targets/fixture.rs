//! The fixture's own numbers that targets depend on.

use proofstand_units::{Degrees, Seconds, Volts};

use crate::error_budget;
use crate::metrology::KnownVoltage;

/// What a fixture can do. Design values; a calibration certificate states what one fixture does.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fixture {
    /// Command within ± this.
    pub command_range: Volts,
    /// Codes of the command converter over the whole range.
    pub command_codes: f64,
    /// Expanded uncertainty (k = 2) of the command at the terminals, at the end of its range.
    pub command_uncertainty: Volts,
    /// The same at 0 V.
    pub command_uncertainty_at_zero: Volts,
    /// Read-outs within ± this.
    pub read_out_range: Volts,
    /// One tick of the control loop, also the spacing of samples.
    pub tick: Seconds,
    /// From a tick's sample to the output of what was decided on it (`PROTOCOL.md`).
    pub output_after_tick: Seconds,
    /// Time constant of the command's own output: its loop closes at 16 kHz.
    pub output_lag: Seconds,
    /// Time constant of a read-out's input: 4.7 kΩ with 1 nF, and the converter's own filter of 15 kHz.
    pub read_out_lag: Seconds,
    /// Age of the tick's speed estimate.
    pub estimator: Seconds,
    /// Release of the contact that opens enable (small relay: common practice, no source).
    pub contact: Seconds,
    /// Two edges of A and B closer than this may be taken for one: ten cycles of the counting loop at 125 MHz.
    pub shortest_edge: Seconds,
    /// Relative expanded uncertainty (k = 2) of a speed, as a share: clock and fit over 100 ms.
    pub speed_uncertainty: f64,
    /// Added to the phase error of the amplifier by the fixture's receivers (TIA/EIA-422-B parts differ by a few
    /// nanoseconds only: none).
    pub receiver_phase: Degrees,
}

impl Fixture {
    /// As designed.
    pub const DESIGN: Self = Self {
        command_range: Volts::new(10.0),
        command_codes: 65_536.0,
        command_uncertainty: error_budget::CALIBRATED,
        command_uncertainty_at_zero: error_budget::CALIBRATED,
        read_out_range: Volts::new(10.0),
        tick: Seconds::new(1e-3),
        output_after_tick: Seconds::new(500e-6),
        output_lag: Seconds::new(10e-6),
        read_out_lag: Seconds::new(15e-6),
        estimator: Seconds::new(8e-3),
        contact: Seconds::new(5e-3),
        shortest_edge: Seconds::new(80e-9),
        speed_uncertainty: 1e-4,
        receiver_phase: Degrees::new(0.0),
    };

    /// As designed, with the command as sure as the calibration of one fixture states it today.
    #[must_use]
    pub fn calibrated(command: &KnownVoltage) -> Self {
        let range = Self::DESIGN.command_range;
        Self {
            command_uncertainty: command.stated.worst(range, command.age_days),
            command_uncertainty_at_zero: command.stated.expanded(Volts::ZERO, command.age_days),
            ..Self::DESIGN
        }
    }

    /// One code of the command converter: the whole range over the number of codes.
    #[must_use]
    pub fn command_lsb(&self) -> Volts {
        self.command_range * 2.0 / self.command_codes
    }
}
