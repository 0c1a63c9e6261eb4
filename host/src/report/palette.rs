//! Every colour of the page, once, and which of them stand on which.
//!
//! Colour never speaks alone: verdicts have a word and a shape, curves a dash or a marker.

/// An sRGB colour, eight bits a channel.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Rgb(pub u8, pub u8, pub u8);

impl Rgb {
    /// `#rrggbb`.
    #[must_use]
    pub fn hex(self) -> String {
        format!("#{:02x}{:02x}{:02x}", self.0, self.1, self.2)
    }
}

/// A ratio of luminances, 1 to 21.
pub type Contrast = f64;

/// Relative luminance of an sRGB colour, 0 to 1, after W3C WCAG 2.2, *relative luminance*.
#[must_use]
pub fn relative_luminance(colour: Rgb) -> f64 {
    let linear = |code: u8| {
        let c = f64::from(code) / 255.0;
        if c <= 0.040_45 { c / 12.92 } else { ((c + 0.055) / 1.055).powf(2.4) }
    };
    0.2126 * linear(colour.0) + 0.7152 * linear(colour.1) + 0.0722 * linear(colour.2)
}

/// Contrast ratio of two colours after W3C WCAG 2.2, *contrast ratio*.
#[must_use]
pub fn contrast_ratio(a: Rgb, b: Rgb) -> Contrast {
    let (a, b) = (relative_luminance(a), relative_luminance(b));
    (a.max(b) + 0.05) / (a.min(b) + 0.05)
}

/// What a colour does on another.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Use {
    /// Text of any size: at least 4.5 (WCAG 2.2, success criterion 1.4.3, level AA).
    Text,
    /// A line, marker or shape that must be made out: at least 3 (success criterion 1.4.11).
    Graphic,
    /// Nothing is lost if it can't be seen: grids, tints, the pattern behind the text.
    Decoration,
}

/// A colour as it stands on another.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Pair {
    /// Name of the colour in front.
    pub front: &'static str,
    /// Name of the colour behind.
    pub back: &'static str,
    /// What the one in front does.
    pub does: Use,
}

/// Name and value of every colour.
pub(super) const COLOURS: &[(&str, Rgb)] = &[
    ("paper", Rgb(0xff, 0xff, 0xff)),
    ("ink", Rgb(0x16, 0x1d, 0x26)),
    ("quiet", Rgb(0x4a, 0x55, 0x63)),
    ("rule", Rgb(0xcf, 0xd6, 0xde)),
    ("grid", Rgb(0xe4, 0xe9, 0xee)),
    ("frame", Rgb(0x6d, 0x78, 0x85)),
    ("tint", Rgb(0xf3, 0xf6, 0xf9)),
    ("accepted", Rgb(0x17, 0x5c, 0x3c)),
    ("undecided", Rgb(0x7a, 0x4b, 0x00)),
    ("rejected", Rgb(0xa1, 0x1d, 0x21)),
    ("not-done", Rgb(0x4a, 0x55, 0x63)),
    ("accepted-tint", Rgb(0xea, 0xf4, 0xee)),
    ("undecided-tint", Rgb(0xfb, 0xf3, 0xe2)),
    ("rejected-tint", Rgb(0xfb, 0xec, 0xea)),
    ("not-done-tint", Rgb(0xf0, 0xf2, 0xf4)),
    ("curve-1", Rgb(0x0f, 0x4c, 0x81)),
    ("curve-2", Rgb(0xa8, 0x4a, 0x0b)),
    ("curve-3", Rgb(0x1f, 0x6f, 0x63)),
    ("curve-4", Rgb(0x7a, 0x35, 0x7a)),
    ("curve-5", Rgb(0x5b, 0x5f, 0x1c)),
    ("curve-6", Rgb(0x2b, 0x33, 0x3d)),
    ("band", Rgb(0xdc, 0xe8, 0xf2)),
    ("band-2", Rgb(0xf4, 0xe6, 0xd8)),
    ("band-edge", Rgb(0x5f, 0x7c, 0x98)),
    ("mark", Rgb(0x2b, 0x33, 0x3d)),
    ("rehearsal", Rgb(0x7b, 0x12, 0x57)),
    ("rehearsal-ghost", Rgb(0xf5, 0xe8, 0xf1)),
];

const fn text(front: &'static str, back: &'static str) -> Pair {
    Pair { front, back, does: Use::Text }
}

const fn graphic(front: &'static str, back: &'static str) -> Pair {
    Pair { front, back, does: Use::Graphic }
}

const fn decoration(front: &'static str, back: &'static str) -> Pair {
    Pair { front, back, does: Use::Decoration }
}

