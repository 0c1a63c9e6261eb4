//! What can be wrong with numbers handed to the metrology.

/// Why a fit, a budget or limits could not be made.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum MetrologyError {
    /// A fit with more unknowns than its points can settle.
    #[error("{what}: {have} points are too few, at least {need} are needed")]
    TooFewPoints {
        /// What was to be computed.
        what: &'static str,
        /// Points given.
        have: usize,
        /// Points needed.
        need: usize,
    },
    /// Two lists that belong together differ in length.
    #[error("{what}: {left} values on one side and {right} on the other; give as many of each")]
    LengthsDiffer {
        /// What was to be computed.
        what: &'static str,
        /// Length of the first.
        left: usize,
        /// Length of the second.
        right: usize,
    },
    /// A value that is not finite, or a weight or uncertainty that is not positive.
    #[error("{what}: value {index} is {value}, which can't be used")]
    BadValue {
        /// What was to be computed.
        what: &'static str,
        /// Which value, from 0.
        index: usize,
        /// The value.
        value: f64,
    },
    /// The points don't differ enough in x to settle the unknowns.
    #[error("{what}: the points lie too close together in x; spread them out")]
    NoSpread {
        /// What was to be computed.
        what: &'static str,
    },
    /// A polynomial degree outside what is implemented.
    #[error("a polynomial of degree {degree} was asked for; 1 to {most} are possible")]
    BadDegree {
        /// Degree asked for.
        degree: usize,
        /// Highest degree.
        most: usize,
    },
    /// A lower limit above the upper one, or a limit that is not a number.
    #[error("limits {lower} to {upper} {unit} hold nothing; the lower one must be below the upper one")]
    LimitsCrossed {
        /// Lower limit.
        lower: f64,
        /// Upper limit.
        upper: f64,
        /// Unit symbol.
        unit: &'static str,
    },
    /// Correlation coefficients that no set of variables can have.
    #[error(
        "correlated group '{group}': its coefficients are not a correlation matrix; check {first} and {second}"
    )]
    ImpossibleCorrelation {
        /// Name of the group.
        group: String,
        /// A member.
        first: String,
        /// Another member.
        second: String,
    },
    /// Degrees of freedom or a reliability that are not positive.
    #[error("{what} must be positive, not {value}")]
    NotPositive {
        /// What.
        what: &'static str,
        /// The value.
        value: f64,
    },
}
