//! The person beside the bench, or the one that is missing.

use crate::checks::Turned;
use crate::sheet::Viewpoint;

/// Answers what only a person can.
pub trait Attendant {
    /// Shows cautions before the first motion; true if they are acknowledged.
    fn acknowledge(&mut self, cautions: &[String]) -> bool;

    /// A motion begins that will be asked about: the person looks at the shaft from now on.
    fn watch(&mut self) {}

    /// Which way did the shaft turn in the motion that was just made? Asked before anything is said about which way
    /// it should have. None: nobody can tell.
    ///
    /// `seen_from` says where the person must look from.
    fn which_way(&mut self, seen_from: Viewpoint) -> Option<Turned>;

    /// Is a person there at all? Decides whether the guard contact is asked for.
    fn attended(&self) -> bool;
}
