//! A fixture on a serial port (USB CDC, or a pseudo-terminal).

use core::time::Duration;
use std::io::{ErrorKind, Read, Write};
use std::path::Path;
use std::time::Instant;

use super::{Link, LinkError};

/// The rate means nothing to USB CDC; a number has to be given.
const BAUD: u32 = 115_200;
/// A write that does not get through in this time means that nobody reads at the other end.
const WRITE_PATIENCE: Duration = Duration::from_millis(250);

/// An open serial port.
pub struct SerialLink {
    port: Box<dyn serialport::SerialPort>,
    name: String,
    opened: Instant,
}

impl SerialLink {
    /// Opens a port by its name, for this program alone.
    ///
    /// # Errors
    /// [`LinkError::Open`], with the nearest remedy: missing, busy, not allowed.
    pub fn open(name: &str) -> Result<Self, LinkError> {
        Self::open_at(name, BAUD)
    }

    /// The same at another baud rate: for what is on a real serial line.
    ///
    /// # Errors
    /// As [`Self::open`].
    pub fn open_at(name: &str, baud: u32) -> Result<Self, LinkError> {
        let mut port = serialport::new(name, baud).timeout(Duration::from_millis(10)).open().map_err(|e| {
            let remedy = match e.kind() {
                serialport::ErrorKind::NoDevice if !Path::new(name).exists() => {
                    "There is no such port: is the fixture plugged in? `proofstand ports` lists what there is"
                }
                serialport::ErrorKind::NoDevice => "Is another program using it? Close that one first",
                serialport::ErrorKind::Io(ErrorKind::PermissionDenied) => {
                    "Your account may not use serial ports: join the system's group for them, then log in again"
                }
                serialport::ErrorKind::Io(ErrorKind::NotFound) => {
                    "There is no such port: is the fixture plugged in? `proofstand ports` lists what there is"
                }
                _ => "`proofstand ports` lists the ports there are",
            };
            LinkError::Open { port: name.to_owned(), why: e.to_string(), remedy: remedy.to_owned() }
        })?;
        // A CDC device holds its data back until DTR; a pseudo-terminal has none and says so.
        let _ = port.write_data_terminal_ready(true);
        Ok(Self { port, name: name.to_owned(), opened: Instant::now() })
    }

    fn gone(&self, error: &std::io::Error) -> LinkError {
        LinkError::Gone { port: self.name.clone(), why: error.to_string() }
    }
}

impl Link for SerialLink {
    fn send(&mut self, bytes: &[u8]) -> Result<(), LinkError> {
        let started = Instant::now();
        let mut rest = bytes;
        while !rest.is_empty() {
            match self.port.write(rest) {
                Ok(0) => return Err(self.gone(&ErrorKind::WriteZero.into())),
                Ok(n) => rest = &rest[n..],
                Err(e)
                    if matches!(
                        e.kind(),
                        ErrorKind::Interrupted | ErrorKind::TimedOut | ErrorKind::WouldBlock
                    ) =>
                {
                    if started.elapsed() > WRITE_PATIENCE {
                        return Err(self.gone(&e));
                    }
                }
                Err(e) => return Err(self.gone(&e)),
            }
        }
        Ok(())
    }

    fn receive(&mut self, buffer: &mut [u8], wait: Duration) -> Result<usize, LinkError> {
        let started = Instant::now();
        loop {
            let left = wait.saturating_sub(started.elapsed());
            // 0 would mean "for ever" on some systems.
            let slice = left.clamp(Duration::from_millis(1), Duration::from_millis(50));
            if let Err(e) = self.port.set_timeout(slice) {
                return Err(LinkError::Gone { port: self.name.clone(), why: e.to_string() });
            }
            match self.port.read(buffer) {
                Ok(0) => return Err(self.gone(&ErrorKind::UnexpectedEof.into())),
                Ok(n) => return Ok(n),
                Err(e)
                    if matches!(
                        e.kind(),
                        ErrorKind::TimedOut | ErrorKind::Interrupted | ErrorKind::WouldBlock
                    ) =>
                {
                    if started.elapsed() >= wait {
                        return Ok(0);
                    }
                }
                Err(e) => return Err(self.gone(&e)),
            }
        }
    }

    fn now(&self) -> Duration {
        self.opened.elapsed()
    }

    fn name(&self) -> String {
        self.name.clone()
    }
}

/// A serial port of this machine.
#[derive(Debug, Clone)]
pub struct Port {
    /// Its name, as `--port` takes it.
    pub name: String,
    /// What the system knows of it.
    pub about: String,
    /// It is on USB, as a fixture is.
    pub usb: bool,
}

/// The serial ports of this machine.
///
/// # Errors
/// [`LinkError::Open`] if the system has no list of them.
pub fn ports() -> Result<Vec<Port>, LinkError> {
    // The library panics where Linux has no list of terminals at all, as in some containers.
    if cfg!(target_os = "linux") && !Path::new("/sys/class/tty").exists() {
        return Ok(Vec::new());
    }
    let found = serialport::available_ports().map_err(|e| LinkError::Open {
        port: "the list of ports".to_owned(),
        why: e.to_string(),
        remedy: "Name the port with --port".to_owned(),
    })?;
    let port = |info: serialport::SerialPortInfo| match info.port_type {
        serialport::SerialPortType::UsbPort(usb) => Port {
            name: info.port_name,
            about: [usb.manufacturer, usb.product, usb.serial_number]
                .into_iter()
                .flatten()
                .collect::<Vec<_>>()
                .join(", "),
            usb: true,
        },
        _ => Port { name: info.port_name, about: "not on USB".to_owned(), usb: false },
    };
    Ok(found.into_iter().map(port).collect())
}
