//! The board image as it is flashed: what the chip looks for in it, what it may not exceed, and its pins.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test that cannot go on fails")]

use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::OnceLock;

use crc::{CRC_32_MPEG_2, Crc};
use object::read::elf::{ElfFile32, FileHeader as _};
use object::{LittleEndian, Object as _, ObjectSection as _, ObjectSymbol as _};
use proofstand_pico::pins::{Direction, Function, PINS, Safe};
use proofstand_pico::uf2;
use serde_json::json;

/// RP2040 datasheet, 2.2: flash as it is mapped, and the striped RAM.
const FLASH: u32 = 0x1000_0000;
const RAM: std::ops::RangeInclusive<u32> = 0x2000_0000..=0x2004_0000;
/// The Pico's flash has 2 MiB (Raspberry Pi Pico datasheet, 1.1); its last two sectors keep the calibration.
const CALIBRATION: u32 = FLASH + 2 * 1_024 * 1_024 - 2 * 4_096;
const BOOT_BLOCK: usize = 256;

/// Ceilings that this project set itself: everything that is flashed, and everything static in RAM.
const FLASH_MAX: u32 = 64 * 1_024;
const STATIC_RAM_MAX: u64 = 48 * 1_024;

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..")
}

/// Builds the image as a person does, and gives its bytes. A RUSTFLAGS variable, which CI may set, must not harm it.
fn image() -> &'static [u8] {
    static IMAGE: OnceLock<Vec<u8>> = OnceLock::new();
    IMAGE.get_or_init(|| {
        let output = Command::new(env!("CARGO"))
            .args(["build", "--package", "proofstand-pico", "--profile", "firmware"])
            .args(["--target", "thumbv6m-none-eabi", "--message-format", "json-render-diagnostics"])
            .env("RUSTFLAGS", "-Cdebuginfo=2")
            .current_dir(root())
            .output()
            .expect("cargo runs");
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        let messages = String::from_utf8(output.stdout).unwrap();
        let path = messages
            .lines()
            .map(|line| serde_json::from_str::<serde_json::Value>(line).unwrap())
            .filter(|message| message["reason"] == json!("compiler-artifact"))
            .find_map(|message| message["executable"].as_str().map(PathBuf::from))
            .expect("cargo names the image");
        std::fs::read(path).unwrap()
    })
}

fn elf() -> ElfFile32<'static, LittleEndian> {
    ElfFile32::parse(image()).expect("the image is a 32-bit ELF file")
}

fn section(name: &str) -> (u32, &'static [u8]) {
    let elf = elf();
    let section = elf.section_by_name(name).unwrap_or_else(|| panic!("no section {name}"));
    (section.address() as u32, section.data().unwrap())
}

fn size(name: &str) -> u64 {
    elf().section_by_name(name).map_or(0, |section| section.size())
}

/// What is loaded: where, and the bytes.
fn loaded() -> impl Iterator<Item = (u32, &'static [u8])> {
    let segments = ElfFile32::<LittleEndian>::parse(image()).expect("the image is a 32-bit ELF file");
    let segments: Vec<_> = segments
        .elf_program_headers()
        .iter()
        .filter(|header| header.p_type.get(LittleEndian) == 1 && header.p_filesz.get(LittleEndian) > 0)
        .map(|header| [header.p_paddr, header.p_offset, header.p_filesz].map(|field| field.get(LittleEndian)))
        .collect();
    segments
        .into_iter()
        .map(|[address, offset, length]| (address, &image()[offset as usize..][..length as usize]))
}

/// The CRC of the boot ROM: polynomial 04C11DB7, all ones first, nothing reflected, nothing inverted (RP2040 datasheet,
/// 2.8.1.3.1), which the CRC RevEng catalogue calls CRC-32/MPEG-2.
#[test]
fn the_boot_rom_finds_a_second_stage_whose_checksum_is_right() {
    let crc = Crc::<u32>::new(&CRC_32_MPEG_2);
    assert_eq!(crc.checksum(b"123456789"), 0x0376_e6e7, "check value of the CRC RevEng catalogue");
    let (address, block) = section(".boot2");
    assert_eq!((address, block.len()), (FLASH, BOOT_BLOCK));
    let (code, sum) = block.split_at(BOOT_BLOCK - 4);
    assert_eq!(crc.checksum(code).to_le_bytes(), sum);
}

