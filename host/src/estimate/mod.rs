//! From samples to quantities.
