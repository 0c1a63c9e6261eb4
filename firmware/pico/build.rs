//! Hands the linker its scripts, for the chip only.
//!
//! They are given here and not in `.cargo/config.toml`, since a `RUSTFLAGS` variable silently replaces flags given
//! there, and the link then succeeds with no vector table.

use std::path::PathBuf;
use std::{env, fs, io};

fn main() -> io::Result<()> {
    println!("cargo::rerun-if-changed=memory.x");
    println!("cargo::rerun-if-changed=build.rs");
    if env::var("CARGO_CFG_TARGET_OS").as_deref() != Ok("none") {
        return Ok(());
    }
    let out = PathBuf::from(env::var_os("OUT_DIR").ok_or_else(|| io::Error::other("no OUT_DIR"))?);
    fs::copy("memory.x", out.join("memory.x"))?;
    println!("cargo::rustc-link-search={}", out.display());
    for argument in ["--nmagic", "--icf=all", "-Tlink.x", "-Tdefmt.x"] {
        println!("cargo::rustc-link-arg-bins={argument}");
    }
    Ok(())
}
