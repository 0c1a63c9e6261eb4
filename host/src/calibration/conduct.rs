//! Carrying a calibration out: levels up and down, the fit, the check between the points, and only then the fixture.
//!
//! Until the last step nothing in the fixture is changed: levels are put out by the converter's ideal line, and what the
//! new calibration will do is measured before it is stored. The store itself is all or nothing (the fixture's flash keeps
//! the old record until the new one is whole), so whatever stops this leaves the old calibration or the new one.

use core::time::Duration;

use proofstand_protocol::message::{Answer, CHUNK_BYTES, Event, Request, State, TripCause};
use proofstand_protocol::units::Microvolts;
use proofstand_protocol::version::Capabilities;
use proofstand_units::{Seconds, Volts};

use super::fit::numbers;
use super::image::{Image, Unfit, volts};
use super::reading::{Impossible, Level, Reading, agree, consistent, possible, settled, still_shown};
use super::record::Left;
use crate::fixture::{Client, FixtureError, Numbered, Received, Tap};
use crate::link::{Link, LinkError};
use crate::metrology::MetrologyError;
use crate::scpi::ScpiError;

/// Every how many ticks a sample is streamed: often enough for the beat.
const DECIMATION: u16 = 10;
/// One wait on the fixture.
const TURN: Duration = Duration::from_millis(20);
/// Settled ticks before the meter is asked, and before the inputs' means are taken.
const SETTLED: u32 = 50;
/// How long a level has stood when the meter is asked: the fixture takes it for settled 20 ticks after it was reached, and counts
/// from then.
pub const STOOD: Seconds = Seconds::new(1e-3 * (20 + SETTLED) as f64);
/// A level that is waited on is asked for again before the fixture takes its host for gone.
const AGAIN: Duration = Duration::from_secs(60);
/// How often one level may be put out again because this computer fell silent.
const SILENCES: usize = 5;
/// How long an event may be under way.
const NEWS: Duration = Duration::from_millis(100);
/// Tries of a level whose readings don't settle.
const TRIES: usize = 5;
/// Farthest that a level between the points may be off: the step, noise and curve that the fit claims, four times.
pub const LEFT_OFF: f64 = 4.0;

/// What a calibration can stop at.
#[derive(Debug, thiserror::Error)]
pub enum CalibrateError {
    /// The fixture, or the way to it.
    #[error(transparent)]
    Fixture(#[from] FixtureError),
    /// The meter, by SCPI.
    #[error(transparent)]
    Meter(#[from] ScpiError),
    /// The way to the meter.
    #[error("the meter's port: {0}")]
    MeterPort(LinkError),
    /// Nobody answers any more, or a stop was asked for.
    #[error("stopped on request")]
    Stopped,
    /// A reading that can't be.
    #[error(transparent)]
    Impossible(#[from] Impossible),
    /// This computer's date is before that of the calibration in the fixture.
    #[error("the fixture's calibration is of {found}, which is after today: set this computer's clock first")]
    Clock {
        /// Date of the calibration in the fixture.
        found: String,
    },
    /// No line can be fitted.
    #[error("the readings make no line: {0}")]
    Fit(#[from] MetrologyError),
    /// The fixture would refuse the record.
    #[error(transparent)]
    Unfit(#[from] Unfit),
    /// The new calibration does not do between its points what it claims.
    #[error("{0}: it is not stored. Something moved meanwhile, or more points are needed")]
    LeftOff(Impossible),
    /// The fixture can't tell whether an amplifier is connected.
    #[error(
        "this fixture can't tell whether an amplifier is connected (it has no detection of open encoder pairs), and a \
         calibration puts ±10 V on the command terminals: it is not calibrated. Newer firmware on a board whose receivers \
         report open pairs can be"
    )]
    CannotTell,
    /// The encoder pairs are driven: an amplifier is connected.
    #[error(
        "the encoder pairs are driven: an amplifier is connected and powered, and a calibration would put ±10 V on its command. \
         Unplug the amplifier's command and encoder cables, plug the calibration plug in (hardware/CALIBRATION.md), and begin \
         again"
    )]
    AmplifierConnected,
    /// What was stored reads back otherwise.
    #[error("the fixture's record reads back otherwise than it was sent; its calibration can't be relied on")]
    ReadBack,
    /// A file.
    #[error("can't write {path}: {why}")]
    File {
        /// Which.
        path: String,
        /// The system's words.
        why: std::io::Error,
    },
}

/// What is asked of a meter.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Asked {
    /// The level by the ideal line.
    pub level: Volts,
    /// What was asked for through a correction that gives this level; none where the bare converter is read.
    pub wanted: Option<Volts>,
    /// Its number, from 1.
    pub number: usize,
    /// Of how many.
    pub of: usize,
}

