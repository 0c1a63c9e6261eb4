/// A report can't be written.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ReportError {
    /// The model holds a number that is none, which JSON can't carry.
    #[error(
        "the model's `{path}` is {value}, which JSON can't hold: what could not be measured must be left out of the model"
    )]
    NotFinite {
        /// Where in the model.
        path: String,
        /// What stands there.
        value: f64,
    },
    /// The run's start is no point in time.
    #[error("the model's `started` is `{given}`, not a time after RFC 3339 with its offset: {why}")]
    Started {
        /// What stands there, made harmless.
        given: String,
        /// Why it can't be read.
        why: String,
    },
    /// Writing JSON failed.
    #[error("can't write the model as JSON: {0}")]
    Json(#[from] serde_json::Error),
    /// Writing XML failed.
    #[error("can't write the results as XML: {0}")]
    Xml(#[from] std::io::Error),
}
