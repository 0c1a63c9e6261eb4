//! Numbers as they are written, compared exactly: a binary fraction would call 0.1 and 0.1000 different or 0.3 and
//! 0.1 + 0.2 equal.

use crate::sheet::DecimalSign;

/// A decimal number, exact. Equal numbers are equal values however they were written.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub struct Decimal {
    negative: bool,
    /// Without noughts at either end; empty for zero.
    digits: String,
    /// The number is 0.digits x 10 to this.
    exponent: i64,
}

impl Decimal {
    /// Reads a number: sign, digits, decimal sign, digits, exponent. `None` for everything else, and for digits that
    /// begin with a needless nought: `007` is a code, not a number.
    #[must_use]
    pub fn parse(text: &str, sign: DecimalSign) -> Option<Self> {
        let text = text.trim();
        let (negative, text) = match text.strip_prefix(['-', '\u{2212}']) {
            Some(rest) => (true, rest),
            None => (false, text.strip_prefix('+').unwrap_or(text)),
        };
        let (mantissa, power) = match text.split_once(['e', 'E']) {
            Some((mantissa, power)) => {
                let digits = power.strip_prefix(['+', '-']).unwrap_or(power);
                // Six digits of exponent are more than any setting has, and can't overflow.
                if digits.len() > 6 || !all_digits(digits) {
                    return None;
                }
                (mantissa, power.parse::<i64>().ok()?)
            }
            None => (text, 0),
        };
        let (whole, fraction) = mantissa.split_once(sign.mark()).unwrap_or((mantissa, "0"));
        if !all_digits(whole) || !all_digits(fraction) || (whole.len() > 1 && whole.starts_with('0')) {
            return None;
        }
        let joined = format!("{whole}{fraction}");
        let leading = joined.len() - joined.trim_start_matches('0').len();
        let digits = joined.trim_matches('0').to_owned();
        if digits.is_empty() {
            return Some(Self { negative: false, digits, exponent: 0 });
        }
        let exponent = i64::try_from(whole.len()).ok()? - i64::try_from(leading).ok()? + power;
        Some(Self { negative, digits, exponent })
    }
}

fn all_digits(text: &str) -> bool {
    !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit())
}

/// The text may be a number with thousands separators: groups of three digits, split by what is not the decimal sign.
/// `1.234` under a decimal comma is 1234 to one reader and 1.234 to another.
#[must_use]
pub fn grouped(text: &str, sign: DecimalSign) -> bool {
    let text = text.trim();
    let text = text.strip_prefix(['+', '-', '\u{2212}']).unwrap_or(text);
    let whole = text.split_once(sign.mark()).map_or(text, |(whole, fraction)| {
        if fraction.is_empty() || all_digits(fraction) { whole } else { "" }
    });
    let separators = ['.', ',', '\'', '\u{2019}', ' ', '\u{A0}', '\u{2009}', '\u{202F}'];
    let Some(separator) = whole.chars().find(|c| separators.contains(c)) else { return false };
    let mut groups = whole.split(separator);
    let first = groups.next().unwrap_or_default();
    let mut rest = groups.peekable();
    rest.peek().is_some()
        && first.len() <= 3
        && all_digits(first)
        && !(first.len() > 1 && first.starts_with('0'))
        && first != "0"
        && rest.all(|group| group.len() == 3 && all_digits(group))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn point(text: &str) -> Option<Decimal> {
        Decimal::parse(text, DecimalSign::Point)
    }

    #[test]
    fn the_same_number_written_differently_is_the_same() {
        for (one, other) in [
            ("8", "8.00"),
            ("0.1", "0.1000"),
            ("-0", "0"),
            ("1e3", "1000"),
            ("2.5E-3", "0.0025"),
            ("+4", "4"),
            ("\u{2212}4", "-4"),
        ] {
            assert_eq!(point(one).unwrap(), point(other).unwrap(), "{one} {other}");
        }
        assert_eq!(Decimal::parse("8,50", DecimalSign::Comma), point("8.5"));
    }

    #[test]
    fn what_is_no_number_is_none() {
        for text in [
            "",
            "-",
            ".",
            "1.",
            ".5",
            "1,5",
            "1.2.3",
            "007",
            "0x1F",
            "1e",
            "1e9999999",
            "inf",
            "NaN",
            "٣",
            "1 000",
        ] {
            assert_eq!(point(text), None, "{text}");
        }
    }

    #[test]
    fn thousands_separators_are_found_and_nothing_else() {
        for text in ["1,234", "1,234.5", "12 345", "1'234'567", "-1,234", "1\u{A0}234"] {
            assert!(grouped(text, DecimalSign::Point), "{text}");
        }
        assert!(grouped("1.234", DecimalSign::Comma) && grouped("1.234.567,8", DecimalSign::Comma));
        for text in ["1.234", "1234", "1,2345", "1,23", "0,125", "a,234", "10.0.0.1", "1,234.x", ""] {
            assert!(!grouped(text, DecimalSign::Point), "{text}");
        }
        assert!(!grouped("1,234", DecimalSign::Comma) && !grouped("1.2.3", DecimalSign::Comma));
    }

    proptest! {
        /// Against the standard library's own decimal reader, where a binary fraction can hold the number.
        #[test]
        fn two_short_numbers_are_equal_exactly_when_they_are_equal_as_binary_fractions(
            a in "-?(0|[1-9][0-9]{0,5})(\\.[0-9]{1,6})?", b in "-?(0|[1-9][0-9]{0,5})(\\.[0-9]{1,6})?"
        ) {
            let binary = |text: &str| text.parse::<f64>().unwrap();
            prop_assert_eq!(point(&a).unwrap() == point(&b).unwrap(), binary(&a) == binary(&b));
            prop_assert_eq!(point(&a).unwrap(), point(&format!("{:.7}", binary(&a))).unwrap());
        }
    }
}
