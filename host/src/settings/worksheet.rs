//! For each target the value to enter, and what rounding to the amplifier's step costs.

use serde::Serialize;

use crate::sheet::{AxisSheet, CommandPair, EntryKind, Setting, SettingForm, SettingTarget};

/// A number with its unit's symbol: the unit depends on the row.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Amount {
    /// The number.
    pub value: f64,
    /// Symbol of the unit.
    pub unit: &'static str,
}

/// Whether a target can be entered.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Fit {
    /// Rounding costs less than the tolerance, or nothing.
    Fits,
    /// Rounding costs more than the whole tolerance, or the step is larger than the value.
    TooCoarse,
    /// Beyond what the amplifier takes.
    OutOfRange,
    /// The sheet has no `[[setting]]` for it.
    NoSetting,
}

impl Fit {
    /// By what rounding costs, where the value is in range.
    fn of(cost: f64, tolerance: Option<f64>) -> Self {
        if tolerance.is_some_and(|tolerance| cost.abs() > tolerance) { Self::TooCoarse } else { Self::Fits }
    }

    /// In words.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Fits => "fits",
            Self::TooCoarse => "STEP TOO COARSE",
            Self::OutOfRange => "OUT OF RANGE",
            Self::NoSetting => "no [[setting]] in the sheet",
        }
    }
}

/// One target and what to enter for it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Work {
    /// The target, in words.
    pub target: &'static str,
    /// What it is to be.
    pub wanted: Amount,
    /// Number or name of the setting.
    pub key: Option<String>,
    /// The exact value in the form the amplifier takes.
    pub exact: Option<Amount>,
    /// The amplifier's step, in the same unit.
    pub step: Option<Amount>,
    /// The least that the amplifier takes, in the same unit.
    pub least: Option<Amount>,
    /// The most that the amplifier takes, in the same unit.
    pub most: Option<Amount>,
    /// What to enter, with a decimal point; `None` where nothing that the amplifier takes will do.
    pub entry: Option<String>,
    /// The nearest that the amplifier takes, with a decimal point: the entry, if it will do. Of a cap never above it.
    pub nearest: Option<String>,
    /// How it is to be read: the value, or the number of steps.
    pub entry_kind: Option<EntryKind>,
    /// What the target becomes with the nearest.
    pub becomes: Option<Amount>,
    /// What rounding costs: what it becomes less what it is to be.
    pub cost: Option<Amount>,
    /// Half-width of the tolerance, in the target's unit; zero: must be exact; `None`: the sheet states none.
    pub tolerance: Option<Amount>,
    /// The cost as a share of the tolerance, %; `None` without a tolerance above zero.
    pub share_percent: Option<f64>,
    /// Whether it can be entered.
    pub fit: Fit,
    /// What to know about the rounding.
    pub note: &'static str,
}

/// What to enter for each target of an axis.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Worksheet {
    /// One row for each target, those without a setting too.
    pub rows: Vec<Work>,
}

/// How a form follows from a target: as `factor·target` or as `factor/target`. Both are their own inverse up to the
/// factor, and `factor` is above zero.
#[derive(Clone, Copy)]
enum Map {
    Proportional(f64),
    Reciprocal(f64),
}

impl Map {
    fn forward(self, target: f64) -> f64 {
        match self {
            Self::Proportional(factor) => factor * target,
            Self::Reciprocal(factor) => factor / target,
        }
    }

    fn back(self, entry: f64) -> f64 {
        match self {
            Self::Proportional(factor) => entry / factor,
            Self::Reciprocal(factor) => factor / entry,
        }
    }
}

impl Worksheet {
    /// What follows from a sheet.
    #[must_use]
    pub fn of(sheet: &AxisSheet) -> Self {
        let targets = SettingTarget::ALL.into_iter().filter(|target| target.applies(sheet));
        let rows = targets.filter_map(|target| {
            let (wanted, tolerance) = target_of(sheet, target)?;
            let setting = sheet.settings.entries.iter().find(|setting| setting.target == target);
            Some(row(sheet, target, wanted, tolerance, setting))
        });
        Self { rows: rows.collect() }
    }

    /// Everything that has a setting can be entered.
    #[must_use]
    pub fn fits(&self) -> bool {
        self.rows.iter().all(|row| matches!(row.fit, Fit::Fits | Fit::NoSetting))
    }
}

/// A target and the half-width of its tolerance in the same unit.
fn target_of(sheet: &AxisSheet, target: SettingTarget) -> Option<(Amount, Option<f64>)> {
    let tolerances = &sheet.tolerances;
    let (value, unit, tolerance) = match (target, sheet.command.pair) {
        (SettingTarget::TorqueGain, CommandPair::Torque { volts, percent_of_rated }) => {
            let gain = percent_of_rated.get() / volts.get();
            (gain, "%/V", Some(gain * tolerances.torque_gain.value.get() / 100.0))
        }
        (SettingTarget::SpeedGain, CommandPair::Speed { volts, speed }) => {
            let gain = speed.get() / volts.get();
            (gain, "rpm/V", Some(gain * tolerances.speed_gain.value.get() / 100.0))
        }
        (SettingTarget::TorqueGain | SettingTarget::SpeedGain, _) => return None,
        (SettingTarget::SpeedCap, _) => {
            let cap = sheet.cap.speed.get();
            let share = cap * tolerances.cap.value.get() / 100.0;
            (cap, "rpm", Some(share.max(tolerances.cap_least.value.get())))
        }
        // Counts are integers: there is no tolerance.
        (SettingTarget::Pulses, _) => (f64::from(sheet.encoder.pulses.get()), "pulses/rev", Some(0.0)),
        (SettingTarget::TorqueReadOut, _) => {
            let volts = sheet.torque_read_out.as_ref()?.volts_at_rated.get();
            let share = volts * tolerances.torque_gain_read_out.value.get() / 100.0;
            (volts, "V at rated torque", Some(share))
        }
        (SettingTarget::SpeedReadOut, _) => {
            (sheet.speed_read_out.as_ref()?.volts_per_thousand_rpm.get(), "V per 1000 rpm", None)
        }
    };
    Some((Amount { value, unit }, tolerance))
}

