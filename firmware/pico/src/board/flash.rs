//! The flash: the calibration's two sectors, and the flash's unique number.
//!
//! While the flash is being written the processor cannot fetch from it. So the code that does it lies in RAM, calls
//! nothing but the boot ROM, and runs with interrupts off: up to 400 ms for an erasure. The caller sees to it that the
//! fixture is safe and the watchdog patient; the enable relay's keep-alive stands still meanwhile.

use embedded_storage::nor_flash::{
    ErrorType, NorFlash, NorFlashError, NorFlashErrorKind, ReadNorFlash, check_erase, check_read, check_write,
};
use rp2040_hal::rom_data;

use super::registers::{put, qspi, ssi};

/// What the flash of a Pico can do (W25Q16JV datasheet, 8.2: page program, sector erase).
const PAGE: usize = 256;
const SECTOR: usize = 4_096;
/// For the boot ROM (RP2040 datasheet, 2.8.3.1.3): a bigger block, and the command that erases it.
const BLOCK: u32 = 65_536;
const BLOCK_ERASE: u8 = 0xd8;
/// Read unique number (W25Q16JV datasheet, 8.2.34): command, four idle bytes, eight bytes of it.
const UNIQUE_ID: u8 = 0x4b;
const UNIQUE_ID_AFTER: usize = 5;
const UNIQUE_ID_BYTES: usize = UNIQUE_ID_AFTER + 8;
/// Flash as it is mapped into memory.
const MAPPED: u32 = 0x1000_0000;
/// Bytes of the second-stage loader.
const BOOT2_WORDS: usize = 64;
/// The boot ROM's mark at address 0x10: "Mu", and its generation (RP2040 datasheet, 2.8.3).
const ROM_MARK: [u8; 3] = *b"Mu\x01";

unsafe extern "C" {
    /// Set by the linker script.
    static __calibration_start: u8;
}

/// The last two sectors.
pub(crate) struct CalibrationFlash {
    start: u32,
}

/// Why flash could not be read or written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum FlashError {
    /// An address that is outside or not on a boundary.
    Place(NorFlashErrorKind),
    /// There is no boot ROM to write with.
    NoRom,
}

impl NorFlashError for FlashError {
    fn kind(&self) -> NorFlashErrorKind {
        match self {
            Self::Place(kind) => *kind,
            Self::NoRom => NorFlashErrorKind::Other,
        }
    }
}

impl CalibrationFlash {
    /// Bytes of it.
    pub(crate) const SIZE: usize = 2 * SECTOR;

    /// The place that the linker script keeps free.
    pub(super) fn new() -> Self {
        Self { start: (&raw const __calibration_start as u32).wrapping_sub(MAPPED) }
    }
}

impl ErrorType for CalibrationFlash {
    type Error = FlashError;
}

impl ReadNorFlash for CalibrationFlash {
    const READ_SIZE: usize = 1;

    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), FlashError> {
        check_read(self, offset, bytes.len()).map_err(FlashError::Place)?;
        let from = (MAPPED + self.start + offset) as *const u8;
        for (index, byte) in bytes.iter_mut().enumerate() {
            // SAFETY: `check_read` has seen that it lies within the region, which is mapped and holds plain bytes.
            // Volatile, since the boot ROM changes them behind the compiler's back.
            *byte = unsafe { from.add(index).read_volatile() };
        }
        Ok(())
    }

    fn capacity(&self) -> usize {
        Self::SIZE
    }
}

impl NorFlash for CalibrationFlash {
    const WRITE_SIZE: usize = PAGE;
    const ERASE_SIZE: usize = SECTOR;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), FlashError> {
        check_erase(self, from, to).map_err(FlashError::Place)?;
        let rom = Rom::find()?;
        let mut at = from;
        while at < to {
            cortex_m::interrupt::free(|_| {
                // SAFETY: interrupts are off, the sector is the calibration's.
                unsafe { erase_sector(&rom, self.start + at) };
            });
            at += SECTOR as u32;
        }
        Ok(())
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), FlashError> {
        check_write(self, offset, bytes.len()).map_err(FlashError::Place)?;
        let rom = Rom::find()?;
        for (index, page) in bytes.chunks_exact(PAGE).enumerate() {
            // A copy in RAM: what is to be written may itself lie in flash.
            let mut copy = [0; PAGE];
            copy.copy_from_slice(page);
            cortex_m::interrupt::free(|_| {
                // SAFETY: interrupts are off, the page is the calibration's.
                unsafe { program_page(&rom, self.start + offset + (index * PAGE) as u32, &copy) };
            });
        }
        Ok(())
    }
}

/// The flash's own number; all zeros if it cannot be read.
pub(super) fn unique_id() -> [u8; 8] {
    let mut bytes = [0; UNIQUE_ID_BYTES];
    if let (Ok(rom), Some(command)) = (Rom::find(), bytes.first_mut()) {
        *command = UNIQUE_ID;
        cortex_m::interrupt::free(|_| {
            // SAFETY: interrupts are off.
            unsafe { exchange(&rom, &mut bytes) };
        });
    }
    bytes.last_chunk().copied().unwrap_or([0; 8])
}