/// Armv6-M Architecture Reference Manual, B1.5.3: initial stack pointer, then vectors, whose bit 0 says Thumb.
#[test]
fn the_vector_table_follows_it_and_every_vector_leads_to_code() {
    let (address, table) = section(".vector_table");
    assert_eq!(address, FLASH + BOOT_BLOCK as u32, "the second stage jumps there");
    let words: Vec<u32> = table.chunks(4).map(|word| u32::from_le_bytes(word.try_into().unwrap())).collect();
    assert_eq!(words.len(), 16 + 32, "15 exceptions and the stack pointer, 32 interrupts");
    assert!(RAM.contains(&words[0]) && words[0].is_multiple_of(8), "stack pointer {:#x}", words[0]);
    let (text, code) = section(".text");
    let text = text..text + code.len() as u32;
    let (data, initial) = section(".data");
    let data = data..data + initial.len() as u32;
    // Exceptions 4 to 10, 12 and 13 do not exist in this architecture.
    let reserved = |index: usize| matches!(index, 4..=10 | 12 | 13);
    for (index, vector) in words.iter().enumerate().skip(1) {
        if reserved(index) {
            continue;
        }
        let leads_to_code = text.contains(&(vector & !1)) || data.contains(&(vector & !1));
        assert!(vector & 1 == 1 && leads_to_code, "vector {index} is {vector:#010x}");
    }
    assert_eq!(words[1], elf().elf_header().e_entry(LittleEndian), "the reset vector is the entry");
}

/// The tick's sample must not wait for flash, nor run while flash is being written.
#[test]
fn the_handlers_that_measure_lie_in_ram() {
    let (_, table) = section(".vector_table");
    for (name, number) in [("TIMER_IRQ_0", 0), ("TIMER_IRQ_1", 1), ("IO_IRQ_BANK0", 13)] {
        let at = (16 + number) * 4;
        let vector = u32::from_le_bytes(table[at..at + 4].try_into().unwrap());
        assert!(RAM.contains(&vector), "{name} is at {vector:#010x}");
    }
}

#[test]
fn the_image_stays_within_its_ceilings_and_keeps_the_calibration_free() {
    let flash: u32 = loaded().map(|(_, bytes)| bytes.len() as u32).sum();
    assert!(flash <= FLASH_MAX, "{flash} bytes of flash");
    let end = loaded().map(|(at, bytes)| at + bytes.len() as u32).max().unwrap();
    assert!(end - FLASH <= FLASH_MAX, "the image reaches {end:#x}");
    let ram: u64 = [".data", ".bss", ".uninit"].into_iter().map(size).sum();
    assert!(ram <= STATIC_RAM_MAX, "{ram} bytes of static RAM");
    let last = *uf2::pages(image()).unwrap().keys().next_back().unwrap();
    assert!(last < CALIBRATION, "the file for the drive reaches {last:#x}");
    let start = elf().symbol_by_name("__calibration_start").map(|symbol| symbol.address() as u32);
    assert_eq!(start, Some(CALIBRATION));
    let allocates = |name: &str| name.contains("__rust_alloc") || name.contains("__rg_alloc");
    assert!(elf().symbols().all(|symbol| !symbol.name().is_ok_and(allocates)), "a heap");
    // cortex-m-rt puts the stack from the top of RAM down to the end of what is static, and nothing between.
    let symbol = |name| elf().symbol_by_name(name).map(|symbol| symbol.address() as u32);
    assert_eq!(symbol("_stack_end"), symbol("__euninit"), "something lies between");
    assert_eq!(symbol("_stack_start"), Some(*RAM.end()));
}

