//! `ports`: fixtures on this machine.

use proofstand_protocol::version::{CalibrationState, FixtureHello};

use super::person::tell;
use super::show;
use crate::exit::Exit;
use crate::fixture::{FixtureError, identify, serial_in_words};
use crate::link::serial::{Port, SerialLink, ports};

const EXAMPLES: &str = "\
Examples:
  proofstand ports
      /dev/ttyACM0  Proofstand fixture, firmware 0.1.0, protocol 1.0, controller e660583883724a31,
          calibration in date until 2027-01-12
      /dev/ttyUSB0  Example Instruments: no fixture answers

  proofstand ports /dev/pts/7
      /dev/pts/7  SIMULATED fixture, firmware 0.1.0, protocol 1.0, controller ...
  proofstand accept axis.toml --port /dev/ttyACM0";

/// List serial ports, and what answers on them as a fixture
///
/// Only USB serial ports are greeted; nothing is sent to others. A greeting moves nothing. Pseudo-terminals, as a fixture
/// that is only emulated has one, are not listed: behind any other one sits somebody's shell, which a greeting would be typed
/// into. Name such a port to have it greeted.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLES)]
pub struct Cmd {
    /// Greet these ports, of whatever kind, instead of listing those of this machine
    #[arg(value_name = "PORT")]
    named: Vec<String>,
}

impl Cmd {
    /// Runs it.
    #[must_use]
    pub fn run(self) -> Exit {
        if !self.named.is_empty() {
            return greet_all(&self.named);
        }
        match ports() {
            Ok(found) => {
                if found.is_empty() {
                    tell("No serial ports. Is the fixture plugged in, and its cable a data cable?", true);
                }
                let longest = found.iter().map(|p| p.name.chars().count()).max().unwrap_or(0);
                for port in found {
                    show::out(&format!("{:longest$}  {}\n", port.name, about(&port)));
                }
                Exit::Accepted
            }
            Err(error) => {
                tell(&format!("proofstand: {error}"), true);
                Exit::Stopped
            }
        }
    }
}

/// Ends as a run does that finds no fixture, where one of them answers as none.
fn greet_all(named: &[String]) -> Exit {
    let longest = named.iter().map(|name| name.chars().count()).max().unwrap_or(0);
    let mut exit = Exit::Accepted;
    for name in named {
        let said = greet(name).unwrap_or_else(|why| {
            exit = Exit::Stopped;
            why
        });
        show::out(&format!("{name:longest$}  {said}\n"));
    }
    exit
}

fn about(port: &Port) -> String {
    if !port.usb {
        return port.about.clone();
    }
    let known = if port.about.is_empty() { "USB" } else { &port.about };
    greet(&port.name).unwrap_or_else(|why| format!("{known}: {why}"))
}

/// What a fixture says of itself, or why there is none.
fn greet(name: &str) -> Result<String, String> {
    match SerialLink::open(name).map_err(FixtureError::from).and_then(identify) {
        Ok(hello) => Ok(fixture(&hello)),
        Err(FixtureError::Link(error)) => Err(error.to_string()),
        Err(_) => Err("no fixture answers".to_owned()),
    }
}

fn fixture(hello: &FixtureHello) -> String {
    let calibration = match hello.calibration {
        CalibrationState::Valid => {
            let due = crate::calibration::day_in_words(hello.calibration_due.0);
            let past = hello.calibration_due.0 < crate::acceptance::today();
            if past { format!("out of date since {due}") } else { format!("in date until {due}") }
        }
        CalibrationState::None => "missing".to_owned(),
        CalibrationState::ForeignBoard => "of another analog board".to_owned(),
        CalibrationState::Corrupt => "damaged".to_owned(),
        CalibrationState::Other(_) => "in a state that this program does not know".to_owned(),
    };
    format!(
        "{} fixture, firmware {}, protocol {}, controller {}, calibration {calibration}",
        if hello.simulated { "SIMULATED" } else { "Proofstand" },
        hello.firmware,
        hello.version,
        serial_in_words(&hello.controller_serial),
    )
}
