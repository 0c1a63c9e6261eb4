//! The watchdog, and what it keeps through a reset.

use rp2040_hal::fugit::MicrosDurationU32;

/// A healthy loop feeds it once a millisecond.
const PERIOD: MicrosDurationU32 = MicrosDurationU32::millis(5);
/// While the board sets itself up, and while flash is being erased (400 ms at most, W25Q16JV datasheet, 9.6).
const LONG: MicrosDurationU32 = MicrosDurationU32::millis(1_000);

/// The running watchdog.
pub(crate) struct Watchdog {
    dog: rp2040_hal::Watchdog,
}

impl Watchdog {
    /// Starts it with the long period.
    pub(super) fn start(mut dog: rp2040_hal::Watchdog) -> Self {
        dog.pause_on_debug(true);
        dog.start(LONG);
        Self { dog }
    }

    /// The loop is healthy from here on: the short period.
    pub(crate) fn strict(&mut self) {
        self.dog.start(PERIOD);
    }

    /// The loop is healthy.
    pub(crate) fn feed(&mut self) {
        self.dog.feed();
    }
}
