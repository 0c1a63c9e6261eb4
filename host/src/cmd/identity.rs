//! What is on the bench: nameplates, serial numbers, firmware, supply.

use crate::record::model::Fact;

/// What is written where nobody said anything: a gap in a record has to be seen.
pub(crate) const NOT_NOTED: &str = "not noted";
/// A longer value than this is no nameplate.
const LONGEST: usize = 200;

/// What is asked for, with its key on the command line.
const ASKED: &[(&str, &str)] = &[
    ("amplifier", "Amplifier, type on its nameplate"),
    ("amplifier-serial", "Amplifier, serial number"),
    ("amplifier-firmware", "Amplifier, firmware"),
    ("motor", "Motor, type on its nameplate"),
    ("motor-serial", "Motor, serial number"),
    ("supply", "Supply, voltage and phases"),
    ("operator", OPERATOR),
];

/// Who is at the bench: of a run, not of its unit.
pub(super) const OPERATOR: &str = "Operator";

/// Labels that tell one unit from another: where these are the same, it is the same amplifier with the same firmware,
/// and the same motor.
pub(crate) const SAME_UNIT: [&str; 3] =
    ["Amplifier, serial number", "Amplifier, firmware", "Motor, serial number"];

/// A fact from the command line.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Given {
    key: String,
    value: String,
}

impl std::fmt::Display for Given {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}={}", self.key, self.value)
    }
}

/// `KEY=VALUE`; a key that is not asked for is a label of its own.
///
/// # Errors
/// A message for the person.
pub(super) fn parse(text: &str) -> Result<Given, String> {
    let (key, value) = text.split_once('=').ok_or("write it KEY=VALUE, as in amplifier-serial=0123")?;
    let (key, value) = (key.trim(), value.trim());
    if key.is_empty() || value.is_empty() {
        return Err("neither the key nor the value may be empty".to_owned());
    }
    if text.chars().count() > LONGEST || text.chars().any(char::is_control) {
        return Err(format!("at most {LONGEST} characters, all of them visible"));
    }
    if let Some(meant) = nearly(key) {
        return Err(format!(
            "there is no key `{key}`. Did you mean `{meant}`? A label of your own must differ more from it"
        ));
    }
    Ok(Given { key: key.to_owned(), value: value.to_owned() })
}

/// The key that was probably meant, where this one is none but differs from it by a letter or two only. What ends in a
/// digit is a label of its own: a second motor.
fn nearly(key: &str) -> Option<&'static str> {
    if ASKED.iter().any(|(asked, _)| *asked == key) || key.ends_with(|c: char| c.is_ascii_digit()) {
        return None;
    }
    let plain = key.to_lowercase().replace(['_', ' '], "-");
    let near =
        |asked: &&str| strsim::damerau_levenshtein(&plain, asked) <= if asked.len() < 8 { 1 } else { 2 };
    ASKED.iter().map(|(asked, _)| *asked).find(near)
}

/// Facts as given in an earlier run, as if given again; who was there then is not who is there now.
pub(super) fn of_run(facts: &[Fact]) -> Vec<Given> {
    facts
        .iter()
        .filter(|f| f.value != NOT_NOTED && f.label != OPERATOR)
        .map(|f| Given { key: key_of(&f.label).to_owned(), value: f.value.clone() })
        .collect()
}

/// The key of a label on the command line.
pub(super) fn key_of(label: &str) -> &str {
    ASKED.iter().find(|(_, l)| *l == label).map_or(label, |(key, _)| key)
}

/// Later words replace earlier ones with the same key.
pub(super) fn updated(mut earlier: Vec<Given>, later: &[Given]) -> Vec<Given> {
    for given in later {
        match earlier.iter_mut().find(|e| e.key == given.key) {
            Some(e) => e.value.clone_from(&given.value),
            None => earlier.push(given.clone()),
        }
    }
    earlier
}

/// What a rehearsal knows of its unit: that there is none. The serial number is the seed's, so that two rehearsals of the
/// same simulated axis have the same one.
pub(super) fn simulated(seed: u64) -> Vec<Given> {
    let given = |key: &str, value: String| Given { key: key.to_owned(), value };
    vec![
        given("amplifier", "simulated".to_owned()),
        given("amplifier-serial", format!("SIMULATED-{seed}")),
        given("amplifier-firmware", concat!("simulated ", env!("CARGO_PKG_VERSION")).to_owned()),
        given("motor", "simulated".to_owned()),
        given("motor-serial", format!("SIMULATED-{seed}")),
        given("supply", "simulated".to_owned()),
        given("operator", "simulated".to_owned()),
    ]
}

