//! Runs the board image on an emulated RP2040 with a simulated axis, and prints the port that leads to it.
//!
//! `cargo run -p proofstand-tests --bin emulated-fixture [SHEET] [FAULT]...`, then from another terminal
//! `cargo run -- accept SHEET --port PATH`.

use std::path::PathBuf;
use std::process::ExitCode;

use proofstand::fixture::Client;
use proofstand_tests::bench::{Failure, demo};
use proofstand_tests::emulator::{Axis, EmulatedFixture, Paced};

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
    Ok(paced.wait()?)
}
