//! Bursts: positions by an alarm of the highest priority, read-outs by one that shares the SPI bus, lines by PIO and DMA.

use core::sync::atomic::{AtomicU32, Ordering};

use proofstand_firmware::capture::{BURST_BYTES, BurstJob, BurstPoint};
use proofstand_firmware::fixture::Fixture;
use proofstand_pico::pins::ENCODER_A;
use proofstand_protocol::message::BurstKind;
use rp2040_hal::pac::{Interrupt, NVIC, interrupt};

use super::clock::{OUTPUT_US, now, output_at, whole};
use super::encoder::LINES_SLOT;
use super::gpio::Levels;
use super::registers::{pio0, put, timer};
use super::state_machine::{self, Setting, StateMachine};
use super::{analog, dma, encoder, programs};

const ALARM_FAST: u32 = 1 << 1;
const ALARM_READ_OUTS: u32 = 1 << 3;
/// The alarms used here.
pub(super) const ALARMS: u32 = ALARM_FAST | ALARM_READ_OUTS;

/// DMA request of the lines' state machine (RP2040 datasheet, 2.5.3.1), and its channel.
const LINES_REQUEST: u8 = 7;
const LINES_CHANNEL: u8 = 4;
/// One point of the lines' program in 1/256 of a processor cycle, for each microsecond: 125 · 256 / 32 cycles. Exact.
const LINES_DIVISOR: u32 = 1_000;
/// Longest period whose divisor fits its 24 bits; slower lines are taken by the alarm.
const LINES_PERIOD_MAX: u16 = 16_777;
/// A burst begins so long after an output time: points whose period divides half a millisecond then meet neither the
/// tick's sample, which takes less than 7 µs, nor the command's frame.
const AFTER_OUTPUT_US: u32 = 27;
/// A read-out takes less than this: with an output closer ahead it waits for it.
const POINT_US: u32 = 16;
/// Points handed over at a time, so that ticks are not kept waiting.
const HAND_OVER: u32 = 64;

const IDLE: u32 = 0;
const POSITION: u32 = 1;
const READ_OUTS: u32 = 2;
const SLOW_LINES: u32 = 3;
const LINES: u32 = 4;

static POINTS: [AtomicU32; BURST_BYTES / 4] = [const { AtomicU32::new(0) }; BURST_BYTES / 4];
static MODE: AtomicU32 = AtomicU32::new(IDLE);
static WANTED: AtomicU32 = AtomicU32::new(0);
static TAKEN: AtomicU32 = AtomicU32::new(0);
static PERIOD: AtomicU32 = AtomicU32::new(0);
static NEXT: AtomicU32 = AtomicU32::new(0);
/// Points of the burst that the session has been given.
static HANDED_OVER: AtomicU32 = AtomicU32::new(0);
/// When the burst's first point was due, in microseconds: for whoever looks over the image's shoulder.
#[used]
static BEGAN: AtomicU32 = AtomicU32::new(0);

/// The burst that runs.
#[derive(Default)]
pub(crate) struct Burst {
    _one: (),
}

impl Burst {
    /// Starts a burst; any other ends. Gives the time of its first point, in microseconds since the start.
    pub(crate) fn start(&mut self, job: BurstJob) -> u64 {
        let began = set_off(job);
        BEGAN.store(began as u32, Ordering::Relaxed);
        began
    }

    /// Hands over some of the points that have been taken.
    pub(crate) fn hand_over(&mut self, fixture: &mut Fixture) {
        let mode = MODE.load(Ordering::Acquire);
        let taken = match mode {
            IDLE => return,
            LINES if dma::is_busy(LINES_CHANNEL) => return,
            LINES => WANTED.load(Ordering::Acquire),
            _ => TAKEN.load(Ordering::Acquire),
        };
        let from = HANDED_OVER.load(Ordering::Relaxed);
        let until = taken.min(from + HAND_OVER);
        for number in from..until {
            let Some(point) = point(mode, number) else { break };
            fixture.burst_point(point);
        }
        HANDED_OVER.store(until, Ordering::Relaxed);
        if until == WANTED.load(Ordering::Acquire) {
            stop();
        }
    }
}

/// Whether the input converter is busy with a burst.
#[inline]
pub(super) fn reads_outs() -> bool {
    MODE.load(Ordering::Acquire) == READ_OUTS
}

fn point(mode: u32, number: u32) -> Option<BurstPoint> {
    let word = |index: u32| POINTS.get(index as usize).map(|word| word.load(Ordering::Acquire));
    Some(match mode {
        POSITION => BurstPoint::Position(word(number)?),
        READ_OUTS => {
            let codes = word(number)?;
            BurstPoint::ReadOuts { torque: (codes >> 16) as u16, speed: codes as u16 }
        }
        _ => BurstPoint::Lines((word(number / 4)? >> (number % 4 * 8)) as u8),
    })
}

fn lines() -> StateMachine {
    StateMachine::new(pio0(), 3)
}

