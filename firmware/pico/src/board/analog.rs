//! What hangs on the SPI bus: both converters, and the shift registers of the contacts. Used by three handlers of one
//! priority, which do not interrupt each other: readings after the tick, outputs later in the tick, and read-out bursts.

use core::sync::atomic::{AtomicU32, Ordering};

use embedded_hal::spi::{MODE_0, SpiDevice as _};
use proofstand_firmware::command::CODE_ZERO;
use proofstand_firmware::drivers::{adc, dac};
use proofstand_firmware::fixture::AdcCodes;
use proofstand_pico::pins;
use proofstand_protocol::message::Contacts;

use super::exclusive::Exclusive;
use super::gpio::drive;
use super::spi::{self, FAST, SLOW, Selected};

/// A reading that no working board gives when it is safe: nothing can be armed on it.
const NO_READING: u16 = u16::MAX;
/// A converter that does not answer is tried again so often, in ticks, while enable is open.
const RETRY_TICKS: u32 = 256;
/// Bits of the register that goes out.
const OUT_CLEAR_FAULT: u8 = 1 << 0;
const OUT_END_PLUS: u8 = 1 << 1;
const OUT_END_MINUS: u8 = 1 << 2;
const OUT_CHANGE_OVER: u8 = 1 << 3;
/// Bits of the register that comes in. The upper two are wired to 1 and 0: without them nothing is there to be read.
const IN_GUARD: u8 = 1 << 0;
const IN_ALARMS: u8 = 0b0011_1000;
const IN_PRESENT_MASK: u8 = 0b1100_0000;
const IN_PRESENT: u8 = 0b1000_0000;

static CONVERTERS: Exclusive<Converters> = Exclusive::new(Converters { dac: None, adc: None });
static COMMAND: AtomicU32 = AtomicU32::new(CODE_ZERO as u32);
/// What the output converter was told last. A decision that comes after its output time waits in [`COMMAND`].
static WRITTEN: AtomicU32 = AtomicU32::new(CODE_ZERO as u32);
static CONTACTS_OUT: AtomicU32 = AtomicU32::new(0);
static CONTACTS_IN: AtomicU32 = AtomicU32::new(0);
static LEVELS_READ: AtomicU32 = AtomicU32::new(u32::MAX);
static READ_OUTS_READ: AtomicU32 = AtomicU32::new(u32::MAX);

struct Converters {
    dac: Option<dac::Dac<Selected>>,
    adc: Option<adc::Adc<Selected>>,
}

/// Looks for the converters for the first time. No handler of them may run yet.
pub(super) fn start() {
    spi::start();
    CONVERTERS.with(Converters::find);
    exchange_contacts();
}

/// What is to stand at the output from the next output time on.
pub(crate) fn set_command(code: u16) {
    COMMAND.store(u32::from(code), Ordering::Release);
}

/// How the contacts are to stand from the next output time on; `connect` is the change-over contact.
pub(crate) fn set_contacts(contacts: Contacts, connect: bool) {
    let Contacts { clear_fault, end_plus, end_minus } = contacts;
    let bits = [
        (clear_fault, OUT_CLEAR_FAULT),
        (end_plus, OUT_END_PLUS),
        (end_minus, OUT_END_MINUS),
        (connect, OUT_CHANGE_OVER),
    ];
    let out = bits.into_iter().filter(|(on, _)| *on).fold(0, |out, (_, bit)| out | bit);
    CONTACTS_OUT.store(u32::from(out), Ordering::Release);
}

/// The guard's contact, as last read; open if nothing is there to be read.
pub(crate) fn guard_closed() -> bool {
    let read = CONTACTS_IN.load(Ordering::Acquire) as u8;
    read & IN_PRESENT_MASK == IN_PRESENT && read & IN_GUARD != 0
}

/// The receivers' alarms of A, B and the index stand, all three, as last read; not if nothing is there to be read.
pub(crate) fn pairs_open() -> bool {
    let read = CONTACTS_IN.load(Ordering::Acquire) as u8;
    read & (IN_PRESENT_MASK | IN_ALARMS) == IN_PRESENT | IN_ALARMS
}

/// The latest readings.
pub(crate) fn codes() -> AdcCodes {
    let levels = LEVELS_READ.load(Ordering::Acquire);
    let read_outs = READ_OUTS_READ.load(Ordering::Acquire);
    AdcCodes {
        terminal: (levels >> 16) as u16,
        converter: levels as u16,
        torque: (read_outs >> 16) as u16,
        speed: read_outs as u16,
    }
}

