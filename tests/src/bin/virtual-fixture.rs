//! A virtual fixture at the end of a pseudo-terminal, in real time: firmware core, simulated board, amplifier and motor.
//!
//! Prints the terminal's path, then every change of state and outputs. Takes commands on standard input: `stop`,
//! `stop release`, `guard open`, `guard close`, `hold release`, `hold press`, and for the hands of whoever stands beside it
//! `motor power off`, `motor power on`, `turn clockwise`, `turn counterclockwise`. Ends with standard input.
//!
//! It says of itself that it is simulated, so that every record made with it is a rehearsal's.

use std::error::Error;
use std::io::{BufRead, ErrorKind, Read, Write};
use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::mpsc::{Receiver, TryRecvError, channel};
use std::time::{Duration, Instant};

use clap::Parser;
use proofstand::acceptance::today;
use proofstand::fixture::cause_in_words;
use proofstand::rehearsal::{Bench, Fault};
use proofstand_protocol::message::State;
use proofstand_units::{Seconds, Turns};
use serialport::{SerialPort, TTYPort};

/// A virtual fixture on a pseudo-terminal
#[derive(Debug, Parser)]
struct Arguments {
    /// The axis sheet that the simulated axis follows
    sheet: PathBuf,
    /// A fault of the simulated axis (repeatable)
    #[arg(long)]
    fault: Vec<String>,
    /// Seed of everything random
    #[arg(long, default_value_t = 1)]
    seed: u64,
}

/// One tick of the fixture.
const TICK: Duration = Duration::from_millis(1);
/// A bench that is later than this slips instead of hurrying: a rush of ticks without the host's bytes between them would
/// look like a host that fell silent.
const LATEST: Duration = Duration::from_millis(5);
/// Shaft speed above which the log says that it turns, in revolutions per minute.
const TURNS_ABOVE_RPM: f64 = 5.0;
/// What a read of the near end says while nobody holds the far end open (Linux: EIO).
const NOBODY_THERE: i32 = 5;

fn main() -> ExitCode {
    match run(&Arguments::parse()) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            let _ = writeln!(std::io::stderr(), "virtual-fixture: {error}");
            ExitCode::FAILURE
        }
    }
}

fn run(arguments: &Arguments) -> Result<(), Box<dyn Error>> {
    let loaded = proofstand::sheet::read(&arguments.sheet)?;
    let faults: Vec<Fault> = arguments.fault.iter().map(|f| Fault::parse(f)).collect::<Result<_, _>>()?;
    let mut bench = Bench::new(&loaded.sheet, &faults, arguments.seed, today())?;

    let (mut port, far_end) = TTYPort::pair()?;
    let path = far_end.name().ok_or("the system gives the terminal no name")?;
    // The host opens it by its path; an end kept open here would hide that a host went away.
    drop(far_end);
    port.set_timeout(Duration::ZERO)?;
    let mut log = Log::new();
    log.line(&format!("port {path}"))?;

    let commands = commands();
    let mut pending: Vec<u8> = Vec::new();
    let mut due = Instant::now();
    loop {
        loop {
            match commands.try_recv() {
                Ok(command) => {
                    obey(&command, &mut bench)?;
                    log.line(&format!("done {}", command.trim()))?;
                }
                Err(TryRecvError::Empty) => break,
                Err(TryRecvError::Disconnected) => return Ok(()),
            }
        }
        receive(&mut port, &mut bench)?;
        let now = Instant::now();
        if now.saturating_duration_since(due) > LATEST {
            due = now;
        }
        while due <= now {
            bench.tick();
            due += TICK;
        }
        log.changes(&mut bench)?;
        send(&mut port, &mut bench, &mut pending)?;
        std::thread::sleep(due.saturating_duration_since(Instant::now()).min(TICK));
    }
}

fn commands() -> Receiver<String> {
    let (sender, receiver) = channel();
    std::thread::spawn(move || {
        for line in std::io::stdin().lock().lines() {
            let Ok(line) = line else { break };
            if sender.send(line).is_err() {
                break;
            }
        }
    });
    receiver
}