/// Every colour that is drawn on another.
pub(super) const PAIRS: &[Pair] = &[
    text("ink", "paper"),
    text("ink", "tint"),
    text("ink", "rehearsal-ghost"),
    text("ink", "accepted-tint"),
    text("ink", "undecided-tint"),
    text("ink", "rejected-tint"),
    text("ink", "not-done-tint"),
    text("quiet", "paper"),
    text("quiet", "tint"),
    text("quiet", "rehearsal-ghost"),
    text("quiet", "accepted-tint"),
    text("quiet", "undecided-tint"),
    text("quiet", "rejected-tint"),
    text("quiet", "not-done-tint"),
    text("accepted", "paper"),
    text("accepted", "accepted-tint"),
    text("accepted", "rehearsal-ghost"),
    text("undecided", "paper"),
    text("undecided", "undecided-tint"),
    text("undecided", "rehearsal-ghost"),
    text("rejected", "paper"),
    text("rejected", "rejected-tint"),
    text("rejected", "rehearsal-ghost"),
    text("not-done", "paper"),
    text("not-done", "not-done-tint"),
    text("not-done", "rehearsal-ghost"),
    text("rehearsal", "paper"),
    text("rehearsal", "rehearsal-ghost"),
    text("paper", "rehearsal"),
    graphic("frame", "paper"),
    graphic("frame", "rehearsal-ghost"),
    graphic("curve-1", "paper"),
    graphic("curve-2", "paper"),
    graphic("curve-3", "paper"),
    graphic("curve-4", "paper"),
    graphic("curve-5", "paper"),
    graphic("curve-6", "paper"),
    graphic("curve-1", "band"),
    graphic("curve-2", "band"),
    graphic("curve-3", "band"),
    graphic("curve-4", "band"),
    graphic("curve-5", "band"),
    graphic("curve-6", "band"),
    graphic("curve-1", "band-2"),
    graphic("curve-2", "band-2"),
    graphic("curve-3", "band-2"),
    graphic("curve-4", "band-2"),
    graphic("curve-5", "band-2"),
    graphic("curve-6", "band-2"),
    graphic("band-edge", "paper"),
    graphic("band-edge", "band"),
    graphic("band-edge", "band-2"),
    graphic("curve-1", "rehearsal-ghost"),
    graphic("curve-2", "rehearsal-ghost"),
    graphic("curve-3", "rehearsal-ghost"),
    graphic("curve-4", "rehearsal-ghost"),
    graphic("curve-5", "rehearsal-ghost"),
    graphic("curve-6", "rehearsal-ghost"),
    graphic("band-edge", "rehearsal-ghost"),
    graphic("mark", "rehearsal-ghost"),
    graphic("mark", "paper"),
    graphic("mark", "band"),
    graphic("mark", "band-2"),
    decoration("rule", "paper"),
    decoration("grid", "paper"),
    decoration("tint", "paper"),
    decoration("accepted-tint", "paper"),
    decoration("undecided-tint", "paper"),
    decoration("rejected-tint", "paper"),
    decoration("not-done-tint", "paper"),
    decoration("band", "paper"),
    decoration("band-2", "paper"),
    decoration("rehearsal-ghost", "paper"),
];

/// Every colour pair of the page with its use: the colour in front, the colour behind.
#[must_use]
pub fn pairs() -> Vec<(Pair, Rgb, Rgb)> {
    let find = |name: &str| COLOURS.iter().find(|(n, _)| *n == name).map(|(_, c)| *c);
    PAIRS.iter().filter_map(|p| Some((*p, find(p.front)?, find(p.back)?))).collect()
}

/// The colours as custom properties of a style sheet; those of a rehearsal's marks only where they are wanted.
pub(super) fn properties(rehearsal: bool) -> String {
    let wanted = COLOURS.iter().filter(|(name, _)| rehearsal || !name.starts_with("rehearsal"));
    wanted.map(|(name, colour)| format!("--{name}:{};", colour.hex())).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_pair_names_colours_that_exist() {
        assert_eq!(pairs().len(), PAIRS.len());
    }

    /// W3C WCAG 2.2, success criteria 1.4.3 and 1.4.11; the unrounded ratio counts.
    #[test]
    fn every_pair_has_the_contrast_its_use_asks() {
        for (pair, front, back) in pairs() {
            let ratio = contrast_ratio(front, back);
            let least = match pair.does {
                Use::Text => 4.5,
                Use::Graphic => 3.0,
                Use::Decoration => 1.0,
            };
            assert!(ratio >= least, "{} on {}: {ratio:.3}, at least {least}", pair.front, pair.back);
        }
    }

    #[test]
    fn no_colour_is_listed_twice() {
        for (i, (name, _)) in COLOURS.iter().enumerate() {
            assert!(!COLOURS[..i].iter().any(|(n, _)| n == name), "{name}");
        }
    }
}
