//! What the emulator needs and the repository does not hold: the image, the axis as WebAssembly, the JavaScript package.

use std::ffi::OsString;
use std::fs::File;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::sync::OnceLock;
use std::time::SystemTime;

use serde_json::Value;

use super::EmulatorError;

fn root() -> PathBuf {
    let manifest = Path::new(env!("CARGO_MANIFEST_DIR"));
    manifest.parent().unwrap_or(manifest).to_owned()
}

pub(super) fn harness() -> PathBuf {
    root().join("tests/emulator")
}

/// Names an image that is run instead of this workspace's: for looking at an older one.
const OTHER_IMAGE: &str = "PROOFSTAND_EMULATED_IMAGE";

/// The board image, built now if it is not up to date.
///
/// # Errors
/// [`EmulatorError::Missing`] without cargo, [`EmulatorError::Build`] with the compiler's words.
pub fn image() -> Result<PathBuf, EmulatorError> {
    static BUILT: OnceLock<PathBuf> = OnceLock::new();
    if let Some(other) = std::env::var_os(OTHER_IMAGE) {
        return Ok(PathBuf::from(other));
    }
    once(&BUILT, || {
        let arguments =
            ["-p", "proofstand-pico", "--profile", "firmware", "--target", "thumbv6m-none-eabi", "--bins"];
        artifact(&arguments, "proofstand-pico", |path| path.extension().is_none())
    })
}

/// The simulated axis as a WebAssembly module, built now if it is not up to date.
///
/// # Errors
/// As [`image`].
pub fn plant_module() -> Result<PathBuf, EmulatorError> {
    static BUILT: OnceLock<PathBuf> = OnceLock::new();
    once(&BUILT, || {
        let arguments = [
            "-p",
            "proofstand-plant-wasm",
            "--profile",
            "release",
            "--target",
            "wasm32-unknown-unknown",
            "--lib",
        ];
        artifact(&arguments, "proofstand_plant_wasm", |path| path.extension().is_some_and(|e| e == "wasm"))
    })
}

/// A binary of this workspace, built now in the development profile if it is not up to date.
///
/// # Errors
/// As [`image`].
pub fn program(package: &'static str) -> Result<PathBuf, EmulatorError> {
    artifact(&["-p", package, "--bin", package], package, |path| path.extension().is_none())
}

fn once(
    cell: &OnceLock<PathBuf>,
    make: impl FnOnce() -> Result<PathBuf, EmulatorError>,
) -> Result<PathBuf, EmulatorError> {
    if let Some(path) = cell.get() {
        return Ok(path.clone());
    }
    let path = make()?;
    Ok(cell.get_or_init(|| path).clone())
}

fn artifact(
    arguments: &[&str],
    target: &str,
    wanted: impl Fn(&Path) -> bool,
) -> Result<PathBuf, EmulatorError> {
    let what = format!("cargo build {}", arguments.join(" "));
    let mut output = build(arguments)?;
    let words = String::from_utf8_lossy(&output.stderr).into_owned();
    // A toolchain that was there before this workspace asked for its targets lacks them.
    if !output.status.success() && words.contains("target may not be installed") {
        add_targets()?;
        output = build(arguments)?;
    }
    if !output.status.success() {
        return Err(EmulatorError::Build {
            what,
            output: String::from_utf8_lossy(&output.stderr).into_owned(),
        });
    }
    let messages = String::from_utf8_lossy(&output.stdout).into_owned();
    messages
        .lines()
        .filter_map(|line| serde_json::from_str::<Value>(line).ok())
        .filter(|message| message["reason"] == "compiler-artifact" && message["target"]["name"] == target)
        .filter_map(|message| message["filenames"].as_array().cloned())
        .flatten()
        .filter_map(|name| name.as_str().map(PathBuf::from))
        .find(|path| wanted(path))
        .ok_or_else(|| EmulatorError::Build { what, output: format!("it made no {target}") })
}

fn build(arguments: &[&str]) -> Result<Output, EmulatorError> {
    let cargo = std::env::var_os("CARGO").unwrap_or_else(|| OsString::from("cargo"));
    Command::new(cargo)
        .current_dir(root())
        .arg("build")
        .args(arguments)
        .args(["--message-format", "json-render-diagnostics"])
        .output()
        .map_err(|e| EmulatorError::Missing {
            program: "cargo",
            why: e.to_string(),
            remedy: "install the Rust toolchain with rustup",
        })
}

fn add_targets() -> Result<(), EmulatorError> {
    let missing = |why: String| EmulatorError::Missing {
        program: "the Rust compiler for the board and for WebAssembly",
        why,
        remedy: "run `rustup target add thumbv6m-none-eabi wasm32-unknown-unknown` in this folder",
    };
    let output = Command::new("rustup")
        .current_dir(root())
        .args(["target", "add", "thumbv6m-none-eabi", "wasm32-unknown-unknown"])
        .output()
        .map_err(|e| missing(e.to_string()))?;
    let words = String::from_utf8_lossy(&output.stderr).into_owned();
    if output.status.success() { Ok(()) } else { Err(missing(words)) }
}

/// Sees to it that Node.js is there and the package is installed as the lock file says.
pub(super) fn packages() -> Result<(), EmulatorError> {
    static DONE: OnceLock<()> = OnceLock::new();
    if DONE.get().is_some() {
        return Ok(());
    }
    let node = Command::new("node").arg("--version").output();
    node.map_err(|e| EmulatorError::Missing {
        program: "Node.js",
        why: e.to_string(),
        remedy: "install Node.js 18 or newer so that `node` and `npm` are on the path",
    })?;
    let harness = harness();
    let guard = root().join("target");
    std::fs::create_dir_all(&guard)?;
    // Test programs may run side by side; one of them installs.
    let guard = File::create(guard.join("emulator-packages.lock"))?;
    guard.lock()?;
    if !is_installed(&harness) {
        let output = Command::new("npm")
            .current_dir(&harness)
            .args(["ci", "--no-audit", "--no-fund"])
            .output()
            .map_err(|e| EmulatorError::Missing {
                program: "npm",
                why: e.to_string(),
                remedy: "it comes with Node.js; install Node.js 18 or newer",
            })?;
        if !output.status.success() {
            let output = String::from_utf8_lossy(&output.stderr).into_owned();
            return Err(EmulatorError::Build { what: "npm ci in tests/emulator".to_owned(), output });
        }
    }
    let _ = DONE.set(());
    Ok(())
}

/// Whether what is installed is not older than the lock file.
fn is_installed(harness: &Path) -> bool {
    let time = |path: PathBuf| path.metadata().and_then(|m| m.modified()).unwrap_or(SystemTime::UNIX_EPOCH);
    let installed = time(harness.join("node_modules/.package-lock.json"));
    installed != SystemTime::UNIX_EPOCH && installed >= time(harness.join("package-lock.json"))
}