fn obey(command: &str, bench: &mut Bench) -> Result<(), Box<dyn Error>> {
    match command.trim() {
        "" => {}
        "stop" => bench.chain_mut().stop = false,
        "stop release" => bench.chain_mut().stop = true,
        "guard open" => bench.chain_mut().guard = false,
        "guard close" => bench.chain_mut().guard = true,
        "hold release" => bench.chain_mut().hold = false,
        "hold press" => bench.chain_mut().hold = true,
        "motor power off" => bench.plant_mut().operator().motor_power(false),
        "motor power on" => bench.plant_mut().operator().motor_power(true),
        // Clockwise, seen from the shaft end; three seconds a turn would be a slow hand, one is a quick one.
        "turn clockwise" => bench.plant_mut().operator().turn(Turns::new(2.2), Seconds::new(3.0))?,
        "turn counterclockwise" => bench.plant_mut().operator().turn(Turns::new(-2.2), Seconds::new(3.0))?,
        other => return Err(format!("no such command: {other}").into()),
    }
    Ok(())
}

/// Nothing to read, or nobody at the other end: both are no error here.
fn quiet(error: &std::io::Error) -> bool {
    matches!(
        error.kind(),
        ErrorKind::TimedOut | ErrorKind::WouldBlock | ErrorKind::Interrupted | ErrorKind::BrokenPipe
    ) || error.raw_os_error() == Some(NOBODY_THERE)
}

fn receive(port: &mut TTYPort, bench: &mut Bench) -> Result<(), Box<dyn Error>> {
    let mut buffer = [0; 4096];
    loop {
        match port.read(&mut buffer) {
            Ok(0) => return Ok(()),
            Ok(n) => bench.bytes_from_host(buffer.get(..n).unwrap_or_default()),
            Err(e) if quiet(&e) => return Ok(()),
            Err(e) => return Err(e.into()),
        }
    }
}

fn send(port: &mut TTYPort, bench: &mut Bench, pending: &mut Vec<u8>) -> Result<(), Box<dyn Error>> {
    let mut buffer = [0; 1024];
    loop {
        if pending.is_empty() {
            let got = bench.bytes_for_host(&mut buffer);
            pending.extend(buffer.iter().take(got));
        }
        if pending.is_empty() {
            return Ok(());
        }
        match port.write(pending) {
            Ok(n) => drop(pending.drain(..n)),
            Err(e) if quiet(&e) => return Ok(()),
            Err(e) => return Err(e.into()),
        }
    }
}

/// Says what changed, a line each, at once.
struct Log {
    started: Instant,
    state: Option<State>,
    outputs: Option<(bool, bool)>,
    turning: bool,
}

impl Log {
    fn new() -> Self {
        Self { started: Instant::now(), state: None, outputs: None, turning: false }
    }

    fn line(&self, text: &str) -> std::io::Result<()> {
        let mut out = std::io::stdout().lock();
        writeln!(out, "{text}")?;
        out.flush()
    }

    fn changes(&mut self, bench: &mut Bench) -> std::io::Result<()> {
        let ms = self.started.elapsed().as_millis();
        let state = bench.state();
        if self.state != Some(state) {
            self.state = Some(state);
            let why = bench.latched().filter(|_| state == State::Tripped);
            let why =
                why.map_or_else(String::new, |t| format!(" {:?} ({})", t.cause, cause_in_words(t.cause)));
            self.line(&format!("{ms} ms state {state:?}{why}"))?;
        }
        let (volts, enable) = bench.at_the_terminals();
        // The converter's offset is no command.
        let command = volts.get().abs() > 0.05;
        if self.outputs != Some((command, enable)) {
            self.outputs = Some((command, enable));
            let enable = if enable { "closed" } else { "open" };
            let command = if command { "live" } else { "0 V" };
            self.line(&format!("{ms} ms outputs command {command}, enable {enable}"))?;
        }
        let turning = bench.plant_mut().truth().speed.get().abs() > TURNS_ABOVE_RPM;
        if self.turning != turning {
            self.turning = turning;
            self.line(&format!("{ms} ms shaft {}", if turning { "turns" } else { "rests" }))?;
        }
        Ok(())
    }
}
