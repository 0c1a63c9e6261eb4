//! What several test files share: messages that touch every variant, a reader of postcard that knows only the schema,
//! and hexadecimal.
#![allow(dead_code, unreachable_pub, reason = "each test file uses its own part")]

pub mod samples;
pub mod schema;

/// Bytes as lower-case hexadecimal without separators.
pub fn to_hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// Hexadecimal to bytes; white space between digits is passed over.
pub fn from_hex(text: &str) -> Vec<u8> {
    let digits: Vec<u8> = text
        .chars()
        .filter(|c| !c.is_whitespace())
        .map(|c| c.to_digit(16).unwrap_or_else(|| panic!("{c:?} is no hexadecimal digit in {text:?}")) as u8)
        .collect();
    assert!(digits.len().is_multiple_of(2), "an odd number of digits in {text:?}");
    digits.chunks(2).map(|pair| pair[0] << 4 | pair[1]).collect()
}

/// A file of published check values, named in the README beside it.
pub fn reference(name: &str) -> csv::Reader<std::fs::File> {
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../tests/reference").join(name);
    csv::Reader::from_path(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}
