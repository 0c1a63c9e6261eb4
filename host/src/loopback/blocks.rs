//! What the readings say of each block. Pure: readings in, findings out.

use proofstand_protocol::message::Chain;

/// A block of the fixture.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Block {
    /// Fixture stop, hold-to-run or guard, and what reads it.
    Chain(&'static str),
    /// Output converter and amplifier, with the input that reads them.
    Converter,
    /// The change-over contact, or the input that reads the terminal.
    ChangeOver,
    /// A read-out input.
    ReadOut(&'static str),
    /// A contact with the flag input behind it.
    Contact(&'static str),
    /// A flag input.
    Flag(u8),
    /// The encoder's receiver.
    Encoder,
    /// Relay, enable contact, request and keep-alive.
    Enable,
}

impl Block {
    /// In words.
    #[must_use]
    pub fn words(self) -> String {
        match self {
            Self::Chain(what) => format!("chain: {what}"),
            Self::Converter => "command converter".to_owned(),
            Self::ChangeOver => "change-over".to_owned(),
            Self::ReadOut(what) => format!("{what} read-out"),
            Self::Contact(what) => format!("contact: {what}"),
            Self::Flag(n) => format!("flag input {n}"),
            Self::Encoder => "encoder receiver".to_owned(),
            Self::Enable => "enable".to_owned(),
        }
    }
}

/// What was found of a block.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum State {
    /// As it should be.
    Right,
    /// Not, and what to look at.
    Wrong(String),
    /// Not judged, and why.
    NotJudged(String),
}

/// A block and what was found of it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Finding {
    /// The block.
    pub block: Block,
    /// What was found.
    pub state: State,
}

/// Farthest that an uncalibrated board may be from a level: its budget of 25 mV, and as much again for the input (the
/// error budget; the input's half from memory).
const OFF: f64 = 0.05;

/// The chain's contacts in the order of the current. What is behind an open one has no current either.
pub(super) const CHAIN: [(&str, &str); 3] = [
    ("fixture stop", "S1, S2, U711, R711, R714"),
    ("hold-to-run", "S3, S4, U712, R712, R715"),
    ("guard", "S5, S6, U713, R713, R716, U102 bit 0"),
];

const fn bits(chain: &Chain) -> [bool; 3] {
    [chain.stop, chain.hold, chain.guard]
}

/// One contact of the chain: all closed, then it alone opened. The contacts before it must stay closed.
pub(super) fn chain(which: usize, closed: &Chain, opened: &Chain) -> Finding {
    let (name, parts) = CHAIN.get(which).copied().unwrap_or(("", ""));
    let (closed, opened) = (bits(closed), bits(opened));
    let is = |bits: [bool; 3]| bits.get(which).copied().unwrap_or(false);
    let before_stays = opened.iter().zip(closed).take(which).all(|(open, was)| *open || !was);
    let state = if !is(closed) && closed.iter().take(which).all(|bit| *bit) {
        State::Wrong(format!("reads open with everything closed: {parts}"))
    } else if !is(closed) {
        State::NotJudged("a contact before it reads open".to_owned())
    } else if is(opened) {
        State::Wrong(format!("reads closed while it is open: a bridge across {parts}"))
    } else if !before_stays {
        State::Wrong(format!("opening it opens one before it: two loops of S are swapped, or {parts}"))
    } else {
        State::Right
    };
    Finding { block: Block::Chain(name), state }
}

/// What the self-check read at a level, output isolated: converter and terminal, volts.
pub(super) type Isolated = (f64, f64, f64);

/// Converter and change-over at rest.
pub(super) fn isolated(readings: &[Isolated]) -> [Finding; 2] {
    let worst = readings.iter().map(|(level, converter, _)| (converter - level).abs()).fold(0.0, f64::max);
    let held = readings.iter().all(|(_, converter, _)| converter.abs() < OFF);
    let leak = readings.iter().map(|(_, _, terminal)| terminal.abs()).fold(0.0, f64::max);
    let converter = if worst < OFF {
        State::Right
    } else if held {
        State::Wrong(
            "reads 0 V at every level: U201 not set up, its supplies, U202, or R302 to the input".to_owned(),
        )
    } else {
        State::Wrong(format!(
            "off by up to {worst:.2} V: U201, R201, R202, C203, U202, R302, U301's reference"
        ))
    };
    let change_over = if leak < OFF {
        State::Right
    } else if worst >= OFF {
        State::NotJudged("the converter is wrong".to_owned())
    } else {
        State::Wrong(format!(
            "{leak:.2} V at the terminal while the contact should be at rest: RL2, U203, R204"
        ))
    };
    [
        Finding { block: Block::Converter, state: converter },
        Finding { block: Block::ChangeOver, state: change_over },
    ]
}

/// What was read at a level that was put onto the terminal: terminal, torque, speed, volts.
pub(super) type Put = (f64, [f64; 3]);

