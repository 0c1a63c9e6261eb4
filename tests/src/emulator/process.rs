//! The process that runs the board, and what it can be told.

use core::time::Duration;
use std::io::{Read, Write};
use std::path::PathBuf;
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};

use proofstand_plant::PlantSetup;
use serde_json::{Value, json};

use super::{Analog, EmulatorError, LogDecoder, build};

/// What stands round the board.
#[derive(Debug, Clone)]
pub struct BenchSetup {
    /// The simulated axis and its seed; none: a shaft that does not exist.
    pub axis: Option<(PlantSetup, u64)>,
    /// The analog board's truth.
    pub analog: Analog,
    /// How much faster the axis's clock is than the board's, in parts per million.
    pub ppm: f64,
    /// Time that the flash takes to erase a sector.
    pub erase: Duration,
    /// Another image than the one of this workspace.
    pub image: Option<PathBuf>,
    /// Keep what the image's session is given and decides, see [`Emulator::recorded`].
    pub record: bool,
}

impl Default for BenchSetup {
    fn default() -> Self {
        Self {
            axis: None,
            analog: Analog::typical(),
            ppm: 8.0,
            // W25Q16JV datasheet, 9.6: typical.
            erase: Duration::from_millis(45),
            image: None,
            record: false,
        }
    }
}

/// What can be seen of the board from outside, now.
#[derive(Debug, Clone, PartialEq)]
pub struct State {
    /// Time since power-up.
    pub now: Duration,
    /// Code in the output converter.
    pub code: u16,
    /// Volts at the amplifier's command terminals.
    pub terminal: f64,
    /// The board asks for the enable relay.
    pub enable: bool,
    /// The enable relay is closed.
    pub relay: bool,
    /// Resets since power-up.
    pub resets: u64,
    /// Sectors erased and pages programmed.
    pub flash: u64,
    /// Speed of the simulated shaft, clockwise, rpm.
    pub rpm: f64,
    /// What the converters were told wrongly.
    pub faults: Vec<String>,
    /// The USB device is enumerated.
    pub connected: bool,
}

/// One change that was noted.
#[derive(Debug, Clone, PartialEq)]
pub struct TraceEntry {
    /// When, on the board's clock.
    pub at: Duration,
    /// What: `command`, `frame`, `enable`, `relay`, `change-over`, `reset`, `flash`; if asked for, `trigger`, `keep-alive`,
    /// `light`, `contacts`, `convert`.
    pub what: String,
    /// The new value.
    pub value: Value,
}

/// One emulated board.
#[derive(Debug)]
pub struct Emulator {
    child: Child,
    to: ChildStdin,
    from: ChildStdout,
    now: Duration,
    resets: u32,
    received: u64,
    log: LogDecoder,
}

impl Emulator {
    /// Builds what is needed, starts the process and powers the board up.
    ///
    /// # Errors
    /// [`EmulatorError`]: whatever is missing or fails.
    pub fn start(setup: &BenchSetup) -> Result<Self, EmulatorError> {
        build::packages()?;
        let image = match &setup.image {
            Some(path) => path.clone(),
            None => build::image()?,
        };
        let mut child = Command::new("node")
            .arg(build::harness().join("main.js"))
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()?;
        let (Some(to), Some(from)) = (child.stdin.take(), child.stdout.take()) else {
            return Err(EmulatorError::Failed("its pipes are not there".to_owned()));
        };
        let log = LogDecoder::new(&image)?;
        let mut emulator = Self { child, to, from, now: Duration::ZERO, resets: 0, received: 0, log };
        let mut order = json!({
            "order": "start",
            "image": image,
            "dac": setup.analog.output(),
            "adc": setup.analog.inputs(),
            "ppm": setup.ppm,
            "eraseNanos": setup.erase.as_nanos() as u64,
            "record": setup.record,
        });
        if let Some((axis, seed)) = &setup.axis {
            let bytes = postcard::to_allocvec(axis).map_err(|e| EmulatorError::Failed(e.to_string()))?;
            order["plant"] = json!(build::plant_module()?);
            order["setup"] = json!(bytes.iter().map(|b| format!("{b:02x}")).collect::<String>());
            order["seed"] = json!(seed);
        }
        emulator.tell(&order)?;
        Ok(emulator)
    }

    /// Time since power-up, on the board's clock.
    #[must_use]
    pub const fn now(&self) -> Duration {
        self.now
    }

    /// Resets since power-up, as of the last [`Self::exchange`].
    #[must_use]
    pub const fn resets(&self) -> u32 {
        self.resets
    }

    /// Bytes that the board has sent since power-up.
    #[must_use]
    pub const fn received(&self) -> u64 {
        self.received
    }

