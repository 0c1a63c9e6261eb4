//! From a wanted command to the code of the output converter, and from input codes to microvolts.
//!
//! The output converter spans ±10 V and the input converter ±10.24 V, both with 16 bits in offset binary: code 0 is
//! the negative end, 32 768 is 0 V, and 65 535 is one step short of the positive end.

use proofstand_protocol::units::{Microvolts, MicrovoltsPerTick};

use crate::calibration::table::{divide_rounded, saturate};
use crate::calibration::{ChannelTable, CommandTable};

/// Code of 0 V of both converters.
pub const CODE_ZERO: u16 = 0x8000;
/// Span of the output converter, end to end: 20 V over 65 536 codes.
const OUTPUT_SPAN: i64 = 20_000_000;
/// Span of the input converter, end to end: 20.48 V over 65 536 codes.
pub(crate) const INPUT_SPAN: i64 = 20_480_000;
const CODES: i64 = 1 << 16;

/// Code of the ideal output converter nearest to a voltage, clamped to the converter's range.
pub fn output_code(voltage: Microvolts) -> u16 {
    let steps = divide_rounded(i64::from(voltage.0) * CODES, OUTPUT_SPAN);
    (steps + i64::from(CODE_ZERO)).clamp(0, CODES - 1) as u16
}

/// Voltage of the ideal output converter at a code, to the nearest microvolt.
pub fn output_voltage(code: u16) -> Microvolts {
    from_code(code, OUTPUT_SPAN)
}

/// Voltage of the ideal input converter at a code, to the nearest microvolt.
pub fn input_voltage(code: u16) -> Microvolts {
    from_code(code, INPUT_SPAN)
}

/// Voltage at an input: the ideal converter's, corrected by the channel's table where there is one.
pub fn input_corrected(code: u16, table: Option<&ChannelTable>) -> Microvolts {
    let ideal = input_voltage(code);
    table.map_or(ideal, |table| table.actual(ideal))
}

fn from_code(code: u16, span: i64) -> Microvolts {
    saturate(divide_rounded((i64::from(code) - i64::from(CODE_ZERO)) * span, CODES))
}

/// The command output: where it stands, how fast and how far it may go, and the code that puts it there.
///
/// It never asks for more than its limit: where rounding to a code would go above, it takes the code below.
#[derive(Debug, Clone)]
pub struct CommandOutput {
    table: Option<CommandTable>,
    limit: Microvolts,
    /// The command before rounding to a code, so that a slow slew does not get stuck on one.
    wanted: Microvolts,
    code: u16,
    in_force: Microvolts,
}

impl CommandOutput {
    /// At 0 V, with a limit of 0 V, corrected by the table or by nothing.
    pub fn new(table: Option<CommandTable>) -> Self {
        let (limit, wanted, code, in_force) = (Microvolts(0), Microvolts(0), CODE_ZERO, Microvolts(0));
        let mut output = Self { table, limit, wanted, code, in_force };
        output.zero();
        output
    }

    /// Uses another table (or none) from now on. Goes to 0 V: the old code means something else now.
    pub fn set_table(&mut self, table: Option<CommandTable>) {
        self.table = table;
        self.zero();
    }

    /// Largest magnitude from now on, itself bounded by [`Microvolts::FULL_SCALE`]; a negative one counts as 0.
    /// A present command above it comes down at once, without slew.
    pub fn set_limit(&mut self, limit: Microvolts) {
        self.limit = limit.clamp(Microvolts(0), Microvolts::FULL_SCALE);
        self.put(self.wanted);
    }

    /// The limit.
    pub fn limit(&self) -> Microvolts {
        self.limit
    }

    /// Moves towards the target by at most the slew; call once per tick. Returns the code.
    pub fn tick(&mut self, target: Microvolts, slew: MicrovoltsPerTick) -> u16 {
        let target = i64::from(self.bounded(target).0);
        let from = i64::from(self.wanted.0);
        let slew = i64::from(slew.0);
        let next = saturate(target.clamp(from - slew, from + slew));
        // Where it stands, limit and table have been heeded already.
        if next == self.wanted { self.code } else { self.put(next) }
    }