fn map(sheet: &AxisSheet, target: SettingTarget, form: SettingForm) -> Map {
    let rated = sheet.motor.rated_speed.get();
    match (target, form) {
        (SettingTarget::TorqueGain, SettingForm::NewtonMetresPerVolt) => {
            Map::Proportional(sheet.motor.rated_torque.get() / 100.0)
        }
        (SettingTarget::TorqueGain, SettingForm::VoltsAtRatedTorque)
        | (SettingTarget::TorqueReadOut, SettingForm::PercentPerVolt) => Map::Reciprocal(100.0),
        (_, SettingForm::PercentAtTenVolts | SettingForm::RpmAtTenVolts) => Map::Proportional(10.0),
        (SettingTarget::SpeedGain, SettingForm::VoltsAtRatedSpeed) => Map::Reciprocal(rated),
        (_, SettingForm::PercentOfRatedSpeed) => Map::Proportional(100.0 / rated),
        (_, SettingForm::PercentOfMaximumSpeed) => Map::Proportional(100.0 / sheet.motor.maximum_speed.get()),
        // Four counts to the pulse.
        (_, SettingForm::CountsPerRevolution) => Map::Proportional(4.0),
        (SettingTarget::SpeedReadOut, SettingForm::RpmPerVolt) => Map::Reciprocal(1000.0),
        // The target's own form.
        _ => Map::Proportional(1.0),
    }
}

fn row(
    sheet: &AxisSheet,
    target: SettingTarget,
    wanted: Amount,
    tolerance: Option<f64>,
    setting: Option<&Setting>,
) -> Work {
    let mut work = Work {
        target: target.words(),
        wanted,
        key: None,
        exact: None,
        step: None,
        least: None,
        most: None,
        entry: None,
        nearest: None,
        entry_kind: None,
        becomes: None,
        cost: None,
        tolerance: tolerance.map(|value| Amount { value, unit: wanted.unit }),
        share_percent: None,
        fit: Fit::NoSetting,
        note: "",
    };
    let Some(setting) = setting else { return work };
    let map = map(sheet, target, setting.entered_as);
    let unit = setting.entered_as.unit();
    let amount = |value: f64| Amount { value, unit };
    let exact = map.forward(wanted.value);
    let cap = target == SettingTarget::SpeedCap;
    let wished = if cap { down(exact / setting.step) } else { (exact / setting.step).round() };
    let top = setting.most.map_or(f64::INFINITY, |most| down(most / setting.step));
    let bottom = setting.least.map_or(f64::NEG_INFINITY, |least| -down(-least / setting.step));
    let steps = wished.min(top).max(bottom);
    work.key = Some(setting.key.clone());
    work.exact = Some(amount(exact));
    work.step = Some(amount(setting.step));
    work.least = setting.least.map(amount);
    work.most = setting.most.map(amount);
    work.entry_kind = Some(setting.entry);
    let entered = steps * setting.step;
    let becomes = map.back(entered);
    work.fit = Fit::OutOfRange;
    if bottom > top || (cap && steps > wished) {
        work.note = "no step in the amplifier's range will do";
        return work;
    }
    if steps < 1.0 || !becomes.is_finite() {
        work.fit = Fit::TooCoarse;
        work.note = "the step is larger than the value";
        return work;
    }
    let nearest = match setting.entry {
        EntryKind::Value => written(entered, setting.step),
        EntryKind::Steps => format!("{steps:.0}"),
    };
    work.nearest = Some(nearest);
    let cost = becomes - wanted.value;
    // Arithmetic leaves some 1e-16 where there is nothing.
    let cost = if cost.abs() <= 1e-12 * wanted.value.abs() { 0.0 } else { cost };
    work.becomes = Some(Amount { value: becomes, unit: wanted.unit });
    work.cost = Some(Amount { value: cost, unit: wanted.unit });
    work.share_percent =
        tolerance.filter(|tolerance| *tolerance > 0.0).map(|tolerance| 100.0 * cost.abs() / tolerance);
    #[expect(clippy::float_cmp, reason = "whole numbers, taken over or not")]
    if steps == wished {
        work.fit = Fit::of(cost, tolerance);
        work.note = if cap { "rounded down: never above the cap" } else { "" };
    }
    if work.fit == Fit::Fits {
        work.entry.clone_from(&work.nearest);
    }
    work
}

/// Downwards to whole steps, but not from a whole number that arithmetic left a little low.
fn down(steps: f64) -> f64 {
    let near = steps.round();
    if (steps - near).abs() <= 1e-9 * near.abs() { near } else { steps.floor() }
}

/// A multiple of a step with as many decimals as the step has.
fn written(value: f64, step: f64) -> String {
    // The shortest text that gives the step back shows its decimals; nine are enough for any amplifier.
    let decimals = format!("{step}").split_once('.').map_or(0, |(_, fraction)| fraction.len().min(9));
    format!("{value:.decimals$}")
}
