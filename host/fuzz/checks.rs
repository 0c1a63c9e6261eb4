//! What must hold for any bytes taken for an axis sheet. The fuzz target and a stable test both call it.

use proofstand::sheet::{SheetError, parse};
use proofstand::targets::Targets;

/// No panic; a sheet that is taken has finite targets; a sheet that is refused has a message, with every fault inside
/// the text and no control character that could drive a terminal.
pub(crate) fn sheet(input: &[u8]) {
    match parse("fuzz.toml", input) {
        Ok(sheet) => {
            let targets = Targets::compute(&sheet);
            for row in targets.rows() {
                assert!(row.value.is_finite(), "{}: {}", row.name, row.value);
            }
            for level in &targets.levels {
                assert!(level.after_trip.get().is_finite() && level.window.least_inertia.get().is_finite());
            }
        }
        Err(error) => {
            let plain = error.to_string();
            assert!(!plain.is_empty());
            assert!(!plain.chars().any(|c| c.is_control() && c != '\n'), "{plain:?}");
            assert!(!error.in_colour().is_empty());
            if let SheetError::Faults { text, faults, .. } = &error {
                assert!(!faults.is_empty());
                for fault in faults {
                    assert!(
                        fault.span.start <= text.len() && fault.span.start <= fault.span.end,
                        "{fault:?}"
                    );
                    assert!(!fault.why.is_empty());
                }
            }
        }
    }
}
