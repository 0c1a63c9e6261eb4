#![no_main]

#[path = "../files.rs"]
mod files;

libfuzzer_sys::fuzz_target!(|input: &[u8]| files::settings(input));
