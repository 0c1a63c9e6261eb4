//! What a run leaves behind: the journal while it happens, the model when it is over.

pub mod model;
