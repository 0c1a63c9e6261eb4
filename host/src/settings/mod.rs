//! An amplifier's settings: tables kept before and after, what changed, and what to enter.
//!
//! A table comes from any tool as delimited text with the customer's own column headings, which the sheet's table
//! `[settings]` names. [`Table::parse`] makes settings of it, [`Comparison::of`] holds two of them against what is
//! expected, [`Worksheet::of`] says what to enter. Nothing here knows any maker's parameters.

mod compare;
mod decimal;
mod decode;
pub mod delimited;
mod error;
pub mod harmless;
mod heading;
mod note;
mod print;
mod table;
mod unit;
mod worksheet;

pub use compare::{Change, Comparison, Expectation, Finding, State, expectations};
pub use decimal::{Decimal, grouped};
pub use error::{Place, SettingsError, TABLE_BYTES_MAX};
pub use heading::Heading;
pub use print::{comparison_csv, comparison_text, worksheet_csv, worksheet_text};
pub use table::{Entry, Table};
pub use worksheet::{Amount, Fit, Work, Worksheet};
