//! Readings of the meter, and which of them can't be.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Farthest that a reading may lie from the level by the ideal line. The fixture refuses records beyond it too.
pub const FARTHEST: f64 = 0.25;
/// Farthest that the readings going up and coming down may lie apart: a calibration that drifts, a loose lead, a level
/// that had not settled. Common practice, no source: a third of the accuracy aimed at.
pub const UP_AND_DOWN: f64 = 0.3e-3;
/// Farthest that repeated readings of one level may lie apart.
pub const UNSETTLED: f64 = 0.1e-3;

/// One level as it was read, once or several times.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Reading {
    /// Mean of the meter, volts.
    pub meter: f64,
    /// Each reading of it as the meter gave it, in order, volts; empty in a file of before they were kept.
    #[serde(default)]
    pub readings: Vec<f64>,
    /// Largest less smallest of the repeated readings; 0 for one.
    pub spread: f64,
    /// Means of the fixture's inputs by their ideal line: terminal, converter, torque, speed.
    pub inputs: [f64; 4],
}

/// A level that was approached from below and from above.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Level {
    /// Volts by the ideal line of the converter.
    pub nominal: f64,
    /// Going up.
    pub up: Reading,
    /// Coming down.
    pub down: Reading,
}

impl Level {
    /// Mean of both ways.
    #[must_use]
    pub const fn mean(&self) -> f64 {
        f64::midpoint(self.up.meter, self.down.meter)
    }

    /// Mean of an input, both ways.
    #[must_use]
    pub fn input(&self, channel: usize) -> f64 {
        let at = |r: &Reading| r.inputs.get(channel).copied().unwrap_or(f64::NAN);
        f64::midpoint(at(&self.up), at(&self.down))
    }
}

/// A reading that can't be one of this level, and what is probably the matter.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum Impossible {
    /// No number.
    #[error("{shown} is no reading of a meter")]
    NoNumber {
        /// What it is.
        shown: f64,
    },
    /// As large, the other way round.
    #[error("at {level:+.3} V the meter shows {shown:+.4} V: its leads are reversed")]
    Reversed {
        /// The level.
        level: f64,
        /// The reading.
        shown: f64,
    },
    /// A thousand times as much.
    #[error("at {level:+.3} V the meter shows {shown:+.4}: those are millivolts; give volts")]
    Millivolts {
        /// The level.
        level: f64,
        /// The reading.
        shown: f64,
    },
    /// Nothing where there should be something.
    #[error(
        "at {level:+.3} V the meter shows {shown:+.4} V, next to nothing: look whether it is on the command terminals and \
         whether the plug brings the command to it"
    )]
    Nothing {
        /// The level.
        level: f64,
        /// The reading.
        shown: f64,
    },
    /// Far off.
    #[error(
        "at {level:+.3} V the meter shows {shown:+.4} V: farther off than any working board ({FARTHEST} V). Look at \
         terminals, range and board"
    )]
    FarOff {
        /// The level.
        level: f64,
        /// The reading.
        shown: f64,
    },
    /// Repeated readings that differ.
    #[error(
        "at {level:+.3} V the readings of the meter differ by {:.0} µV: something is not settled, or picks up noise",
        .spread * 1e6
    )]
    Unsettled {
        /// The level.
        level: f64,
        /// Largest less smallest.
        spread: f64,
    },
    /// Up and down don't agree.
    #[error(
        "at {level:+.3} V the meter shows {:.0} µV more going up than coming down: board or meter still warm up, or a \
         lead is loose", .difference * 1e6
    )]
    UpAndDown {
        /// The level.
        level: f64,
        /// Up less down.
        difference: f64,
    },
    /// Another level than the new calibration puts out.
    #[error(
        "asked for {asked:+.4} V through the new calibration the meter shows {:.0} µV more, where {:.0} µV is the most that \
         step, noise and curve explain", .off * 1e6, .most * 1e6
    )]
    LeftOff {
        /// Volts asked for.
        asked: f64,
        /// Meter less asked.
        off: f64,
        /// Most that is explained.
        most: f64,
    },
    /// Levels that don't rise.
    #[error(
        "the readings at {low:+.3} V and {high:+.3} V don't rise as the levels do: does the meter hold its reading?"
    )]
    NotRising {
        /// A level.
        low: f64,
        /// The next.
        high: f64,
    },
    /// The fixture's own input says otherwise.
    #[error(
        "at {level:+.3} V the fixture's {channel} input reads {shown:+.3} V where the meter shows {meter:+.3} V: is the \
         calibration plug the one in hardware/CALIBRATION.md?"
    )]
    InputOff {
        /// The level.
        level: f64,
        /// Which input.
        channel: &'static str,
        /// What it reads.
        shown: f64,
        /// What the meter shows.
        meter: f64,
    },
}

