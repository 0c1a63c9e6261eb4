//! The proof that image and rehearsal have the same core: what the image's session was given, as the recorder saw it, goes
//! through the same session compiled for this computer. Codes, contacts and every byte for the host must come out alike.
//!
//! What is done here between recorded words and the session is what `firmware/pico/src/run.rs` does on the chip.

use proofstand_firmware::calibration::decode;
use proofstand_firmware::capture::BurstPoint;
use proofstand_firmware::fixture::{AdcCodes, Fixture, Identity, IndexLatch, Inputs, Outputs, Start};
use proofstand_firmware::flags::{FlagEdge, FlagTiming};
use proofstand_firmware::session::Session;
use proofstand_pico::pins;
use proofstand_protocol::frame::{Decoder, decode_message};
use proofstand_protocol::message::{Chain, Contacts, FixtureMessage, ResetCause, State};
use proofstand_protocol::units::Micros;
use serde_json::Value;

/// As the image has them.
const FLAGS: FlagTiming = FlagTiming { debounce_us: 100, on_delay_us: 15, off_delay_us: 50 };
/// Modes of a burst, as the image numbers them.
const POSITION: u64 = 1;
const READ_OUTS: u64 = 2;

/// What came of a replay.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Replayed {
    /// Ticks that were decided alike.
    pub ticks: u64,
    /// Bytes for the host that were alike.
    pub bytes: u64,
    /// Requests' and beats' bytes that went in.
    pub received: u64,
    /// Different output codes that were seen.
    pub codes: usize,
    /// States that the session passed through, each time it changed.
    pub states: Vec<State>,
}

/// Ticks that may be late before anything is armed.
const LATE_AT_START: u32 = 3;

struct Replay {
    session: Session,
    late: u32,
    edges: Vec<FlagEdge>,
    waiting: Vec<(u32, u32)>,
    stamp: Option<u32>,
    last_edge: Option<Micros>,
    made: Vec<u8>,
    codes: std::collections::BTreeSet<u16>,
    done: Replayed,
}

/// Replays a record that begins at power-up.
///
/// # Errors
/// Where image and core differ, or the record can't be read.
pub fn replay(recorded: &Value, identity: Identity) -> Result<Replayed, String> {
    let epoch = recorded["epoch"].as_u64().ok_or("no epoch")? as u32;
    let start = Start { reset: ResetCause::PowerUp, latched: None, epoch, flags: FLAGS };
    let mut replay = Replay {
        session: Session::new(Fixture::new(identity, start, None)),
        late: 0,
        edges: Vec::new(),
        waiting: Vec::new(),
        stamp: None,
        last_edge: None,
        made: Vec::new(),
        codes: std::collections::BTreeSet::new(),
        done: Replayed::default(),
    };
    let sent = bytes(&recorded["sent"])?;
    for (number, entry) in recorded["entries"].as_array().ok_or("no entries")?.iter().enumerate() {
        if let Err(why) = replay.entry(entry) {
            let apart = first_difference(&sent, &replay.made);
            return Err(format!("entry {number}, tick {}: {why}: {entry}; {apart}", replay.done.ticks));
        }
    }
    // What the board still had to send when the recording ended has not come over the wire.
    let alike = sent.iter().zip(&replay.made).take_while(|(a, b)| a == b).count();
    if alike != sent.len() {
        let apart = first_difference(&sent, &replay.made);
        return Err(format!("byte {alike} of {} for the host differs: {apart}", sent.len()));
    }
    replay.done.bytes = alike as u64;
    replay.done.codes = replay.codes.len();
    Ok(replay.done)
}

impl Replay {
    fn entry(&mut self, entry: &Value) -> Result<(), String> {
        match entry[0].as_str().unwrap_or_default() {
            "edge" => self.waiting.push((word(&entry[1])?, word(&entry[2])?)),
            // Taken when the tick is known, below: nothing comes in between.
            "take" => {}
            "tick" => self.tick(entry)?,
            "in" => {
                let bytes = bytes(&entry[1])?;
                self.done.received += bytes.len() as u64;
                self.session.on_bytes(&bytes);
            }
            "out" => {
                let mut buffer = [0; 64];
                let made = self.session.transmit(&mut buffer);
                self.made.extend(&buffer[..made]);
                if made as u64 != entry[1].as_u64().unwrap_or(u64::MAX) {
                    return Err(format!("{made} bytes for the host"));
                }
            }
            "port" => self.session.on_port_reset(),
            "stored" => {
                let fixture = self.session.fixture_mut();
                if let Some(record) = fixture.calibration_to_store() {
                    let whole = decode(record).is_ok();
                    fixture.calibration_stored(whole);
                }
            }
            "began" => self.session.fixture_mut().burst_began(Micros(u64::from(word(&entry[1])?))),
            "points" => self.points(entry)?,
            other => return Err(format!("what is {other}?")),
        }
        Ok(())
    }

