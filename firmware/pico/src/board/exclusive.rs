//! Something that several handlers use, one at a time.

use core::cell::UnsafeCell;
use core::sync::atomic::{AtomicBool, Ordering};

/// Gives access to one user at a time; whoever comes while it is in use is turned away.
pub(super) struct Exclusive<T> {
    used: AtomicBool,
    inside: UnsafeCell<T>,
}

// SAFETY: `with` lets one user in at a time. This chip's second core is never started; between the look at `used` and
// the note in it a handler can only run to its end, and has left again by then.
unsafe impl<T: Send> Sync for Exclusive<T> {}

impl<T> Exclusive<T> {
    pub(super) const fn new(inside: T) -> Self {
        Self { used: AtomicBool::new(false), inside: UnsafeCell::new(inside) }
    }

    /// Uses what is inside. None: it is in use.
    pub(super) fn with<R>(&self, use_it: impl FnOnce(&mut T) -> R) -> Option<R> {
        if self.used.load(Ordering::Acquire) {
            return None;
        }
        self.used.store(true, Ordering::Release);
        // SAFETY: nobody else is inside, by `used`.
        let result = use_it(unsafe { &mut *self.inside.get() });
        self.used.store(false, Ordering::Release);
        Some(result)
    }
}
