//! Names that an option takes: shown in its help and offered by the shell. Whether one is right is judged later, where
//! the nearest right one can be named, and what it is about is known.

use std::ffi::OsStr;

use clap::builder::{PossibleValue, StringValueParser, TypedValueParser};
use clap::{Arg, Command, Error};

use crate::checks;
use crate::rehearsal::{Fault, PlugFault};

/// Takes any text, and offers names.
#[derive(Clone)]
pub(super) struct Names(fn() -> Vec<PossibleValue>);

impl TypedValueParser for Names {
    type Value = String;

    fn parse_ref(&self, command: &Command, arg: Option<&Arg>, value: &OsStr) -> Result<String, Error> {
        StringValueParser::new().parse_ref(command, arg, value)
    }

    fn possible_values(&self) -> Option<Box<dyn Iterator<Item = PossibleValue> + '_>> {
        Some(Box::new((self.0)().into_iter()))
    }
}

/// Every check, those made by name only too.
pub(super) fn checks() -> Names {
    Names(|| checks::every().map(|check| PossibleValue::new(check.id()).help(check.title())).collect())
}

/// Every fault of the simulated axis, and `list`.
pub(super) fn faults() -> Names {
    Names(|| {
        let faults = Fault::all();
        let named = faults.iter().map(|fault| PossibleValue::new(fault.name()).help(fault.description()));
        std::iter::once(PossibleValue::new("list").help("list the faults")).chain(named).collect()
    })
}

/// Every fault of a newly built fixture, and `list`.
pub(super) fn plug_faults() -> Names {
    Names(|| {
        ["list"].into_iter().chain(PlugFault::ALL.map(|(name, _)| name)).map(PossibleValue::new).collect()
    })
}