/// A reference meter: a person who reads one, or one that speaks.
pub trait ReferenceMeter {
    /// Asks for a reading of a level. Does not wait.
    fn ask(&mut self, about: &Asked);

    /// The reading, if it has come. Does not wait.
    ///
    /// # Errors
    /// If none will come.
    fn poll(&mut self) -> Result<Option<Volts>, CalibrateError>;

    /// Readings of one level and direction.
    fn repeats(&self) -> usize;

    /// A reading was refused. True: another may be better (a person mistyped).
    fn refused(&mut self, why: &Impossible) -> bool;
}

/// Is told how it goes on.
pub trait Watcher {
    /// A level has been read.
    ///
    /// # Errors
    /// If that can't be kept.
    fn read(&mut self, asked: &Asked, reading: &Reading) -> Result<(), CalibrateError>;
}

/// Keeps nothing of the stream: a calibration's evidence is its readings.
pub(super) struct Unkept;

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

/// A fixture whose command goes to a meter.
pub struct Bench<'a, L> {
    client: &'a mut Client<L>,
    meter: &'a mut dyn ReferenceMeter,
    watcher: &'a mut dyn Watcher,
    /// The level that was read last, and what the meter showed of it.
    last: Option<(Volts, Volts)>,
}

impl<'a, L: Link> Bench<'a, L> {
    /// Begins: the stream, and with it the beat.
    ///
    /// # Errors
    /// As the client's requests.
    pub fn new(
        client: &'a mut Client<L>,
        meter: &'a mut dyn ReferenceMeter,
        watcher: &'a mut dyn Watcher,
    ) -> Result<Self, CalibrateError> {
        client.done(Request::Stream { decimation: DECIMATION }, &mut Unkept)?;
        Ok(Self { client, meter, watcher, last: None })
    }

    /// Reads levels upwards, then downwards. They must rise.
    ///
    /// # Errors
    /// [`CalibrateError`]; the fixture is then at 0 V or gets there by itself.
    pub fn up_and_down(&mut self, levels: &[Volts]) -> Result<Vec<Level>, CalibrateError> {
        let of = 2 * levels.len();
        let mut read = Vec::new();
        for (number, level) in levels.iter().chain(levels.iter().rev()).enumerate() {
            read.push(self.level(&Asked { level: *level, wanted: None, number: number + 1, of })?);
        }
        let (up, down) = read.split_at(levels.len());
        let all = levels.iter().zip(up).zip(down.iter().rev());
        let mut levels: Vec<Level> = all
            .map(|((nominal, up), down)| Level { nominal: *nominal, up: up.clone(), down: down.clone() })
            .collect();
        for (number, level) in levels.iter_mut().enumerate() {
            self.mended(level, number + 1, of)?;
        }
        consistent(&levels)?;
        Ok(levels)
    }

    /// A level whose readings don't agree, though each could be one of it: a person may have mistyped a digit and is asked for
    /// both once more, instead of for all levels. A meter that speaks does not mistype.
    fn mended(&mut self, level: &mut Level, number: usize, of: usize) -> Result<(), CalibrateError> {
        for _ in 0..TRIES {
            let Err(why) = agree(level) else { break };
            if !self.meter.refused(&why) {
                break;
            }
            let asked = Asked { level: level.nominal, wanted: None, number, of };
            level.up = self.level(&asked)?;
            level.down = self.level(&asked)?;
        }
        Ok(())
    }

