//! A newly built fixture with a loop-back plug: the fixture's firmware, a simulated board, and something wrong with one
//! of its blocks. No amplifier.

use core::time::Duration;
use std::cell::RefCell;
use std::rc::Rc;

use proofstand_firmware::fixture::{AdcCodes, Fixture, Identity, Inputs, Outputs, Start};
use proofstand_firmware::flags::FlagTiming;
use proofstand_firmware::session::Session;
use proofstand_plant::Random;
use proofstand_protocol::message::{Chain, Contacts, ResetCause};
use proofstand_protocol::units::Micros;
use proofstand_protocol::version::{Capabilities, FirmwareVersion};
use proofstand_units::Volts;

use super::board::Board;
use crate::link::{Link, LinkError};
use crate::loopback::{Ask, Hands};

/// Something wrong with a block of the fixture.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PlugFault {
    /// The stop button is bridged.
    StopBridged,
    /// What reads the hold-to-run control reads open.
    HoldUnread,
    /// The guard is bridged.
    GuardBridged,
    /// The converter gives 0 V whatever it is told.
    ConverterDead,
    /// The output has twice its gain.
    ConverterDouble,
    /// The change-over never closes.
    ChangeOverOpen,
    /// The change-over never opens.
    ChangeOverClosed,
    /// The terminal's own input reads 0 V.
    TerminalUnread,
    /// The torque read-out's input reads 0 V.
    TorqueUnread,
    /// The speed read-out's input has its resistor ten times too large, and reads a tenth too little.
    SpeedWeak,
    /// The clear-fault contact never closes.
    ClearDead,
    /// The contact of the end switch + never opens.
    PlusStuck,
    /// Contacts of both end switches swapped.
    EndsSwapped,
    /// Flag input 3 never conducts.
    FlagDead,
    /// Flag input 6 always conducts.
    FlagStuck,
    /// Flag input 7 never conducts.
    FlagSevenDead,
    /// The receiver reports no alarm.
    AlarmMissing,
    /// The receiver always reports an alarm.
    AlarmStuck,
    /// The enable relay never closes.
    RelayDead,
    /// The enable contact never closes.
    EnableDead,
}

impl PlugFault {
    /// All of them with the names of the command line.
    pub const ALL: [(&'static str, Self); 20] = [
        ("stop-bridged", Self::StopBridged),
        ("hold-unread", Self::HoldUnread),
        ("guard-bridged", Self::GuardBridged),
        ("converter-dead", Self::ConverterDead),
        ("converter-double", Self::ConverterDouble),
        ("change-over-open", Self::ChangeOverOpen),
        ("change-over-closed", Self::ChangeOverClosed),
        ("terminal-unread", Self::TerminalUnread),
        ("torque-unread", Self::TorqueUnread),
        ("speed-weak", Self::SpeedWeak),
        ("clear-dead", Self::ClearDead),
        ("plus-stuck", Self::PlusStuck),
        ("ends-swapped", Self::EndsSwapped),
        ("flag-dead", Self::FlagDead),
        ("flag-stuck", Self::FlagStuck),
        ("flag-7-dead", Self::FlagSevenDead),
        ("alarm-missing", Self::AlarmMissing),
        ("alarm-stuck", Self::AlarmStuck),
        ("relay-dead", Self::RelayDead),
        ("enable-dead", Self::EnableDead),
    ];

    /// By its name.
    #[must_use]
    pub fn parse(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|(known, _)| *known == name).map(|(_, fault)| fault)
    }
}

/// What the person at the bench has done.
#[derive(Debug, Clone, Copy)]
struct Plugged {
    stop: bool,
    hold: bool,
    guard: bool,
    bridges: bool,
    cell: bool,
}

/// The bench.
pub struct PlugBench {
    board: Board,
    session: Session,
    outputs: Outputs,
    fault: Option<PlugFault>,
    plugged: Plugged,
    ticks: u64,
}

impl PlugBench {
    /// A fixture drawn from a seed, perhaps with something wrong.
    #[must_use]
    pub fn new(seed: u64, fault: Option<PlugFault>) -> Self {
        let board = Board::drawn(&mut Random::new(seed), seed);
        let identity = Identity {
            capabilities: Capabilities::SELF_CHECK
                .union(Capabilities::METER_LEVELS)
                .union(Capabilities::GUARD_CONTACT)
                .union(Capabilities::ENCODER_LINE_FAULT),
            firmware: FirmwareVersion { major: 0, minor: 1, patch: 0 },
            simulated: true,
            controller_serial: *b"VIRTUAL1",
            analog_serial: board.serial(),
        };
        let start = Start {
            reset: ResetCause::PowerUp,
            latched: None,
            epoch: seed as u32 ^ 0x5eed_0003,
            flags: FlagTiming { debounce_us: 0, on_delay_us: 0, off_delay_us: 0 },
        };
        let outputs = Outputs::AT_START;
        let plugged = Plugged { stop: true, hold: true, guard: true, bridges: false, cell: false };
        Self {
            board,
            session: Session::new(Fixture::new(identity, start, None)),
            outputs,
            fault,
            plugged,
            ticks: 0,
        }
    }

    fn is(&self, fault: PlugFault) -> bool {
        self.fault == Some(fault)
    }