    fn tick(&mut self, entry: &Value) -> Result<(), String> {
        // While the port enumerates the main loop can be late. Nothing moves then, and what it was given differs from what
        // the recorder saw by a millisecond of the clock.
        let starting = self.done.states.iter().all(|s| *s == State::Safe) && self.late < LATE_AT_START;
        if entry[1] != 1 && starting {
            self.late += 1;
        } else if entry[1] != 1 {
            return Err("the main loop was so late that its tick was over".to_owned());
        }
        let [at, levels, count, edge, contacts_in, levels_read, read_outs] = words::<7>(&entry[2])?;
        let now = u64::from(at);
        if self.stamp.replace(edge).is_some_and(|stamp| stamp != edge) {
            let ago = at.wrapping_sub(edge).cast_signed().max(0);
            self.last_edge = Some(Micros(now.saturating_sub(u64::from(ago.unsigned_abs()))));
        }
        let index = match entry[4].as_array().map(Vec::len) {
            Some(2) => {
                let [counter, rose] = words::<2>(&entry[4])?;
                let ago = u64::try_from(at.wrapping_sub(rose).cast_signed()).unwrap_or(0);
                Some(IndexLatch { counter, at: Micros(now.saturating_sub(ago)) })
            }
            _ => None,
        };
        self.take_edges(now);
        let high = |pin: u8| levels & 1 << pin != 0;
        let inputs = Inputs {
            now: Micros(now),
            counter: count,
            last_edge: self.last_edge,
            index,
            flags: !(levels >> pins::FLAG_0) as u8,
            flag_edges: &self.edges,
            adc: AdcCodes {
                terminal: (levels_read >> 16) as u16,
                converter: levels_read as u16,
                torque: (read_outs >> 16) as u16,
                speed: read_outs as u16,
            },
            chain: Chain {
                stop: high(pins::STOP_SENSE),
                hold: high(pins::HOLD_SENSE),
                // The upper two bits are wired to 1 and 0.
                guard: contacts_in & 0xc1 == 0x81,
                relay: high(pins::RELAY_SENSE),
            },
            encoder_fault: high(pins::ENCODER_LINE_FAULT),
            // The three alarms, between the same two.
            pairs_open: contacts_in & 0xf8 == 0xb8,
            illegal_transitions: word(&entry[3])?,
        };
        let outputs = self.session.on_tick(&inputs);
        let [code, enable, contacts] = words::<3>(&entry[5])?;
        let ours = [u32::from(outputs.dac_code), u32::from(outputs.enable), register(&outputs)];
        if ours != [code, enable, contacts] {
            return Err(format!("code, enable and contacts are {ours:?}"));
        }
        self.codes.insert(outputs.dac_code);
        self.done.ticks += 1;
        let state = self.session.fixture().state();
        if self.done.states.last() != Some(&state) {
            self.done.states.push(state);
        }
        Ok(())
    }

    /// Flag edges up to a tick's time, oldest first; later ones wait.
    fn take_edges(&mut self, now: u64) {
        self.edges.clear();
        self.waiting.retain(|&(what, when)| {
            let ago = (now as u32).wrapping_sub(when).cast_signed();
            let Ok(ago) = u64::try_from(ago) else { return true };
            let at = Micros(now.saturating_sub(ago));
            self.edges.push(FlagEdge { input: what as u8, conducting: what >> 31 == 1, at });
            false
        });
    }

    fn points(&mut self, entry: &Value) -> Result<(), String> {
        let mode = entry[1].as_u64().ok_or("no mode")?;
        let [from, until] = [&entry[2], &entry[3]].map(|value| value.as_u64().unwrap_or(0) as usize);
        let words: Vec<u32> =
            entry[4].as_array().ok_or("no points")?.iter().map(word).collect::<Result<_, _>>()?;
        for number in from..until {
            let whole = words.get(number).copied().unwrap_or(0);
            let point = match mode {
                POSITION => BurstPoint::Position(whole),
                READ_OUTS => BurstPoint::ReadOuts { torque: (whole >> 16) as u16, speed: whole as u16 },
                _ => {
                    let four = words.get(number / 4).copied().unwrap_or(0);
                    BurstPoint::Lines((four >> (number % 4 * 8)) as u8)
                }
            };
            self.session.fixture_mut().burst_point(point);
        }
        Ok(())
    }
}

/// The first frame that differs between two streams, decoded.
fn first_difference(image: &[u8], core: &[u8]) -> String {
    let decoded = |stream: &[u8]| -> Vec<String> {
        let mut decoder = Decoder::new();
        let mut frames = Vec::new();
        for &byte in stream {
            if let Some(Ok(payload)) = decoder.push(byte) {
                let message = decode_message::<FixtureMessage>(payload);
                frames
                    .push(message.map_or_else(|_| format!("{payload:?}"), |message| format!("{message:?}")));
            }
        }
        frames
    };
    let (image, core) = (decoded(image), decoded(core));
    let apart = image.iter().zip(&core).find(|(a, b)| a != b);
    apart.map_or_else(|| "all whole frames are alike".to_owned(), |(a, b)| format!("image {a}, core {b}"))
}

/// The register of the contacts, as the table in the image's README has it.
fn register(outputs: &Outputs) -> u32 {
    let Contacts { clear_fault, end_plus, end_minus } = outputs.contacts;
    [clear_fault, end_plus, end_minus, outputs.connect]
        .into_iter()
        .enumerate()
        .map(|(bit, on)| u32::from(on) << bit)
        .sum()
}

fn word(value: &Value) -> Result<u32, String> {
    value.as_u64().map(|word| word as u32).ok_or_else(|| format!("{value} is no word"))
}

fn words<const N: usize>(value: &Value) -> Result<[u32; N], String> {
    let list: Vec<u32> = value.as_array().into_iter().flatten().map(word).collect::<Result<_, _>>()?;
    list.try_into().map_err(|_| format!("{value} has not {N} words"))
}

fn bytes(value: &Value) -> Result<Vec<u8>, String> {
    let text = value.as_str().ok_or("no bytes")?;
    let byte = |at: usize| u8::from_str_radix(text.get(at..at + 2).unwrap_or("-"), 16);
    (0..text.len()).step_by(2).map(|at| byte(at).map_err(|e| e.to_string())).collect()
}
