//! The amplifier's settings: how a table of them is written, what is to be entered, what may change.

use std::collections::BTreeMap;

use serde::Serialize;

use super::document::{Document, Table};
use super::error::{Fault, FaultKind};
use super::model::{AxisSheet, CommandPair};
use super::words::Words;

/// What the sheet says about the amplifier's settings.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct Settings {
    /// How an exported table is written, if the sheet says it.
    pub table: Option<TableLayout>,
    /// Settings that follow from targets, at most one of each target.
    pub entries: Vec<Setting>,
    /// Other changes that are expected.
    pub expected: Vec<ExpectedChange>,
}

/// How a table of settings is written.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct TableLayout {
    /// Heading of the column of numbers or codes; they identify a setting where given.
    pub number_column: Option<String>,
    /// Heading of the column of names; they identify a setting where there are no numbers.
    pub name_column: Option<String>,
    /// Heading of the column of values.
    pub value_column: String,
    /// Heading of the column of units.
    pub unit_column: Option<String>,
    /// What separates columns; `None`: what makes the headings appear.
    pub delimiter: Option<Delimiter>,
    /// What separates whole and fraction.
    pub decimal: DecimalSign,
    /// Character encoding; a byte order mark wins over it.
    pub encoding: TextEncoding,
}

/// What separates columns.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Delimiter {
    /// `;`
    Semicolon,
    /// `,`
    Comma,
    /// Tabulator.
    Tab,
}

/// What separates whole and fraction.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum DecimalSign {
    /// `.`
    Point,
    /// `,`
    Comma,
}

impl DecimalSign {
    /// The one that it is not.
    #[must_use]
    pub const fn other(self) -> Self {
        match self {
            Self::Point => Self::Comma,
            Self::Comma => Self::Point,
        }
    }

    /// As written.
    #[must_use]
    pub const fn mark(self) -> char {
        match self {
            Self::Point => '.',
            Self::Comma => ',',
        }
    }
}

/// Character encodings of exported tables, by their names in the WHATWG Encoding Standard.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[expect(missing_docs, reason = "the names are the documentation")]
pub enum TextEncoding {
    Utf8,
    Utf16Le,
    Utf16Be,
    Windows1250,
    Windows1251,
    Windows1252,
    Windows1253,
    Windows1254,
    Windows1255,
    Windows1256,
    Windows1257,
    Windows1258,
    ShiftJis,
}

/// A setting that follows from a target.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Setting {
    /// The target.
    pub target: SettingTarget,
    /// Number or name of the setting in the amplifier's table.
    pub key: String,
    /// In which form the amplifier takes it; the unit of step, least and most.
    pub entered_as: SettingForm,
    /// The amplifier takes whole multiples of this (above zero).
    pub step: f64,
    /// Smallest value the amplifier takes.
    pub least: Option<f64>,
    /// Largest value the amplifier takes.
    pub most: Option<f64>,
    /// Whether the value or its number of steps is entered.
    pub entry: EntryKind,
}

/// Targets that settings follow from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum SettingTarget {
    /// Torque for a volt of command.
    TorqueGain,
    /// Speed for a volt of command.
    SpeedGain,
    /// Highest speed.
    SpeedCap,
    /// Divided encoder output.
    Pulses,
    /// Scale of the torque read-out.
    TorqueReadOut,
    /// Scale of the speed read-out.
    SpeedReadOut,
}

impl SettingTarget {
    /// Every target.
    pub const ALL: [Self; 6] = [
        Self::TorqueGain,
        Self::SpeedGain,
        Self::SpeedCap,
        Self::Pulses,
        Self::TorqueReadOut,
        Self::SpeedReadOut,
    ];

    /// In words.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::TorqueGain => "torque gain of the command",
            Self::SpeedGain => "speed gain of the command",
            Self::SpeedCap => "speed cap",
            Self::Pulses => "pulses per revolution",
            Self::TorqueReadOut => "scale of the torque read-out",
            Self::SpeedReadOut => "scale of the speed read-out",
        }
    }

    /// The axis has it.
    #[must_use]
    pub fn applies(self, sheet: &AxisSheet) -> bool {
        match self {
            Self::TorqueGain => matches!(sheet.command.pair, CommandPair::Torque { .. }),
            Self::SpeedGain => matches!(sheet.command.pair, CommandPair::Speed { .. }),
            Self::SpeedCap | Self::Pulses => true,
            Self::TorqueReadOut => sheet.torque_read_out.is_some(),
            Self::SpeedReadOut => sheet.speed_read_out.is_some(),
        }
    }
}