fn set_off(job: BurstJob) -> u64 {
    stop();
    HANDED_OVER.store(0, Ordering::Relaxed);
    WANTED.store(u32::from(job.points), Ordering::Relaxed);
    TAKEN.store(0, Ordering::Relaxed);
    PERIOD.store(u32::from(job.period_us), Ordering::Relaxed);
    let first = first();
    NEXT.store(first, Ordering::Relaxed);
    let (mode, interrupt) = match job.kind {
        BurstKind::Position => (POSITION, Interrupt::TIMER_IRQ_1),
        BurstKind::ReadOuts => (READ_OUTS, Interrupt::TIMER_IRQ_3),
        BurstKind::Lines if job.period_us > LINES_PERIOD_MAX => (SLOW_LINES, Interrupt::TIMER_IRQ_1),
        BurstKind::Lines => {
            MODE.store(LINES, Ordering::Release);
            return start_lines(job);
        }
    };
    MODE.store(mode, Ordering::Release);
    if interrupt == Interrupt::TIMER_IRQ_1 {
        put!(timer().alarm1(), first);
    } else {
        put!(timer().alarm3(), first);
    }
    // SAFETY: the handlers share nothing with other code but atomics and what `Exclusive` guards.
    unsafe { NVIC::unmask(interrupt) };
    whole(first)
}

fn start_lines(job: BurstJob) -> u64 {
    let program = state_machine::place(pio0(), LINES_SLOT, &programs::LINES);
    lines().set_up(program, Setting { pin: ENCODER_A, autopush: 3, ..Setting::default() });
    lines().divide(u32::from(job.period_us) * LINES_DIVISOR);
    dma::start_bytes(LINES_CHANNEL, lines().fifo(), LINES_REQUEST, &POINTS, job.points);
    lines().enable(true);
    now()
}

fn stop() {
    NVIC::mask(Interrupt::TIMER_IRQ_1);
    NVIC::mask(Interrupt::TIMER_IRQ_3);
    if MODE.load(Ordering::Acquire) == LINES {
        lines().enable(false);
        dma::abort(LINES_CHANNEL);
    }
    put!(timer().armed(), ALARMS);
    put!(timer().intr(), ALARMS);
    MODE.store(IDLE, Ordering::Release);
}

/// Time of the first point: some time after the next output.
fn first() -> u32 {
    let mut first = output_at().wrapping_add(AFTER_OUTPUT_US);
    let now = timer().timerawl().read().bits();
    while first.wrapping_sub(now).cast_signed() < AFTER_OUTPUT_US.cast_signed() {
        first = first.wrapping_add(OUTPUT_US);
    }
    first
}

/// Sets the time of the next point, if there is one. Gives it.
#[inline(always)]
fn next(taken: u32) -> Option<u32> {
    TAKEN.store(taken, Ordering::Release);
    if taken >= WANTED.load(Ordering::Relaxed) {
        return None;
    }
    let next = NEXT.load(Ordering::Relaxed).wrapping_add(PERIOD.load(Ordering::Relaxed));
    NEXT.store(next, Ordering::Relaxed);
    let now = timer().timerawl().read().bits();
    // An alarm in the past would never come; a point that is late is taken as soon as can be.
    Some(if next.wrapping_sub(now).cast_signed() < 2 { now.wrapping_add(2) } else { next })
}

/// A position, or slow lines. Of the same priority as the tick's sample: both read the counter.
#[interrupt]
// SAFETY: the start-up code copies `.data` into RAM, which can be executed, before any interrupt is let in.
#[unsafe(link_section = ".data.ram_text")]
fn TIMER_IRQ_1() {
    put!(timer().intr(), ALARM_FAST);
    let number = TAKEN.load(Ordering::Relaxed);
    if MODE.load(Ordering::Relaxed) == POSITION {
        if let Some(point) = POINTS.get(number as usize) {
            point.store(encoder::count_now(), Ordering::Release);
        }
    } else if let Some(four) = POINTS.get(number as usize / 4) {
        let before = if number.is_multiple_of(4) { 0 } else { four.load(Ordering::Relaxed) };
        let now = Levels::now().bits() >> ENCODER_A & 0b111;
        four.store(before | now << (number % 4 * 8), Ordering::Release);
    }
    if let Some(at) = next(number + 1) {
        put!(timer().alarm1(), at);
    }
}

/// A read-out. Of the same priority as the readings and the output, with which it shares the bus.
#[interrupt]
fn TIMER_IRQ_3() {
    put!(timer().intr(), ALARM_READ_OUTS);
    let now = timer().timerawl().read().bits();
    let output = output_at().wrapping_sub(now);
    if output < POINT_US {
        // The command's output must not wait: it comes first, and this point after it.
        put!(timer().alarm3(), now.wrapping_add(output).wrapping_add(POINT_US));
        return;
    }
    let number = TAKEN.load(Ordering::Relaxed);
    let codes = analog::read_point(number);
    if let Some(point) = POINTS.get(number as usize) {
        point.store(codes, Ordering::Release);
    }
    if let Some(at) = next(number + 1) {
        put!(timer().alarm3(), at);
    }
}
