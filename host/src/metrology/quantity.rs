//! What all physical quantities have in common, so that a budget and a decision need to be written once only.

use core::fmt::Debug;

use proofstand_units as units;

/// A physical quantity: a number of one unit.
///
/// Only code that is the same for every unit (budgets, decisions, fits) goes through this trait; everything else uses
/// the named constructors of `proofstand-units`.
pub trait Quantity: Copy + Debug + PartialEq + PartialOrd {
    /// The unit's symbol.
    const SYMBOL: &'static str;

    /// From a number of the unit.
    fn from_number(value: f64) -> Self;

    /// The number of the unit.
    fn number(self) -> f64;
}

macro_rules! quantities {
    ($($name:ident),* $(,)?) => {
        $(impl Quantity for units::$name {
            const SYMBOL: &'static str = units::$name::SYMBOL;

            fn from_number(value: f64) -> Self {
                Self::new(value)
            }

            fn number(self) -> f64 {
                self.get()
            }
        })*
    };
}

quantities!(
    Volts,
    NewtonMetres,
    NewtonMetresPerVolt,
    Rpm,
    RpmPerVolt,
    RadPerSec,
    RadPerSec2,
    KilogramSquareMetres,
    Seconds,
    Percent,
    PercentPerVolt,
    Turns,
    Degrees,
    Joules,
    Hertz,
    Celsius,
    Watts,
    Metres,
    Kilograms,
);
