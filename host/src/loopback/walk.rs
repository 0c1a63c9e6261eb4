//! The walk: what is asked, set and read, in order.

use core::time::Duration;

use proofstand_protocol::message::{
    Answer, Chain, CommandMode, Contacts, Limits, Request, Sample, State as Fixture,
};
use proofstand_protocol::units::{Counts, CountsPerRev, Microvolts, MicrovoltsPerTick, MilliRpm, Ticks};

use super::blocks::{self, Block, Finding, State};
use super::{Ask, Hands};
use crate::fixture::{Client, FixtureError, Numbered, Tap};
use crate::link::Link;

/// Levels that are tried: both signs and zero, inside the range so that a gain error shows.
const LEVELS: [f64; 3] = [0.0, 8.0, -8.0];
/// Contacts, couplers and debounce have settled after this.
const SETTLE: Duration = Duration::from_millis(60);
/// Longest wait for the mean of a level.
const MEAN: Duration = Duration::from_secs(2);
/// Ticks that a level's mean is of, at least.
const MEAN_TICKS: u32 = 20;
/// Every how many ticks a sample is streamed: often enough for the beat.
const DECIMATION: u16 = 10;
/// No such flag input.
const NO_INPUT: u8 = 255;

/// Limits for closing the enable contact with nothing behind it: as tight as they can be.
const LIMITS: Limits = Limits {
    command: Microvolts(10_000),
    slew: MicrovoltsPerTick(10_000),
    trip_speed: MilliRpm(10_000),
    counts_per_rev: CountsPerRev(4_096),
    travel: Counts(16),
    armed_time: Ticks(5_000),
    beat: Ticks(100),
    mode: CommandMode::Torque,
    counts_up_on_positive: true,
    wrong_way: Counts(16),
    runaway: MilliRpm(10_000),
    runaway_delay: Ticks(10),
    breakaway: Microvolts(0),
    no_counts: Ticks(0),
    readback: Microvolts(50_000),
    readback_dwell: Ticks(50),
    speed_disagreement_percent: 0,
    speed_readout: Microvolts(0),
    torque_on_input: NO_INPUT,
    torque_on_conducting: false,
    enable_delay: Ticks(10),
    fault_input: NO_INPUT,
    fault_conducting: false,
    guard_required: false,
};

/// Walks through all blocks. Each finding is handed out as it comes, too.
///
/// # Errors
/// The fixture, or the way to it; [`FixtureError::Interrupted`] if somebody stops.
pub fn walk<L: Link>(
    client: &mut Client<L>,
    hands: &mut dyn Hands,
    told: &mut dyn FnMut(&Finding),
) -> Result<Vec<Finding>, FixtureError> {
    let mut walk = Walk { client, hands, told, findings: Vec::new() };
    let done = walk.all();
    // Whatever happened: nothing stays on.
    let safe = walk.rest();
    done.and(safe).map(|()| walk.findings)
}

struct Walk<'a, L: Link> {
    client: &'a mut Client<L>,
    hands: &'a mut dyn Hands,
    told: &'a mut dyn FnMut(&Finding),
    findings: Vec<Finding>,
}