/// Change-over closed, and both read-outs through the plug.
pub(super) fn put(readings: &[Put]) -> [Finding; 3] {
    let off = |which: usize| {
        let of = |(level, read): &Put| (read.get(which).copied().unwrap_or(f64::NAN) - level).abs();
        readings.iter().map(of).fold(0.0, f64::max)
    };
    let [terminal, torque, speed] = [off(0), off(1), off(2)];
    // Three that are wrong together are one cause: the contact. One alone is its own input.
    let nothing_comes = terminal >= OFF && torque >= OFF && speed >= OFF;
    let contact = if terminal < OFF {
        State::Right
    } else if nothing_comes {
        State::Wrong(format!(
            "the terminal is off by {terminal:.2} V: RL2 does not close (U203, R205, D202, CHAIN24), or its own input does not see it (R301, D301)"
        ))
    } else {
        State::Wrong(
            "the command gets to the read-outs, but the terminal's own input does not see it: R301, D301"
                .to_owned(),
        )
    };
    let read_out = |name, off: f64, parts: &str| {
        let state = if off < OFF {
            State::Right
        } else if nothing_comes {
            State::NotJudged("no command reaches the terminal".to_owned())
        } else {
            State::Wrong(format!("off by {off:.2} V: {parts}, or the plug's wire"))
        };
        Finding { block: Block::ReadOut(name), state }
    };
    [
        Finding { block: Block::ChangeOver, state: contact },
        read_out("torque", torque, "R303, C303, D303, R1, F901"),
        read_out("speed", speed, "R304, C304, D304, R4, F901"),
    ]
}

/// Contacts that can be set by themselves: name, parts, flag input behind them in the plug.
pub(super) const CONTACTS: [(&str, &str, u8); 3] = [
    ("clear fault", "U601, R601, F601, U101 QA", 1),
    ("end switch +", "U602, R602, F602, U101 QB", 2),
    ("end switch -", "U603, R603, F603, U101 QC", 3),
];

/// A contact and the flag behind it: flags with all contacts open, with this one closed, with all others closed.
pub(super) fn contact(which: usize, open: u8, own: u8, others: u8) -> Finding {
    let (name, parts, input) = CONTACTS.get(which).copied().unwrap_or(("", "", 0));
    let bit = 1_u8.checked_shl(u32::from(input)).unwrap_or(0);
    let flag = 501 + u32::from(input);
    let state = if open & bit != 0 {
        State::Wrong(format!("flag {input} conducts with all contacts open: {parts}, or U{flag} and D{flag}"))
    } else if own & bit == 0 && others & bit != 0 {
        State::Wrong(format!("answers to another contact: wires of the plug or of {parts} swapped"))
    } else if own & bit == 0 {
        State::Wrong(format!(
            "flag {input} does not conduct when it closes: {parts}; or U{flag}, R{flag}, D{flag}. Bridge F{} to F{} to tell",
            2 * input + 1,
            2 * input + 2
        ))
    } else if own & !bit & !open != 0 {
        State::Wrong(format!("closes another flag as well: a bridge between contacts or flags, {parts}"))
    } else {
        State::Right
    };
    Finding { block: Block::Contact(name), state }
}

/// A flag input that a person bridges: before and while bridged.
pub(super) fn flag(input: u8, before: u8, bridged: u8) -> Finding {
    let bit = 1_u8.checked_shl(u32::from(input)).unwrap_or(0);
    let parts = 501 + u32::from(input);
    let state = if before & bit != 0 {
        State::Wrong(format!("conducts with nothing plugged: U{parts}, or a bridge from F{}", 2 * input + 1))
    } else if bridged & bit == 0 {
        State::Wrong(format!("does not conduct when bridged: R{parts}, D{parts}, U{parts}, F501, F502"))
    } else {
        State::Right
    };
    Finding { block: Block::Flag(input), state }
}

/// The receiver with nothing plugged and with the cell: are all pairs driven?
pub(super) fn encoder(unplugged: Option<bool>, cell: Option<bool>) -> Finding {
    let state = match (unplugged, cell) {
        (None, _) | (_, None) => State::NotJudged("this firmware can't tell".to_owned()),
        (Some(true), _) => State::Wrong("open pairs raise no alarm: U401, ALARMD to GP13".to_owned()),
        (Some(false), Some(false)) => State::Wrong(
            "a pair reads as not driven with the cell plugged: F401 to F406, D401 to D403, R401 to R403, the cell".to_owned(),
        ),
        (Some(false), Some(true)) => State::Right,
    };
    Finding { block: Block::Encoder, state }
}

/// The enable path: relay and flag 0 before, while enabled, and after.
pub(super) fn enable(before: (bool, bool), enabled: (bool, bool), after: (bool, bool)) -> Finding {
    let state = match (before, enabled, after) {
        ((true, _), ..) => {
            State::Wrong("RL1 reads closed before anything was asked: RL1, U714, Q701".to_owned())
        }
        ((_, true), ..) => {
            State::Wrong("flag 0 conducts before anything was asked: U604, D604, U501".to_owned())
        }
        (_, (false, _), _) => State::Wrong(
            "RL1 does not close: Q701, U705, Q702, Q703, keep-alive (C701, C702, U708), U714".to_owned(),
        ),
        (_, (true, false), _) => {
            State::Wrong("RL1 closes, flag 0 does not conduct: U604, R604, U706, F604, U501".to_owned())
        }
        (.., (false, false)) => State::Right,
        _ => State::Wrong("stays closed after it was told to open: RL1, U604".to_owned()),
    };
    Finding { block: Block::Enable, state }
}
