//! A reference meter that a person reads and types.

use proofstand_units::Volts;

use super::person::{Keyboard, tell};
use crate::calibration::reading::Impossible;
use crate::calibration::{Asked, CalibrateError, ReferenceMeter};
use crate::terminal::{Stream, width, wrapped};

/// A person who reads a meter.
pub(super) struct TypedMeter<'a> {
    keyboard: &'a Keyboard,
    asked: Option<Asked>,
    /// A question stands on the last line, without an answer yet.
    open: bool,
}

impl<'a> TypedMeter<'a> {
    pub(super) const fn new(keyboard: &'a Keyboard) -> Self {
        Self { keyboard, asked: None, open: false }
    }

    fn question(&mut self) {
        self.open = true;
        if let Some(asked) = self.asked {
            tell(
                // Through the new calibration the level is what was asked for, not what the bare converter would give.
                &format!(
                    "{:3} of {}: {:+9.4} V is put out. The meter shows, in volts:",
                    asked.number,
                    asked.of,
                    asked.wanted.unwrap_or(asked.level).get()
                ),
                false,
            );
        }
    }
}

impl ReferenceMeter for TypedMeter<'_> {
    fn ask(&mut self, about: &Asked) {
        self.asked = Some(*about);
        self.keyboard.forget();
        self.question();
    }

    fn poll(&mut self) -> Result<Option<Volts>, CalibrateError> {
        let Some(line) = self.keyboard.answered().map_err(|_| CalibrateError::Stopped)? else {
            return Ok(None);
        };
        self.open = false;
        match typed_volts(&line) {
            Some(volts) => Ok(Some(volts)),
            None => {
                tell("A number of volts, as the meter shows it: +8.75012", true);
                self.question();
                Ok(None)
            }
        }
    }

    fn repeats(&self) -> usize {
        1
    }

    fn refused(&mut self, why: &Impossible) -> bool {
        let again = if matches!(why, Impossible::UpAndDown { .. }) {
            "If a digit was mistyped, this mends it: the level is put out again, and both readings are asked for."
        } else {
            "Look again, and type it again."
        };
        tell(&wrapped("Not taken: ", &format!("{why}. {again}"), width(Stream::Err)), true);
        true
    }
}

impl Drop for TypedMeter<'_> {
    /// What follows an unanswered question begins a line of its own.
    fn drop(&mut self) {
        if self.open {
            tell("", true);
        }
    }
}

/// What a person types for a number of volts: a sign, a point or a comma, perhaps `V` behind it.
fn typed_volts(line: &str) -> Option<Volts> {
    let text = line.trim().trim_end_matches(['V', 'v']).trim().replace(',', ".").replace('\u{2212}', "-");
    let plain = !text.is_empty() && text.chars().all(|c| c.is_ascii_digit() || matches!(c, '.' | '+' | '-'));
    if plain { text.parse().ok().filter(|volts: &f64| volts.is_finite()).map(Volts::new) } else { None }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn volts_are_taken_as_people_type_them_and_nothing_else() {
        for (line, volts) in
            [("8.75012", 8.75012), ("+8,75012 V", 8.75012), ("-0.1v", -0.1), ("\u{2212}3", -3.0)]
        {
            assert_eq!(typed_volts(line), Some(Volts::new(volts)), "{line}");
        }
        for line in ["", "V", "1e3", "inf", "NaN", "8.75.1", "eight", "1 2"] {
            assert_eq!(typed_volts(line), None, "{line}");
        }
    }
}
