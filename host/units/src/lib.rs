//! Physical quantities of the host side as types.
//!
//! Each is an `f64` (or an integer where the thing is counted) with its unit in the name of its constructor and
//! accessor. Conversions are explicit; there is no `From<f64>`. A *pulse* is a full cycle of phase A; a *count* is
//! one quadrature edge, four to the pulse; [`PulsesPerRev`] and [`CountsPerRev`] keep them apart.
//!
//! In a file a quantity is its number alone: which unit it is in the field's docstring says, and with it the schema.

use core::f64::consts::PI;
use core::ops::{Add, Div, Mul, Neg, Sub};

use serde::{Deserialize, Serialize};

macro_rules! quantity {
    ($(#[$doc:meta])* $name:ident, $unit:literal) => {
        $(#[$doc])*
        #[derive(Debug, Default, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
        #[serde(transparent)]
        pub struct $name(f64);

        impl $name {
            /// Nothing of it.
            pub const ZERO: Self = Self(0.0);
            /// The unit's symbol.
            pub const SYMBOL: &'static str = $unit;

            #[doc = concat!("From a number of ", $unit, ".")]
            #[must_use]
            pub const fn new(value: f64) -> Self {
                Self(value)
            }

            #[doc = concat!("The number of ", $unit, ".")]
            #[must_use]
            pub const fn get(self) -> f64 {
                self.0
            }

            /// Magnitude.
            #[must_use]
            pub const fn abs(self) -> Self {
                Self(self.0.abs())
            }

            /// The larger of two.
            #[must_use]
            pub const fn max(self, other: Self) -> Self {
                Self(self.0.max(other.0))
            }

            /// The smaller of two.
            #[must_use]
            pub const fn min(self, other: Self) -> Self {
                Self(self.0.min(other.0))
            }
        }

        #[cfg(feature = "schema")]
        impl schemars::JsonSchema for $name {
            fn inline_schema() -> bool {
                true
            }

            fn schema_name() -> std::borrow::Cow<'static, str> {
                stringify!($name).into()
            }

            fn json_schema(generator: &mut schemars::SchemaGenerator) -> schemars::Schema {
                <f64 as schemars::JsonSchema>::json_schema(generator)
            }
        }

        impl Add for $name {
            type Output = Self;
            fn add(self, other: Self) -> Self {
                Self(self.0 + other.0)
            }
        }

        impl Sub for $name {
            type Output = Self;
            fn sub(self, other: Self) -> Self {
                Self(self.0 - other.0)
            }
        }

        impl Neg for $name {
            type Output = Self;
            fn neg(self) -> Self {
                Self(-self.0)
            }
        }

        impl Mul<f64> for $name {
            type Output = Self;
            fn mul(self, factor: f64) -> Self {
                Self(self.0 * factor)
            }
        }

        impl Div<f64> for $name {
            type Output = Self;
            fn div(self, divisor: f64) -> Self {
                Self(self.0 / divisor)
            }
        }

        impl Div for $name {
            type Output = f64;
            fn div(self, other: Self) -> f64 {
                self.0 / other.0
            }
        }
    };
}

quantity!(
    /// Voltage.
    Volts,
    "V"
);
quantity!(
    /// Torque.
    NewtonMetres,
    "N·m"
);
quantity!(
    /// Torque per command volt.
    NewtonMetresPerVolt,
    "N·m/V"
);
quantity!(
    /// Viscous drag: torque per angular speed.
    NewtonMetresPerRadPerSec,
    "N·m·s/rad"
);
quantity!(
    /// Speed in revolutions per minute.
    Rpm,
    "rpm"
);
quantity!(
    /// Speed per command volt.
    RpmPerVolt,
    "rpm/V"
);
quantity!(
    /// Angular speed.
    RadPerSec,
    "rad/s"
);
quantity!(
    /// Angular acceleration.
    RadPerSec2,
    "rad/s²"
);
quantity!(
    /// Moment of inertia.
    KilogramSquareMetres,
    "kg·m²"
);
quantity!(
    /// Time.
    Seconds,
    "s"
);
quantity!(
    /// Share in percent: of rated torque, of a value.
    Percent,
    "%"
);
quantity!(
    /// Percent of rated torque per command volt.
    PercentPerVolt,
    "%/V"
);
quantity!(
    /// Angle in revolutions.
    Turns,
    "turns"
);
quantity!(
    /// Angle in degrees.
    Degrees,
    "°"
);
quantity!(
    /// Energy.
    Joules,
    "J"
);
quantity!(
    /// Frequency or rate.
    Hertz,
    "Hz"
);
quantity!(
    /// Temperature.
    Celsius,
    "°C"
);
quantity!(
    /// Temperature difference.
    Kelvins,
    "K"
);
quantity!(
    /// Share of a value per temperature difference.
    PerKelvin,
    "1/K"
);
quantity!(
    /// Voltage per temperature difference.
    VoltsPerKelvin,
    "V/K"
);
quantity!(
    /// A relative error in millionths.
    PartsPerMillion,
    "ppm"
);
quantity!(
    /// Power.
    Watts,
    "W"
);
quantity!(
    /// Length.
    Metres,
    "m"
);
quantity!(
    /// Mass.
    Kilograms,
    "kg"
);

impl Rpm {
    /// As angular speed.
    #[must_use]
    pub const fn to_rad_per_sec(self) -> RadPerSec {
        RadPerSec(self.0 * (2.0 * PI / 60.0))
    }
}

impl RadPerSec {
    /// As revolutions per minute.
    #[must_use]
    pub const fn to_rpm(self) -> Rpm {
        Rpm(self.0 * (60.0 / (2.0 * PI)))
    }
}

impl Celsius {
    /// How far it is from another temperature, either way.
    #[must_use]
    pub const fn away_from(self, other: Self) -> Kelvins {
        Kelvins((self.0 - other.0).abs())
    }
}

impl Mul<Kelvins> for PerKelvin {
    type Output = f64;
    fn mul(self, difference: Kelvins) -> f64 {
        self.0 * difference.0
    }
}

impl Mul<Kelvins> for VoltsPerKelvin {
    type Output = Volts;
    fn mul(self, difference: Kelvins) -> Volts {
        Volts(self.0 * difference.0)
    }
}

impl Add<Kelvins> for Celsius {
    type Output = Self;
    fn add(self, difference: Kelvins) -> Self {
        Self(self.0 + difference.0)
    }
}

impl Sub<Kelvins> for Celsius {
    type Output = Self;
    fn sub(self, difference: Kelvins) -> Self {
        Self(self.0 - difference.0)
    }
}

impl PartsPerMillion {
    /// As a share of one.
    #[must_use]
    pub const fn to_ratio(self) -> f64 {
        self.0 * 1e-6
    }
}

impl Seconds {
    /// From milliseconds.
    #[must_use]
    pub const fn from_millis(value: f64) -> Self {
        Self(value * 1e-3)
    }

    /// In milliseconds.
    #[must_use]
    pub const fn to_millis(self) -> f64 {
        self.0 * 1e3
    }
}

macro_rules! per_rev {
    ($(#[$doc:meta])* $name:ident) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        #[serde(transparent)]
        pub struct $name(u32);

        impl $name {
            /// From a number per revolution.
            #[must_use]
            pub const fn new(value: u32) -> Self {
                Self(value)
            }

            /// The number per revolution.
            #[must_use]
            pub const fn get(self) -> u32 {
                self.0
            }
        }
    };
}

per_rev!(
    /// Full cycles of phase A in one motor revolution, before quadrature.
    PulsesPerRev
);
per_rev!(
    /// Quadrature edges in one motor revolution.
    CountsPerRev
);
per_rev!(
    /// Positions of the motor's own encoder in one revolution, before division.
    NativePerRev
);

impl PulsesPerRev {
    /// Four counts to the pulse.
    #[must_use]
    pub const fn to_counts(self) -> CountsPerRev {
        CountsPerRev(self.0 * 4)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_revolution_per_minute_is_two_pi_over_sixty_by_definition_of_the_units() {
        assert!((Rpm::new(60.0).to_rad_per_sec().get() - 2.0 * PI).abs() < 1e-15);
        assert!((Rpm::new(1234.5).to_rad_per_sec().to_rpm().get() - 1234.5).abs() < 1e-12);
    }

    #[test]
    fn temperatures_differ_by_kelvins_whichever_is_first_and_a_million_millionths_are_one() {
        assert_eq!(Celsius::new(18.0).away_from(Celsius::new(23.0)), Kelvins::new(5.0));
        assert_eq!(Celsius::new(28.0).away_from(Celsius::new(23.0)), Kelvins::new(5.0));
        assert_eq!(PartsPerMillion::new(1e6).to_ratio(), 1.0);
    }

    #[test]
    fn a_pulse_is_four_counts() {
        assert_eq!(PulsesPerRev::new(2500).to_counts(), CountsPerRev::new(10_000));
    }
}
