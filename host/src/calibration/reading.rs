//! Readings of the meter, and which of them can't be.

use proofstand_units::Volts;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Farthest that a reading may lie from the level by the ideal line. The fixture refuses records beyond it too.
pub const FARTHEST: Volts = Volts::new(0.25);
/// Farthest that the readings going up and coming down may lie apart: a calibration that drifts, a loose lead, a level
/// that had not settled. Common practice, no source: a third of the accuracy aimed at.
pub const UP_AND_DOWN: Volts = Volts::new(0.3e-3);
/// Farthest that repeated readings of one level may lie apart.
pub const UNSETTLED: Volts = Volts::new(0.1e-3);

/// Below so much a meter shows next to nothing.
const NEXT_TO_NOTHING: Volts = Volts::new(0.05);

/// One level as it was read, once or several times.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Reading {
    /// Mean of the meter, volts.
    pub meter: Volts,
    /// Each reading of it as the meter gave it, in order, volts; empty in a file of before they were kept.
    #[serde(default)]
    pub readings: Vec<Volts>,
    /// Largest less smallest of the repeated readings; 0 for one.
    pub spread: Volts,
    /// Means of the fixture's inputs by their ideal line: terminal, converter, torque, speed.
    pub inputs: [Volts; 4],
}

impl Reading {
    /// A single reading of the meter, beside the means of the inputs.
    #[must_use]
    pub fn of_one(meter: Volts, inputs: [Volts; 4]) -> Self {
        Self { meter, readings: vec![meter], spread: Volts::ZERO, inputs }
    }
}

/// A level that was approached from below and from above.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Level {
    /// Volts by the ideal line of the converter.
    pub nominal: Volts,
    /// Going up.
    pub up: Reading,
    /// Coming down.
    pub down: Reading,
}

impl Level {
    /// Mean of both ways.
    #[must_use]
    pub const fn mean(&self) -> Volts {
        midway(self.up.meter, self.down.meter)
    }

    /// Mean of an input, both ways.
    #[must_use]
    pub fn input(&self, channel: usize) -> Volts {
        let at = |r: &Reading| r.inputs.get(channel).copied().unwrap_or(Volts::new(f64::NAN));
        midway(at(&self.up), at(&self.down))
    }
}

const fn midway(a: Volts, b: Volts) -> Volts {
    Volts::new(f64::midpoint(a.get(), b.get()))
}

/// A reading that can't be one of this level, and what is probably the matter.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum Impossible {
    /// No number.
    #[error("{} is no reading of a meter", .shown.get())]
    NoNumber {
        /// What it is.
        shown: Volts,
    },
    /// As large, the other way round.
    #[error("at {:+.3} V the meter shows {:+.4} V: its leads are reversed", .level.get(), .shown.get())]
    Reversed {
        /// The level.
        level: Volts,
        /// The reading.
        shown: Volts,
    },
    /// A thousand times as much.
    #[error("at {:+.3} V the meter shows {:+.4}: those are millivolts; give volts", .level.get(), .shown.get())]
    Millivolts {
        /// The level.
        level: Volts,
        /// The reading.
        shown: Volts,
    },
    /// Nothing where there should be something.
    #[error(
        "at {:+.3} V the meter shows {:+.4} V, next to nothing: look whether it is on the command terminals and \
         whether the plug brings the command to it", .level.get(), .shown.get()
    )]
    Nothing {
        /// The level.
        level: Volts,
        /// The reading.
        shown: Volts,
    },
    /// Far off.
    #[error(
        "at {:+.3} V the meter shows {:+.4} V: farther off than any working board ({} V). Look at terminals, range and \
         board", .level.get(), .shown.get(), FARTHEST.get()
    )]
    FarOff {
        /// The level.
        level: Volts,
        /// The reading.
        shown: Volts,
    },
    /// Repeated readings that differ.
    #[error(
        "at {:+.3} V the readings of the meter differ by {:.0} µV: something is not settled, or picks up noise",
        .level.get(), .spread.get() * 1e6
    )]
    Unsettled {
        /// The level.
        level: Volts,
        /// Largest less smallest.
        spread: Volts,
    },
    /// Up and down don't agree.
    #[error(
        "at {:+.3} V the meter shows {:.0} µV more going up than coming down: board or meter still warm up, or a \
         lead is loose", .level.get(), .difference.get() * 1e6
    )]
    UpAndDown {
        /// The level.
        level: Volts,
        /// Up less down.
        difference: Volts,
    },
    /// Another level than the new calibration puts out.
    #[error(
        "asked for {:+.4} V through the new calibration the meter shows {:.0} µV more, where {:.0} µV is the most that \
         step, noise and curve explain", .asked.get(), .off.get() * 1e6, .most.get() * 1e6
    )]
    LeftOff {
        /// What was asked for.
        asked: Volts,
        /// Meter less asked.
        off: Volts,
        /// Most that is explained.
        most: Volts,
    },
    /// Levels that don't rise.
    #[error(
        "the readings at {:+.3} V and {:+.3} V don't rise as the levels do: does the meter hold its reading?",
        .low.get(), .high.get()
    )]
    NotRising {
        /// A level.
        low: Volts,
        /// The next.
        high: Volts,
    },
    /// The fixture's own input says otherwise.
    #[error(
        "at {:+.3} V the fixture's {channel} input reads {:+.3} V where the meter shows {:+.3} V: is the calibration plug \
         the one in hardware/CALIBRATION.md?", .level.get(), .shown.get(), .meter.get()
    )]
    InputOff {
        /// The level.
        level: Volts,
        /// Which input.
        channel: &'static str,
        /// What it reads.
        shown: Volts,
        /// What the meter shows.
        meter: Volts,
    },
}