/// Names of the inputs, in the order of [`Reading::inputs`].
pub const INPUTS: [&str; 4] = ["terminal", "converter", "torque", "speed"];

/// Whether a reading can be one of a level.
///
/// # Errors
/// [`Impossible`], with what is probably the matter.
pub fn possible(level: f64, shown: f64) -> Result<f64, Impossible> {
    if !shown.is_finite() {
        return Err(Impossible::NoNumber { shown });
    }
    if (shown - level).abs() <= FARTHEST {
        return Ok(shown);
    }
    let large = level.abs() > 2.0 * FARTHEST;
    Err(if large && (shown + level).abs() <= FARTHEST {
        Impossible::Reversed { level, shown }
    } else if large && (shown / 1000.0 - level).abs() <= FARTHEST {
        Impossible::Millivolts { level, shown }
    } else if large && shown.abs() < 0.05 {
        Impossible::Nothing { level, shown }
    } else {
        Impossible::FarOff { level, shown }
    })
}

/// Whether the readings of one level, several times, belong to a settled level.
///
/// # Errors
/// [`Impossible`].
pub fn settled(level: f64, reading: &Reading) -> Result<(), Impossible> {
    if reading.spread > UNSETTLED {
        return Err(Impossible::Unsettled { level, spread: reading.spread });
    }
    for (channel, shown) in INPUTS.into_iter().zip(reading.inputs) {
        if (shown - reading.meter).abs() > FARTHEST {
            return Err(Impossible::InputOff { level, channel, shown, meter: reading.meter });
        }
    }
    Ok(())
}

/// Whether the readings of one level going up and coming down agree.
///
/// # Errors
/// [`Impossible::UpAndDown`].
pub fn agree(level: &Level) -> Result<(), Impossible> {
    let difference = level.up.meter - level.down.meter;
    if difference.abs() > UP_AND_DOWN {
        return Err(Impossible::UpAndDown { level: level.nominal, difference });
    }
    Ok(())
}

/// Whether the levels together can be those of one settled board.
///
/// # Errors
/// [`Impossible`].
pub fn consistent(levels: &[Level]) -> Result<(), Impossible> {
    levels.iter().try_for_each(agree)?;
    for (low, high) in levels.iter().zip(levels.iter().skip(1)) {
        let share = (high.mean() - low.mean()) / (high.nominal - low.nominal);
        if !(0.9..=1.1).contains(&share) {
            return Err(Impossible::NotRising { low: low.nominal, high: high.nominal });
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_impossible_reading_is_refused_with_what_is_probably_the_matter() {
        assert_eq!(possible(5.0, 5.01), Ok(5.01));
        assert_eq!(possible(0.0, -0.02), Ok(-0.02));
        assert!(matches!(possible(5.0, f64::NAN), Err(Impossible::NoNumber { .. })));
        assert!(matches!(possible(5.0, -4.998), Err(Impossible::Reversed { .. })));
        assert!(matches!(possible(-5.0, -4998.0), Err(Impossible::Millivolts { .. })));
        assert!(matches!(possible(5.0, 0.0003), Err(Impossible::Nothing { .. })));
        assert!(matches!(possible(5.0, 4.7), Err(Impossible::FarOff { .. })));
        assert!(matches!(possible(0.0, 0.3), Err(Impossible::FarOff { .. })));
    }

    #[test]
    fn levels_that_drift_or_stand_still_or_disagree_with_the_fixture_are_refused() {
        let reading =
            |volts: f64| Reading { meter: volts, readings: vec![volts], spread: 0.0, inputs: [volts; 4] };
        let level =
            |nominal: f64, up: f64, down: f64| Level { nominal, up: reading(up), down: reading(down) };
        assert_eq!(consistent(&[level(0.0, 0.001, 0.001), level(1.0, 1.0, 1.0)]), Ok(()));
        let drifting = consistent(&[level(0.0, 0.0, 0.0004)]);
        assert!(matches!(drifting, Err(Impossible::UpAndDown { .. })), "{drifting:?}");
        let held = consistent(&[level(0.0, 0.1, 0.1), level(0.2, 0.1, 0.1)]);
        assert!(matches!(held, Err(Impossible::NotRising { .. })), "{held:?}");
        let mut off = reading(5.0);
        off.inputs[2] = 0.0;
        assert!(matches!(settled(5.0, &off), Err(Impossible::InputOff { channel: "torque", .. })));
        let noisy = Reading { spread: 2e-4, ..reading(5.0) };
        assert!(matches!(settled(5.0, &noisy), Err(Impossible::Unsettled { .. })));
    }
}
