//! The few DMA channels: time stamps of edges, and a burst's lines.
//!
//! All writes to these registers are here, and all of the memory they make the chip write is static: the words of
//! [`Stamp`] and the burst's buffer. Other code reads both through atomics only.

use core::sync::atomic::{AtomicU32, Ordering};

use super::registers::{dma, put, timer};

/// Bits of a channel's control register (RP2040 datasheet, 2.5.7).
const ENABLE: u32 = 1 << 0;
const WORDS: u32 = 2 << 2;
const INCREASE_WRITE: u32 = 1 << 5;
const CHAIN_SHIFT: u32 = 11;
const REQUEST_SHIFT: u32 = 15;
const UNPACED: u32 = 0x3f << REQUEST_SHIFT;
const QUIET: u32 = 1 << 21;
const BUSY: u32 = 1 << 24;
/// Looks at a channel that is to end before it is taken for ended.
const PATIENCE: u32 = 100;

/// The time, in the low 32 bits of microseconds, at which a state machine last pushed a word. No processor is needed:
/// one channel takes the word away and starts a second, which copies the timer and starts the first again.
pub(super) struct Stamp {
    at: AtomicU32,
    word: AtomicU32,
}

impl Stamp {
    pub(super) const fn new() -> Self {
        Self { at: AtomicU32::new(0), word: AtomicU32::new(0) }
    }

    /// Starts it. `fifo` and `request` are those of the state machine; `channel` and the one after it are used.
    pub(super) fn start(&'static self, channel: u8, fifo: *const u32, request: u8) {
        self.at.store(timer().timerawl().read().bits().wrapping_sub(1), Ordering::Release);
        let copy = channel + 1;
        let clock = timer().timerawl().as_ptr();
        set(copy, clock.cast_const(), self.at.as_ptr().cast(), 1);
        let back = u32::from(channel) << CHAIN_SHIFT;
        put!(dma().ch(usize::from(copy)).ch_al1_ctrl(), ENABLE | WORDS | back | UNPACED | QUIET);
        set(channel, fifo, self.word.as_ptr().cast(), 1);
        let on = u32::from(copy) << CHAIN_SHIFT;
        let paced = u32::from(request) << REQUEST_SHIFT;
        put!(dma().ch(usize::from(channel)).ch_ctrl_trig(), ENABLE | WORDS | on | paced | QUIET);
    }

    /// The word that was pushed last. It is there a little earlier than its time.
    #[inline(always)]
    pub(super) fn word(&self) -> u32 {
        self.word.load(Ordering::Acquire)
    }

    /// The last time.
    #[inline(always)]
    pub(super) fn at(&self) -> u32 {
        self.at.load(Ordering::Acquire)
    }
}

/// Starts to copy bytes from a FIFO, as they come, into a buffer.
pub(super) fn start_bytes(
    channel: u8,
    fifo: *const u32,
    request: u8,
    buffer: &'static [AtomicU32],
    bytes: u16,
) {
    let bytes = usize::from(bytes).min(size_of_val(buffer));
    set(channel, fifo, buffer.as_ptr().cast_mut().cast(), bytes as u32);
    let alone = u32::from(channel) << CHAIN_SHIFT;
    let paced = u32::from(request) << REQUEST_SHIFT;
    put!(dma().ch(usize::from(channel)).ch_ctrl_trig(), ENABLE | INCREASE_WRITE | alone | paced | QUIET);
}

/// Whether a channel still copies.
pub(super) fn is_busy(channel: u8) -> bool {
    dma().ch(usize::from(channel)).ch_ctrl_trig().read().bits() & BUSY != 0
}

/// Ends a channel's copying.
pub(super) fn abort(channel: u8) {
    put!(dma().ch(usize::from(channel)).ch_al1_ctrl(), 0);
    put!(dma().chan_abort(), 1 << channel);
    // A few cycles: what was under way on the bus is completed. Its source has been stopped.
    for _ in 0..PATIENCE {
        if dma().chan_abort().read().bits() & (1 << channel) == 0 {
            break;
        }
    }
}

fn set(channel: u8, from: *const u32, to: *mut u32, count: u32) {
    let channel = dma().ch(usize::from(channel));
    put!(channel.ch_read_addr(), from as u32);
    put!(channel.ch_write_addr(), to as u32);
    put!(channel.ch_trans_count(), count);
}
