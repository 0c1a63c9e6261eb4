//! Runs the board image on an emulated RP2040 with a simulated axis, and prints the port that leads to it.
//!
//! `cargo run -p proofstand-tests --bin emulated-fixture [SHEET] [FAULT]...`, then from another terminal
//! `cargo run -- accept SHEET --port PATH`. What the image logs comes out on standard error.

use std::path::PathBuf;
use std::process::ExitCode;
use std::time::Duration;

use proofstand::fixture::Client;
use proofstand_tests::bench::{Failure, demo};
use proofstand_tests::emulator::{Axis, EmulatedFixture, Paced};
use serde_json::{Value, json};

/// How often the image's log is looked at.
const LOOK_EVERY: Duration = Duration::from_millis(500);

fn main() -> ExitCode {
    match run() {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("emulated-fixture: {error}");
            ExitCode::FAILURE
        }
    }
}

fn run() -> Result<(), Failure> {
    let mut arguments = std::env::args().skip(1);
    let sheet = arguments.next().map_or_else(|| demo("film-winder.toml"), PathBuf::from);
    let faults: Vec<String> = arguments.collect();
    let faults: Vec<&str> = faults.iter().map(String::as_str).collect();
    eprintln!("Building and starting the board image ...");
    let fixture = EmulatedFixture::start(Axis::read(&sheet, &faults, 1)?)?;
    let hello = Client::connect(fixture.link(), &mut proofstand_tests::emulator::Nobody)?.hello().firmware;
    let paced = Paced::start(fixture.into_board()?)?;
    eprintln!("Firmware {hello} runs on an emulated board; amplifier, motor and shaft are simulated.");
    eprintln!("A run with it is no evidence about any machine. Stop it with Ctrl-C. Its port:");
    println!("{}", paced.path());
    let remote = paced.remote();
    std::thread::spawn(move || {
        // What the image logs; a board that has stopped says so itself.
        while let Ok(lines) = remote.tell(json!({"order": "log"})) {
            for line in lines.as_array().into_iter().flatten().filter_map(Value::as_str) {
                eprintln!("log: {line}");
            }
            std::thread::sleep(LOOK_EVERY);
        }
    });
    Ok(paced.wait()?)
}