/// The boot ROM's routines, and a copy of the second-stage loader, to make the flash fetchable again.
struct Rom {
    connect: unsafe extern "C" fn(),
    leave_fetching: unsafe extern "C" fn(),
    erase: unsafe extern "C" fn(u32, usize, u32, u8),
    program: unsafe extern "C" fn(u32, *const u8, usize),
    forget_cached: unsafe extern "C" fn(),
    boot2: [u32; BOOT2_WORDS],
}

impl Rom {
    fn find() -> Result<Self, FlashError> {
        let mark = core::hint::black_box(0x10 as *const u8);
        // SAFETY: the boot ROM lies there, readable.
        let mark = [0, 1, 2].map(|index| unsafe { mark.add(index).read_volatile() });
        if mark != ROM_MARK {
            return Err(FlashError::NoRom);
        }
        let mut boot2 = [0; BOOT2_WORDS];
        for (index, word) in boot2.iter_mut().enumerate() {
            // SAFETY: the loader is the first thing in flash, and flash can be read here.
            *word = unsafe { (MAPPED as *const u32).add(index).read_volatile() };
        }
        Ok(Self {
            connect: rom_data::connect_internal_flash::ptr(),
            leave_fetching: rom_data::flash_exit_xip::ptr(),
            erase: rom_data::flash_range_erase::ptr(),
            program: rom_data::flash_range_program::ptr(),
            forget_cached: rom_data::flash_flush_cache::ptr(),
            boot2,
        })
    }

    /// Makes the flash fetchable again, in its fast mode.
    ///
    /// # Safety
    /// Only between [`Self::connect`] and the return to flash.
    #[inline(always)]
    unsafe fn fetch_again(&self) {
        // SAFETY: the copy is the loader, which returns to its caller when it is called and not booted; bit 0 says Thumb.
        unsafe {
            let loader: unsafe extern "C" fn() = core::mem::transmute(self.boot2.as_ptr() as usize | 1);
            loader();
        }
    }
}

/// # Safety
/// Interrupts off; `at` a sector that may be erased.
#[inline(never)]
// SAFETY: the start-up code copies `.data` into RAM, which can be executed, before `main`.
#[unsafe(link_section = ".data.ram_text")]
unsafe fn erase_sector(rom: &Rom, at: u32) {
    // SAFETY: the order that the boot ROM asks for (RP2040 datasheet, 2.8.3.1.3); nothing here lies in flash.
    unsafe {
        (rom.connect)();
        (rom.leave_fetching)();
        (rom.erase)(at, SECTOR, BLOCK, BLOCK_ERASE);
        (rom.forget_cached)();
        rom.fetch_again();
    }
}

/// # Safety
/// Interrupts off; `at` a page that may be written; `page` in RAM.
#[inline(never)]
// SAFETY: the start-up code copies `.data` into RAM, which can be executed, before `main`.
#[unsafe(link_section = ".data.ram_text")]
unsafe fn program_page(rom: &Rom, at: u32, page: &[u8; PAGE]) {
    // SAFETY: as in `erase_sector`.
    unsafe {
        (rom.connect)();
        (rom.leave_fetching)();
        (rom.program)(at, page.as_ptr(), PAGE);
        (rom.forget_cached)();
        rom.fetch_again();
    }
}

/// Exchanges bytes with the flash, selected by hand.
///
/// # Safety
/// Interrupts off; a command that changes nothing.
#[inline(never)]
// SAFETY: the start-up code copies `.data` into RAM, which can be executed, before `main`.
#[unsafe(link_section = ".data.ram_text")]
unsafe fn exchange(rom: &Rom, bytes: &mut [u8; UNIQUE_ID_BYTES]) {
    /// Forces the select line: bits 9 and 8 of its control register (RP2040 datasheet, 2.19.6.2).
    const LOW: u32 = 2 << 8;
    const NORMAL: u32 = 0;
    /// Status: something has been received.
    const RECEIVED: u32 = 1 << 3;
    // SAFETY: as in `erase_sector`. One byte at a time: what is sent has been received before the next.
    unsafe {
        (rom.connect)();
        (rom.leave_fetching)();
        let select = qspi().gpio_qspiss().gpio_ctrl();
        put!(select, LOW);
        let mut byte = bytes.as_mut_ptr();
        let end = byte.add(UNIQUE_ID_BYTES);
        while byte < end {
            put!(ssi().dr0(), u32::from(*byte));
            while ssi().sr().read().bits() & RECEIVED == 0 {}
            *byte = ssi().dr0().read().bits() as u8;
            byte = byte.add(1);
        }
        put!(select, NORMAL);
        (rom.forget_cached)();
        rom.fetch_again();
    }
}
