//! The columns that CSV and Parquet have in common.

use proofstand_protocol::message::{Sample, State};

/// A quantity of a sample, with the power of ten that the record holds it in.
pub(super) struct Quantity {
    /// Name with its unit.
    pub(super) name: &'static str,
    /// Unit symbol (SI, or in use with it).
    pub(super) unit: &'static str,
    /// What it is.
    pub(super) about: &'static str,
    /// Digits after the point that the record holds.
    pub(super) decimals: u32,
    /// The record's whole number.
    pub(super) whole: fn(&Sample) -> i64,
}

/// Quantities with a unit, in the order of the columns.
pub(super) const QUANTITIES: &[Quantity] = &[
    Quantity {
        name: "time_seconds",
        unit: "s",
        about: "time of the position on the fixture's clock",
        decimals: 6,
        whole: |s| i64::try_from(s.at.0).unwrap_or(i64::MAX),
    },
    Quantity {
        name: "speed_rpm",
        unit: "r/min",
        about: "speed from counts, positive when they rise",
        decimals: 3,
        whole: |s| i64::from(s.speed.0),
    },
    Quantity {
        name: "command_volts",
        unit: "V",
        about: "command in force",
        decimals: 6,
        whole: |s| i64::from(s.command.0),
    },
    Quantity {
        name: "command_read_back_volts",
        unit: "V",
        about: "command as read back at the terminals",
        decimals: 6,
        whole: |s| i64::from(s.readback.0),
    },
    Quantity {
        name: "torque_read_out_volts",
        unit: "V",
        about: "the amplifier's torque read-out",
        decimals: 6,
        whole: |s| i64::from(s.torque.0),
    },
    Quantity {
        name: "speed_read_out_volts",
        unit: "V",
        about: "the amplifier's speed read-out",
        decimals: 6,
        whole: |s| i64::from(s.speed_readout.0),
    },
];

/// Column of the sample's number, without unit.
pub(super) const SAMPLE: (&str, &str) = ("sample", "number of the fixture's tick since its start");
/// Column of the position; its unit is the count, a quadrature edge, four to the pulse.
pub(super) const POSITION: (&str, &str) =
    ("position_counts", "position in counts; a count is one quadrature edge, four to the pulse");
/// Column of the running segment.
pub(super) const SEGMENT: (&str, &str) =
    ("segment", "slot of the motion program's segment that runs; empty: none");
/// Column of the state.
pub(super) const STATE: (&str, &str) = ("state", "state of the fixture");

/// The segment that runs.
pub(super) const fn segment(sample: &Sample) -> Option<u8> {
    if sample.segment == u8::MAX { None } else { Some(sample.segment) }
}

/// A state as it is written.
pub(super) const fn state(state: State) -> &'static str {
    match state {
        State::Safe => "safe",
        State::Armed => "armed",
        State::Enabling => "enabling",
        State::Live => "live",
        State::Tripped => "tripped",
        State::Calibrating => "calibrating",
        State::Opened => "opened",
    }
}

/// A whole number with the point put in, without a detour over binary fractions.
pub(super) fn decimal(whole: i64, decimals: u32) -> String {
    let scale = 10_u64.pow(decimals);
    let size = whole.unsigned_abs();
    let sign = if whole < 0 { "-" } else { "" };
    format!("{sign}{}.{:0width$}", size / scale, size % scale, width = decimals as usize)
}

#[cfg(test)]
mod tests {
    use super::decimal;

    #[test]
    fn a_whole_number_keeps_every_digit() {
        for (whole, decimals, text) in [
            (0, 6, "0.000000"),
            (-1, 6, "-0.000001"),
            (3_999_999, 6, "3.999999"),
            (-12_345, 3, "-12.345"),
            (i64::MIN, 3, "-9223372036854775.808"),
        ] {
            assert_eq!(decimal(whole, decimals), text);
        }
    }
}
