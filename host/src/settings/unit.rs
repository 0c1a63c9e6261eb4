//! Units as tables of settings write them: only so far as two of them can be told to differ.

/// What a unit measures.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Quantity {
    Voltage,
    Share,
    Speed,
    Torque,
    Pulses,
    Counts,
}

/// Symbols that stand by themselves, with their power of ten. SI symbols and prefixes (SI Brochure, 9th edition); the
/// spellings of speed and torque are *common practice, no source*.
const KNOWN: &[(&str, Quantity, i32)] = &[
    ("V", Quantity::Voltage, 0),
    ("mV", Quantity::Voltage, -3),
    ("\u{B5}V", Quantity::Voltage, -6),
    ("\u{3BC}V", Quantity::Voltage, -6),
    ("uV", Quantity::Voltage, -6),
    ("kV", Quantity::Voltage, 3),
    ("%", Quantity::Share, 0),
    ("\u{2030}", Quantity::Share, -1),
    ("rpm", Quantity::Speed, 0),
    ("krpm", Quantity::Speed, 3),
    ("r/min", Quantity::Speed, 0),
    ("rev/min", Quantity::Speed, 0),
    ("U/min", Quantity::Speed, 0),
    ("tr/min", Quantity::Speed, 0),
    ("1/min", Quantity::Speed, 0),
    ("/min", Quantity::Speed, 0),
    ("min-1", Quantity::Speed, 0),
    ("min^-1", Quantity::Speed, 0),
    ("min\u{207B}\u{B9}", Quantity::Speed, 0),
    ("Nm", Quantity::Torque, 0),
    ("mNm", Quantity::Torque, -3),
    ("cNm", Quantity::Torque, -2),
    ("Ncm", Quantity::Torque, -2),
    ("kNm", Quantity::Torque, 3),
    ("pulses", Quantity::Pulses, 0),
    ("pulses/rev", Quantity::Pulses, 0),
    ("counts", Quantity::Counts, 0),
    ("counts/rev", Quantity::Counts, 0),
];

/// The two are known and mean different things: mV is not V, and counts are not pulses. `form` may say what it stands
/// at, as in `V at rated torque`; what a table writes is compared with the unit before that.
#[must_use]
pub(super) fn contradict(form: &str, table: &str) -> bool {
    let base = form.split([' ', '/']).next().unwrap_or_default();
    matches!((known(base), known(table)), (Some(one), Some(other)) if one != other)
}

/// A unit, also in brackets or with a power of ten before it: `[V]`, `0.1 %`.
fn known(text: &str) -> Option<(Quantity, i32)> {
    let text = text.trim().trim_matches(['[', ']', '(', ')']).trim();
    let find = |symbol: &str| KNOWN.iter().find(|(known, _, _)| *known == symbol);
    if let Some((_, quantity, power)) = find(&joined(text)) {
        return Some((*quantity, *power));
    }
    let (number, symbol) = text.split_once(' ')?;
    let (_, quantity, power) = find(&joined(symbol))?;
    Some((*quantity, power + power_of_ten(number)?))
}

/// `N·m`, `N.m` and `N m` are `Nm`.
fn joined(text: &str) -> String {
    text.chars().filter(|c| !matches!(c, ' ' | '.' | '*' | '\u{B7}' | '\u{22C5}')).collect()
}

/// 100, 10, 1, 0.1, 0,01 as powers of ten.
fn power_of_ten(number: &str) -> Option<i32> {
    let (whole, fraction) = number.split_once(['.', ',']).unwrap_or((number, ""));
    let digits = |text: &str| i32::try_from(text.len()).ok();
    match (whole.trim_end_matches('0'), fraction.trim_start_matches('0')) {
        ("1", "") => Some(digits(whole)? - 1),
        ("", "1") if whole == "0" => Some(-digits(fraction)?),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_differs_is_told_and_what_is_not_known_never() {
        for (form, table) in [
            ("V at rated torque", "mV"),
            ("V at rated torque", "%"),
            ("V at rated torque", "0.01 V"),
            ("% of rated speed", "rpm"),
            ("% of rated speed", "0,1 %"),
            ("rpm", "krpm"),
            ("N·m/V", "mNm"),
            ("pulses/rev", "counts/rev"),
        ] {
            assert!(contradict(form, table), "{form} {table}");
        }
        for (form, table) in [
            ("V at rated torque", "V"),
            ("V at rated torque", "[V]"),
            ("V at rated torque", "1 V"),
            ("V per 1000 rpm", "mV/rpm"),
            ("rpm", "1/min"),
            ("rpm at 10 V", "min⁻¹"),
            ("N·m/V", "N m"),
            ("%/V", "%/V"),
            ("pulses/rev", "Takte"),
            ("% of rated speed", ""),
            ("", "mV"),
        ] {
            assert!(!contradict(form, table), "{form} {table}");
        }
    }
}
