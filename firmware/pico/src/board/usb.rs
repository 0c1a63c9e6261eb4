//! The port to the host: a USB serial device.

use core::sync::atomic::{AtomicBool, AtomicU32, Ordering};

use cortex_m::singleton;
use rp2040_hal::clocks::UsbClock;
use rp2040_hal::pac::{Interrupt, NVIC, RESETS, USBCTRL_DPRAM, USBCTRL_REGS, interrupt};
use rp2040_hal::usb::UsbBus;
use usb_device::bus::UsbBusAllocator;
use usb_device::device::{StringDescriptors, UsbDevice, UsbDeviceBuilder, UsbDeviceState, UsbVidPid};
use usbd_serial::{SerialPort, USB_CLASS_CDC};

/// For tests and own use only, not for boards that are sold: pid.codes, "test PID 1".
const IDENTITY: UsbVidPid = UsbVidPid(0x1209, 0x0001);
/// Bytes that wait in either direction: several packets of 64.
const STORE: usize = 512;

static WANTED: AtomicBool = AtomicBool::new(false);
/// Bytes from the host and for it since the start, and how often the port was opened or closed: for whoever looks from
/// outside, by a probe or in an emulator.
static RECEIVED: AtomicU32 = AtomicU32::new(0);
static SENT: AtomicU32 = AtomicU32::new(0);
static CHANGES: AtomicU32 = AtomicU32::new(0);

/// The serial port.
pub(crate) struct Port {
    device: UsbDevice<'static, UsbBus>,
    serial: SerialPort<'static, UsbBus, [u8; STORE], [u8; STORE]>,
    open: bool,
}

impl Port {
    pub(super) fn new(
        registers: USBCTRL_REGS,
        memory: USBCTRL_DPRAM,
        clock: UsbClock,
        resets: &mut RESETS,
        serial_number: &[u8; 8],
    ) -> Self {
        let bus = UsbBusAllocator::new(UsbBus::new(registers, memory, clock, true, resets));
        let (Some(bus), Some(text)) = (
            singleton!(: UsbBusAllocator<UsbBus> = bus),
            singleton!(: [u8; 16] = hexadecimal(serial_number)),
        ) else {
            super::stop()
        };
        let serial = SerialPort::new_with_store(bus, [0; STORE], [0; STORE]);
        let strings = StringDescriptors::default()
            .manufacturer("Proofstand project")
            .product("Proofstand fixture")
            .serial_number(core::str::from_utf8(text).unwrap_or(""));
        let builder = UsbDeviceBuilder::new(bus, IDENTITY).device_class(USB_CLASS_CDC);
        let Ok(builder) = builder
            .strings(&[strings])
            .and_then(|builder| builder.max_packet_size_0(64))
            .and_then(|builder| builder.max_power(500))
        else {
            super::stop()
        };
        let device = builder.build();
        // SAFETY: its handler shares nothing with other code but an atomic.
        unsafe { NVIC::unmask(Interrupt::USBCTRL_IRQ) };
        Self { device, serial, open: false }
    }

    /// Whether the controller asks to be served.
    pub(crate) fn wanted(&self) -> bool {
        WANTED.load(Ordering::Acquire)
    }

    /// Serves the controller. True: the port was closed, or opened anew.
    pub(crate) fn serve(&mut self) -> bool {
        WANTED.store(false, Ordering::Release);
        self.device.poll(&mut [&mut self.serial]);
        // SAFETY: as in `new`.
        unsafe { NVIC::unmask(Interrupt::USBCTRL_IRQ) };
        let open = self.device.state() == UsbDeviceState::Configured && self.serial.dtr();
        let changed = core::mem::replace(&mut self.open, open) != open;
        if changed {
            add(&CHANGES, 1);
        }
        changed
    }

    /// Bytes from the host. Returns how many.
    pub(crate) fn read(&mut self, buffer: &mut [u8]) -> usize {
        let count = self.serial.read(buffer).unwrap_or(0);
        add(&RECEIVED, count);
        count
    }

    /// Bytes for the host, as many as there is room for. Returns how many were taken.
    pub(crate) fn write(&mut self, bytes: &[u8]) -> usize {
        self.serial.write(bytes).unwrap_or(0)
    }

    /// Pushes out what waits, as far as the host takes it.
    pub(crate) fn flush(&mut self) {
        // `WouldBlock` only says that some of it waits on.
        let _ = self.serial.flush();
    }
}

/// Notes that so many bytes for the host have been made.
pub(crate) fn made(count: usize) {
    add(&SENT, count);
}

fn add(total: &AtomicU32, count: usize) {
    total.store(total.load(Ordering::Relaxed).wrapping_add(count as u32), Ordering::Relaxed);
}

fn hexadecimal(bytes: &[u8; 8]) -> [u8; 16] {
    let mut text = [0; 16];
    let digits = bytes.iter().flat_map(|byte| [byte >> 4, byte & 0xf]);
    text.iter_mut().zip(digits).for_each(|(to, digit)| {
        *to = if digit < 10 { b'0' + digit } else { b'A' + digit - 10 };
    });
    text
}

/// The main loop serves the controller; until it has, the controller need not ask again.
#[interrupt]
fn USBCTRL_IRQ() {
    NVIC::mask(Interrupt::USBCTRL_IRQ);
    WANTED.store(true, Ordering::Release);
}