    /// Gives the board bytes and lets it run: for `span`, or until it has sent something. Gives what it sent.
    ///
    /// # Errors
    /// [`EmulatorError`] if the image or the harness fails.
    pub fn exchange(
        &mut self,
        bytes: &[u8],
        span: Duration,
        until_bytes: bool,
    ) -> Result<Vec<u8>, EmulatorError> {
        let mut body = Vec::with_capacity(bytes.len() + 9);
        body.extend((span.as_nanos() as f64).to_le_bytes());
        body.push(u8::from(until_bytes));
        body.extend(bytes);
        let answer = self.call(b'x', &body)?;
        let Some((nanos, sent)) = answer.split_first_chunk::<8>() else {
            return Err(EmulatorError::Failed("a short answer".to_owned()));
        };
        self.now = Duration::from_nanos(f64::from_le_bytes(*nanos) as u64);
        let Some((resets, sent)) = sent.split_first_chunk::<4>() else {
            return Err(EmulatorError::Failed("a short answer".to_owned()));
        };
        self.resets = u32::from_le_bytes(*resets);
        self.received += sent.len() as u64;
        Ok(sent.to_vec())
    }

    /// Lets the board run for a time. What it sends meanwhile is lost.
    ///
    /// # Errors
    /// As [`Self::exchange`].
    pub fn run(&mut self, span: Duration) -> Result<(), EmulatorError> {
        self.exchange(&[], span, false).map(|_| ())
    }

    /// Gives an order to the harness (`Machine.order` in `machine.js` lists them).
    ///
    /// # Errors
    /// As [`Self::exchange`], and for an order that there is not.
    pub fn tell(&mut self, order: &Value) -> Result<Value, EmulatorError> {
        let answer = self.call(b'c', order.to_string().as_bytes())?;
        Ok(serde_json::from_slice(&answer)?)
    }

    /// What can be seen from outside now.
    ///
    /// # Errors
    /// As [`Self::exchange`].
    pub fn state(&mut self) -> Result<State, EmulatorError> {
        let value = self.tell(&json!({"order": "state"}))?;
        let number = |key: &str| value[key].as_f64().unwrap_or(f64::NAN);
        let is = |key: &str| value[key].as_bool().unwrap_or(false);
        let faults = value["faults"].as_array().cloned().unwrap_or_default();
        self.now = Duration::from_nanos(number("nanos") as u64);
        Ok(State {
            now: self.now,
            code: number("code") as u16,
            terminal: number("terminal"),
            enable: is("enable"),
            relay: is("relay"),
            resets: number("resets") as u64,
            flash: number("flash") as u64,
            rpm: number("rpm"),
            faults: faults.iter().map(ToString::to_string).collect(),
            connected: is("connected"),
        })
    }

    /// Takes what was noted since the last time, and notes these as well from now on.
    ///
    /// # Errors
    /// As [`Self::exchange`].
    pub fn trace(&mut self, also: &[&str]) -> Result<Vec<TraceEntry>, EmulatorError> {
        let value = self.tell(&json!({"order": "trace", "also": also}))?;
        let entries = value["trace"].as_array().cloned().unwrap_or_default();
        let entry = |entry: &Value| TraceEntry {
            at: Duration::from_nanos(entry[0].as_f64().unwrap_or(0.0) as u64),
            what: entry[1].as_str().unwrap_or_default().to_owned(),
            value: entry[2].clone(),
        };
        Ok(entries.iter().map(entry).collect())
    }

    /// What the image has logged since the last time, a line each.
    ///
    /// # Errors
    /// As [`Self::exchange`].
    pub fn log(&mut self) -> Result<Vec<String>, EmulatorError> {
        let value = self.tell(&json!({"order": "log"}))?;
        let bytes: Vec<u8> = value["log"]
            .as_array()
            .into_iter()
            .flatten()
            .filter_map(Value::as_u64)
            .map(|b| b as u8)
            .collect();
        Ok(self.log.lines(&bytes))
    }

    /// What the image's session was given and what it decided since the last time, in order (`recorder.js` says how).
    ///
    /// # Errors
    /// As [`Self::exchange`]; also if the board was not set up to be recorded.
    pub fn recorded(&mut self) -> Result<Value, EmulatorError> {
        self.tell(&json!({"order": "recorded"}))
    }

    fn call(&mut self, kind: u8, body: &[u8]) -> Result<Vec<u8>, EmulatorError> {
        let length = u32::try_from(body.len() + 1).unwrap_or(u32::MAX);
        self.to.write_all(&length.to_le_bytes())?;
        self.to.write_all(&[kind])?;
        self.to.write_all(body)?;
        self.to.flush()?;
        let mut head = [0; 4];
        self.from.read_exact(&mut head)?;
        let mut answer = vec![0; u32::from_le_bytes(head) as usize];
        self.from.read_exact(&mut answer)?;
        match answer.split_first() {
            Some((b'e', words)) => Err(EmulatorError::Failed(String::from_utf8_lossy(words).into_owned())),
            Some((got, rest)) if *got == kind => Ok(rest.to_vec()),
            _ => Err(EmulatorError::Failed("an answer to something else".to_owned())),
        }
    }
}

impl Drop for Emulator {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