/// Names of the inputs, in the order of [`Reading::inputs`].
pub const INPUTS: [&str; 4] = ["terminal", "converter", "torque", "speed"];

/// Whether a reading can be one of a level.
///
/// # Errors
/// [`Impossible`], with what is probably the matter.
pub fn possible(level: Volts, shown: Volts) -> Result<Volts, Impossible> {
    if !shown.get().is_finite() {
        return Err(Impossible::NoNumber { shown });
    }
    if (shown - level).abs() <= FARTHEST {
        return Ok(shown);
    }
    let large = level.abs() > FARTHEST * 2.0;
    Err(if large && (shown + level).abs() <= FARTHEST {
        Impossible::Reversed { level, shown }
    } else if large && (shown / 1000.0 - level).abs() <= FARTHEST {
        Impossible::Millivolts { level, shown }
    } else if large && shown.abs() < NEXT_TO_NOTHING {
        Impossible::Nothing { level, shown }
    } else {
        Impossible::FarOff { level, shown }
    })
}

/// A reading that can't be one of its level, and is what the meter showed of another level before: it holds its reading.
#[must_use]
pub fn still_shown(last: Option<(Volts, Volts)>, level: Volts, shown: Volts) -> Option<Impossible> {
    let (before, meter) = last?;
    let held = (level - before).abs() > FARTHEST && (shown - meter).abs() <= UNSETTLED;
    held.then(|| Impossible::NotRising { low: before.min(level), high: before.max(level) })
}

/// Whether the readings of one level, several times, belong to a settled level.
///
/// # Errors
/// [`Impossible`].
pub fn settled(level: Volts, reading: &Reading) -> Result<(), Impossible> {
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
        let possible = |level: f64, shown: f64| possible(Volts::new(level), Volts::new(shown));
        assert_eq!(possible(5.0, 5.01), Ok(Volts::new(5.01)));
        assert_eq!(possible(0.0, -0.02), Ok(Volts::new(-0.02)));
        assert!(matches!(possible(5.0, f64::NAN), Err(Impossible::NoNumber { .. })));
        assert!(matches!(possible(5.0, -4.998), Err(Impossible::Reversed { .. })));
        assert!(matches!(possible(-5.0, -4998.0), Err(Impossible::Millivolts { .. })));
        assert!(matches!(possible(5.0, 0.0003), Err(Impossible::Nothing { .. })));
        assert!(matches!(possible(5.0, 4.7), Err(Impossible::FarOff { .. })));
        assert!(matches!(possible(0.0, 0.3), Err(Impossible::FarOff { .. })));
    }

    #[test]
    fn a_meter_that_still_shows_the_level_before_is_said_to_hold_and_one_that_is_far_off_is_not() {
        let volts = Volts::new;
        let before = Some((volts(-10.0), volts(-9.9987)));
        let held = still_shown(before, volts(-8.75), volts(-9.998_72));
        assert_eq!(held, Some(Impossible::NotRising { low: volts(-10.0), high: volts(-8.75) }));
        assert!(held.is_some_and(|why| why.to_string().contains("does the meter hold its reading?")));
        assert_eq!(still_shown(before, volts(-8.75), volts(-9.5)), None);
        // The same level, read again.
        assert_eq!(still_shown(before, volts(-10.0), volts(-9.9987)), None);
        assert_eq!(still_shown(None, volts(-8.75), volts(-9.9987)), None);
    }

    #[test]
    fn levels_that_drift_or_stand_still_or_disagree_with_the_fixture_are_refused() {
        let reading = |volts: f64| Reading::of_one(Volts::new(volts), [Volts::new(volts); 4]);
        let level = |nominal: f64, up: f64, down: f64| Level {
            nominal: Volts::new(nominal),
            up: reading(up),
            down: reading(down),
        };
        assert_eq!(consistent(&[level(0.0, 0.001, 0.001), level(1.0, 1.0, 1.0)]), Ok(()));
        let drifting = consistent(&[level(0.0, 0.0, 0.0004)]);
        assert!(matches!(drifting, Err(Impossible::UpAndDown { .. })), "{drifting:?}");
        let held = consistent(&[level(0.0, 0.1, 0.1), level(0.2, 0.1, 0.1)]);
        assert!(matches!(held, Err(Impossible::NotRising { .. })), "{held:?}");
        let mut off = reading(5.0);
        off.inputs[2] = Volts::ZERO;
        assert!(matches!(
            settled(Volts::new(5.0), &off),
            Err(Impossible::InputOff { channel: "torque", .. })
        ));
        let noisy = Reading { spread: Volts::new(2e-4), ..reading(5.0) };
        assert!(matches!(settled(Volts::new(5.0), &noisy), Err(Impossible::Unsettled { .. })));
    }
}
