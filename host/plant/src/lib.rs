//! Simulated amplifier, motor and operator.