/// Something changed for the bench, from the command line; `none` says that nothing was.
///
/// # Errors
/// A message for the person.
pub(super) fn bench_change(text: &str) -> Result<String, String> {
    let text = text.trim();
    if text.is_empty() || text.chars().count() > LONGEST || text.chars().any(char::is_control) {
        return Err(format!("write what was changed in 1 to {LONGEST} visible characters, or none"));
    }
    Ok(text.to_owned())
}

/// What was changed, without the word that nothing was.
pub(super) fn changes(given: &[String]) -> Vec<String> {
    given.iter().filter(|text| !text.eq_ignore_ascii_case("none")).cloned().collect()
}

/// Labels that are asked for and not given.
pub(super) fn missing(given: &[Given]) -> impl Iterator<Item = &'static str> {
    ASKED.iter().filter(|(key, _)| !given.iter().any(|g| g.key == *key)).map(|(_, label)| *label)
}

/// All facts in the order of [`ASKED`], then free ones; `ask` is asked for what is missing.
pub(super) fn facts(given: &[Given], mut ask: impl FnMut(&str) -> Option<String>) -> Vec<Fact> {
    let visible = |text: String| -> String {
        text.chars().filter(|c| !c.is_control()).take(LONGEST).collect::<String>().trim().to_owned()
    };
    let value = |key: &str| given.iter().rfind(|g| g.key == key).map(|g| g.value.clone());
    let asked = ASKED.iter().map(|(key, label)| {
        let value = value(key)
            .or_else(|| ask(label).map(visible).filter(|v| !v.is_empty()))
            .unwrap_or_else(|| NOT_NOTED.to_owned());
        Fact { label: (*label).to_owned(), value }
    });
    let free = given
        .iter()
        .filter(|g| !ASKED.iter().any(|(key, _)| *key == g.key))
        .map(|g| Fact { label: g.key.clone(), value: g.value.clone() });
    asked.chain(free).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_nobody_said_stands_there_as_not_noted() {
        let given = [parse("amplifier-serial=A=7").unwrap(), parse("Room = north bay").unwrap()];
        let facts = facts(&given, |_| None);
        assert_eq!(facts.len(), ASKED.len() + 1);
        assert_eq!(facts.iter().filter(|f| f.value == NOT_NOTED).count(), ASKED.len() - 1);
        assert_eq!(facts[1], Fact { label: "Amplifier, serial number".into(), value: "A=7".into() });
        assert_eq!(facts[ASKED.len()], Fact { label: "Room".into(), value: "north bay".into() });
    }

    #[test]
    fn a_later_run_knows_what_an_earlier_one_was_told_and_may_correct_it() {
        let first = facts(&[parse("motor=M1").unwrap(), parse("supply=230 V").unwrap()], |_| None);
        let then = updated(of_run(&first), &[parse("motor=M2").unwrap()]);
        let second = facts(&then, |_| None);
        assert_eq!(second[3].value, "M2");
        assert_eq!(second[5].value, "230 V");
    }

    #[test]
    fn what_tells_one_unit_from_another_is_asked_for() {
        assert!(SAME_UNIT.iter().all(|label| ASKED.iter().any(|(_, asked)| asked == label)));
    }

    #[test]
    fn a_mistyped_key_is_named_with_the_nearest_and_a_label_of_ones_own_is_not() {
        for (typed, meant) in [
            ("ampliifier-serial", "amplifier-serial"),
            ("amplifer_serial", "amplifier-serial"),
            ("Amplifier Serial", "amplifier-serial"),
            ("moter", "motor"),
            ("operater", "operator"),
            ("suply", "supply"),
        ] {
            let why = parse(&format!("{typed}=3")).unwrap_err();
            assert!(why.contains(&format!("Did you mean `{meant}`?")), "{typed}: {why}");
        }
        for label in ["Room", "motor2", "Motor cable", "bench", "note", "supply fuse"] {
            assert!(parse(&format!("{label}=3")).is_ok(), "{label}");
        }
    }

    #[test]
    fn a_fact_without_key_value_or_sense_is_refused() {
        for text in ["", "motor", "=x", "motor=", "motor=\u{1b}[2J", &format!("motor={}", "x".repeat(300))] {
            assert!(parse(text).is_err(), "{text:?}");
        }
    }
}
