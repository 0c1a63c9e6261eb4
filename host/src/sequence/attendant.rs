//! The person beside the bench, or the one that is missing.

use crate::checks::{AskNumberStep, Prompt, Turned};
use crate::sheet::Viewpoint;

/// Answers what only a person can.
pub trait Attendant {
    /// Shows cautions before the first motion, and says who has acknowledged them; none: they are not kept.
    fn acknowledge(&mut self, cautions: &[String]) -> Option<String>;

    /// Says what is about to move, which way and how far; true if it may. Asked before the first motion of each check.
    fn ready(&mut self, _next: &str) -> bool {
        true
    }

    /// A motion begins that will be asked about: the person looks at the shaft from now on.
    fn watch(&mut self) {}

    /// Which way did the shaft turn in the motion that was just made? Asked before anything is said about which way
    /// it should have. None: nobody can tell.
    ///
    /// `seen_from` says where the person must look from.
    fn which_way(&mut self, seen_from: Viewpoint) -> Option<Turned>;

    /// Asks for a deed while the fixture watches; false: nobody is there who can do it. The answer is then looked for
    /// with [`Attendant::has_done`].
    fn begin(&mut self, _prompt: &Prompt) -> bool {
        false
    }

    /// What the person has said of the deed by now. Never waits.
    fn has_done(&mut self) -> Done {
        Done::GaveUp
    }

    /// A motion comes in which something is to be read; false: it can't be read, and the motion is left out.
    fn will_read(&mut self, _about: &AskNumberStep) -> bool {
        false
    }

    /// The number that was read in the motion just made. None: nobody could read it.
    fn number(&mut self, _about: &AskNumberStep) -> Option<f64> {
        None
    }

    /// Is a person there at all? Decides whether the guard contact is asked for.
    fn attended(&self) -> bool;
}

/// How far a deed is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Done {
    /// Nothing was said yet.
    NotYet,
    /// It is done.
    Yes,
    /// It can't be done, or nobody is there any more.
    GaveUp,
    /// The person wants the run to stop.
    Stop,
}
