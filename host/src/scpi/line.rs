//! Bytes to lines, lines to numbers.

use proofstand_units::Volts;

use super::ScpiError;

/// Longest answer taken. The answers asked for are all shorter than a hundred characters.
const LINE_MOST: usize = 256;
/// Longest piece of a meter's text that is shown.
const SHOWN_MOST: usize = 80;
/// Flow control of a serial line, not part of an answer.
const XON_XOFF: [u8; 2] = [0x11, 0x13];
/// SCPI-99, 7.2.1.4: 9.9E37 stands for infinity, 9.91E37 for *not a number*. Meters round them differently.
const INFINITY: f64 = 9.9e37;
const NOT_A_NUMBER: f64 = 9.91e37;
const ROUNDED: f64 = 0.002e37;

/// Cuts bytes into lines. Line feed or carriage return ends one; empty ones count for nothing.
#[derive(Debug, Default, Clone)]
pub struct Lines {
    line: String,
    fault: Option<Fault>,
}

/// What is wrong with a line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Fault {
    NotText(u8),
    TooLong,
}

impl Lines {
    /// Takes a byte; gives a line when it ends one. `command` is what the line answers, for the error.
    pub fn push(&mut self, byte: u8, command: &str) -> Option<Result<String, ScpiError>> {
        match byte {
            b'\n' | b'\r' => {
                let line = core::mem::take(&mut self.line);
                match self.fault.take() {
                    None if line.trim().is_empty() => None,
                    None => Some(Ok(line)),
                    Some(fault) => Some(Err(fault.error(command))),
                }
            }
            byte if XON_XOFF.contains(&byte) => None,
            0x20..=0x7e | b'\t' if self.line.len() < LINE_MOST => {
                self.line.push(char::from(byte));
                None
            }
            0x20..=0x7e | b'\t' => {
                self.fault.get_or_insert(Fault::TooLong);
                None
            }
            byte => {
                self.fault.get_or_insert(Fault::NotText(byte));
                None
            }
        }
    }

    /// The fault of the line that has begun, if it has one: for a meter that never ends it.
    pub(super) fn fault(&self, command: &str) -> Option<ScpiError> {
        self.fault.map(|fault| fault.error(command))
    }
}

impl Fault {
    fn error(self, command: &str) -> ScpiError {
        let command = command.to_owned();
        match self {
            Self::NotText(byte) => ScpiError::NotText { command, byte },
            Self::TooLong => ScpiError::TooLong { command, most: LINE_MOST },
        }
    }
}

/// Text of a meter, harmless and short: printable ASCII, everything else a dot.
#[must_use]
pub fn shown(text: &str) -> String {
    let harmless = |c: char| if matches!(c, ' '..='~') { c } else { '.' };
    let mut out: String = text.chars().take(SHOWN_MOST).map(harmless).collect();
    if text.chars().count() > SHOWN_MOST {
        out.push_str("...");
    }
    out
}

/// One reading in volts: IEEE 488.2 numeric response data (8.7.2 to 8.7.4, NR1, NR2 or NR3), one number and nothing else.
///
/// # Errors
/// [`ScpiError::Overload`], [`ScpiError::NotANumber`], [`ScpiError::NotUnderstood`].
pub fn volts(line: &str, command: &str) -> Result<Volts, ScpiError> {
    let text = line.trim();
    let number = if is_numeric(text) { text.parse::<f64>().ok() } else { None };
    let Some(number) = number.filter(|n| n.is_finite()) else {
        return Err(ScpiError::NotUnderstood {
            command: command.to_owned(),
            answer: shown(text),
            wanted: "a number",
        });
    };
    if (number.abs() - NOT_A_NUMBER).abs() < ROUNDED {
        Err(ScpiError::NotANumber)
    } else if number.abs() > INFINITY - ROUNDED {
        Err(ScpiError::Overload)
    } else {
        Ok(Volts::new(number))
    }
}

/// What Rust takes for a number is more than what IEEE 488.2 does (`inf`, `nan`, `1e5` without point are told apart
/// here): sign, digits with at most one point, exponent.
fn is_numeric(text: &str) -> bool {
    let text = text.strip_prefix(['+', '-']).unwrap_or(text);
    let (mantissa, exponent) = match text.split_once(['E', 'e']) {
        Some((mantissa, exponent)) => (mantissa, Some(exponent)),
        None => (text, None),
    };
    let digits = |part: &str| !part.is_empty() && part.bytes().all(|b| b.is_ascii_digit());
    let (whole, part) = mantissa.split_once('.').unwrap_or((mantissa, ""));
    let mantissa_is =
        (digits(whole) || (whole.is_empty() && digits(part))) && (part.is_empty() || digits(part));
    mantissa_is && exponent.is_none_or(|e| digits(e.strip_prefix(['+', '-']).unwrap_or(e)))
}

/// The answer to `*IDN?` (IEEE 488.2, 10.14): maker, model, serial number, firmware. Harmless text.
///
/// # Errors
/// [`ScpiError::NotUnderstood`] for fewer than four fields, or an empty model.
pub fn identity(line: &str) -> Result<[String; 4], ScpiError> {
    let mut fields = line.splitn(4, ',').map(|field| shown(field.trim()));
    let mut next = || fields.next();
    match (next(), next(), next(), next()) {
        (Some(maker), Some(model), Some(serial), Some(firmware)) if !model.is_empty() => {
            Ok([maker, model, serial, firmware])
        }
        _ => Err(ScpiError::NotUnderstood {
            command: "*IDN?".to_owned(),
            answer: shown(line),
            wanted: "maker, model, serial number and firmware",
        }),
    }
}

