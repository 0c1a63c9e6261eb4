//! Numbers as a certificate prints them.
//!
//! Rounding after JCGM 100:2008 (GUM) 7.2.6: the uncertainty to two significant digits, the value to the same place.
//! Spacing after the SI Brochure (9th edition, 5.4.3 and 5.4.4): a space before the unit, also before %, none before °;
//! more than four digits are parted in threes by a thin space.

const MINUS: char = '\u{2212}';
const THIN: char = '\u{202f}';
/// What stands where there is no number.
pub(super) const NONE: &str = "\u{2013}";

/// How many places after the decimal sign a row of numbers shares; below zero for tens, hundreds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Places(i32);

impl Places {
    /// Those that leave an expanded uncertainty two significant digits; none for zero or no number.
    pub(super) fn of_uncertainty(uncertainty: f64) -> Option<Self> {
        let exponent = decade(uncertainty)?;
        // 0.0996 has two digits as 0.10, not as 0.100.
        let rounded = uncertainty.abs() / 10f64.powi(exponent - 1);
        Some(Self(if rounded.round() >= 100.0 { -exponent } else { 1 - exponent }))
    }

    /// The fewest that show a value of known digits as it is, at most `most` significant digits.
    pub(super) fn of_value(value: f64, most: i32) -> Self {
        let Some(exponent) = decade(value) else { return Self(0) };
        let last = most - 1 - exponent;
        (0..last.max(0)).find(|&p| same(value, p, last)).map_or(Self(last.max(0)), Self)
    }

    fn at_least(self, value: f64) -> Self {
        // A limit of 1960.4 beside an uncertainty of 12 must not be printed as 1960: the reader would decide otherwise.
        let own = Self::of_value(value, 7);
        Self(self.0.max(own.0.min(self.0 + 3)))
    }
}

/// A value rounded to the place of its uncertainty, or with the digits it has.
pub(super) fn value(value: f64, places: Option<Places>) -> String {
    write(value, places.unwrap_or_else(|| Places::of_value(value, 6)))
}

/// A target or a limit: never rounded so that the comparison with it would look otherwise.
pub(super) fn limit(value: f64, places: Option<Places>) -> String {
    match places {
        Some(p) => write(value, p.at_least(value)),
        None => write(value, Places::of_value(value, 7)),
    }
}

/// An uncertainty, with two significant digits.
pub(super) fn uncertainty(u: f64) -> String {
    Places::of_uncertainty(u).map_or_else(|| plain(u, 0), |p| write(u, p))
}

/// A number with at most so many significant digits.
pub(super) fn significant(value: f64, digits: i32) -> String {
    write(value, Places::of_value(value, digits))
}

/// A number with so many decimals.
pub(super) fn fixed(value: f64, decimals: usize) -> String {
    plain(value, decimals)
}

/// What stands between a number and its unit, and the unit.
pub(super) fn unit_after(unit: &str) -> String {
    match unit {
        "" => String::new(),
        "°" => unit.to_owned(),
        _ => format!("\u{a0}{unit}"),
    }
}

fn write(value: f64, places: Places) -> String {
    let Some(exponent) = decade(value) else { return plain(value, places.0.clamp(0, 12) as usize) };
    if places.0 > 6 && exponent < -3 {
        // Very small: a factor and a power of ten.
        let decimals = (places.0 + exponent).clamp(0, 9) as usize;
        return format!(
            "{}\u{a0}×\u{a0}10{}",
            plain(value / 10f64.powi(exponent), decimals),
            superscript(exponent)
        );
    }
    if exponent >= 12 {
        let factor = value / 10f64.powi(exponent);
        let decimals = Places::of_value(factor, 6).0.min((places.0 + exponent).max(0)) as usize;
        return format!("{}\u{a0}×\u{a0}10{}", plain(factor, decimals), superscript(exponent));
    }
    if places.0 < 0 {
        let unit = 10f64.powi(-places.0);
        return plain((value / unit).round() * unit, 0);
    }
    plain(value, places.0.min(12) as usize)
}

fn plain(value: f64, decimals: usize) -> String {
    if !value.is_finite() {
        return NONE.to_owned();
    }
    let digits = format!("{:.decimals$}", value.abs());
    let (whole, fraction) = digits.split_once('.').unwrap_or((&digits, ""));
    let mut out = String::new();
    // A zero has no sign.
    if value < 0.0 && digits.contains(|c: char| c.is_ascii_digit() && c != '0') {
        out.push(MINUS);
    }
    if whole.len() > 4 {
        for (i, c) in whole.chars().enumerate() {
            if i > 0 && (whole.len() - i).is_multiple_of(3) {
                out.push(THIN);
            }
            out.push(c);
        }
    } else {
        out.push_str(whole);
    }
    if !fraction.is_empty() {
        out.push('.');
        for (i, c) in fraction.chars().enumerate() {
            if fraction.len() > 4 && i > 0 && i.is_multiple_of(3) {
                out.push(THIN);
            }
            out.push(c);
        }
    }
    out
}

