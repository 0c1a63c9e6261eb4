//! Processes for tests over a pseudo-terminal: the virtual fixture at one end, the host program at the other.
//!
//! Everything here waits for what it wants to see, with a limit; nothing counts on how fast the machine is.

use std::ffi::OsStr;
use std::io::{BufRead, BufReader, Read, Write};
use std::path::Path;
use std::process::{Child, ChildStdin, Command, ExitStatus, Stdio};
use std::sync::mpsc::{Receiver, RecvTimeoutError, channel};
use std::time::{Duration, Instant};

/// Anything that keeps a test from being made.
pub type Failure = Box<dyn std::error::Error>;

/// A line and when it came.
#[derive(Debug, Clone)]
pub struct Line {
    /// When it was read.
    pub at: Instant,
    /// The text, without its end.
    pub text: String,
}

/// Output of a process, line by line, while it runs.
struct Lines {
    from: Receiver<Line>,
    seen: Vec<Line>,
}

impl Lines {
    fn of(stream: impl Read + Send + 'static) -> Self {
        let (sender, from) = channel();
        std::thread::spawn(move || {
            for text in BufReader::new(stream).lines() {
                let Ok(text) = text else { break };
                if sender.send(Line { at: Instant::now(), text }).is_err() {
                    break;
                }
            }
        });
        Self { from, seen: Vec::new() }
    }

    /// The next line that holds `wanted`, from here on.
    fn wait_for(&mut self, wanted: &str, patience: Duration) -> Result<Line, Failure> {
        let until = Instant::now() + patience;
        loop {
            match self.from.recv_timeout(until.saturating_duration_since(Instant::now())) {
                Ok(line) => {
                    self.seen.push(line.clone());
                    if line.text.contains(wanted) {
                        return Ok(line);
                    }
                }
                Err(why) => {
                    let why = match why {
                        RecvTimeoutError::Timeout => "in time",
                        RecvTimeoutError::Disconnected => "before the end",
                    };
                    return Err(format!("`{wanted}` did not come {why}; there was:\n{}", self.all()).into());
                }
            }
        }
    }

    fn all(&self) -> String {
        self.seen.iter().map(|l| format!("{}\n", l.text)).collect()
    }
}

/// A virtual fixture in a process of its own.
pub struct Fixture {
    child: Child,
    commands: Option<ChildStdin>,
    lines: Lines,
    /// The path of its port.
    pub port: String,
}

impl Fixture {
    /// Starts `program` (the `virtual-fixture` of this package) with a sheet.
    ///
    /// # Errors
    /// If it does not come up.
    pub fn start(program: &str, sheet: &Path) -> Result<Self, Failure> {
        let mut child =
            Command::new(program).arg(sheet).stdin(Stdio::piped()).stdout(Stdio::piped()).spawn()?;
        let commands = child.stdin.take();
        let mut lines = Lines::of(child.stdout.take().ok_or("no output")?);
        let line = lines.wait_for("port ", Duration::from_secs(20))?;
        let port = line.text.trim_start_matches("port ").to_owned();
        Ok(Self { child, commands, lines, port })
    }

    /// The next line of its log that holds `wanted`.
    ///
    /// # Errors
    /// If it does not come within half a minute.
    pub fn wait_for(&mut self, wanted: &str) -> Result<Line, Failure> {
        self.lines.wait_for(wanted, Duration::from_secs(30))
    }

    /// Lines that came until now and were waited through.
    #[must_use]
    pub fn log(&self) -> String {
        self.lines.all()
    }

    /// Does something at the bench: `stop`, `guard open`. It is done when this returns.
    ///
    /// # Errors
    /// If it is gone, or does not say that it is done.
    pub fn command(&mut self, command: &str) -> Result<(), Failure> {
        let to = self.commands.as_mut().ok_or("no input")?;
        writeln!(to, "{command}")?;
        to.flush()?;
        self.wait_for(&format!("done {command}")).map(|_| ())
    }