/// In which form an amplifier takes a setting.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum SettingForm {
    /// % of rated torque for a volt.
    PercentPerVolt,
    /// N·m for a volt.
    NewtonMetresPerVolt,
    /// V for rated torque.
    VoltsAtRatedTorque,
    /// % of rated torque at 10 V.
    PercentAtTenVolts,
    /// rpm for a volt.
    RpmPerVolt,
    /// V for rated speed.
    VoltsAtRatedSpeed,
    /// rpm at 10 V.
    RpmAtTenVolts,
    /// rpm.
    Rpm,
    /// % of rated speed.
    PercentOfRatedSpeed,
    /// % of the motor's highest mechanical speed.
    PercentOfMaximumSpeed,
    /// Pulses (full cycles of phase A) per revolution.
    PulsesPerRevolution,
    /// Counts (four to the pulse) per revolution.
    CountsPerRevolution,
    /// V for 1000 rpm.
    VoltsPerThousandRpm,
}

impl SettingForm {
    /// Symbol of its unit.
    #[must_use]
    pub const fn unit(self) -> &'static str {
        match self {
            Self::PercentPerVolt => "%/V",
            Self::NewtonMetresPerVolt => "N·m/V",
            Self::VoltsAtRatedTorque => "V at rated torque",
            Self::PercentAtTenVolts => "% at 10 V",
            Self::RpmPerVolt => "rpm/V",
            Self::VoltsAtRatedSpeed => "V at rated speed",
            Self::RpmAtTenVolts => "rpm at 10 V",
            Self::Rpm => "rpm",
            Self::PercentOfRatedSpeed => "% of rated speed",
            Self::PercentOfMaximumSpeed => "% of maximum speed",
            Self::PulsesPerRevolution => "pulses/rev",
            Self::CountsPerRevolution => "counts/rev",
            Self::VoltsPerThousandRpm => "V per 1000 rpm",
        }
    }

    /// Forms a target can be entered in.
    #[must_use]
    pub const fn of(target: SettingTarget) -> &'static [Self] {
        match target {
            SettingTarget::TorqueGain => &[
                Self::PercentPerVolt,
                Self::NewtonMetresPerVolt,
                Self::VoltsAtRatedTorque,
                Self::PercentAtTenVolts,
            ],
            SettingTarget::SpeedGain => &[Self::RpmPerVolt, Self::VoltsAtRatedSpeed, Self::RpmAtTenVolts],
            SettingTarget::SpeedCap => &[Self::Rpm, Self::PercentOfRatedSpeed, Self::PercentOfMaximumSpeed],
            SettingTarget::Pulses => &[Self::PulsesPerRevolution, Self::CountsPerRevolution],
            SettingTarget::TorqueReadOut => &[Self::VoltsAtRatedTorque, Self::PercentPerVolt],
            SettingTarget::SpeedReadOut => &[Self::VoltsPerThousandRpm, Self::RpmPerVolt],
        }
    }
}

/// What is entered.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum EntryKind {
    /// The value.
    Value,
    /// The number of steps.
    Steps,
}

/// A change that is expected beside those that follow from targets.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct ExpectedChange {
    /// Number or name of the setting in the amplifier's table.
    pub key: String,
    /// The value afterwards; a number is written with a decimal point.
    pub value: String,
    /// Why it changes.
    pub why: String,
}

/// Reads all three tables; `None` only where a fault is noted.
pub(super) fn settings(document: &Document, faults: &mut Vec<Fault>) -> Option<Settings> {
    let table = document.one("settings").map(|table| layout(table, faults));
    let entries: Vec<_> = document.all("setting").iter().map(|table| setting(table, faults)).collect();
    let expected: Vec<_> = document.all("expected_change").iter().map(expected_change).collect();
    unique(document, faults);
    Some(Settings {
        table: match table {
            None => None,
            Some(table) => Some(table?),
        },
        entries: entries.into_iter().collect::<Option<_>>()?,
        expected: expected.into_iter().collect::<Option<_>>()?,
    })
}