    /// The chain as the controller sees it: contacts in series, and what is wrong with them.
    fn chain(&self, relay: bool) -> Chain {
        let stop = self.plugged.stop || self.is(PlugFault::StopBridged);
        let hold = stop && self.plugged.hold;
        let guard = hold && (self.plugged.guard || self.is(PlugFault::GuardBridged));
        Chain { stop, hold: hold && !self.is(PlugFault::HoldUnread), guard, relay }
    }

    /// Flags behind the plug.
    fn flags(&self, enable: bool) -> u8 {
        let Contacts { clear_fault, mut end_plus, mut end_minus } = self.outputs.contacts;
        if self.is(PlugFault::EndsSwapped) {
            core::mem::swap(&mut end_plus, &mut end_minus);
        }
        let clear = clear_fault && !self.is(PlugFault::ClearDead);
        let plus = end_plus || self.is(PlugFault::PlusStuck);
        let closed = [enable && !self.is(PlugFault::EnableDead), clear, plus, end_minus];
        let bit = |n: usize, on: bool| u8::from(on).checked_shl(n as u32).unwrap_or(0);
        let mut flags = closed.into_iter().enumerate().fold(0, |flags, (n, on)| flags | bit(n, on));
        if self.plugged.bridges {
            flags |= 0xf0;
        }
        match self.fault {
            Some(PlugFault::FlagDead) => flags & !bit(3, true),
            Some(PlugFault::FlagSevenDead) => flags & !bit(7, true),
            Some(PlugFault::FlagStuck) => flags | bit(6, true),
            _ => flags,
        }
    }

    /// One millisecond.
    pub fn tick(&mut self) {
        self.ticks += 1;
        let given = self.board.output(self.outputs.dac_code).get();
        let converter = match self.fault {
            Some(PlugFault::ConverterDead) => 0.0,
            Some(PlugFault::ConverterDouble) => (2.0 * given).clamp(-14.0, 14.0),
            _ => given,
        };
        let connect = match self.fault {
            Some(PlugFault::ChangeOverOpen) => false,
            Some(PlugFault::ChangeOverClosed) => true,
            _ => self.outputs.connect,
        };
        let terminal = if connect { converter } else { 0.0 };
        let unless = |fault: PlugFault, volts: f64| if self.is(fault) { 0.0 } else { volts };
        let speed = if self.is(PlugFault::SpeedWeak) { 0.95 * terminal } else { terminal };
        let input = |channel: usize, volts: f64| self.board.input(channel, Volts::new(volts));
        let adc = AdcCodes {
            terminal: input(0, unless(PlugFault::TerminalUnread, terminal)),
            converter: input(1, converter),
            torque: input(2, unless(PlugFault::TorqueUnread, terminal)),
            speed: input(3, speed),
        };
        let relay = self.outputs.enable && !self.is(PlugFault::RelayDead);
        let driven = match self.fault {
            Some(PlugFault::AlarmMissing) => true,
            Some(PlugFault::AlarmStuck) => false,
            _ => self.plugged.cell,
        };
        let inputs = Inputs {
            now: Micros(self.ticks * 1000),
            counter: 0,
            last_edge: None,
            index: None,
            flags: self.flags(relay),
            flag_edges: &[],
            adc,
            chain: self.chain(relay),
            encoder_fault: !driven,
            pairs_open: !driven,
            illegal_transitions: 0,
        };
        self.outputs = self.session.on_tick(&inputs);
    }
}

/// The host's end of the cable: waiting on it makes the bench's time pass.
pub struct PlugLink(pub Rc<RefCell<PlugBench>>);

impl Link for PlugLink {
    fn send(&mut self, bytes: &[u8]) -> Result<(), LinkError> {
        self.0.borrow_mut().session.on_bytes(bytes);
        Ok(())
    }

    fn receive(&mut self, buffer: &mut [u8], wait: Duration) -> Result<usize, LinkError> {
        let mut bench = self.0.borrow_mut();
        let until = bench.ticks + wait.as_millis().max(1) as u64;
        loop {
            let got = bench.session.transmit(buffer);
            if got > 0 || bench.ticks >= until {
                return Ok(got);
            }
            bench.tick();
        }
    }

    fn now(&self) -> Duration {
        Duration::from_millis(self.0.borrow().ticks)
    }

    fn name(&self) -> String {
        "the virtual fixture".to_owned()
    }
}

/// The person at the bench, who does what is asked.
pub struct PlugHands(pub Rc<RefCell<PlugBench>>);

impl Hands for PlugHands {
    fn please(&mut self, ask: Ask) -> bool {
        let plugged = &mut self.0.borrow_mut().plugged;
        match ask {
            Ask::Begin => {}
            Ask::PressStop => plugged.stop = false,
            Ask::LetHoldGo => (plugged.stop, plugged.hold) = (true, false),
            Ask::OpenGuard => (plugged.hold, plugged.guard) = (true, false),
            Ask::CloseChain => plugged.guard = true,
            Ask::BridgeFlags => plugged.bridges = true,
            Ask::TakeBridgesOut => plugged.bridges = false,
            Ask::PlugCell => plugged.cell = true,
        }
        true
    }
}