    /// To 0 V at once, whatever the slew. Returns the code.
    pub fn zero(&mut self) -> u16 {
        self.put(Microvolts(0))
    }

    /// The command before rounding to a code.
    pub fn wanted(&self) -> Microvolts {
        self.wanted
    }

    /// The voltage that the present code really gives, by the table. This is the command in force.
    pub fn in_force(&self) -> Microvolts {
        self.in_force
    }

    /// The present code.
    pub fn code(&self) -> u16 {
        self.code
    }

    fn bounded(&self, voltage: Microvolts) -> Microvolts {
        voltage.clamp(Microvolts(-self.limit.0), self.limit)
    }

    fn actual(&self, code: u16) -> Microvolts {
        let ideal = output_voltage(code);
        self.table.as_ref().map_or(ideal, |table| table.actual(ideal))
    }

    fn put(&mut self, voltage: Microvolts) -> u16 {
        self.wanted = self.bounded(voltage);
        let ideal = self.table.as_ref().map_or(self.wanted, |table| table.nominal(self.wanted));
        self.code = output_code(ideal);
        self.in_force = self.actual(self.code);
        if self.in_force.magnitude() > self.limit {
            let inward =
                if self.in_force.0 > 0 { self.code.saturating_sub(1) } else { self.code.saturating_add(1) };
            let less = self.actual(inward);
            if less.magnitude() < self.in_force.magnitude() {
                (self.code, self.in_force) = (inward, less);
            }
        }
        self.code
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::calibration::tests::invented;

    const LSB: i32 = 306;
    const FAST: MicrovoltsPerTick = MicrovoltsPerTick(u32::MAX);

    /// Source: tests/reference/adc-dac-codes.csv (code of an N-bit converter = full-scale low + code x FSR / 2^N).
    #[test]
    fn codes_and_voltages_follow_the_offset_binary_table() {
        let mut rows = 0;
        for line in include_str!("../../tests/reference/adc-dac-codes.csv").lines().skip(1) {
            let field: std::vec::Vec<&str> = line.split(',').collect();
            if field[1] != "offset_binary" {
                continue;
            }
            let code: u16 = field[2].parse().unwrap();
            let exact = field[3].parse::<f64>().unwrap() * 1e6;
            assert!((f64::from(output_voltage(code).0) - exact).abs() <= 0.5, "code {code}");
            assert_eq!(output_code(Microvolts(exact.round() as i32)), code);
            rows += 1;
        }
        assert_eq!(rows, 7);
    }

    /// Source: the step of a 16-bit converter over ±10 V is 305.17578125 µV (tests/reference/adc-dac-lsb.csv).
    #[test]
    fn every_code_survives_the_way_to_microvolts_and_back_and_the_step_is_the_published_one() {
        for code in 0..=u16::MAX {
            assert_eq!(output_code(output_voltage(code)), code);
        }
        let row = include_str!("../../tests/reference/adc-dac-lsb.csv")
            .lines()
            .find(|line| line.starts_with("16,"));
        let lsb: f64 = row.unwrap().split(',').nth(3).unwrap().parse().unwrap();
        assert!((f64::from(output_voltage(u16::MAX).0) - (10.0 - lsb) * 1e6).abs() <= 0.5);
    }

    /// By the definition of offset binary over ±10.24 V: 312.5 µV a step.
    #[test]
    fn input_codes_are_steps_of_312_and_a_half_microvolts() {
        assert_eq!(input_voltage(0), Microvolts(-10_240_000));
        assert_eq!(input_voltage(CODE_ZERO), Microvolts(0));
        assert_eq!(input_voltage(CODE_ZERO + 2), Microvolts(625));
        assert_eq!(input_voltage(u16::MAX), Microvolts(10_239_688), "10 239 687.5, half away from zero");
        assert_eq!(input_voltage(CODE_ZERO + 16_000), Microvolts(5_000_000));
        let calibration = invented(*b"board-01", 850);
        let terminal = calibration.channels[0].as_ref();
        assert_eq!(input_corrected(CODE_ZERO, terminal), Microvolts(1_100), "mean of −1.2 mV and +3.4 mV");
        assert_eq!(input_corrected(CODE_ZERO, None), Microvolts(0));
    }

    #[test]
    fn the_command_moves_by_the_slew_and_stops_at_the_target() {
        let mut output = CommandOutput::new(None);
        output.set_limit(Microvolts(5_000_000));
        let slew = MicrovoltsPerTick(400_000);
        let mut seen = std::vec::Vec::new();
        for _ in 0..4 {
            output.tick(Microvolts(-1_000_000), slew);
            seen.push(output.wanted().0);
        }
        assert_eq!(seen, [-400_000, -800_000, -1_000_000, -1_000_000]);
        assert_eq!(output.zero(), CODE_ZERO, "zero does not wait for the slew");
        assert_eq!(output.in_force(), Microvolts(0));
        output.tick(Microvolts(1_000_000), MicrovoltsPerTick(0));
        assert_eq!(output.in_force(), Microvolts(0), "no slew, no motion");
    }

    #[test]
    fn a_slew_of_less_than_a_code_still_arrives() {
        let mut output = CommandOutput::new(None);
        output.set_limit(Microvolts(1_000_000));
        for _ in 0..1_000 {
            output.tick(Microvolts(1_000), MicrovoltsPerTick(1));
        }
        assert_eq!(output.in_force(), Microvolts(916), "code 3, the nearest to 1 mV within the limit");
    }

    #[test]
    fn a_new_output_allows_nothing_and_a_lower_limit_acts_at_once() {
        let mut output = CommandOutput::new(None);
        output.tick(Microvolts(10_000_000), FAST);
        assert_eq!(output.in_force(), Microvolts(0));
        output.set_limit(Microvolts(8_000_000));
        output.tick(Microvolts(i32::MAX), FAST);
        assert!(output.in_force() <= Microvolts(8_000_000) && output.in_force().0 > 8_000_000 - LSB);
        output.set_limit(Microvolts(1_000_000));
        assert!(output.in_force() <= Microvolts(1_000_000));
        output.set_limit(Microvolts(i32::MIN));
        assert_eq!((output.limit(), output.in_force()), (Microvolts(0), Microvolts(0)));
    }

    #[test]
    fn with_a_table_the_terminal_gets_what_was_asked_to_half_a_step() {
        let calibration = invented(*b"board-01", 850);
        let mut output = CommandOutput::new(Some(calibration.command.clone()));
        assert!(output.in_force().magnitude().0 <= LSB / 2 + 1, "0 V is corrected too: the offset is 3 mV");
        assert_ne!(output.code(), CODE_ZERO);
        output.set_limit(Microvolts::FULL_SCALE);
        for target in [-9_900_000, -1_234_567, -1, 0, 1, 777_777, 9_900_000] {
            output.tick(Microvolts(target), FAST);
            assert!((output.in_force().0 - target).abs() <= LSB / 2 + 1, "{target}: {:?}", output.in_force());
        }
    }

    proptest! {
        #[test]
        fn the_command_in_force_never_exceeds_the_limit_by_more_than_the_rest_of_zero(
            limit in 0_i32..=10_000_000, targets in prop::collection::vec(any::<i32>(), 1..20), slew: u32,
            calibrated: bool,
        ) {
            let table = calibrated.then(|| invented(*b"board-01", 850).command);
            let mut output = CommandOutput::new(table);
            output.set_limit(Microvolts(limit));
            for target in targets {
                let before = output.wanted();
                let code = output.tick(Microvolts(target), MicrovoltsPerTick(slew));
                prop_assert_eq!(code, output.code());
                // Below half a step no code need fit: then the one nearest to 0 V stands.
                prop_assert!(output.in_force().magnitude().0 <= limit.max(LSB / 2 + 1));
                prop_assert!((output.in_force().0 - output.wanted().0).abs() <= LSB + 1);
                let moved = (i64::from(output.wanted().0) - i64::from(before.0)).unsigned_abs();
                prop_assert!(moved <= u64::from(slew));
            }
        }
    }
}
