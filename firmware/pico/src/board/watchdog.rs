//! The watchdog.

use rp2040_hal::fugit::MicrosDurationU32;
use rp2040_hal::pac;

/// A healthy loop feeds it once a millisecond.
const PERIOD: MicrosDurationU32 = MicrosDurationU32::millis(5);
/// While the board sets itself up, and while flash is being erased (400 ms at most, W25Q16JV datasheet, 9.6).
const LONG: MicrosDurationU32 = MicrosDurationU32::millis(1_000);

/// The running watchdog.
pub(crate) struct Watchdog {
    dog: rp2040_hal::Watchdog,
}

impl Watchdog {
    /// Sets it up with the long period. It begins to count when its clock does; its reset works at once.
    pub(super) fn new(dog: pac::WATCHDOG) -> Self {
        let mut dog = rp2040_hal::Watchdog::new(dog);
        dog.pause_on_debug(true);
        dog.start(LONG);
        Self { dog }
    }

    /// For the clocks, which give it its own.
    pub(super) fn inner(&mut self) -> &mut rp2040_hal::Watchdog {
        &mut self.dog
    }

    /// Something takes long: the long period.
    pub(crate) fn patient(&mut self) {
        self.dog.start(LONG);
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