/// Settings of targets that the axis does not have.
pub(super) fn strange(document: &Document, sheet: &AxisSheet) -> Vec<Fault> {
    let mut faults = Vec::new();
    for table in document.all("setting") {
        if let Some(target) = table.word::<SettingTarget>("target")
            && !target.applies(sheet)
        {
            let why = format!("this axis has no {}", target.words());
            note(&mut faults, FaultKind::Contradiction, table, "target", why, None);
        }
    }
    faults
}

fn note(
    faults: &mut Vec<Fault>,
    kind: FaultKind,
    table: &Table,
    key: &str,
    why: String,
    help: Option<String>,
) {
    faults.push(Fault { kind, span: table.span(key), key: format!("{}.{key}", table.name()), why, help });
}

fn layout(table: &Table, faults: &mut Vec<Fault>) -> Option<TableLayout> {
    let named = |key| Some(table.text(key)?).map(|text| (!text.is_empty()).then_some(text));
    let layout = TableLayout {
        number_column: named("number_column")?,
        name_column: named("name_column")?,
        value_column: table.text("value_column")?,
        unit_column: named("unit_column")?,
        delimiter: if table.has("delimiter") { Some(table.word("delimiter")?) } else { None },
        decimal: table.word("decimal")?,
        encoding: table.word("encoding")?,
    };
    if layout.number_column.is_none() && layout.name_column.is_none() {
        let why = "is missing: needed when number_column is not given".to_owned();
        let help = Some("something must tell one setting from another".to_owned());
        note(faults, FaultKind::Missing, table, "name_column", why, help);
    }
    let columns = ["number_column", "name_column", "value_column", "unit_column"];
    let mut taken: BTreeMap<String, &str> = BTreeMap::new();
    for key in columns {
        let Some(heading) = table.text(key).filter(|heading| !heading.is_empty()) else { continue };
        if let Some(first) = taken.insert(heading, key) {
            let why = format!("is the same heading as {first}");
            note(faults, FaultKind::Contradiction, table, key, why, None);
        }
    }
    Some(layout)
}

fn setting(table: &Table, faults: &mut Vec<Fault>) -> Option<Setting> {
    let (target, form) = (table.word::<SettingTarget>("target"), table.word::<SettingForm>("entered_as"));
    if let (Some(target), Some(form)) = (target, form)
        && !SettingForm::of(target).contains(&form)
    {
        let forms: Vec<_> = SettingForm::ALL
            .iter()
            .filter(|(_, _, form)| SettingForm::of(target).contains(form))
            .map(|(word, _, _)| format!("\"{word}\""))
            .collect();
        let why = format!("the {} can't be entered in this form", target.words());
        let help = Some(format!("one of {}", forms.join(", ")));
        note(faults, FaultKind::Contradiction, table, "entered_as", why, help);
    }
    let (least, most) = (table.number("least"), table.number("most"));
    if let (Some(least), Some(most)) = (least, most)
        && most < least
    {
        let why = format!("{most} is below least, which is {least}");
        note(faults, FaultKind::Contradiction, table, "most", why, None);
    }
    Some(Setting {
        target: target?,
        key: table.text("key")?,
        entered_as: form?,
        step: table.number("step")?,
        least,
        most,
        entry: table.word("entry")?,
    })
}

fn expected_change(table: &Table) -> Option<ExpectedChange> {
    Some(ExpectedChange { key: table.text("key")?, value: table.text("value")?, why: table.text("why")? })
}

/// A setting is expected to become one thing only, and a target has one setting.
fn unique(document: &Document, faults: &mut Vec<Fault>) {
    let mut keys = BTreeMap::new();
    let tables = document.all("setting").iter().chain(document.all("expected_change"));
    for table in tables {
        if let Some(key) = table.text("key")
            && let Some(first) = keys.insert(key, table.name())
        {
            let why = format!("is already given in a table [[{first}]]");
            note(faults, FaultKind::Contradiction, table, "key", why, None);
        }
    }
    let mut targets = BTreeMap::new();
    for table in document.all("setting") {
        if let Some(target) = table.word::<SettingTarget>("target")
            && let Some(()) = targets.insert(target, ())
        {
            let why = "is already the target of another table [[setting]]".to_owned();
            note(faults, FaultKind::Contradiction, table, "target", why, None);
        }
    }
}