/// An entry of the error queue.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct QueuedError {
    /// SCPI's number; 0: the queue is empty.
    pub code: i32,
    /// Its text, harmless.
    pub text: String,
}

/// The answer to `SYST:ERR?` (SCPI-99 volume 2, 21.8): `-113,"Undefined header"`.
///
/// # Errors
/// [`ScpiError::NotUnderstood`].
pub fn queued_error(line: &str) -> Result<QueuedError, ScpiError> {
    let (code, text) = line.split_once(',').unwrap_or((line, ""));
    match code.trim().parse::<i32>() {
        Ok(code) => Ok(QueuedError { code, text: shown(text.trim().trim_matches('"')) }),
        Err(_) => Err(ScpiError::NotUnderstood {
            command: "SYST:ERR?".to_owned(),
            answer: shown(line),
            wanted: "an entry of the error queue",
        }),
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn numbers_of_ieee_488_2_are_taken_and_others_refused() {
        // Forms: IEEE 488.2, 8.7.2 to 8.7.4 (NR1, NR2, NR3), from memory.
        for (text, value) in [
            ("5", 5.0),
            ("-12", -12.0),
            ("+9.9987654", 9.998_765_4),
            (" -3.000125E+00 ", -3.000_125),
            ("1.5e-3", 0.001_5),
            (".25", 0.25),
            ("+1.00000000E+01", 10.0),
        ] {
            assert_eq!(volts(text, "READ?"), Ok(Volts::new(value)), "{text}");
        }
        for text in
            ["", "VDC", "1.0 V", "1,2", "nan", "inf", "-inf", "1.2.3", "E5", "1E", "--1", "0x10", "1_0"]
        {
            let refused = volts(text, "READ?");
            assert!(matches!(refused, Err(ScpiError::NotUnderstood { .. })), "{text}: {refused:?}");
        }
    }

    #[test]
    fn infinity_and_not_a_number_of_scpi_are_no_readings() {
        // SCPI-99 volume 1, 7.2.1.4: 9.9E37, -9.9E37, 9.91E37.
        for text in ["9.9E37", "+9.90000000E+37", "-9.9E+37", "9.8999999E37", "1E39"] {
            assert_eq!(volts(text, "READ?"), Err(ScpiError::Overload), "{text}");
        }
        for text in ["9.91E37", "+9.91000000E+37", "9.9100001E37"] {
            assert_eq!(volts(text, "READ?"), Err(ScpiError::NotANumber), "{text}");
        }
        assert!(volts("1E400", "READ?").is_err());
    }

    #[test]
    fn identity_and_error_queue_are_read_and_made_harmless() {
        let full = identity("Example Instruments, Model 6, 0042, 1.03-B,x").unwrap();
        assert_eq!(full, ["Example Instruments", "Model 6", "0042", "1.03-B,x"]);
        assert!(identity("Example Instruments,Model 6,0042").is_err());
        assert!(identity(",,,").is_err());
        assert_eq!(queued_error("0,\"No error\""), Ok(QueuedError { code: 0, text: "No error".into() }));
        assert_eq!(queued_error("-113,\"Undefined header\"").unwrap().code, -113);
        assert_eq!(queued_error("+0").unwrap().code, 0);
        assert!(queued_error("no error").is_err());
        assert_eq!(shown("a\u{1b}[2Jb\u{202e}ü"), "a.[2Jb..");
        assert_eq!(shown(&"x".repeat(90)), format!("{}...", "x".repeat(80)));
    }

    fn lines(bytes: &[u8]) -> Vec<Result<String, ScpiError>> {
        let mut lines = Lines::default();
        bytes.iter().filter_map(|byte| lines.push(*byte, "READ?")).collect()
    }

    #[test]
    fn lines_end_with_either_end_and_bytes_that_are_no_text_spoil_their_line_only() {
        assert_eq!(lines(b"\x11+1.0\r\n\r\n+2.0\n\x13"), [Ok("+1.0".into()), Ok("+2.0".into())]);
        let escape = lines(b"\x1b[2J+1.0\n+2.0\n");
        assert!(matches!(escape[0], Err(ScpiError::NotText { byte: 0x1b, .. })), "{escape:?}");
        assert_eq!(escape[1], Ok("+2.0".into()));
        let long = lines(&[&[b'1'; 400][..], b"\n7\n"].concat());
        assert!(matches!(long[0], Err(ScpiError::TooLong { .. })));
        assert_eq!(long[1], Ok("7".into()));
    }

    proptest! {
        #[test]
        fn any_number_written_the_way_meters_do_reads_back(value in -12.0_f64..12.0) {
            let text = format!("{value:+.8E}");
            let back = volts(&text, "READ?").unwrap().get();
            prop_assert!((back - value).abs() <= 1e-8 * value.abs().max(1e-9) + 1e-12);
        }

        #[test]
        fn any_text_gives_a_finite_reading_or_an_error_that_can_be_shown(text in ".{0,300}") {
            match volts(&text, "READ?") {
                Ok(value) => prop_assert!(value.get().is_finite() && value.abs().get() < 9.9e37),
                Err(error) => prop_assert!(error.to_string().bytes().all(|b| (0x20..0x7f).contains(&b))),
            }
        }
    }
}
