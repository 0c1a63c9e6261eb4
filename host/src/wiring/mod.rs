//! The wiring sheet: every wire between fixture and amplifier, from an axis sheet.
//!
//! Pure: [`Wiring::of`] takes a sheet and gives the wires in the order of the fixture's terminals, with polarity, pairs,
//! screens, states at rest and what can't be checked for want of a terminal. [`text`] prints them, [`pages`] draws them.
//!
//! Which pairs are twisted and screened, and that a screen is tied at one end only, is *common practice, no source*;
//! the maker's instructions come first.

mod drawing;
mod layout;
mod legend;
mod lettering;
mod missing;
mod terminals;
pub mod text;
mod wires;

pub use drawing::{Anchor, Bounds, Drawing, PAGE_HEIGHT, PAGE_WIDTH, Shape};
pub use layout::{Sheet, pages};
pub use missing::{Missing, line_of};
pub use terminals::{Block, COMMAND, CONTACTS, ENCODER, FLAGS, READ_OUTS};
pub use wires::cautions;

use crate::sheet::AxisSheet;

/// Every wire between fixture and amplifier.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Wiring {
    /// Title of the axis.
    pub title: String,
    /// For whom the axis is delivered.
    pub customer: String,
    /// The data are invented for demonstration.
    pub invented: bool,
    /// Cables in the order of the fixture's terminals.
    pub cables: Vec<Cable>,
    /// Roles the checks need and the sheet does not give, gravest first.
    pub missing: Vec<Missing>,
    /// Labels that may be one terminal written in two ways; they are among the cautions too.
    pub doubtful: Vec<String>,
    /// What to know before a terminal is touched.
    pub cautions: Vec<String>,
}

/// Wires that run together.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Cable {
    /// Block of fixture terminals it starts from.
    pub block: Block,
    /// What it carries.
    pub name: &'static str,
    /// Fixture terminal its screen is tied to; the other end is cut back and insulated. `None`: no screen.
    pub screen: Option<&'static str>,
    /// Its wires, singly or in pairs.
    pub lines: Vec<Line>,
}

/// One or two wires.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Line {
    /// One wire.
    Single(Wire),
    /// Two wires that belong together.
    Pair {
        /// The positive wire, or the one to the signal's terminal.
        first: Wire,
        /// The negative wire, or the one to its common.
        second: Wire,
        /// Twisted together.
        twisted: bool,
    },
}

/// One wire.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Wire {
    /// Number of the wire, from 1, the same at both ends.
    pub number: usize,
    /// Fixture terminal.
    pub fixture: &'static str,
    /// Amplifier terminal, as the sheet labels it.
    pub amplifier: String,
    /// What it carries.
    pub signal: String,
    /// Which way round it must be.
    pub polarity: Polarity,
    /// State of the contact or open collector at rest; `None` where there is neither.
    pub at_rest: Option<AtRest>,
    /// The axis is delivered with nothing on this terminal.
    pub delivered_unwired: bool,
    /// Numbers of the other wires on the same amplifier terminal.
    pub shared_with: Vec<usize>,
    /// What to know about it.
    pub note: String,
}

/// Which way round a wire must be.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Polarity {
    /// Positive, true, or collector.
    Positive,
    /// Negative, inverted, emitter or common of an analog signal.
    Negative,
    /// A contact: either way round.
    Either,
    /// 0 V of the encoder pairs.
    Reference,
}

impl Polarity {
    /// In words.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Positive => "positive",
            Self::Negative => "negative",
            Self::Either => "either way",
            Self::Reference => "0 V",
        }
    }

    /// As drawn and printed beside a terminal.
    #[must_use]
    pub const fn mark(self) -> &'static str {
        match self {
            Self::Positive => "+",
            Self::Negative => "\u{2212}",
            Self::Either => "",
            Self::Reference => "0 V",
        }
    }
}

/// State of a contact or an open collector while its role is not asserted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum AtRest {
    /// Normally closed: current can flow at rest. A broken wire reads as asserted.
    Closed,
    /// Normally open: no current flows at rest.
    Open,
}

impl AtRest {
    /// In words.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Closed => "normally closed",
            Self::Open => "normally open",
        }
    }
}

impl Wiring {
    /// The wiring of an axis. Missing roles are listed in [`Wiring::missing`]; a terminal used twice never gets here,
    /// the sheet's parser refuses it.
    #[must_use]
    pub fn of(sheet: &AxisSheet) -> Self {
        Self {
            title: sheet.axis.title.clone(),
            customer: sheet.axis.customer.clone(),
            invented: sheet.axis.invented,
            cables: wires::cables(sheet),
            missing: missing::missing(sheet),
            doubtful: wires::doubtful(sheet),
            cautions: wires::cautions(sheet),
        }
    }

    /// Every wire, in order of its number.
    pub fn wires(&self) -> impl Iterator<Item = &Wire> {
        self.cables.iter().flat_map(Cable::wires)
    }

    /// Roles without which the acceptance would be refused or blind.
    pub fn refused(&self) -> impl Iterator<Item = &Missing> {
        self.missing.iter().filter(|missing| missing.refused)
    }
}

impl Cable {
    /// Its wires in order.
    pub fn wires(&self) -> impl Iterator<Item = &Wire> {
        self.lines.iter().flat_map(Line::wires)
    }
}

impl Line {
    /// Its wires in order.
    pub fn wires(&self) -> impl Iterator<Item = &Wire> {
        let (first, second) = match self {
            Self::Single(wire) => (wire, None),
            Self::Pair { first, second, .. } => (first, Some(second)),
        };
        std::iter::once(first).chain(second)
    }

    /// In words: single, pair, twisted pair.
    #[must_use]
    pub const fn words(&self) -> &'static str {
        match self {
            Self::Single(_) => "single",
            Self::Pair { twisted: true, .. } => "twisted pair",
            Self::Pair { twisted: false, .. } => "pair",
        }
    }
}

#[cfg(test)]
mod tests;
