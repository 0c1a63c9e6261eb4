//! The fixture's board image for a Raspberry Pi Pico. See `README.md` beside the sources.
//!
//! It runs [`proofstand_firmware::session::Session`] and decides nothing itself: `board` knows the chip, `run` moves
//! what the chip saw into the session and what the session decided out of the chip.
//!
//! Built for a computer it is the little program that packs the image into a file for the Pico's USB drive.
#![cfg_attr(target_os = "none", no_std, no_main)]

#[cfg(target_os = "none")]
mod board;
#[cfg(target_os = "none")]
mod run;

#[cfg(target_os = "none")]
#[cortex_m_rt::entry]
fn main() -> ! {
    run::forever(board::start())
}

#[cfg(not(target_os = "none"))]
fn main() -> std::process::ExitCode {
    let arguments: Vec<_> = std::env::args_os().skip(1).map(std::path::PathBuf::from).collect();
    let [image] = &arguments[..] else {
        eprintln!(
            "proofstand-pico IMAGE: writes proofstand.uf2 beside the image that `cargo fw` has built, which calls this \
             by itself. (The board image does not run on a computer; `proofstand rehearse` needs no board.)"
        );
        return std::process::ExitCode::from(2);
    };
    match pack(image) {
        Ok((path, bytes)) => {
            println!("{}: {bytes} bytes of flash", path.display());
            std::process::ExitCode::SUCCESS
        }
        Err(error) => {
            eprintln!("{}: {error}", image.display());
            std::process::ExitCode::FAILURE
        }
    }
}

#[cfg(not(target_os = "none"))]
fn pack(image: &std::path::Path) -> std::io::Result<(std::path::PathBuf, usize)> {
    let pages = proofstand_pico::uf2::pages(&std::fs::read(image)?).map_err(std::io::Error::other)?;
    let path = image.with_file_name("proofstand.uf2");
    std::fs::write(&path, proofstand_pico::uf2::pack(&pages))?;
    Ok((path, pages.len() * proofstand_pico::uf2::PAGE))
}
