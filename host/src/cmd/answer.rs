//! What people type at a question.

/// A typed line where somebody's name is asked for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Named {
    /// It may be a name.
    Name(String),
    /// The word to stop.
    Stop,
    /// It answers another question, or none.
    No,
}

/// Longest name that is kept.
const LONGEST: usize = 80;
/// Words that people type out of habit, where a name is asked for; a record can't be answered for by them.
const NO_NAMES: &[&str] = &[
    "no", "nope", "yes", "yep", "ok", "okay", "sure", "fine", "done", "none", "nobody", "clear", "kept",
    "enter",
];
/// What begins with one of these is no name.
const NOT: &[&str] = &["no", "not", "n", "nein", "non"];
/// Words that mean that nothing shall go on.
const STOPS: &[&str] = &["s", "stop", "quit", "exit", "abort", "cancel", "halt", "end"];

/// The word to stop, wherever one is asked for.
pub(super) fn is_stop(line: &str) -> bool {
    STOPS.iter().any(|word| line.trim().eq_ignore_ascii_case(word))
}

/// Takes a line for a name if it may be one: two letters or more, and no word that answers yes or no.
pub(super) fn name(line: &str) -> Named {
    let name: String = line.trim().chars().filter(|c| !c.is_control()).take(LONGEST).collect();
    if is_stop(&name) {
        return Named::Stop;
    }
    let bare = name.trim_end_matches(['.', '!']).to_lowercase();
    let letters = name.chars().filter(|c| c.is_alphabetic()).count();
    let first = bare.split_whitespace().next().unwrap_or_default();
    if letters < 2 || NO_NAMES.contains(&bare.as_str()) || NOT.contains(&first) {
        Named::No
    } else {
        Named::Name(name)
    }
}

/// Why a line was not taken for a name.
pub(super) const NO_NAME: &str = "A name of two letters or more, so that it is known who says so; s stops.";

/// A name from the command line.
///
/// # Errors
/// A message for the person.
pub(super) fn given_name(text: &str) -> Result<String, String> {
    match name(text) {
        Named::Name(name) => Ok(name),
        Named::Stop | Named::No => Err("give the name of who says so, two letters or more".to_owned()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_yes_and_a_single_letter_are_nobodys_name_and_s_stops() {
        for line in [
            "", " ", "n", "N", "no", "No.", "no way", "not yet", "Nein", "y", "yes", "YES!", "ok", "Ok.",
            "k", "7", "--", "\u{1b}",
        ] {
            assert_eq!(name(line), Named::No, "{line:?}");
            assert!(given_name(line).is_err(), "{line:?}");
        }
        for line in ["s", " S ", "stop", "Stop", "quit", "Abort", "cancel"] {
            assert_eq!(name(line), Named::Stop, "{line:?}");
        }
        for line in ["Kim", "K. S.", "Noah", "Sy", "Łukasz Żak", "王芳"] {
            assert_eq!(name(line), Named::Name(line.to_owned()), "{line:?}");
        }
    }
}
