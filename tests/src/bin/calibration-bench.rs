//! A bench for calibrating at the end of two pseudo-terminals, in real time: the fixture with a simulated board, and a
//! simulated meter that speaks SCPI.
//!
//! Prints the terminals' paths (`port …`, `meter …`), then every change of the fixture's state and of the record that it
//! keeps. Takes commands on standard input: `stop`, `stop release`, `amplifier`, `amplifier off`. Ends with standard
//! input. The record survives in a file, so that a fixture can lose its power.
//!
//! The fixture says of itself that it is simulated, so that every record made with it is a rehearsal's.

use std::error::Error;
use std::io::{BufRead, ErrorKind, Read, Write};
use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::mpsc::{Receiver, TryRecvError, channel};
use std::time::{Duration, Instant};

use clap::Parser;
use proofstand::acceptance::today;
use proofstand::rehearsal::{Before, MeterBench, MeterFault};
use proofstand_protocol::message::State;
use serialport::{SerialPort, TTYPort};

/// A fixture and a meter on pseudo-terminals
#[derive(Debug, Parser)]
struct Arguments {
    /// Something wrong with the meter
    #[arg(long, value_parser = meter_fault)]
    meter_fault: Option<MeterFault>,
    /// The fixture comes without a calibration
    #[arg(long)]
    uncalibrated: bool,
    /// The fixture comes with another board's calibration
    #[arg(long)]
    others: bool,
    /// Where the fixture's record is kept
    flash: Option<PathBuf>,
    /// Seed of everything random
    #[arg(long, default_value_t = 1)]
    seed: u64,
}

fn meter_fault(text: &str) -> Result<MeterFault, String> {
    MeterFault::parse(text).ok_or_else(|| "no such fault".to_owned())
}

/// One tick of the fixture.
const TICK: Duration = Duration::from_millis(1);
/// A bench that is later than this slips instead of hurrying.
const LATEST: Duration = Duration::from_millis(5);
/// What a read of the near end says while nobody holds the far end open (Linux: EIO).
const NOBODY_THERE: i32 = 5;

fn main() -> ExitCode {
    match run(&Arguments::parse()) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            let _ = writeln!(std::io::stderr(), "calibration-bench: {error}");
            ExitCode::FAILURE
        }
    }
}

fn run(arguments: &Arguments) -> Result<(), Box<dyn Error>> {
    let before = match (arguments.uncalibrated, arguments.others) {
        (true, _) => Before::Nothing,
        (false, true) => Before::Others,
        (false, false) => Before::Own,
    };
    let kept = arguments.flash.as_ref().and_then(|file| std::fs::read(file).ok());
    let mut bench = MeterBench::new(arguments.seed, today(), before, arguments.meter_fault, kept);
    let mut stored = bench.stored().map(<[u8]>::to_vec);
    keep(arguments, stored.as_deref())?;

    let (mut port, path) = terminal()?;
    let (mut meter, meter_path) = terminal()?;
    say(&format!("meter {meter_path}"))?;
    say(&format!("port {path}"))?;
    let commands = commands();
    let (mut to_host, mut to_meter) = (Vec::new(), Vec::new());
    let mut state = None;
    let mut due = Instant::now();
    loop {
        loop {
            match commands.try_recv() {
                Ok(command) => {
                    obey(&command, &mut bench)?;
                    say(&format!("done {}", command.trim()))?;
                }
                Err(TryRecvError::Empty) => break,
                Err(TryRecvError::Disconnected) => return Ok(()),
            }
        }
        receive(&mut port, |bytes| bench.bytes_from_host(bytes))?;
        receive(&mut meter, |bytes| bench.bytes_to_meter(bytes))?;
        let now = Instant::now();
        if now.saturating_duration_since(due) > LATEST {
            due = now;
        }
        while due <= now {
            bench.tick();
            due += TICK;
        }
        if state != Some(bench.state()) {
            state = Some(bench.state());
            say(&format!("state {:?}", bench.state()))?;
        }
        if bench.state() == State::Calibrating && bench.at_the_terminals().1 {
            return Err("enable is closed while calibrating".into());
        }
        if bench.stored() != stored.as_deref() {
            stored = bench.stored().map(<[u8]>::to_vec);
            keep(arguments, stored.as_deref())?;
            say("record changed")?;
        }
        if to_host.is_empty() {
            let mut buffer = [0; 1024];
            let got = bench.bytes_for_host(&mut buffer);
            to_host.extend(buffer.iter().take(got));
        }
        to_meter.extend(bench.bytes_from_meter());
        send(&mut port, &mut to_host)?;
        send(&mut meter, &mut to_meter)?;
        std::thread::sleep(due.saturating_duration_since(Instant::now()).min(TICK));
    }
}

fn keep(arguments: &Arguments, record: Option<&[u8]>) -> std::io::Result<()> {
    match (&arguments.flash, record) {
        (Some(file), Some(record)) => std::fs::write(file, record),
        _ => Ok(()),
    }
}

fn terminal() -> Result<(TTYPort, String), Box<dyn Error>> {
    let (mut near, far) = TTYPort::pair()?;
    let path = far.name().ok_or("the system gives the terminal no name")?;
    // The host opens it by its path; an end kept open here would hide that a host went away.
    drop(far);
    near.set_timeout(Duration::ZERO)?;
    Ok((near, path))
}

fn say(text: &str) -> std::io::Result<()> {
    let mut out = std::io::stdout().lock();
    writeln!(out, "{text}")?;
    out.flush()
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

fn obey(command: &str, bench: &mut MeterBench) -> Result<(), Box<dyn Error>> {
    match command.trim() {
        "" => {}
        "stop" => bench.chain_mut().stop = false,
        "stop release" => bench.chain_mut().stop = true,
        "amplifier" => bench.plug_amplifier(true),
        "amplifier off" => bench.plug_amplifier(false),
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

fn receive(port: &mut TTYPort, mut take: impl FnMut(&[u8])) -> Result<(), Box<dyn Error>> {
    let mut buffer = [0; 4096];
    loop {
        match port.read(&mut buffer) {
            Ok(0) => return Ok(()),
            Ok(n) => take(buffer.get(..n).unwrap_or_default()),
            Err(e) if quiet(&e) => return Ok(()),
            Err(e) => return Err(e.into()),
        }
    }
}

fn send(port: &mut TTYPort, pending: &mut Vec<u8>) -> Result<(), Box<dyn Error>> {
    while !pending.is_empty() {
        match port.write(pending) {
            Ok(n) => drop(pending.drain(..n)),
            Err(e) if quiet(&e) => return Ok(()),
            Err(e) => return Err(e.into()),
        }
    }
    Ok(())
}
