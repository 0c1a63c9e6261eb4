//! Keys of the tables about the amplifier's settings.

use super::keys::Presence::{Optional, Required, Word};
use super::keys::{Kind, Range, Section, key, many, one, positive};
use super::settings::{DecimalSign, Delimiter, EntryKind, SettingForm, SettingTarget, TextEncoding};
use super::words::listed;

const HEADING: Kind = Kind::Text(120);
/// Any number an amplifier might take; the ends catch nothing but slips of the keyboard.
const ANY: Kind = Kind::Number(Range { least: -1e12, above: false, most: 1e12 });

/// How a table of settings is written.
pub(super) const SETTINGS: Section = one(
    "settings",
    false,
    "How the amplifier's table of settings is written when it is exported as delimited text",
    &[
        key(
            "number_column",
            HEADING,
            Optional,
            "Heading of the column of numbers or codes; they identify a setting where given",
        ),
        key(
            "name_column",
            HEADING,
            Optional,
            "Heading of the column of names; they identify a setting where there are no numbers",
        ),
        key("value_column", HEADING, Required, "Heading of the column of values"),
        key("unit_column", HEADING, Optional, "Heading of the column of units"),
        key(
            "delimiter",
            Kind::Word(listed::<Delimiter>),
            Optional,
            "What separates columns; left out: what makes the headings appear",
        ),
        key("decimal", Kind::Word(listed::<DecimalSign>), Word("point"), "What separates whole and fraction"),
        key(
            "encoding",
            Kind::Word(listed::<TextEncoding>),
            Word("utf-8"),
            "Character encoding (names of the WHATWG Encoding Standard); a byte order mark wins over it",
        ),
    ],
);

/// A setting that follows from a target.
pub(super) const SETTING: Section = many(
    "setting",
    false,
    "A setting of the amplifier that follows from a target",
    &[
        key(
            "target",
            Kind::Word(listed::<SettingTarget>),
            Required,
            "What it follows from; each target at most once",
        ),
        key("key", HEADING, Required, "Number or name of the setting in the amplifier's table"),
        key(
            "entered_as",
            Kind::Word(listed::<SettingForm>),
            Required,
            "Form and unit the amplifier takes it in",
        ),
        key(
            "step",
            positive(1e9),
            Required,
            "The amplifier takes multiples of this, in the unit of entered_as",
        ),
        key("least", ANY, Optional, "Smallest value the amplifier takes, in the unit of entered_as"),
        key("most", ANY, Optional, "Largest value the amplifier takes, in the unit of entered_as"),
        key(
            "entry",
            Kind::Word(listed::<EntryKind>),
            Word("value"),
            "Whether the value or its number of steps is entered",
        ),
    ],
);

/// A change that is expected besides.
pub(super) const EXPECTED_CHANGE: Section = many(
    "expected_change",
    false,
    "A change of a setting that is expected beside those that follow from targets",
    &[
        key("key", HEADING, Required, "Number or name of the setting in the amplifier's table"),
        key("value", HEADING, Required, "Its value afterwards; a number is written with a decimal point"),
        key("why", Kind::Text(400), Required, "Why it changes"),
    ],
);