/// The power of ten of the first digit.
fn decade(value: f64) -> Option<i32> {
    if value == 0.0 || !value.is_finite() {
        return None;
    }
    // Formatting rounds right where a logarithm may be a hair off.
    format!("{value:e}").rsplit('e').next().and_then(|e| e.parse().ok())
}

fn same(value: f64, places: i32, last: i32) -> bool {
    let at = |p: i32| format!("{value:.*}", p.clamp(0, 17) as usize).parse::<f64>().unwrap_or(f64::NAN);
    (at(places) - at(last)).abs() < 0.5 * 10f64.powi(-last)
}

fn superscript(n: i32) -> String {
    n.to_string()
        .chars()
        .map(|c| match c {
            '-' => '\u{207b}',
            '1' => '\u{b9}',
            '2' => '\u{b2}',
            '3' => '\u{b3}',
            d => char::from_u32(0x2070 + d.to_digit(10).unwrap_or(0)).unwrap_or(d),
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn both(v: f64, u: f64) -> (String, String) {
        (value(v, Places::of_uncertainty(u)), uncertainty(u))
    }

    /// JCGM 100:2008 7.2.6: y = 10.057 62 Ω with u = 27 mΩ is rounded to 10.058 Ω; 7.2.4: (100.021 47 ± 0.000 79) g.
    #[test]
    fn values_are_rounded_as_the_gum_rounds_them() {
        assert_eq!(both(10.05762, 0.027), ("10.058".into(), "0.027".into()));
        assert_eq!(both(100.02147, 0.00079), ("100.021\u{202f}47".into(), "0.000\u{202f}79".into()));
    }

    /// Worked by hand.
    #[test]
    fn an_uncertainty_keeps_two_digits_when_rounding_makes_it_longer() {
        assert_eq!(both(1.23456, 0.0996), ("1.23".into(), "0.10".into()));
        assert_eq!(both(1.23456, 0.0994), ("1.235".into(), "0.099".into()));
        assert_eq!(both(152_345.0, 1234.0), ("152\u{202f}300".into(), "1200".into()));
        assert_eq!(both(1999.4, 9.96), ("1999".into(), "10".into()));
        assert_eq!(both(1999.4, 99.6), ("2000".into(), "100".into()));
    }

    #[test]
    fn a_limit_is_never_rounded_into_another_decision() {
        let coarse = Places::of_uncertainty(12.0);
        assert_eq!(limit(1960.4, coarse), "1960.4");
        assert_eq!(limit(1960.0, coarse), "1960");
        assert_eq!(limit(12.5, Places::of_uncertainty(0.12)), "12.50");
        assert_eq!(limit(11.875, Places::of_uncertainty(0.12)), "11.875");
        assert_eq!(limit(0.1 + 0.2, None), "0.3");
    }

    /// SI Brochure, 9th edition, 5.4.4: 43 279.168 29, and four digits are not parted.
    #[test]
    fn digits_are_parted_in_threes() {
        assert_eq!(fixed(43_279.168_29, 5), "43\u{202f}279.168\u{202f}29");
        assert_eq!(fixed(3279.1683, 4), "3279.1683");
    }

    #[test]
    fn a_minus_is_a_minus_and_zero_has_none() {
        assert_eq!(fixed(-0.5, 1), "\u{2212}0.5");
        assert_eq!(fixed(-0.04, 1), "0.0");
        assert_eq!(significant(0.0, 4), "0");
        assert_eq!(fixed(f64::NAN, 1), NONE);
    }

    #[test]
    fn the_very_small_and_very_large_take_a_power_of_ten() {
        assert_eq!(significant(1.9e-4, 4), "0.000\u{202f}19");
        assert_eq!(significant(1.9e-7, 4), "1.9\u{a0}×\u{a0}10⁻⁷");
        assert_eq!(significant(2.5e12, 4), "2.5\u{a0}×\u{a0}10¹²");
    }

    /// SI Brochure, 9th edition, 5.4.3 and 5.4.7.
    #[test]
    fn a_space_stands_before_every_unit_but_the_degree_of_angle() {
        assert_eq!(unit_after("%"), "\u{a0}%");
        assert_eq!(unit_after("°"), "°");
        assert_eq!(unit_after("°C"), "\u{a0}°C");
        assert_eq!(unit_after(""), "");
    }

    proptest::proptest! {
        /// A printed uncertainty is within half of its last digit of the real one.
        #[test]
        fn a_printed_uncertainty_is_off_by_at_most_half_its_last_digit(u in 1e-5f64..1e6) {
            let shown: f64 = uncertainty(u).replace(THIN, "").parse().unwrap();
            let exponent = decade(u).unwrap();
            proptest::prop_assert!((shown - u).abs() <= 0.5001 * 10f64.powi(exponent - 1));
        }
    }
}
