//! What must hold for any bytes taken for an axis sheet, or for a meter's answers. Fuzz targets and stable tests both
//! call it.
#![allow(dead_code, reason = "each target calls one of them")]

#[path = "../../protocol/fuzz/planted.rs"]
mod planted;

use core::time::Duration;

use proofstand::scpi::{Dialogue, Event};
use proofstand::sheet::{FaultKind, SheetError, parse};
use proofstand::targets::Targets;

use planted::planted;

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
                // All of the sheet is right but one value, which alone is not possible.
                planted(matches!(faults.as_slice(), [only] if only.kind == FaultKind::NotPossible));
            }
        }
    }
}

/// The first byte of each piece is the time that goes by before it, in tenths of a second; odd: a reading is asked for.
/// No panic; readings are finite and no stand-ins for infinity; nothing that is shown could drive a terminal; nothing
/// follows a failure.
pub(crate) fn scpi(input: &[u8]) {
    let mut now = Duration::ZERO;
    let mut dialogue = Dialogue::new(now);
    let mut failed = false;
    for piece in input.chunks(24) {
        let (wait, bytes) = piece.split_first().map_or((0, piece), |(wait, bytes)| (*wait, bytes));
        now += Duration::from_millis(100 * u64::from(wait));
        dialogue.on_time(now);
        if wait % 2 == 1 {
            dialogue.ask(now);
        }
        dialogue.on_bytes(bytes, now);
        while let Some(line) = dialogue.transmit() {
            assert!(line.ends_with('\n') && line.is_ascii());
        }
        while let Some(event) = dialogue.event() {
            assert!(!failed, "{event:?} after a failure");
            let harmless = |text: &str| text.bytes().all(|b| (0x20..0x7f).contains(&b));
            match event {
                Event::Identified(fields) => assert!(fields.iter().all(|f| harmless(f) && f.len() < 90)),
                Event::Ready => {}
                Event::Reading(volts) => {
                    assert!(volts.get().is_finite() && volts.abs().get() < 9.9e37);
                    planted(volts.get() < -5e3);
                }
                Event::Failed(error) => {
                    assert!(harmless(&error.to_string()), "{error}");
                    failed = true;
                }
            }
        }
    }
}
