//! Words in a picture: how wide they are, where they break, where they stand.

/// Size of all small text, picture units.
pub(super) const SIZE: f64 = 11.0;
/// From one line to the next.
pub(super) const LEADING: f64 = 13.0;

/// Which end of a label stands at its x.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Anchor {
    Start,
    Middle,
    End,
}

impl Anchor {
    pub(super) const fn word(self) -> &'static str {
        match self {
            Self::Start => "start",
            Self::Middle => "middle",
            Self::End => "end",
        }
    }
}

/// One line of text; `y` is its baseline.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Label {
    pub(super) x: f64,
    pub(super) y: f64,
    pub(super) anchor: Anchor,
    pub(super) class: &'static str,
    pub(super) text: String,
}

impl Label {
    /// Left, top, right, bottom of its ink.
    #[cfg(test)]
    pub(super) fn bounds(&self) -> [f64; 4] {
        let w = width(&self.text);
        let left = match self.anchor {
            Anchor::Start => self.x,
            Anchor::Middle => self.x - w / 2.0,
            Anchor::End => self.x - w,
        };
        [left, self.y - 0.72 * SIZE, left + w, self.y + 0.22 * SIZE]
    }
}

/// Width in picture units, from the widths of the widest of the common plain sans-serif faces (DejaVu Sans, from memory): a
/// reader's machine may have no narrower one.
pub(super) fn width(text: &str) -> f64 {
    let em: f64 = text
        .chars()
        .map(|c| match c {
            'i' | 'j' | 'l' | '.' | ',' | '\'' | '|' | ':' | ';' | 'I' | '\u{202f}' => 0.34,
            'f' | 't' | 'r' | ' ' | '(' | ')' | '-' | '\u{a0}' | '/' => 0.41,
            'm' | 'w' | 'M' | 'W' | '%' | '\u{2014}' => 0.98,
            'c' | 'k' | 's' | 'v' | 'x' | 'y' | 'z' => 0.59,
            c if c.is_ascii_uppercase() => 0.78,
            c if c.is_ascii() => 0.64,
            c if u32::from(c) >= 0x2e80 => 1.05,
            _ => 0.7,
        })
        .sum();
    em * SIZE
}

/// Width of a bold text likewise.
pub(super) fn bold_width(text: &str) -> f64 {
    1.15 * width(text)
}

/// Breaks a text into lines no wider than `most`; a word that is wider is cut.
pub(super) fn wrap(text: &str, most: f64) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        let mut rest = word;
        while !rest.is_empty() {
            if let Some(last) = lines.last_mut() {
                let joined = format!("{last} {rest}");
                if rest.len() == word.len() && width(&joined) <= most {
                    *last = joined;
                    break;
                }
            }
            let mut end = rest.len();
            while width(&rest[..end]) > most {
                match rest[..end].char_indices().next_back() {
                    Some((i, _)) if i > 0 => end = i,
                    _ => break,
                }
            }
            lines.push(rest[..end].to_owned());
            rest = &rest[end..];
        }
    }
    lines
}

/// Moves heights apart so that each has `need` to itself inside `low..=high`, keeping their order and staying near.
///
/// Each item is a wanted middle and a needed height. Where all do not fit they overlap evenly; the caller gives enough room.
pub(super) fn spread(wanted: &[(f64, f64)], low: f64, high: f64) -> Vec<f64> {
    let mut order: Vec<usize> = (0..wanted.len()).collect();
    order.sort_by(|a, b| wanted[*a].0.total_cmp(&wanted[*b].0));
    let mut placed = vec![0.0; wanted.len()];
    let mut floor = low;
    for &i in &order {
        let (middle, need) = wanted[i];
        placed[i] = middle.max(floor + need / 2.0);
        floor = placed[i] + need / 2.0;
    }
    let mut ceiling = high;
    for &i in order.iter().rev() {
        let need = wanted[i].1;
        placed[i] = f64::min(placed[i], ceiling - need / 2.0);
        ceiling = placed[i] - need / 2.0;
    }
    placed
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_long_word_is_cut_and_nothing_is_lost() {
        let text = "tolerance of the cap Donaudampfschifffahrtsgesellschaftskapitän 数控数控数控数控";
        let lines = wrap(text, 90.0);
        assert!(lines.iter().all(|l| width(l) <= 90.0), "{lines:?}");
        let squeeze = |s: &str| s.chars().filter(|c| !c.is_whitespace()).collect::<String>();
        assert_eq!(squeeze(&lines.concat()), squeeze(text));
    }

    proptest::proptest! {
        #[test]
        fn spread_labels_never_overlap(at in proptest::collection::vec(0f64..200.0, 1..12)) {
            let wanted: Vec<_> = at.iter().map(|y| (*y, 13.0)).collect();
            let mut placed = spread(&wanted, 0.0, 200.0);
            placed.sort_by(f64::total_cmp);
            for two in placed.windows(2) {
                proptest::prop_assert!(two[1] - two[0] >= 13.0 - 1e-9);
            }
            proptest::prop_assert!(placed[0] >= 6.5 - 1e-9 && placed[placed.len() - 1] <= 193.5 + 1e-9);
        }
    }
}
