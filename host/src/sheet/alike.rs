//! Labels that a person takes for the same.

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
    use super::nearly_the_same;

    #[test]
    fn capitals_and_spaces_are_all_that_may_differ() {
        assert!(nearly_the_same("p1", "P1") && nearly_the_same("P 1", "P1") && nearly_the_same("Ä", "ä"));
        assert!(
            !nearly_the_same("P1", "P1") && !nearly_the_same("P1", "P10") && !nearly_the_same("P1", "P.1")
        );
    }
}
