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
    /// What to enter, with a decimal point.
    pub entry: Option<String>,
    /// How it is to be read: the value, or the number of steps.
    pub entry_kind: Option<EntryKind>,
    /// What the target becomes with it.
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
        entry: None,
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
    let exact = map.forward(wanted.value);
    let steps = if target == SettingTarget::SpeedCap {
        work.note = "rounded down: never above the cap";
        down(exact / setting.step)
    } else {
        (exact / setting.step).round()
    };
    let entered = steps * setting.step;
    work.key = Some(setting.key.clone());
    work.exact = Some(Amount { value: exact, unit });
    work.step = Some(Amount { value: setting.step, unit });
    work.entry_kind = Some(setting.entry);
    work.entry = Some(match setting.entry {
        EntryKind::Value => written(entered, setting.step),
        EntryKind::Steps => format!("{steps:.0}"),
    });
    let becomes = map.back(entered);
    if steps < 1.0 || !becomes.is_finite() {
        work.entry = None;
        work.fit = Fit::TooCoarse;
        work.note = "the step is larger than the value";
        return work;
    }
    let cost = becomes - wanted.value;
    // Arithmetic leaves some 1e-16 where there is nothing.
    let cost = if cost.abs() <= 1e-12 * wanted.value.abs() { 0.0 } else { cost };
    work.becomes = Some(Amount { value: becomes, unit: wanted.unit });
    work.cost = Some(Amount { value: cost, unit: wanted.unit });
    work.share_percent =
        tolerance.filter(|tolerance| *tolerance > 0.0).map(|tolerance| 100.0 * cost.abs() / tolerance);
    let slack = 1e-9 * entered.abs();
    let beyond = setting.least.is_some_and(|least| entered < least - slack)
        || setting.most.is_some_and(|most| entered > most + slack);
    work.fit = if beyond {
        Fit::OutOfRange
    } else if tolerance.is_some_and(|tolerance| cost.abs() > tolerance) {
        Fit::TooCoarse
    } else {
        Fit::Fits
    };
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
