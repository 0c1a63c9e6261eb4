//! Ctrl-C and its kin: the first asks the run to end in good order, the second ends the program at once.

use std::io;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use crate::exit::Exit;

/// Signals that ask a program to end: Ctrl-C, `kill`, and the terminal that was closed.
#[cfg(unix)]
const SIGNALS: &[i32] =
    &[signal_hook::consts::SIGINT, signal_hook::consts::SIGTERM, signal_hook::consts::SIGHUP];
#[cfg(not(unix))]
const SIGNALS: &[i32] = &[signal_hook::consts::SIGINT, signal_hook::consts::SIGTERM];

/// A flag that is set by the first signal. From then on a second one ends the program where it is; the fixture then
/// loses its beat and goes to 0 V with enable open by itself.
///
/// # Errors
/// If the system does not let signals be watched; without that nothing may be moved.
pub(super) fn asked() -> io::Result<Arc<AtomicBool>> {
    let flag = Arc::new(AtomicBool::new(false));
    for &signal in SIGNALS {
        // The order matters: this looks at the flag before the next line's handler sets it.
        signal_hook::flag::register_conditional_shutdown(signal, Exit::Stopped as i32, Arc::clone(&flag))?;
        signal_hook::flag::register(signal, Arc::clone(&flag))?;
    }
    Ok(flag)
}
