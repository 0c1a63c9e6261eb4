//! The image as a UF2 file, which the Pico's boot ROM takes on its USB drive.
//!
//! Format: Microsoft, *USB Flashing Format*, github.com/microsoft/uf2. Each block has 512 bytes: header, up to 476 bytes
//! of data, magic. The RP2040's boot ROM takes pages of 256 bytes (RP2040 datasheet, 2.8.4.2).

extern crate std;

use core::fmt;
use std::collections::BTreeMap;
use std::vec::Vec;

/// Bytes of flash in a block.
pub const PAGE: usize = 256;
/// Bytes that are erased together (W25Q16JV datasheet, 8.2: sector erase).
pub const SECTOR: u32 = 4_096;
/// Bytes of a block.
pub const BLOCK: usize = 512;

const MAGIC_0: u32 = 0x0a32_4655;
const MAGIC_1: u32 = 0x9e5d_5157;
const MAGIC_END: u32 = 0x0ab1_6f30;
/// The word at 28 names the family.
const FLAG_FAMILY: u32 = 0x0000_2000;
/// RP2040, in the list of families beside the format.
const FAMILY_RP2040: u32 = 0xe48b_ff56;
const FLASH: core::ops::Range<u32> = 0x1000_0000..0x1100_0000;

/// Why a file is no image for the chip's flash.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ImageError {
    /// Not a 32-bit little-endian ELF file, or cut short.
    NotAnImage,
    /// Something is to be loaded outside of flash, at this address.
    OutsideFlash(u32),
    /// There is nothing to be loaded.
    Empty,
}

impl fmt::Display for ImageError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NotAnImage => {
                write!(f, "not a whole 32-bit little-endian ELF file; build it with `cargo fw`")
            }
            Self::OutsideFlash(at) => write!(f, "has bytes for {at:#010x}, which is not flash"),
            Self::Empty => write!(f, "has nothing to be loaded: was it linked without its linker scripts?"),
        }
    }
}

impl core::error::Error for ImageError {}

/// Flash pages by address, with all that an ELF file wants loaded into flash. Gaps are 0, and every erase sector that is
/// touched is there as a whole: the boot ROM may otherwise write a page whose sector it has not erased (RP2040
/// datasheet, erratum RP2040-E14).
///
/// # Errors
/// [`ImageError`].
pub fn pages(elf: &[u8]) -> Result<BTreeMap<u32, [u8; PAGE]>, ImageError> {
    // System V ABI, "Program Header": class 1 is 32 bits, data 1 is little-endian, type 1 is loaded.
    if elf.get(..6) != Some(b"\x7fELF\x01\x01") {
        return Err(ImageError::NotAnImage);
    }
    let (headers, size, count) = (word(elf, 28)?, half(elf, 42)?, half(elf, 44)?);
    let mut pages = BTreeMap::new();
    for index in 0..count {
        let header = headers as usize + usize::from(index) * usize::from(size);
        let [kind, offset, _virtual, address, length] =
            [0, 4, 8, 12, 16].map(|field| word(elf, header.saturating_add(field)));
        let (offset, address, length) = (offset?, address?, length?);
        if kind? != 1 || length == 0 {
            continue;
        }
        let bytes = elf.get(offset as usize..).and_then(|rest| rest.get(..length as usize));
        let bytes = bytes.ok_or(ImageError::NotAnImage)?;
        for (byte, at) in bytes.iter().zip(address..) {
            if !FLASH.contains(&at) {
                return Err(ImageError::OutsideFlash(at));
            }
            let within = at % PAGE as u32;
            pages.entry(at - within).or_insert([0; PAGE])[within as usize] = *byte;
        }
    }
    let touched: Vec<u32> = pages.keys().map(|page| page - page % SECTOR).collect();
    for page in touched.into_iter().flat_map(|sector| (sector..sector + SECTOR).step_by(PAGE)) {
        pages.entry(page).or_insert([0; PAGE]);
    }
    if pages.is_empty() { Err(ImageError::Empty) } else { Ok(pages) }
}

/// The file.
pub fn pack(pages: &BTreeMap<u32, [u8; PAGE]>) -> Vec<u8> {
    let mut file = Vec::with_capacity(pages.len() * BLOCK);
    for (number, (address, page)) in pages.iter().enumerate() {
        let (number, count) = (number as u32, pages.len() as u32);
        let header = [MAGIC_0, MAGIC_1, FLAG_FAMILY, *address, PAGE as u32, number, count, FAMILY_RP2040];
        file.extend(header.into_iter().flat_map(u32::to_le_bytes));
        file.extend_from_slice(page);
        file.resize((number as usize + 1) * BLOCK - 4, 0);
        file.extend_from_slice(&MAGIC_END.to_le_bytes());
    }
    file
}

fn word(bytes: &[u8], at: usize) -> Result<u32, ImageError> {
    let word = bytes.get(at..).and_then(<[u8]>::first_chunk).ok_or(ImageError::NotAnImage)?;
    Ok(u32::from_le_bytes(*word))
}

fn half(bytes: &[u8], at: usize) -> Result<u16, ImageError> {
    let half = bytes.get(at..).and_then(<[u8]>::first_chunk).ok_or(ImageError::NotAnImage)?;
    Ok(u16::from_le_bytes(*half))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_no_image_is_refused_and_says_so() {
        assert_eq!(pages(b"MZ"), Err(ImageError::NotAnImage));
        let mut elf = std::vec![0; 52];
        elf[..6].copy_from_slice(b"\x7fELF\x01\x01");
        assert_eq!(pages(&elf), Err(ImageError::Empty));
        elf[44] = 1;
        elf[28] = 60;
        assert_eq!(pages(&elf), Err(ImageError::NotAnImage), "its header lies behind its end");
    }

    #[test]
    fn only_flash_is_loaded_and_a_page_may_be_made_of_pieces() {
        let load = |address: u32, byte: u8| {
            [1, 116, 0, address, 1, 1, 4, 1]
                .into_iter()
                .flat_map(u32::to_le_bytes)
                .chain([byte])
                .collect::<Vec<u8>>()
        };
        let image = |first: u32, second: u32| {
            let mut elf = std::vec![0; 52];
            elf[..6].copy_from_slice(b"\x7fELF\x01\x01");
            (elf[28], elf[42], elf[44]) = (52, 32, 2);
            elf.extend_from_slice(&load(first, 0)[..32]);
            elf.extend_from_slice(&load(second, 0)[..32]);
            elf.push(0xa5);
            elf
        };
        let pages_of = pages(&image(0x1000_0001, 0x1000_00ff)).unwrap();
        let page = pages_of[&0x1000_0000];
        assert_eq!((pages_of.len(), page[1], page[255], page[0]), (16, 0xa5, 0xa5, 0));
        assert_eq!(pages(&image(0x1000_0000, 0x2000_0000)), Err(ImageError::OutsideFlash(0x2000_0000)));
    }
}
