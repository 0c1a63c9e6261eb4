//! Roles the checks need and a sheet does not give.

use toml::de::{DeTable, DeValue};

use crate::sheet::{AxisSheet, BrakeDriver, FlagRole, InputRole, line_and_column};

/// A role without a terminal.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Missing {
    /// The role, in words.
    pub role: &'static str,
    /// What can't be done without it.
    pub cost: &'static str,
    /// What to write in the sheet.
    pub remedy: String,
    /// Table of the sheet it belongs in, as in its header.
    pub section: &'static str,
    /// A wiring sheet without it is refused: a check of the customer's expectation would be impossible.
    pub refused: bool,
}

/// Every missing role, those that refuse first.
pub(super) fn missing(sheet: &AxisSheet) -> Vec<Missing> {
    let mut all = Vec::new();
    let mut flag = |role: FlagRole, word: &str, cost, refused| {
        if sheet.flag(role).is_none() {
            let remedy = format!("add a [[flag]] with role = \"{word}\" and its terminals");
            all.push(Missing { role: role.words(), cost, remedy, section: "flag", refused });
        }
    };
    let held =
        "the check of the cap's flag can't be made: when the amplifier holds the speed down is never seen";
    flag(FlagRole::HoldingSpeedDown, "holding_speed_down", held, true);
    if sheet.enable.brake == BrakeDriver::Amplifier {
        let brake = "the amplifier drives a brake, and nobody would see when it is released: motion could push against it";
        flag(FlagRole::BrakeRelease, "brake_release", brake, true);
    }
    flag(
        FlagRole::TorqueOn,
        "torque_on",
        "torque is taken to be on after the stated enable delay, unseen",
        false,
    );
    flag(FlagRole::Fault, "fault", "a fault is seen only by its effect", false);
    flag(
        FlagRole::CanEnable,
        "can_enable",
        "an enable that is refused looks like one that is not wired",
        false,
    );

    let mut input = |role: InputRole, word: &str, cost, refused| {
        let remedy = format!("add an [[input]] with role = \"{word}\" and its terminals");
        all.push(Missing { role: role.words(), cost, remedy, section: "input", refused });
    };
    let positive = sheet.input(InputRole::EndSwitchPositive).is_some();
    let negative = sheet.input(InputRole::EndSwitchNegative).is_some();
    let lone = "only its opposite is checked; right if the axis has a switch at one end";
    let none = "the check of the end switches can't be made; right if the amplifier has none";
    let cost = if positive || negative { lone } else { none };
    if !positive {
        input(InputRole::EndSwitchPositive, "end_switch_positive", cost, false);
    }
    if !negative {
        input(InputRole::EndSwitchNegative, "end_switch_negative", cost, false);
    }
    if sheet.input(InputRole::ClearFault).is_none() {
        input(InputRole::ClearFault, "clear_fault", "a person must clear a fault at the amplifier", false);
    }
    let mut read_out = |role, cost, section: &'static str| {
        let remedy = format!("add [{section}] with its scale and terminals");
        all.push(Missing { role, cost, remedy, section, refused: false });
    };
    if sheet.torque_read_out.is_none() {
        let cost = "torque gain rests on the inertia alone";
        read_out("torque read-out", cost, "torque_read_out");
    }
    if sheet.speed_read_out.is_none() {
        let cost = "overspeed is watched by counts and index only";
        read_out("speed read-out", cost, "speed_read_out");
    }
    all.sort_by_key(|missing| !missing.refused);
    all
}

/// Line of a sheet's text, from 1, where a table belongs: its last table of that name, else the end of the text.
#[must_use]
pub fn line_of(text: &str, section: &str) -> usize {
    let (root, _) = DeTable::parse_recoverable(text);
    let at =
        root.get_ref().iter().find(|(name, _)| name.get_ref() == section).map(|(name, value)| {
            match value.get_ref() {
                DeValue::Array(rows) => rows.iter().last().map_or(name.span().start, |row| row.span().start),
                _ => name.span().start,
            }
        });
    line_and_column(text, at.unwrap_or_else(|| text.trim_end().len())).0
}
