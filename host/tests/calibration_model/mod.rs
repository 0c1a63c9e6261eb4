//! An error model of board and meter, kept apart from the budgets that it is held against: every input that a budget
//! takes as uncertain is drawn here anew for each trial.
//!
//! Sizes are those of the analog board's error budget (calculated and from data sheets: gain 0.1 % of span, curve ±2
//! steps, reference drift 25 ppm after 1000 h, 3 ppm/K, 5 µV/K, contacts and load 18.5 ppm) and of a bench meter (35 ppm of
//! reading, 5 ppm of a 10 V range, five microvolts of scatter). Bounds are drawn evenly, as a data sheet's bounds allow.

#![allow(dead_code, reason = "bench and tests look at different parts")]

use proofstand::calibration::Accuracy;
use proofstand::calibration::fit::{fit, table_levels};
use proofstand::calibration::image::{Image, Particulars};
use proofstand::calibration::reading::{Level, Reading};
use proofstand_plant::Random;
use proofstand_units::{Celsius, PartsPerMillion, Volts};

/// What the operator enters.
pub(crate) const ACCURACY: Accuracy = Accuracy {
    of_reading_ppm: PartsPerMillion::new(35.0),
    of_range_ppm: PartsPerMillion::new(5.0),
    range: Volts::new(10.0),
    resolution: Volts::new(10e-6),
};
/// The day of every trial.
const TODAY: u32 = 20_500;

/// One board, one meter, one calibration, used once at the due date.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Trial {
    /// Volts asked for.
    pub(crate) asked: f64,
    /// What stood at the terminals less what was asked for.
    pub(crate) error: f64,
    /// Expanded uncertainty (k = 2) that the record states for that level and that day.
    pub(crate) stated: f64,
    /// Days to the due date.
    pub(crate) days: f64,
    /// The fitted gain less the true one, and its standard uncertainty.
    pub(crate) gain: (f64, f64),
    /// The fitted offset less the true one, and its standard uncertainty.
    pub(crate) offset: (f64, f64),
}

/// Draws one of each.
pub(crate) fn trial(random: &mut Random, points: usize) -> Option<Trial> {
    let mut within = |half: f64| half * (2.0 * random.uniform() - 1.0);
    let gain = 1.0 + within(1e-3);
    let offset = within(10e-3);
    let waves = [(within(0.4e-3), within(3.2), within(0.5)), (within(0.1e-3), within(3.2), within(1.2))];
    let board = move |ideal: f64| {
        let curve: f64 =
            waves.iter().map(|(height, at, per_volt)| height * (per_volt * ideal + at).sin()).sum();
        offset + gain * ideal + curve
    };
    let meter_gain = 1.0 + within(35e-6);
    let meter_zero = within(5e-6 * 10.0);
    // From the calibration to the day of use: drift within its bound for the time, both temperatures within 23 ± 5 °C.
    let drift = within(1.0);
    let (calibrated_at, used_at) = (23.0 + within(5.0), 23.0 + within(5.0));
    let kelvin = used_at - calibrated_at;
    let (per_kelvin, zero_per_kelvin) = (within(3e-6), within(5e-6));
    // Contacts and load take away, and never add.
    let loaded = (within(18.5e-6) - 18.5e-6) / 2.0;
    let asked = within(9.9);
    let mut shown = |level: f64| {
        let read = board(level) * meter_gain + meter_zero + 5e-6 * random.normal();
        (read / 10e-6).round() * 10e-6
    };
    let levels: Vec<Level> = table_levels(points)
        .into_iter()
        .map(|nominal| {
            let mut reading = || Reading::of_one(Volts::new(shown(nominal.get())), [nominal; 4]);
            Level { nominal, up: reading(), down: reading() }
        })
        .collect();
    let fitted = fit(&levels, &ACCURACY).ok()?.made_at(Celsius::new(calibrated_at));
    let due = fitted.uncertainty.days_within(Volts::new(1e-3), Volts::new(10.0), 365)?;
    let about = Particulars {
        board: *b"model-01",
        calibrated: TODAY,
        due: TODAY + due,
        temperature: Celsius::new(calibrated_at),
        stated: Volts::new(1e-3),
        meter: "model",
        accuracy: ACCURACY,
        channels: [Volts::new(1e-4); 4],
    };
    let image = Image::new(&fitted, &about).ok()?;
    let days = f64::from(due);
    let drifted = drift * 25e-6 * (days * 0.024).sqrt();
    let real = board(image.ideal_level(Volts::new(asked)).get());
    let real = real * (1.0 + drifted + loaded + per_kelvin * kelvin) + zero_per_kelvin * kelvin;
    let record = proofstand::calibration::image::read(image.bytes())?;
    // The true line of the board: of the noiseless levels.
    let nominal: Vec<f64> = table_levels(points).into_iter().map(Volts::get).collect();
    let line = proofstand::metrology::line::fit(
        &nominal,
        &nominal.iter().map(|v| board(*v)).collect::<Vec<_>>(),
        proofstand::metrology::line::Weights::Equal,
    )
    .ok()?;
    Some(Trial {
        asked,
        error: real - asked,
        stated: record.uncertainty.expanded(Volts::new(asked), days).get(),
        days,
        gain: (fitted.line.gain - line.slope, fitted.line.gain_uncertainty),
        offset: (fitted.line.offset.get() - line.intercept, fitted.line.offset_uncertainty.get()),
    })
}

/// Shares of trials.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Coverage {
    /// Command within ±1 mV.
    pub(crate) within_aim: f64,
    /// Command within what the record states for its level.
    pub(crate) within_stated: f64,
    /// Gain of the fit within 1.96 of its standard uncertainty.
    pub(crate) gain: f64,
    /// Offset likewise.
    pub(crate) offset: f64,
    /// Least and most days to the due date.
    pub(crate) days: (f64, f64),
}

/// So many trials from a seed.
pub(crate) fn coverage(seed: u64, trials: u32, points: usize) -> Coverage {
    let mut random = Random::new(seed);
    let mut all = Vec::new();
    for _ in 0..trials {
        all.extend(trial(&mut random, points));
    }
    let share =
        |holds: &dyn Fn(&Trial) -> bool| all.iter().filter(|t| holds(t)).count() as f64 / f64::from(trials);
    let days = all.iter().map(|t| t.days);
    Coverage {
        within_aim: share(&|t| t.error.abs() <= 1e-3),
        within_stated: share(&|t| t.error.abs() <= t.stated),
        gain: share(&|t| t.gain.0.abs() <= 1.96 * t.gain.1),
        offset: share(&|t| t.offset.0.abs() <= 1.96 * t.offset.1),
        days: (days.clone().fold(f64::INFINITY, f64::min), days.fold(0.0, f64::max)),
    }
}
