//! What a meter can do wrong.

use core::time::Duration;

/// Why a meter gives no reading. Texts from the meter are already harmless.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum ScpiError {
    /// Nothing came.
    #[error(
        "the meter does not answer `{command}` within {:.0} s: is it on this port, at this baud rate, and set to SCPI \
         over its serial port?", .waited.as_secs_f64()
    )]
    Silent {
        /// What was asked.
        command: String,
        /// How long was waited.
        waited: Duration,
    },
    /// Bytes that no meter sends: another device, or another baud rate.
    #[error(
        "the meter's answer to `{command}` holds byte 0x{byte:02x}, which is no text: is the baud rate right?"
    )]
    NotText {
        /// What was asked.
        command: String,
        /// The first such byte.
        byte: u8,
    },
    /// A line without an end.
    #[error("the meter's answer to `{command}` does not end: more than {most} characters in one line")]
    TooLong {
        /// What was asked.
        command: String,
        /// Longest line taken.
        most: usize,
    },
    /// Text that is not what was asked for.
    #[error("the meter answered `{command}` with `{answer}`, which is not {wanted}")]
    NotUnderstood {
        /// What was asked.
        command: String,
        /// What came.
        answer: String,
        /// What an answer would be.
        wanted: &'static str,
    },
    /// A line that nobody asked for: readings would be taken for one another's.
    #[error(
        "the meter sent `{0}` without being asked: stop its own triggering or printing, then start again"
    )]
    Unasked(String),
    /// The input is above the range.
    #[error("the meter shows an overload: is it on the command terminals, and on a range of 10 V or more?")]
    Overload,
    /// The meter says itself that it has no number.
    #[error("the meter says that its reading is no number")]
    NotANumber,
    /// The meter's error queue holds an error.
    #[error("the meter reports error {code}: {text}")]
    Reported {
        /// SCPI's number of the error.
        code: i32,
        /// Its text.
        text: String,
    },
}