    /// Reads levels between the points of a record that is not stored yet, put out as it will put them out.
    ///
    /// # Errors
    /// [`CalibrateError::LeftOff`] if one is off by more than `residual` explains.
    pub fn between(
        &mut self,
        image: &Image,
        asked: &[Volts],
        residual: Volts,
    ) -> Result<Vec<Left>, CalibrateError> {
        let mut left = Vec::new();
        for (number, &wanted) in asked.iter().enumerate() {
            let level = image.ideal_level(wanted);
            let about = Asked { level, wanted: Some(wanted), number: number + 1, of: asked.len() };
            let mut tries = 0;
            let (error, readings) = loop {
                let reading = self.level(&about)?;
                let error = reading.meter - wanted;
                let most = residual * LEFT_OFF;
                if error.abs() <= most {
                    break (error, reading.readings);
                }
                tries += 1;
                let why = Impossible::LeftOff { asked: wanted, off: error, most };
                if tries >= TRIES || !self.meter.refused(&why) {
                    return Err(CalibrateError::LeftOff(why));
                }
            };
            left.push(Left { asked: wanted, nominal: level, error, readings });
        }
        Ok(left)
    }

    /// Ends at 0 V, isolated.
    ///
    /// # Errors
    /// As the client's requests.
    pub fn end(self) -> Result<(), CalibrateError> {
        self.client.done(Request::Disarm, &mut Unkept)?;
        Ok(self.client.done(Request::Stream { decimation: 0 }, &mut Unkept)?)
    }

    fn level(&mut self, asked: &Asked) -> Result<Reading, CalibrateError> {
        let (mut tries, mut silences) = (0, 0);
        loop {
            let reading = match self.once(asked) {
                Ok(reading) => reading,
                Err(error) => {
                    let own = self.fell_silent(&error)?.filter(|_| silences < SILENCES);
                    let Some(trip) = own else { return Err(error) };
                    silences += 1;
                    self.client.done(Request::Acknowledge { trip }, &mut Unkept)?;
                    // Its event may still be under way, and is no news then.
                    let until = self.client.now() + NEWS;
                    while self.client.now() < until {
                        self.client.next(TURN, &mut Unkept)?;
                    }
                    continue;
                }
            };
            tries += 1;
            match settled(asked.level, &reading) {
                Ok(()) => {
                    self.watcher.read(asked, &reading)?;
                    return Ok(reading);
                }
                Err(why) if tries < TRIES && matches!(why, Impossible::Unsettled { .. }) => {}
                Err(why) => return Err(why.into()),
            }
        }
    }

    /// The number of the trip, if an error came of this computer having been busy for longer than the beat allows: that says
    /// nothing about the bench, the fixture is at 0 V, and the level can be put out again.
    fn fell_silent(&mut self, error: &CalibrateError) -> Result<Option<u32>, CalibrateError> {
        let fixtures =
            matches!(error, CalibrateError::Fixture(FixtureError::Tripped(_) | FixtureError::Refused { .. }));
        if !fixtures {
            return Ok(None);
        }
        let status = self.client.status(&mut Unkept)?;
        let trip =
            status.trip.filter(|trip| status.state == State::Tripped && trip.cause == TripCause::BeatLost);
        Ok(trip.map(|trip| trip.number))
    }

    fn once(&mut self, asked: &Asked) -> Result<Reading, CalibrateError> {
        self.put(asked.level)?;
        while self.inputs()?.0 < SETTLED {
            self.turn()?;
        }
        let mut values = Vec::new();
        while values.len() < self.meter.repeats().max(1) {
            let shown = self.shown(asked)?;
            match possible(asked.level, shown)
                .map_err(|why| still_shown(self.last, asked.level, shown).unwrap_or(why))
            {
                Ok(value) => values.push(value),
                Err(why) if self.meter.refused(&why) => {}
                Err(why) => return Err(why.into()),
            }
        }
        let mut inputs = self.inputs()?;
        while inputs.0 < SETTLED {
            self.turn()?;
            inputs = self.inputs()?;
        }
        let mean = Volts::new(numbers(&values).iter().sum::<f64>() / values.len() as f64);
        let low = values.iter().copied().fold(Volts::new(f64::INFINITY), Volts::min);
        let high = values.iter().copied().fold(Volts::new(f64::NEG_INFINITY), Volts::max);
        self.last = Some((asked.level, mean));
        Ok(Reading { meter: mean, readings: values, spread: high - low, inputs: inputs.1 })
    }

