//! Hands the linker its scripts and assembles the PIO programs, for the chip only.
//!
//! They are given here and not in `.cargo/config.toml`, since a `RUSTFLAGS` variable silently replaces flags given
//! there, and the link then succeeds with no vector table.

mod programs;

use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::{env, fs, io};

fn main() -> io::Result<()> {
    println!("cargo::rerun-if-changed=memory.x");
    println!("cargo::rerun-if-changed=build.rs");
    println!("cargo::rerun-if-changed=programs.rs");
    if env::var("CARGO_CFG_TARGET_OS").as_deref() != Ok("none") {
        return Ok(());
    }
    let out = PathBuf::from(env::var_os("OUT_DIR").ok_or_else(|| io::Error::other("no OUT_DIR"))?);
    fs::copy("memory.x", out.join("memory.x"))?;
    assemble(&out)?;
    println!("cargo::rustc-link-search={}", out.display());
    for argument in ["--nmagic", "--icf=all", "-Tlink.x", "-Tdefmt.x"] {
        println!("cargo::rustc-link-arg-bins={argument}");
    }
    Ok(())
}

/// Writes the PIO programs' words as Rust.
fn assemble(out: &Path) -> io::Result<()> {
    let all = [
        ("COUNT", programs::count()),
        ("LATCH", programs::latch()),
        ("EDGE", programs::edge()),
        ("RISING", programs::rising()),
        ("LINES", programs::lines()),
    ];
    let mut text = String::new();
    for (name, program) in all {
        let (code, wrap) = (&program.code[..], (program.wrap.target, program.wrap.source));
        writeln!(text, "pub(super) static {name}: Program = Program {{ code: &{code:?}, wrap: {wrap:?} }};")
            .map_err(io::Error::other)?;
    }
    fs::write(out.join("programs.rs"), text)
}
