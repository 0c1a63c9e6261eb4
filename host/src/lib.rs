//! Proofstand host.
