//! Which axis a worksheet or a comparison is of.

use serde::Serialize;

use super::harmless::visible;
use crate::sheet::AxisSheet;
use crate::terminal::wrapped;

/// Which axis, for whom, from which sheet.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Heading {
    /// Title of the axis.
    pub title: String,
    /// For whom it is delivered.
    pub customer: String,
    /// File of the sheet, as it was given.
    pub sheet: String,
    /// The data are invented for demonstration.
    pub invented: bool,
}

impl Heading {
    /// The heading of a sheet.
    #[must_use]
    pub fn of(sheet: &AxisSheet, file: &str) -> Self {
        let axis = &sheet.axis;
        Self {
            title: axis.title.clone(),
            customer: axis.customer.clone(),
            sheet: file.to_owned(),
            invented: axis.invented,
        }
    }

    /// In lines of so many columns, with an empty one below.
    #[must_use]
    pub fn text(&self, columns: usize) -> String {
        let para = |text: &str| wrapped("", &visible(text), columns) + "\n";
        let mut out = para(&self.title) + &para(&self.customer);
        if self.invented {
            out.push_str("INVENTED DATA: a demonstration, no real axis\n");
        }
        out + &para(&format!("Sheet: {}", self.sheet)) + "\n"
    }
}
