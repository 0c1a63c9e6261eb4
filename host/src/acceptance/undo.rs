//! What the bench leaves behind and must be taken back before handover.

use super::Setting;
use crate::sheet::{AxisSheet, BrakeDriver, CapKind, InputRole};

/// Every line of the list, in the order in which it is best gone through: changes of the amplifier first, while the
/// bench can still show that they are undone, then what is on the shaft, the wires last.
pub(super) fn undo(sheet: &AxisSheet, setting: &Setting) -> Vec<String> {
    let mut all: Vec<String> = sheet
        .bench_changes
        .iter()
        .map(|change| format!("{}: {}. {}.", change.kind.words(), bare(&change.what), bare(&change.undo)))
        .collect();
    all.extend(setting.bench_changes.iter().map(|what| changed_at_the_bench(what)));
    // What an earlier run was told, and what was said at its handover, is still there until somebody says otherwise.
    let told = setting.earlier.iter().flat_map(|(_, run)| &run.undo);
    all.extend(told.filter(|item| item.starts_with(CHANGED)).cloned());
    if sheet.settings.table.is_some() {
        all.push(
            "Settings: export the amplifier's table again and compare it with what was wanted (proofstand settings \
             compare); nothing may be left that nobody expected."
                .to_owned(),
        );
    }
    if sheet.disc.is_some() {
        all.push("Take the disc and its hub off the shaft.".to_owned());
    }
    all.push(
        "Shaft: put back what was taken off or fitted for the bench: key, coupling, guard, clamp.".to_owned(),
    );
    if sheet.enable.brake == BrakeDriver::Controller {
        all.push(
            "Brake: take away what released it on the bench and give it back to its own driver.".to_owned(),
        );
    }
    if sheet.cap.kind == CapKind::AnalogInput {
        all.push(
            "Speed limit input: take the bench supply off and connect what feeds it on the machine."
                .to_owned(),
        );
    }
    for input in &sheet.inputs {
        let (terminal, role) = (&input.terminal, input.role.words());
        if input.delivered_unwired {
            all.push(format!(
                "Take the bench wire off terminal {terminal} ({role}): it is delivered unwired."
            ));
        } else if matches!(input.role, InputRole::EndSwitchPositive | InputRole::EndSwitchNegative) {
            all.push(format!("Put the machine's own {role} back on terminal {terminal}."));
        }
    }
    all.push("Unplug the fixture and connect the customer's controller.".to_owned());
    let mut seen = std::collections::BTreeSet::new();
    all.retain(|item| seen.insert(item.clone()));
    all
}

const CHANGED: &str = "Changed at the bench";

/// The line of something that a person says was changed.
#[must_use]
pub fn changed_at_the_bench(what: &str) -> String {
    format!("{CHANGED}, take it back: {}.", bare(what))
}

/// A phrase without its full stop.
fn bare(text: &str) -> &str {
    text.trim().trim_end_matches('.')
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sheet::parse;

    const WINDER: &str = include_str!("../../sheets/film-winder.toml");

    fn list(text: &str, setting: &Setting) -> Vec<String> {
        undo(&parse("s.toml", text.as_bytes()).unwrap_or_else(|e| panic!("{e}")), setting)
    }

    #[test]
    fn disc_unwired_end_switches_and_what_the_sheet_and_people_say_was_changed_are_in_the_list() {
        let text = format!(
            "{WINDER}\n[[bench_change]]\nkind = \"limit\"\nwhat = \"V-09 is 40 %\"\nundo = \"set it back to 300 %.\"\n"
        );
        let setting =
            Setting { bench_changes: vec!["jumper from D7 to D0.".to_owned()], ..Setting::default() };
        let list = list(&text, &setting);
        let has = |part: &str| list.iter().filter(|item| item.contains(part)).count();
        assert_eq!(
            list.first().map(String::as_str),
            Some("Bench limit: V-09 is 40 %. set it back to 300 %.")
        );
        for part in ["jumper from D7 to D0.", "disc", "terminal D3", "terminal D4", "Unplug the fixture"] {
            assert_eq!(has(part), 1, "{part}: {list:#?}");
        }
    }

    #[test]
    fn an_axis_without_a_disc_and_with_wired_end_switches_has_other_lines() {
        let start = WINDER.find("[disc]").unwrap();
        let end = WINDER.find("[encoder]").unwrap();
        let text =
            format!("{}{}", &WINDER[..start], &WINDER[end..]).replace("delivered_unwired = true\n", "");
        let list = list(&text, &Setting::default());
        assert!(!list.iter().any(|item| item.contains("disc") || item.contains("bench wire")), "{list:#?}");
        assert!(list.iter().any(|item| item.contains("own end switch +")), "{list:#?}");
    }
}
