//! Small operations on floats for the hot loop, for arguments that are numbers: without what the library's own do for those
//! that are not, and without the calls that they are where the processor's own instructions may not be taken for granted.

/// Added, it leaves no room for a fraction: what is below 2⁵¹ in magnitude is rounded to a whole number.
const NO_FRACTION: f64 = 6_755_399_441_055_744.0;

/// The largest whole number not above `x`, which is below 2⁵¹ in magnitude.
#[inline]
pub(crate) fn floor(x: f64) -> f64 {
    let whole = (x + NO_FRACTION) - NO_FRACTION;
    if whole > x { whole - 1.0 } else { whole }
}

/// A whole number below 2⁵¹ in magnitude, as an integer.
#[inline]
pub(crate) const fn integer(whole: f64) -> i64 {
    (whole + NO_FRACTION).to_bits().wrapping_sub(NO_FRACTION.to_bits()).cast_signed()
}

/// The lesser of two numbers.
#[inline]
pub(crate) fn lesser(a: f64, b: f64) -> f64 {
    if a < b { a } else { b }
}

/// The greater of two numbers.
#[inline]
pub(crate) fn greater(a: f64, b: f64) -> f64 {
    if a > b { a } else { b }
}

/// A number held within a range.
#[inline]
pub(crate) fn within(x: f64, least: f64, most: f64) -> f64 {
    lesser(greater(x, least), most)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn floor_and_integer_agree_with_the_library_on_both_sides_of_zero_and_up_to_their_limit() {
        let limit = 2_251_799_813_685_247.0_f64;
        for x in [0.0, 0.25, 0.5, 0.999_999, 1.0, 1.5, 2.5, 131_071.999_999, 8_388_608.5, 4e14 + 0.75, limit]
        {
            for x in [x, -x, f64::next_up(x), f64::next_down(x)] {
                assert_eq!(floor(x), x.floor(), "{x}");
                assert_eq!(integer(floor(x)), x.floor() as i64, "{x}");
            }
        }
    }

    #[test]
    fn a_number_is_held_within_its_range() {
        for x in [-3.0, -1.0, 0.2, 2.0, 7.0_f64] {
            assert_eq!(within(x, -1.0, 2.0), x.clamp(-1.0, 2.0));
        }
    }
}
