//! Where the calibration survives the power.
