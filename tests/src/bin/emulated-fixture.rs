//! Runs the board image on an emulated RP2040 with a simulated axis, and prints the port that leads to it.
//!
//! `cargo run -p proofstand-tests --bin emulated-fixture [SHEET] [FAULT]...`, then from another terminal
//! `cargo run -- accept SHEET --port PATH`. What can be seen of the bench, and what the image logs, comes out on standard
//! error. Commands on standard input are the hands of whoever stands beside it; `help` lists them.

use std::io::BufRead as _;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::time::Duration;

use proofstand::acceptance::today;
use proofstand::fixture::Client;
use proofstand_tests::bench::{Failure, demo};
use proofstand_tests::emulator::{Axis, EmulatedFixture, EmulatorError, Nobody, Paced, Remote, store_record};
use serde_json::{Value, json};

/// How often the bench is looked at.
const LOOK_EVERY: Duration = Duration::from_millis(50);
/// Shaft speed above which it is seen to turn, in revolutions per minute.
const TURNS_ABOVE_RPM: f64 = 2.0;
const HELP: &str = "\
stop | stop release               the fixture's stop button
hold release | hold press         its hold-to-run control
guard open | guard close          its guard contact
turn clockwise | turn counterclockwise
                                  the shaft by hand, 2.2 turns, seen from the shaft end
motor power off | motor power on  the amplifier's switches
control power off | control power on
display                           what stood on the amplifier's display for 1.5 s, in percent
cable out | cable in              the USB cable";

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
    eprintln!("Building and starting the board image; the first time takes some minutes ...");
    let fixture = EmulatedFixture::start(Axis::read(&sheet, &faults, 1)?)?;
    let mut client = Client::connect(fixture.link(), &mut Nobody)?;
    let hello = client.hello().firmware;
    // Tests live on a day of their own; whoever accepts an axis today needs a calibration that is not overdue.
    let record = fixture.analog.record(client.hello().analog_serial, today())?;
    store_record(&mut client, &record)?;
    drop(client);
    let paced = Paced::start(fixture.into_board()?)?;
    eprintln!("Firmware {hello} runs on an emulated board; amplifier, motor and shaft are simulated.");
    eprintln!(
        "A run with it is no evidence about any machine. Type `help` for what hands can do; Ctrl-C ends it."
    );
    eprintln!("From another terminal:\n\n    {}\n\nIts port:", call(&sheet, paced.path()));
    println!("{}", paced.path());
    let (eyes, hands) = (paced.remote(), paced.remote());
    std::thread::spawn(move || watch(&eyes));
    std::thread::spawn(move || {
        for line in std::io::stdin().lock().lines().map_while(Result::ok) {
            match obey(line.trim(), &hands) {
                Ok(Some(answer)) => eprintln!("{answer}"),
                Ok(None) => {}
                Err(error) => eprintln!("{error}"),
            }
        }
    });
    Ok(paced.wait()?)
}

/// The command that accepts the axis through a port.
fn call(sheet: &Path, port: &str) -> String {
    let sheet = sheet.canonicalize().unwrap_or_else(|_| sheet.to_owned());
    format!("cargo run -- accept {} --port {port}", sheet.display())
}

/// Does what a line says. Gives what there is to be said about it.
fn obey(line: &str, bench: &Remote) -> Result<Option<String>, EmulatorError> {
    let chain = |what: &str, closed: bool| json!({"order": "chain", what: closed});
    let turn = |turns: f64| json!({"order": "turn", "turns": turns, "seconds": 3.0});
    let order = match line {
        "" => return Ok(None),
        "stop" => chain("stop", false),
        "stop release" => chain("stop", true),
        "hold release" => chain("hold", false),
        "hold press" => chain("hold", true),
        "guard open" => chain("guard", false),
        "guard close" => chain("guard", true),
        "motor power off" => json!({"order": "power", "motor": false}),
        "motor power on" => json!({"order": "power", "motor": true}),
        "control power off" => json!({"order": "power", "control": false}),
        "control power on" => json!({"order": "power", "control": true}),
        "turn clockwise" => turn(2.2),
        "turn counterclockwise" => turn(-2.2),
        "display" => json!({"order": "display"}),
        "cable out" => json!({"order": "cable", "in": false}),
        "cable in" => json!({"order": "cable", "in": true}),
        "help" => return Ok(Some(HELP.to_owned())),
        other => return Ok(Some(format!("no such command: {other}\n{HELP}"))),
    };
    let answer = bench.tell(order)?;
    Ok(match line {
        "display" => Some(answer["percent"].as_f64().map_or_else(
            || "nothing has stood there long enough to be read".to_owned(),
            |percent| format!("display: {percent:.1} %"),
        )),
        "cable in" => Some(format!("the port is now {}", answer["path"].as_str().unwrap_or_default())),
        _ if answer["done"] == false => {
            Some("the shaft can't be turned now: it turns, or torque is on".to_owned())
        }
        _ => None,
    })
}

/// Tells what changes at the bench, and what the image logs, until the board stops; it then says so itself.
fn watch(bench: &Remote) {
    let mut seen = String::new();
    loop {
        let (Ok(state), Ok(log)) =
            (bench.tell(json!({"order": "state"})), bench.tell(json!({"order": "log"})))
        else {
            return;
        };
        for line in log.as_array().into_iter().flatten().filter_map(Value::as_str) {
            eprintln!("log: {line}");
        }
        let now = look(&state);
        if now != seen {
            eprintln!("{now}");
            seen = now;
        }
        std::thread::sleep(LOOK_EVERY);
    }
}

/// What a person at the bench sees.
fn look(state: &Value) -> String {
    let enable = if state["relay"] == true { "enable closed" } else { "enable open" };
    let shaft = match state["rpm"].as_f64().unwrap_or(0.0) {
        rpm if rpm > TURNS_ABOVE_RPM => "the shaft turns clockwise, seen from the shaft end",
        rpm if rpm < -TURNS_ABOVE_RPM => "the shaft turns counterclockwise, seen from the shaft end",
        _ => "the shaft stands",
    };
    format!("{enable}; {shaft}")
}
