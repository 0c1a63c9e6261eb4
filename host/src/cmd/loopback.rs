//! `loopback`: a newly built fixture, block by block, with a loop-back plug.

use std::cell::RefCell;
use std::io::IsTerminal;
use std::rc::Rc;
use std::sync::Arc;

use clap::builder::TypedValueParser as _;

use super::person::{Keyboard, tell};
use super::{names, show, stop};
use crate::exit::Exit;
use crate::fixture::{Client, FixtureError, Numbered, Tap};
use crate::link::Link;
use crate::link::serial::SerialLink;
use crate::loopback::{Ask, Finding, Hands, State, walk};
use crate::rehearsal::{PlugBench, PlugFault, PlugHands, PlugLink};

const EXAMPLES: &str = "\
Examples:
  proofstand loopback --port /dev/ttyACM0
      Asks for stop button, hold-to-run control, guard, bridges and cell in turn, and says of each block whether \
it is right. The plug: hardware/CABLE.md.

  proofstand loopback --rehearse --fault change-over-open
      What that looks like, without hardware.

Exit code 0: every block is right. 1: one is not. 3: none is wrong, one could not be judged. 4: stopped.";

/// Walk through a newly built fixture with a loop-back plug, and say which block is wrong
///
/// No amplifier and no calibration: the command goes to ±8 V into the plug, contacts close onto flag inputs. Wrong parts,
/// bridges and open joints are found, not millivolts.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLES)]
pub struct Cmd {
    /// The fixture's port; `proofstand ports` lists them
    #[arg(long, value_name = "PORT", required_unless_present = "rehearse", conflicts_with = "rehearse")]
    port: Option<String>,
    /// Without hardware: a simulated fixture and plug
    #[arg(long)]
    rehearse: bool,
    /// Rehearsal: something wrong with the fixture; `list` lists what
    #[arg(long, value_name = "FAULT", requires = "rehearse", value_parser = names::plug_faults().try_map(|name| fault(&name)))]
    fault: Option<Given>,
    /// Rehearsal: seed of the simulated board
    #[arg(long, value_name = "NUMBER", default_value_t = 1, requires = "rehearse")]
    seed: u64,
}

#[derive(Debug, Clone, Copy)]
enum Given {
    List,
    Fault(PlugFault),
}

fn fault(text: &str) -> Result<Given, String> {
    if text == "list" {
        return Ok(Given::List);
    }
    PlugFault::parse(text).map(Given::Fault).ok_or_else(names)
}

fn names() -> String {
    PlugFault::ALL.map(|(name, _)| name).join(", ")
}

impl Cmd {
    /// Runs it.
    #[must_use]
    pub fn run(self) -> Exit {
        if matches!(self.fault, Some(Given::List)) {
            show::out(&format!("{}\n", names().replace(", ", "\n")));
            return Exit::Accepted;
        }
        let walked = if self.rehearse { self.rehearsed() } else { self.walked() };
        walked.unwrap_or_else(|(exit, message)| {
            tell(&format!("proofstand: {message}"), true);
            exit
        })
    }

    fn rehearsed(&self) -> Result<Exit, (Exit, String)> {
        let given =
            self.fault.and_then(|given| if let Given::Fault(fault) = given { Some(fault) } else { None });
        let bench = Rc::new(RefCell::new(PlugBench::new(self.seed, given)));
        let client = Client::connect(PlugLink(Rc::clone(&bench)), &mut Unkept);
        let mut hands = Said(PlugHands(bench));
        told(client, &mut hands, "REHEARSAL  ")
    }

    fn walked(&self) -> Result<Exit, (Exit, String)> {
        let stopped = |why: String| (Exit::Stopped, why);
        if !std::io::stdin().is_terminal() {
            let why = "a person has to do what is asked, and standard input is no terminal".to_owned();
            return Err((Exit::BadInput, why));
        }
        let stop = stop::asked().map_err(|e| stopped(format!("can't watch for Ctrl-C: {e}")))?;
        let port = self.port.as_deref().unwrap_or_default();
        let link = SerialLink::open(port).map_err(|e| stopped(e.to_string()))?;
        let mut client = Client::connect(link, &mut Unkept);
        if let Ok(client) = &mut client {
            client.interrupt_on(Arc::clone(&stop));
        }
        tell("No amplifier may be plugged in, powered or not: command and contacts are put out.", true);
        told(client, &mut Asked(Keyboard::new(stop)), "")
    }
}

fn told<L: Link>(
    client: Result<Client<L>, FixtureError>,
    hands: &mut dyn Hands,
    mark: &str,
) -> Result<Exit, (Exit, String)> {
    let stopped = |error: FixtureError| (Exit::Stopped, error.to_string());
    let mut client = client.map_err(stopped)?;
    let mark = if client.hello().simulated { "REHEARSAL  " } else { mark };
    let findings =
        walk(&mut client, hands, &mut |finding| show::out(&line(finding, mark))).map_err(stopped)?;
    let wrong = findings.iter().filter(|f| matches!(f.state, State::Wrong(_))).count();
    let left = findings.iter().filter(|f| matches!(f.state, State::NotJudged(_))).count();
    let (exit, words) = match (wrong, left) {
        (0, 0) => (Exit::Accepted, "Every block is right. Next: the calibration.".to_owned()),
        (0, left) => (Exit::Undecided, format!("No block is wrong, {left} could not be judged.")),
        (wrong, left) => {
            (Exit::Rejected, format!("{wrong} wrong, {left} could not be judged. Begin with the first."))
        }
    };
    show::out(&format!("{mark}{words}\n"));
    Ok(exit)
}

fn line(finding: &Finding, mark: &str) -> String {
    let (state, more) = match &finding.state {
        State::Right => ("right", ""),
        State::Wrong(why) => ("WRONG", why.as_str()),
        State::NotJudged(why) => ("not judged", why.as_str()),
    };
    format!("{mark}{:24} {state:10} {more}", finding.block.words()).trim_end().to_owned() + "\n"
}

/// Asks a person at the keyboard.
struct Asked(Keyboard);

impl Hands for Asked {
    fn please(&mut self, ask: Ask) -> bool {
        self.0.enter(&format!("{}. Then Enter; s stops:", ask.words()))
    }
}

/// Says what a person would be asked.
struct Said(PlugHands);

impl Hands for Said {
    fn please(&mut self, ask: Ask) -> bool {
        tell(&format!("{}.", ask.words()), true);
        self.0.please(ask)
    }
}

/// A greeting's samples and events.
struct Unkept;

impl Tap for Unkept {
    fn samples(
        &mut self,
        _dropped: u32,
        _samples: &[proofstand_protocol::message::Sample],
    ) -> std::io::Result<()> {
        Ok(())
    }

    fn event(&mut self, _event: &Numbered) -> std::io::Result<()> {
        Ok(())
    }
}
