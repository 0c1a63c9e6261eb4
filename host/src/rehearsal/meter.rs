//! A simulated reference meter that speaks SCPI. It has errors of its own, within what it states.

use core::time::Duration;
use std::collections::VecDeque;

use proofstand_plant::Random;
use proofstand_units::{PartsPerMillion, Volts};

/// Stated accuracy: half-widths of reading and of the 10 V range (six and a half digits: from memory).
pub const STATED: (PartsPerMillion, PartsPerMillion) =
    (PartsPerMillion::new(35.0), PartsPerMillion::new(5.0));
/// Its range, volts.
const RANGE: f64 = 10.0;
/// Its last digit, volts.
const DIGIT: f64 = 10e-6;
/// Scatter of one reading, volts.
const NOISE: f64 = 5e-6;
/// How long a reading takes.
const READING: Duration = Duration::from_millis(120);
/// How long any other answer takes.
const ANSWER: Duration = Duration::from_millis(5);
/// Above so much it shows an overload.
const OVERLOAD: f64 = 12.0;

/// Something wrong with the meter or its leads.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum MeterFault {
    /// It does not answer at all.
    Silent,
    /// It stops answering readings, and its error queue is empty.
    Stuck,
    /// It answers readings with another device's bytes.
    Garbage,
    /// It answers readings with a terminal's control sequences.
    Escape,
    /// Its range is too small.
    Overload,
    /// Its leads are the wrong way round.
    Reversed,
    /// It refuses to be set up.
    Refuses,
    /// It holds its first reading.
    Held,
    /// It drifts by 5 ppm of range with every reading, as one that was just switched on.
    Cold,
}

impl MeterFault {
    /// All, by name.
    pub const ALL: [(&'static str, Self); 9] = [
        ("silent", Self::Silent),
        ("stuck", Self::Stuck),
        ("garbage", Self::Garbage),
        ("escape", Self::Escape),
        ("overload", Self::Overload),
        ("reversed", Self::Reversed),
        ("refuses", Self::Refuses),
        ("held", Self::Held),
        ("cold", Self::Cold),
    ];

    /// The fault of a name.
    #[must_use]
    pub fn parse(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|(n, _)| *n == name).map(|(_, fault)| fault)
    }
}

/// A meter.
#[derive(Debug)]
pub struct SimulatedMeter {
    gain: f64,
    zero: f64,
    random: Random,
    line: Vec<u8>,
    answers: VecDeque<(Duration, Vec<u8>)>,
    errors: VecDeque<&'static str>,
    fault: Option<MeterFault>,
    readings: u32,
    held: Option<f64>,
}

impl SimulatedMeter {
    /// A meter whose errors are drawn within its stated accuracy.
    #[must_use]
    pub fn new(seed: u64, fault: Option<MeterFault>) -> Self {
        let mut random = Random::new(seed ^ 0x6d65_7465_7200_0001);
        let mut within = || 2.0 * random.uniform() - 1.0;
        let gain = 1.0 + within() * STATED.0.get() * 1e-6;
        let zero = within() * STATED.1.get() * 1e-6 * RANGE;
        Self {
            gain,
            zero,
            random,
            line: Vec::new(),
            answers: VecDeque::new(),
            errors: VecDeque::new(),
            fault,
            readings: 0,
            held: None,
        }
    }

    /// Bytes that came; `volts` stand at its input meanwhile.
    pub fn on_bytes(&mut self, bytes: &[u8], volts: Volts, now: Duration) {
        for byte in bytes {
            if *byte == b'\n' {
                let line = String::from_utf8_lossy(&core::mem::take(&mut self.line)).trim().to_owned();
                self.obey(&line, volts.get(), now);
            } else if self.line.len() < 256 {
                self.line.push(*byte);
            }
        }
    }

    /// Bytes that are due.
    pub fn take(&mut self, now: Duration) -> Vec<u8> {
        let mut out = Vec::new();
        while self.answers.front().is_some_and(|(due, _)| *due <= now) {
            out.extend(self.answers.pop_front().map(|(_, bytes)| bytes).unwrap_or_default());
        }
        out
    }

    fn obey(&mut self, line: &str, volts: f64, now: Duration) {
        if self.fault == Some(MeterFault::Silent) {
            return;
        }
        match line {
            "*CLS" => self.errors.clear(),
            "*IDN?" => self.answer(now + ANSWER, "INVENTED INSTRUMENTS,REHEARSAL METER,0,1.0"),
            "SYST:ERR?" => {
                let error = self.errors.pop_front().unwrap_or("+0,\"No error\"");
                self.answer(now + ANSWER, error);
            }
            "CONF:VOLT:DC 10" if self.fault == Some(MeterFault::Refuses) => {
                self.errors.push_back("-221,\"Settings conflict\"");
            }
            "CONF:VOLT:DC 10" => {}
            "READ?" => self.read(volts, now + READING),
            _ => self.errors.push_back("-113,\"Undefined header\""),
        }
    }

    fn read(&mut self, volts: f64, due: Duration) {
        self.readings += 1;
        let shown = match self.fault {
            Some(MeterFault::Stuck) => return,
            Some(MeterFault::Garbage) => {
                self.answers.push_back((due, vec![0xf8, 0x80, 0x00, 0x9c, b'\n']));
                return;
            }
            Some(MeterFault::Escape) => {
                self.answers.push_back((due, b"\x1b[2J\x1b]0;taken over\x07+1.0\r\n".to_vec()));
                return;
            }
            Some(MeterFault::Overload) if volts.abs() > 1.2 => return self.answer(due, "+9.90000000E+37"),
            Some(MeterFault::Reversed) => -volts,
            Some(MeterFault::Held) => *self.held.get_or_insert(volts),
            Some(MeterFault::Cold) => volts + f64::from(self.readings) * 50e-6,
            _ => volts,
        };
        if shown.abs() > OVERLOAD {
            return self.answer(due, "+9.90000000E+37");
        }
        let shown = shown * self.gain + self.zero + NOISE * self.random.normal();
        let digits = (shown / DIGIT).round() * DIGIT;
        self.answer(due, &format!("{digits:+.8E}"));
    }

    fn answer(&mut self, due: Duration, text: &str) {
        self.answers.push_back((due, format!("{text}\r\n").into_bytes()));
    }
}
