//! What the boot ROM wants to find first in flash.

/// Second-stage boot loader for the Pico's flash: puts it into its fast mode. The boot ROM checks its CRC.
// SAFETY: the linker script keeps this section for the loader alone, at the place where the boot ROM looks for it.
#[unsafe(link_section = ".boot2")]
#[used]
static BOOT2: [u8; 256] = rp2040_boot2::BOOT_LOADER_W25Q080;