/// Read back by the format's own description (github.com/microsoft/uf2), not by the code that wrote it.
#[test]
fn the_file_for_the_usb_drive_holds_every_byte_of_the_image() {
    let file = uf2::pack(&uf2::pages(image()).unwrap());
    let blocks: Vec<&[u8]> = file.chunks(512).collect();
    let word = |block: &[u8], at: usize| u32::from_le_bytes(block[at..at + 4].try_into().unwrap());
    let mut flash = vec![None; 2 * 1_024 * 1_024];
    for (number, block) in blocks.iter().enumerate() {
        let head = [0, 4, 8, 16, 20, 24, 28, 508].map(|at| word(block, at));
        let (number, count) = (number as u32, blocks.len() as u32);
        // RP2040's family is 0xe48bff56 (utils/uf2families.json of the format).
        assert_eq!(head, [0x0a32_4655, 0x9e5d_5157, 0x2000, 256, number, count, 0xe48b_ff56, 0x0ab1_6f30]);
        let at = (word(block, 12) - FLASH) as usize;
        assert!(at.is_multiple_of(256));
        for (place, byte) in flash[at..].iter_mut().zip(&block[32..288]) {
            assert_eq!(place.replace(*byte), None, "a byte is written twice");
        }
    }
    let written = flash.chunks(4_096).filter(|sector| sector.iter().any(Option::is_some));
    written.for_each(|sector| assert!(sector.iter().all(Option::is_some), "a sector is written in part"));
    let mut checked = 0;
    for (address, bytes) in loaded() {
        for (index, byte) in bytes.iter().enumerate() {
            assert_eq!(flash[(address - FLASH) as usize + index], Some(*byte));
            checked += 1;
        }
    }
    assert!(checked > 10_000, "{checked} bytes");
}

#[test]
fn the_pins_in_the_image_are_those_of_the_pin_map() {
    let text = std::fs::read_to_string(root().join("hardware/pins.toml")).unwrap();
    let map: toml::Table = text.parse().unwrap();
    assert_eq!(map["schema"].as_integer(), Some(1));
    let listed = map["pin"].as_array().unwrap();
    let said = |pin: &toml::Value, key: &str| pin.get(key).and_then(toml::Value::as_str).map(str::to_owned);
    let from_map: Vec<_> = listed
        .iter()
        .map(|pin| {
            let keys = ["role", "function", "direction", "safe"].map(|key| said(pin, key));
            (pin["gpio"].as_integer().unwrap(), keys)
        })
        .collect();
    let from_image: Vec<_> = PINS
        .iter()
        .map(|pin| {
            let function = match pin.function {
                Function::Pio => "pio",
                Function::Spi => "spi0",
                Function::Gpio => "gpio",
            };
            let direction = if pin.direction == Direction::In { "in" } else { "out" };
            let safe = match pin.safe {
                Safe::Any => None,
                Safe::Low => Some("low"),
                Safe::High => Some("high"),
                Safe::Static => Some("static"),
            };
            let keys =
                [Some(pin.role), Some(function), Some(direction), safe].map(|word| word.map(str::to_owned));
            (i64::from(pin.gpio), keys)
        })
        .collect();
    assert_eq!(from_image, from_map);
    // RP2040 datasheet, 1.4.3: only these pins can be SPI 0 in these roles.
    let allowed = [
        ("spi receive", &[0, 4, 16, 20][..]),
        ("spi clock", &[2, 6, 18, 22]),
        ("spi transmit", &[3, 7, 19, 23]),
    ];
    for (role, pins) in allowed {
        let pin = PINS.iter().find(|pin| pin.role == role).unwrap();
        assert!(pins.contains(&pin.gpio), "{role} on {}", pin.gpio);
    }
    let place = |role: &str| PINS.iter().find(|pin| pin.role == role).unwrap().gpio;
    let row = [place("encoder A"), place("encoder B"), place("encoder index")];
    assert_eq!(row, [row[0], row[0] + 1, row[0] + 2], "the PIO reads three pins in a row");
}