/// Takes all readings, after checking that the output converter still holds what was written. `idle`: a converter that
/// does not answer may be started again.
pub(super) fn read(tick: u32, idle: bool) {
    CONVERTERS.with(|converters| {
        if idle && tick.is_multiple_of(RETRY_TICKS) {
            converters.find();
        }
        let written = WRITTEN.load(Ordering::Acquire) as u16;
        let holds = converters.dac.as_mut().is_some_and(|dac| dac.check(written).is_ok());
        let Some(Ok([terminal, converter, torque, speed])) = converters.adc.as_mut().map(adc::Adc::scan)
        else {
            LEVELS_READ.store(u32::MAX, Ordering::Release);
            READ_OUTS_READ.store(u32::MAX, Ordering::Release);
            return;
        };
        let levels = if holds { pack(terminal, converter) } else { pack(NO_READING, NO_READING) };
        LEVELS_READ.store(levels, Ordering::Release);
        READ_OUTS_READ.store(pack(torque, speed), Ordering::Release);
        if !holds {
            converters.dac = None;
        }
    });
}

/// Takes torque and speed read-out for a burst, and one of the levels in turn, so that the tick has fresh ones too.
/// Torque above speed.
pub(super) fn read_point(number: u32) -> u32 {
    let read = CONVERTERS.with(|converters| {
        let adc = converters.adc.as_mut()?;
        let which = (number & 1) as u8;
        let [torque, speed, level] = adc.read([2, 3, which]).ok()?;
        let levels = LEVELS_READ.load(Ordering::Relaxed);
        let levels = if which == 0 { pack(level, levels as u16) } else { pack((levels >> 16) as u16, level) };
        LEVELS_READ.store(levels, Ordering::Release);
        Some(pack(torque, speed))
    });
    let read = read.flatten().unwrap_or(u32::MAX);
    READ_OUTS_READ.store(read, Ordering::Release);
    read
}

/// Puts the command out.
pub(super) fn write() {
    let command = COMMAND.load(Ordering::Acquire) as u16;
    WRITTEN.store(u32::from(command), Ordering::Release);
    CONVERTERS.with(|converters| {
        // The bus cannot fail. Whether the converter took it shows at the next check.
        converters.dac.as_mut().map(|dac| dac.write(command))
    });
}

/// Sets the contacts, and reads those that come in.
///
/// Both registers hang on one latch. While it is low the one that comes in follows its contacts and takes no clocks, so
/// the first byte is for the one that goes out alone; the rising edge puts that out and holds the other; the second
/// byte fetches it. (74HC595: output on the rising edge of its latch; 74HC165: loads while low.)
pub(super) fn exchange_contacts() {
    let out = CONTACTS_OUT.load(Ordering::Acquire) as u8;
    let mut byte = [out];
    spi::exchange(MODE_0, SLOW, &mut byte);
    drive(pins::CONTACT_LATCH, true);
    let mut read = [out];
    spi::exchange(MODE_0, SLOW, &mut read);
    drive(pins::CONTACT_LATCH, false);
    let [read] = read;
    CONTACTS_IN.store(u32::from(read), Ordering::Release);
}

/// 0 V and all contacts open, for a board that stops itself. Interrupts must be off.
pub(super) fn make_safe() {
    drive(pins::OUTPUT_CONVERTER_SELECT, true);
    drive(pins::INPUT_CONVERTER_SELECT, true);
    if spi::abandon() {
        let mut dac = Selected::new(pins::OUTPUT_CONVERTER_SELECT, dac::MODE, FAST);
        // The bus cannot fail.
        let _ = dac.write(&dac::ZERO_FRAME);
        CONTACTS_OUT.store(0, Ordering::Release);
        exchange_contacts();
    }
}

impl Converters {
    fn find(&mut self) {
        if self.dac.is_none() {
            COMMAND.store(u32::from(CODE_ZERO), Ordering::Release);
            WRITTEN.store(u32::from(CODE_ZERO), Ordering::Release);
            self.dac = dac::Dac::start(Selected::new(pins::OUTPUT_CONVERTER_SELECT, dac::MODE, FAST)).ok();
        }
        if self.adc.is_none() {
            self.adc = adc::Adc::start(Selected::new(pins::INPUT_CONVERTER_SELECT, adc::MODE, FAST)).ok();
        }
    }
}

const fn pack(high: u16, low: u16) -> u32 {
    (high as u32) << 16 | low as u32
}
