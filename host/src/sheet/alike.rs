//! Labels that a person takes for the same.

use std::collections::BTreeMap;

/// Labels, found by what a person sees of them.
#[derive(Debug, Default)]
pub struct Alike<'a>(BTreeMap<String, Vec<&'a String>>);

impl<'a> Alike<'a> {
    /// Of all labels there are.
    pub fn of(labels: impl Iterator<Item = &'a String>) -> Self {
        let mut all: BTreeMap<String, Vec<&'a String>> = BTreeMap::new();
        for label in labels {
            all.entry(folded(label)).or_default().push(label);
        }
        Self(all)
    }

    /// Those that differ from a label, but only by capitals and spaces.
    pub fn to(&self, label: &str) -> impl Iterator<Item = &'a String> {
        self.0.get(&folded(label)).into_iter().flatten().copied().filter(move |other| *other != label)
    }
}

/// The two differ, but only by capitals and spaces: `p1`, `P 1` and `P1`.
#[must_use]
pub fn nearly_the_same(one: &str, other: &str) -> bool {
    one != other && folded(one) == folded(other)
}

fn folded(label: &str) -> String {
    label.chars().filter(|c| !c.is_whitespace()).flat_map(char::to_lowercase).collect()
}

#[cfg(test)]
mod tests {
    use super::{Alike, nearly_the_same};

    #[test]
    fn capitals_and_spaces_are_all_that_may_differ() {
        assert!(nearly_the_same("p1", "P1") && nearly_the_same("P 1", "P1") && nearly_the_same("Ä", "ä"));
        assert!(
            !nearly_the_same("P1", "P1") && !nearly_the_same("P1", "P10") && !nearly_the_same("P1", "P.1")
        );
    }

    #[test]
    fn labels_that_look_the_same_are_found_among_all_and_a_label_is_none_of_its_own() {
        let all = ["P1", "p1", "P 1", "P2"].map(str::to_owned);
        let alike = Alike::of(all.iter());
        assert_eq!(alike.to("p1").collect::<Vec<_>>(), ["P1", "P 1"]);
        assert_eq!(alike.to("P2").count() + alike.to("P3").count(), 0);
    }
}
