//! `ports`: fixtures on this machine.

use crate::exit::Exit;
use crate::fixture::identify;
use crate::link::serial::{Port, SerialLink, ports};

/// List serial ports, and what answers on them as a fixture
///
/// Only USB serial ports are greeted; nothing is sent to others.
#[derive(Debug, clap::Args)]
pub struct Cmd {}

impl Cmd {
    /// Runs it.
    #[must_use]
    pub fn run(self) -> Exit {
        match ports() {
            Ok(found) => {
                if found.is_empty() {
                    println!("No serial ports. Is the fixture plugged in, and its cable a data cable?");
                }
                for port in found {
                    println!("{}", line(&port));
                }
                Exit::Accepted
            }
            Err(error) => {
                eprintln!("proofstand: {error}");
                Exit::Stopped
            }
        }
    }
}

fn line(port: &Port) -> String {
    if !port.usb {
        return format!("{}  {}", port.name, port.about);
    }
    let fixture = SerialLink::open(&port.name).map_err(crate::fixture::FixtureError::from).and_then(identify);
    match fixture {
        Ok(hello) => format!(
            "{}  Proofstand fixture, firmware {}, protocol {}, controller {}, calibration {:?}",
            port.name,
            hello.firmware,
            hello.version,
            crate::fixture::serial_in_words(&hello.controller_serial),
            hello.calibration
        ),
        Err(_) => format!("{}  {}: no fixture answers", port.name, port.about),
    }
}
