//! An emulated board that keeps pace with the wall clock, behind a pseudo-terminal.

use core::time::Duration;
use std::io::{ErrorKind, Read, Write};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::thread::JoinHandle;
use std::time::Instant;

use serde_json::{Value, json};
use serialport::{SerialPort, TTYPort};

use super::{BenchSetup, Emulator, EmulatorError};

/// The board runs on in pieces of this length.
const PIECE: Duration = Duration::from_millis(1);
/// When the board falls behind the wall clock by more, its clock is let slip: a backlog is not made up for in a rush, since
/// the host would look slow to it.
const SLIP: Duration = Duration::from_millis(20);

type Reply = Result<Value, EmulatorError>;

/// A paced board and its port.
#[derive(Debug)]
pub struct Paced {
    path: String,
    remote: Remote,
    thread: Option<JoinHandle<Result<(), EmulatorError>>>,
}

/// Orders for a paced board, between two pieces of its time.
#[derive(Debug, Clone)]
pub struct Remote {
    orders: Sender<(Value, Sender<Reply>)>,
}

impl Remote {
    /// Gives an order to the harness (`Machine.order` in `machine.js` lists them). Besides: `{"order": "cable", "in":
    /// false}` pulls the cable, and the port is gone; `true` plugs it in again and gives the new port's `path`. `log` gives
    /// lines, not bytes.
    ///
    /// # Errors
    /// If the board is gone or fails.
    pub fn tell(&self, order: Value) -> Reply {
        let gone = || EmulatorError::Failed("the paced board has stopped".to_owned());
        let (reply, answer) = channel();
        self.orders.send((order, reply)).map_err(|_| gone())?;
        answer.recv().map_err(|_| gone())?
    }
}

impl Paced {
    /// Takes a board over and opens a pseudo-terminal for it.
    ///
    /// # Errors
    /// If there is no pseudo-terminal to be had.
    pub fn start(board: Emulator) -> Result<Self, EmulatorError> {
        let (master, path) = terminal()?;
        let (orders, taken) = channel();
        let thread = std::thread::spawn(move || keep_pace(board, master, &taken));
        Ok(Self { path, remote: Remote { orders }, thread: Some(thread) })
    }

    /// Starts a board on a bench, and paces it.
    ///
    /// # Errors
    /// As [`Emulator::start`] and [`Self::start`].
    pub fn on(setup: &BenchSetup) -> Result<Self, EmulatorError> {
        Self::start(Emulator::start(setup)?)
    }

    /// The port's path, for programs that open serial ports.
    #[must_use]
    pub fn path(&self) -> &str {
        &self.path
    }

    /// Orders for the board.
    #[must_use]
    pub fn remote(&self) -> Remote {
        self.remote.clone()
    }

    /// Waits until the board stops, which it does by itself only when it fails.
    ///
    /// # Errors
    /// Why it stopped.
    pub fn wait(mut self) -> Result<(), EmulatorError> {
        let thread = self.thread.take();
        thread.map_or(Ok(()), |thread| {
            thread.join().unwrap_or_else(|_| Err(EmulatorError::Failed("its thread ended".to_owned())))
        })
    }
}

impl Drop for Paced {
    fn drop(&mut self) {
        let (reply, _) = channel();
        // A board that has stopped needs no stopping.
        let _ = self.remote.orders.send((json!({"order": "stop"}), reply));
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

/// A pseudo-terminal's near end, and the path of its far end.
fn terminal() -> Result<(TTYPort, String), EmulatorError> {
    let (mut master, slave) = TTYPort::pair()?;
    let path = slave.name().ok_or_else(|| EmulatorError::Failed("the terminal has no name".to_owned()))?;
    master.set_timeout(Duration::from_millis(1))?;
    Ok((master, path))
}

fn keep_pace(
    mut board: Emulator,
    port: TTYPort,
    orders: &Receiver<(Value, Sender<Reply>)>,
) -> Result<(), EmulatorError> {
    let mut started = Instant::now().checked_sub(board.now()).unwrap_or_else(Instant::now);
    let mut port = Some(port);
    let mut open = true;
    let mut buffer = [0; 4096];
    loop {
        while let Ok((order, reply)) = orders.try_recv() {
            let answer = match order["order"].as_str() {
                Some("stop") => return Ok(()),
                Some("cable") if order["in"] == true => {
                    let (master, path) = terminal()?;
                    (port, open) = (Some(master), true);
                    board.tell(&json!({"order": "usb", "plugged": true, "open": true}))?;
                    Ok(json!({"path": path}))
                }
                // The port goes away with the device.
                Some("cable") => {
                    port = None;
                    board.tell(&json!({"order": "usb", "plugged": false}))
                }
                Some("log") => board.log().map(Value::from),
                _ => board.tell(&order),
            };
            let _ = reply.send(answer);
        }
        let (count, is_open) = match port.as_mut().map(|port| port.read(&mut buffer)) {
            None => (0, open),
            Some(Ok(count)) => (count, true),
            Some(Err(e))
                if matches!(
                    e.kind(),
                    ErrorKind::TimedOut | ErrorKind::Interrupted | ErrorKind::WouldBlock
                ) =>
            {
                (0, true)
            }
            // Nobody has the port open: what a USB device sees as DTR being low.
            Some(Err(_)) => (0, false),
        };
        if is_open != open {
            open = is_open;
            board.tell(&json!({"order": "usb", "open": open}))?;
        }
        let elapsed = started.elapsed();
        let behind = elapsed.saturating_sub(board.now());
        if behind > SLIP {
            started += behind - SLIP;
        }
        if behind < PIECE && count == 0 {
            std::thread::sleep(PIECE - behind);
        }
        let sent = board.exchange(&buffer[..count], PIECE.max(behind.min(4 * PIECE)), false)?;
        if let Some(port) = port.as_mut().filter(|_| open && !sent.is_empty()) {
            // A host that does not read, or has just gone, loses what was for it.
            let _ = port.write_all(&sent);
        }
    }
}