impl<L: Link> Walk<'_, L> {
    fn all(&mut self) -> Result<(), FixtureError> {
        self.client.done(Request::Stream { decimation: DECIMATION }, &mut Unkept)?;
        self.please(Ask::Begin)?;
        self.rest()?;
        let chain = self.chain()?;
        let converter = self.isolated()?;
        self.put(chain, converter)?;
        self.contacts()?;
        self.flags()?;
        let driven = self.encoder()?;
        self.enable(chain, driven)
    }

    fn chain(&mut self) -> Result<bool, FixtureError> {
        let closed = self.seen()?.0;
        for (which, ask) in [Ask::PressStop, Ask::LetHoldGo, Ask::OpenGuard].into_iter().enumerate() {
            self.please(ask)?;
            let opened = self.seen()?.0;
            self.found(blocks::chain(which, &closed, &opened));
        }
        self.please(Ask::CloseChain)?;
        let Chain { stop, hold, guard, .. } = self.seen()?.0;
        Ok(stop && hold && guard)
    }

    fn isolated(&mut self) -> Result<bool, FixtureError> {
        let mut readings = Vec::new();
        for level in LEVELS {
            let asked = Request::SelfCheck { level: microvolts(level) };
            match self.client.request(asked, &mut Unkept) {
                Ok(Answer::SelfCheck { converter, terminal }) => {
                    readings.push((level, volts(converter), volts(terminal)))
                }
                Ok(_) => {}
                Err(FixtureError::Refused { .. }) => break,
                Err(error) => return Err(error),
            }
        }
        if readings.len() < LEVELS.len() {
            self.not_judged(Block::Converter, "the fixture refuses its self-check");
            return Ok(false);
        }
        let [converter, change_over] = blocks::isolated(&readings);
        let right = converter.state == State::Right;
        self.found(converter);
        self.found(change_over);
        Ok(right)
    }

    fn put(&mut self, chain: bool, converter: bool) -> Result<(), FixtureError> {
        let after = [Block::ChangeOver, Block::ReadOut("torque"), Block::ReadOut("speed")];
        let why_not = match (chain, converter) {
            (false, _) => Some("the chain is not closed"),
            (_, false) => Some("the converter is wrong"),
            _ => None,
        };
        let mut readings = Vec::new();
        if why_not.is_none() {
            for level in LEVELS {
                match self.level(level)? {
                    Some(read) => readings.push((level, read)),
                    None => break,
                }
            }
        }
        self.rest()?;
        // A terminal that is so wrong that the fixture trips has still been read, or has tripped before it was.
        if readings.is_empty() {
            let why =
                why_not.unwrap_or("the fixture lets no level out: see its trip with `proofstand ports`");
            after.into_iter().for_each(|block| self.not_judged(block, why));
        } else if readings.len() < LEVELS.len() {
            let lost = LEVELS.get(readings.len()).copied().unwrap_or(0.0);
            readings.push((lost, [0.0; 3]));
            blocks::put(&readings).into_iter().for_each(|finding| self.found(finding));
        } else {
            blocks::put(&readings).into_iter().for_each(|finding| self.found(finding));
        }
        Ok(())
    }

    /// A level on the terminal: terminal, torque and speed. None: the fixture refused or tripped.
    fn level(&mut self, level: f64) -> Result<Option<[f64; 3]>, FixtureError> {
        let epoch = self.client.status(&mut Unkept)?.epoch;
        let request = Request::MeterLevel { epoch, level: microvolts(level), corrected: false };
        match self.client.done(request, &mut Unkept) {
            Err(FixtureError::Refused { .. }) => return Ok(None),
            other => other?,
        }
        let until = self.client.now() + MEAN;
        while self.client.now() < until {
            self.wait(SETTLE)?;
            match self.client.request(Request::MeterReadings, &mut Unkept) {
                Ok(Answer::MeterReadings { ticks, terminal, torque, speed, .. }) if ticks >= MEAN_TICKS => {
                    return Ok(Some([terminal, torque, speed].map(volts)));
                }
                Err(FixtureError::Refused { .. }) => return Ok(None),
                other => {
                    other?;
                }
            }
        }
        Ok(None)
    }

    fn contacts(&mut self) -> Result<(), FixtureError> {
        let flags = |walk: &mut Self, closed: [bool; 3]| -> Result<u8, FixtureError> {
            let [clear_fault, end_plus, end_minus] = closed;
            walk.client
                .done(Request::SetContacts(Contacts { clear_fault, end_plus, end_minus }), &mut Unkept)?;
            Ok(walk.seen()?.1)
        };
        let open = flags(self, [false; 3])?;
        for which in 0..3 {
            let own = flags(self, core::array::from_fn(|n| n == which))?;
            let others = flags(self, core::array::from_fn(|n| n != which))?;
            self.found(blocks::contact(which, open, own, others));
        }
        flags(self, [false; 3]).map(|_| ())
    }

    fn flags(&mut self) -> Result<(), FixtureError> {
        let before = self.seen()?.1;
        self.please(Ask::BridgeFlags)?;
        let bridged = self.seen()?.1;
        (4..8).for_each(|input| self.found(blocks::flag(input, before, bridged)));
        self.please(Ask::TakeBridgesOut)
    }

    fn encoder(&mut self) -> Result<bool, FixtureError> {
        let unplugged = self.client.encoder_driven(&mut Unkept)?;
        self.please(Ask::PlugCell)?;
        self.wait(SETTLE)?;
        let cell = self.client.encoder_driven(&mut Unkept)?;
        self.found(blocks::encoder(unplugged, cell));
        Ok(cell != Some(false))
    }

    fn enable(&mut self, chain: bool, driven: bool) -> Result<(), FixtureError> {
        if !(chain && driven) {
            let why = if chain {
                "the fixture arms with driven encoder pairs only"
            } else {
                "the chain is not closed"
            };
            self.not_judged(Block::Enable, why);
            return Ok(());
        }
        let look = |walk: &mut Self| walk.seen().map(|(chain, flags)| (chain.relay, flags & 1 != 0));
        let before = look(self)?;
        let asked = match self.client.arm(LIMITS, &mut Unkept) {
            Ok(()) => self.client.enable(&mut Unkept).map(|_| ()),
            refused => refused,
        };
        match asked {
            Err(FixtureError::Refused { refusal, .. }) if before == (false, false) => {
                self.not_judged(Block::Enable, &format!("the fixture does not arm: {refusal:?}"));
                return self.rest();
            }
            Err(FixtureError::Refused { .. }) => {}
            other => other?,
        }
        let enabled = look(self)?;
        self.rest()?;
        let after = look(self)?;
        self.found(blocks::enable(before, enabled, after));
        Ok(())
    }

    /// Chain and flags, after all has settled.
    fn seen(&mut self) -> Result<(Chain, u8), FixtureError> {
        self.wait(SETTLE)?;
        let status = self.client.status(&mut Unkept)?;
        Ok((status.chain, status.flags))
    }

    /// 0 V, everything open, and a trip that the walk itself brought on acknowledged.
    fn rest(&mut self) -> Result<(), FixtureError> {
        self.wait(SETTLE)?;
        let status = self.client.status(&mut Unkept)?;
        match (status.state, status.trip) {
            (Fixture::Tripped, Some(trip)) => {
                match self.client.done(Request::Acknowledge { trip: trip.number }, &mut Unkept) {
                    Err(FixtureError::Refused { .. }) => Ok(()),
                    other => other,
                }
            }
            (Fixture::Safe, _) => Ok(()),
            _ => self.client.done(Request::Disarm, &mut Unkept),
        }
    }

    fn wait(&mut self, time: Duration) -> Result<(), FixtureError> {
        let until = self.client.now() + time;
        while self.client.now() < until {
            let left = until.saturating_sub(self.client.now());
            self.client.next(left, &mut Unkept)?;
        }
        Ok(())
    }

    fn please(&mut self, ask: Ask) -> Result<(), FixtureError> {
        if self.hands.please(ask) { Ok(()) } else { Err(FixtureError::Interrupted) }
    }

    fn found(&mut self, finding: Finding) {
        (self.told)(&finding);
        self.findings.push(finding);
    }

    fn not_judged(&mut self, block: Block, why: &str) {
        self.found(Finding { block, state: State::NotJudged(why.to_owned()) });
    }
}

fn volts(reading: Microvolts) -> f64 {
    f64::from(reading.0) * 1e-6
}

fn microvolts(volts: f64) -> Microvolts {
    Microvolts((volts * 1e6).round() as i32)
}

/// Samples and events of a walk: no run's evidence.
struct Unkept;

impl Tap for Unkept {
    fn samples(&mut self, _dropped: u32, _samples: &[Sample]) -> std::io::Result<()> {
        Ok(())
    }

    fn event(&mut self, _event: &Numbered) -> std::io::Result<()> {
        Ok(())
    }
}
