//! Whether a check could be decided, asked before anything moves.

use serde::{Deserialize, Serialize};

use super::decision::Limits;
use super::quantity::Quantity;

/// Whether a check can be decided at all, asked before anything moves.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Capability<Q> {
    /// A value at the expected place would be accepted.
    Capable {
        /// What is left between the expected value and the nearest acceptance limit.
        room: Q,
    },
    /// The expected expanded uncertainty takes up all of the tolerance: no value, or not the expected one, could be
    /// accepted.
    NotCapable {
        /// The expanded uncertainty that would just do.
        needed: Q,
    },
}

/// Whether an expected expanded uncertainty leaves room to accept the expected value. For two limits with the target
/// in the middle: not capable as soon as U is as large as the tolerance's half-width.
#[must_use]
pub fn capability<Q: Quantity>(expected: Q, expanded: Q, limits: &Limits<Q>) -> Capability<Q> {
    let margin = limits.inside_by(expected.number());
    let room = margin - expanded.number();
    if room > 0.0 {
        Capability::Capable { room: Q::from_number(room) }
    } else {
        Capability::NotCapable { needed: Q::from_number(margin.max(0.0)) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proofstand_units::Volts;

    #[test]
    fn a_check_is_not_capable_as_soon_as_u_fills_the_tolerance() {
        let v = Volts::new;
        let limits = Limits::around(v(100.0), v(2.0)).unwrap();
        assert!(
            matches!(capability(v(100.0), v(1.5), &limits), Capability::Capable { room } if room == v(0.5))
        );
        assert_eq!(capability(v(100.0), v(2.0), &limits), Capability::NotCapable { needed: v(2.0) });
        assert_eq!(capability(v(100.0), v(f64::NAN), &limits), Capability::NotCapable { needed: v(2.0) });
        let delay = Limits::AtMost(v(20.0));
        assert_eq!(capability(v(5.0), v(16.0), &delay), Capability::NotCapable { needed: v(15.0) });
        assert!(Limits::around(v(1.0), v(0.0)).is_err());
        assert!(Limits::between(v(f64::NAN), v(1.0)).is_err());
    }
}