    /// One reading of the meter; the fixture hears its host meanwhile.
    fn shown(&mut self, asked: &Asked) -> Result<Volts, CalibrateError> {
        self.meter.ask(asked);
        let mut since = self.client.now();
        loop {
            if let Some(value) = self.meter.poll()? {
                return Ok(value);
            }
            self.turn()?;
            if self.client.now().saturating_sub(since) > AGAIN {
                since = self.client.now();
                self.put(asked.level)?;
            }
        }
    }

    fn put(&mut self, level: Volts) -> Result<(), CalibrateError> {
        // A trip that has come is the reason to stop, not the refusal that would follow.
        self.turn()?;
        let epoch = self.client.status(&mut Unkept)?.epoch;
        let level = Microvolts((level.get() * 1e6).round() as i32);
        let request = Request::MeterLevel { epoch, level, corrected: false };
        Ok(self.client.done(request, &mut Unkept)?)
    }

    /// How many ticks the inputs' means are of, and the means: terminal, converter, torque, speed.
    fn inputs(&mut self) -> Result<(u32, [Volts; 4]), CalibrateError> {
        // A trip that has come explains a refusal better than the refusal itself.
        let answer = self.client.request(Request::MeterReadings, &mut Unkept);
        match answer {
            Ok(Answer::MeterReadings { ticks, converter, terminal, torque, speed }) => {
                Ok((ticks, [terminal, converter, torque, speed].map(volts)))
            }
            Ok(other) => Err(FixtureError::Nonsense {
                request: "MeterReadings".to_owned(),
                answer: format!("{other:?}"),
            }
            .into()),
            Err(refused @ FixtureError::Refused { .. }) => {
                self.turn()?;
                Err(refused.into())
            }
            Err(error) => Err(error.into()),
        }
    }

    /// Lets time go by on the link. A trip ends everything.
    fn turn(&mut self) -> Result<(), CalibrateError> {
        let mut wait = TURN;
        while let Some(received) = self.client.next(wait, &mut Unkept)? {
            if let Received::Event(Numbered { event: Event::Tripped(trip), .. }) = received {
                return Err(FixtureError::Tripped(trip).into());
            }
            // What has piled up meanwhile is taken at once.
            wait = Duration::ZERO;
        }
        Ok(())
    }
}

/// Refuses a fixture on which an amplifier hangs, or that could not tell. The fixture looks again before each level, at
/// each pair by itself: one that is broken hides none of the others there.
///
/// # Errors
/// [`CalibrateError::CannotTell`], [`CalibrateError::AmplifierConnected`], or as the client's requests.
pub fn nothing_but_the_plug<L: Link>(client: &mut Client<L>) -> Result<(), CalibrateError> {
    if !client.agreement().capabilities.contains(Capabilities::ENCODER_LINE_FAULT) {
        return Err(CalibrateError::CannotTell);
    }
    match client.encoder_driven(&mut Unkept)? {
        Some(false) => Ok(()),
        Some(true) => Err(CalibrateError::AmplifierConnected),
        None => Err(CalibrateError::CannotTell),
    }
}

/// Makes a record the fixture's calibration, and reads it back.
///
/// # Errors
/// [`CalibrateError::ReadBack`], or the fixture's refusal; then the old one is still in force.
pub fn store<L: Link>(client: &mut Client<L>, image: &Image) -> Result<(), CalibrateError> {
    let bytes = image.bytes();
    for (offset, piece) in (0_u32..).step_by(CHUNK_BYTES).zip(bytes.chunks(CHUNK_BYTES)) {
        let bytes = piece.iter().copied().collect();
        client.done(Request::WriteCalibration { offset, bytes }, &mut Unkept)?;
    }
    let length = u32::try_from(bytes.len()).unwrap_or(u32::MAX);
    client.done(Request::CommitCalibration { length, crc: image.crc() }, &mut Unkept)?;
    if client.calibration_record(&mut Unkept)? == bytes { Ok(()) } else { Err(CalibrateError::ReadBack) }
}
