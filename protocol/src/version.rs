//! The greeting.
