//! Bytes to frames and back.