    /// Pulls the plug.
    ///
    /// # Errors
    /// If it can't be killed.
    pub fn unplug(&mut self) -> Result<(), Failure> {
        self.child.kill()?;
        self.child.wait()?;
        Ok(())
    }
}

impl Drop for Fixture {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// How a host ended.
#[derive(Debug)]
pub struct Ended {
    /// Its exit status.
    pub status: ExitStatus,
    /// What it printed.
    pub out: String,
    /// What it said on the side.
    pub err: String,
}

impl Ended {
    /// Its exit code; −1 if a signal ended it.
    #[must_use]
    pub fn code(&self) -> i32 {
        self.status.code().unwrap_or(-1)
    }
}

/// The host program in a process of its own.
pub struct Host {
    child: Child,
    out: Option<std::thread::JoinHandle<String>>,
    err: Receiver<u8>,
    said: Vec<u8>,
}

impl Host {
    /// Starts `program` in a folder, with an input.
    ///
    /// # Errors
    /// If it can't be started.
    pub fn start<S: AsRef<OsStr>>(
        program: &str,
        folder: &Path,
        input: Stdio,
        arguments: impl IntoIterator<Item = S>,
    ) -> Result<Self, Failure> {
        let mut child = Command::new(program)
            .args(arguments)
            .current_dir(folder)
            .env("NO_COLOR", "1")
            .stdin(input)
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()?;
        let mut out = child.stdout.take().ok_or("no output")?;
        let out = std::thread::spawn(move || {
            let mut text = Vec::new();
            let _ = out.read_to_end(&mut text);
            String::from_utf8_lossy(&text).into_owned()
        });
        let from = child.stderr.take().ok_or("no standard error")?;
        let (sender, err) = channel();
        std::thread::spawn(move || {
            for byte in BufReader::new(from).bytes() {
                let Ok(byte) = byte else { break };
                if sender.send(byte).is_err() {
                    break;
                }
            }
        });
        Ok(Self { child, out: Some(out), err, said: Vec::new() })
    }

    /// Waits until what it says on standard error, from here on, holds `wanted`; a question has no line end.
    ///
    /// # Errors
    /// If it does not come within half a minute.
    pub fn wait_for(&mut self, wanted: &str) -> Result<(), Failure> {
        let from = self.said.len();
        let until = Instant::now() + Duration::from_secs(30);
        loop {
            let said = String::from_utf8_lossy(self.said.get(from..).unwrap_or_default()).into_owned();
            if said.contains(wanted) {
                return Ok(());
            }
            match self.err.recv_timeout(until.saturating_duration_since(Instant::now())) {
                Ok(byte) => self.said.push(byte),
                Err(why) => return Err(format!("`{wanted}` was not said: {why}; there was:\n{said}").into()),
            }
        }
    }

    /// Sends a signal by its name, `INT` or `KILL`.
    ///
    /// # Errors
    /// If it can't be sent.
    pub fn signal(&self, name: &str) -> Result<(), Failure> {
        let sent = Command::new("sh").args(["-c", &format!("kill -{name} {}", self.child.id())]).status()?;
        if sent.success() { Ok(()) } else { Err(format!("kill -{name}: {sent}").into()) }
    }

    /// Waits for its end.
    ///
    /// # Errors
    /// If it does not end within two minutes.
    pub fn end(mut self) -> Result<Ended, Failure> {
        let until = Instant::now() + Duration::from_secs(120);
        let status = loop {
            if let Some(status) = self.child.try_wait()? {
                break status;
            }
            if Instant::now() > until {
                return Err("the host does not end".into());
            }
            std::thread::sleep(Duration::from_millis(5));
        };
        let out = self.out.take().and_then(|o| o.join().ok()).unwrap_or_default();
        self.said.extend(self.err.iter());
        Ok(Ended { status, out, err: String::from_utf8_lossy(&self.said).into_owned() })
    }
}

impl Drop for Host {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
