//! The board's numbers: what the emulated image loses, how late it is, how much it carries. Shared by the tests that hold
//! them and by the bench that prints them.
//!
//! Times are those of the emulated chip. They are exact for PIO and timers (the theory's limits are met to the cycle), and
//! comparisons only for code: flash cache misses and bus contention are not modelled.

use core::time::Duration;
use std::cell::RefCell;
use std::path::Path;
use std::rc::Rc;

use proofstand::fixture::Client;
use proofstand_protocol::message::{Answer, BurstKind, Event, Request};
use proofstand_protocol::units::{MilliRpm, Ticks};
use serde_json::{Value, json};

use super::rig::{Kept, Rig, attend, hold_speed, open_limits};
use super::{Axis, BenchSetup, EmulatedFixture, Emulator, EmulatorError, Lockstep, TraceEntry};
use crate::bench::Failure;

/// Encoder lines made from a rule (`pattern.js`).
#[derive(Debug, Clone, Copy)]
pub struct Lines {
    /// Mean time between edges, in nanoseconds.
    pub spacing: f64,
    /// Phase and duty error: how much later than ideal each edge of a cycle comes, as shares of the spacing.
    pub early: [f64; 4],
    /// Wander of a divided encoder: each edge moves by up to this share of the spacing in all.
    pub wander: f64,
    /// Turns round every so many edges; 0: never.
    pub reverse_every: u32,
    /// Edges to a turn.
    pub per_turn: u32,
    /// The first index rises so long after a tick's sample, in nanoseconds; negative: before. None: anywhere.
    pub from_tick: Option<f64>,
}

impl Lines {
    /// Evenly spaced, always the same way.
    #[must_use]
    pub const fn even(spacing: f64) -> Self {
        Self { spacing, early: [0.0; 4], wander: 0.0, reverse_every: 0, per_turn: 4_000, from_tick: None }
    }

    /// As bad as the closest edges allow: phase 10 % off, duty 10 % off, divided with a wander of a tenth, turning round.
    #[must_use]
    pub const fn worst(spacing: f64) -> Self {
        Self {
            spacing,
            early: [0.0, 0.05, 0.1, -0.05],
            wander: 0.1,
            reverse_every: 9_973,
            per_turn: 4_000,
            from_tick: None,
        }
    }
}

/// What came of counting.
#[derive(Debug, Clone)]
pub struct Counted {
    /// Edges that were put in.
    pub edges: u64,
    /// The closest two of them, in nanoseconds.
    pub closest: f64,
    /// Where the lines ended, in counts.
    pub truth: i64,
    /// Where the board thinks they ended.
    pub counted: i64,
    /// Illegal steps and disagreements between its two counters.
    pub illegal: u32,
    /// Index latches that came, how many of them are at no count where the index rose, and risings that were missed though
    /// no other was near.
    pub latches: [usize; 3],
    /// Counts of the risings that were missed.
    pub missed: Vec<i64>,
    /// Samples that came, that the board dropped, and that are missing between others.
    pub samples: [u32; 3],
    /// Bytes a second that the board sent.
    pub bytes_per_second: f64,
}

impl Counted {
    /// Counts that were lost.
    #[must_use]
    pub const fn lost(&self) -> i64 {
        self.truth - self.counted
    }
}

/// Lets the board count, with the full stream running.
///
/// # Errors
/// If the board fails.
pub fn count(lines: Lines, edges: u64, usb_nanos_per_byte: Option<f64>) -> Result<Counted, Failure> {
    let board = Rc::new(RefCell::new(Emulator::start(&BenchSetup::default())?));
    let mut kept = Kept::default();
    let mut client = Client::connect(Lockstep::new(Rc::clone(&board)), &mut kept)?;
    client.done(Request::Stream { decimation: 1 }, &mut kept)?;
    let tell = |order: Value| board.borrow_mut().tell(&order);
    if let Some(nanos) = usb_nanos_per_byte {
        tell(json!({"order": "usb-pace", "nanosPerByte": nanos}))?;
    }
    attend(&mut client, Duration::from_millis(50), &mut kept)?;
    kept = Kept::default();
    let Lines { spacing, early, wander, reverse_every, per_turn, from_tick } = lines;
    let mut delay = 1_000.0;
    if let Some(from_tick) = from_tick {
        // Steps of the bench begin at whole multiples of 50 µs, ticks wherever the board began to count.
        board.borrow_mut().trace(&["trigger"])?;
        attend(&mut client, Duration::from_millis(2), &mut kept)?;
        let trace = board.borrow_mut().trace(&[])?;
        let tick = trace.iter().find(|e| e.what == "trigger" && e.value == 1).ok_or("no tick was seen")?;
        let within = |nanos: f64| nanos.rem_euclid(1e6);
        let step = tell(json!({"order": "state"}))?["step"].as_f64().unwrap_or(0.0);
        // The first edge is the first rising.
        delay = 2e6 + within(tick.at.as_nanos() as f64 + from_tick - step) - spacing;
    }
    tell(json!({
        "delay": delay,
        "order": "pattern", "spacing": spacing, "edges": edges, "early": early, "wander": wander,
        "reverseEvery": reverse_every, "perTurn": per_turn,
    }))?;
    let (from, sent) = (client.now(), board.borrow().received());
    loop {
        attend(&mut client, Duration::from_millis(20), &mut kept)?;
        if tell(json!({"order": "pattern-state"}))?["left"] == 0 {
            break;
        }
    }
    let (span, sent) = (client.now() - from, board.borrow().received() - sent);
    attend(&mut client, Duration::from_millis(50), &mut kept)?;
    let status = client.status(&mut kept)?;
    let pattern = tell(json!({"order": "pattern-state"}))?;
    let rises: Vec<i64> =
        pattern["indexCounts"].as_array().into_iter().flatten().filter_map(Value::as_i64).collect();
    Ok(Counted {
        edges,
        closest: pattern["shortest"].as_f64().unwrap_or(f64::NAN),
        truth: pattern["position"].as_i64().unwrap_or(i64::MIN),
        counted: status.position.0,
        illegal: status.illegal_transitions,
        latches: latches(&kept, &rises),
        missed: rises.iter().copied().filter(|rise| !indexes(&kept).contains(rise)).collect(),
        samples: [kept.samples.len() as u32, kept.dropped, kept.gaps()],
        bytes_per_second: sent as f64 / span.as_secs_f64(),
    })
}

fn indexes(kept: &Kept) -> std::collections::BTreeSet<i64> {
    let position = |event: &proofstand::fixture::Numbered| match event.event {
        Event::Index { position } => Some(position.0),
        _ => None,
    };
    kept.events.iter().filter_map(position).collect()
}

fn latches(kept: &Kept, rises: &[i64]) -> [usize; 3] {
    let latched = indexes(kept);
    let wrong = latched.iter().filter(|position| !rises.contains(position)).count();
    let missed = rises.iter().filter(|position| !latched.contains(position)).count();
    [latched.len(), wrong, missed]
}

/// How constant the tick and the command's frame are while the axis turns, streams and is asked.
#[derive(Debug, Clone, Copy)]
pub struct Timing {
    /// Ticks that were looked at.
    pub ticks: usize,
    /// Largest deviation of a tick's sample from whole milliseconds after the first.
    pub tick_jitter: Duration,
    /// Longest time from sample to decision: the keep-alive changes when the outputs have been decided on.
    pub decision: Duration,
    /// Shortest and longest time from sample to frame.
    pub frame: (Duration, Duration),
}

/// Measures it.
///
/// # Errors
/// If the board fails.
pub fn timing(ticks: u64) -> Result<Timing, Failure> {
    let mut rig = Rig::new(EmulatedFixture::start(Axis::read(&sheet(), &[], 1)?)?)?;
    rig.start(open_limits(), hold_speed(MilliRpm(1_500_000), Ticks(50_000)))?;
    rig.attend(Duration::from_millis(300))?;
    rig.board(|board| board.trace(&["trigger", "keep-alive"]))?;
    let until = rig.client.now() + Duration::from_millis(ticks);
    while rig.client.now() < until {
        // At a changing place within the tick.
        rig.attend(Duration::from_micros(3_370))?;
        rig.client.status(&mut rig.kept)?;
    }
    let trace = rig.board(|board| board.trace(&[]))?;
    let samples: Vec<Duration> =
        trace.iter().filter(|e| e.what == "trigger" && e.value == 1).map(|e| e.at).collect();
    let after = |what: &'static str| {
        let times: Vec<Duration> =
            trace.iter().filter(|entry| entry.what == what).map(|entry| entry.at).collect();
        let mut at = 0;
        let next = move |sample: &Duration| {
            at += times[at..].iter().take_while(|time| *time <= sample).count();
            times.get(at).map(|time| *time - *sample)
        };
        samples.iter().filter_map(next).collect::<Vec<_>>()
    };
    let frames = after("frame");
    let first = *samples.first().ok_or("no tick was seen")?;
    let jitter = |sample: &Duration| {
        let within = (*sample - first).as_nanos() % 1_000_000;
        Duration::from_nanos(within.min(1_000_000 - within) as u64)
    };
    let extreme = |pick: fn(Duration, Duration) -> Duration| frames.iter().copied().reduce(pick);
    Ok(Timing {
        ticks: samples.len(),
        tick_jitter: samples.iter().map(jitter).max().unwrap_or_default(),
        decision: after("keep-alive").into_iter().max().ok_or("no keep-alive")?,
        frame: (extreme(Duration::min).ok_or("no frame")?, extreme(Duration::max).ok_or("no frame")?),
    })
}

/// A burst, and how long reading it took.
#[derive(Debug, Clone)]
pub struct Read {
    /// Its bytes.
    pub bytes: Vec<u8>,
    /// From the request to the event that says it is complete.
    pub took: Duration,
    /// Of a burst of read-outs: when the input converter was told to convert the torque read-out, once a point.
    pub conversions: Vec<Duration>,
}

impl Read {
    /// Points a second, by the converter's own frames.
    #[must_use]
    pub fn rate(&self) -> f64 {
        let [Some(first), Some(last)] = [self.conversions.first(), self.conversions.last()] else {
            return 0.0;
        };
        (self.conversions.len() - 1) as f64 / (*last - *first).as_secs_f64()
    }

    /// Longest time from one point to the next, by the converter's own frames.
    #[must_use]
    pub fn longest_gap(&self) -> Duration {
        self.conversions.windows(2).map(|pair| pair[1] - pair[0]).max().unwrap_or(Duration::MAX)
    }
}

/// Takes a burst while the lines do what they do, and reads it.
///
/// # Errors
/// If the board refuses or fails.
pub fn burst(lines: Option<Lines>, kind: BurstKind, period_us: u16, points: u16) -> Result<Read, Failure> {
    let board = Rc::new(RefCell::new(Emulator::start(&BenchSetup::default())?));
    let mut kept = Kept::default();
    let mut client = Client::connect(Lockstep::new(Rc::clone(&board)), &mut kept)?;
    client.done(Request::Stream { decimation: 1 }, &mut kept)?;
    attend(&mut client, Duration::from_millis(20), &mut kept)?;
    if let Some(Lines { spacing, early, wander, reverse_every, per_turn, .. }) = lines {
        board.borrow_mut().tell(&json!({
            "order": "pattern", "spacing": spacing, "edges": 100_000_000, "early": early, "wander": wander,
            "reverseEvery": reverse_every, "perTurn": per_turn,
        }))?;
        attend(&mut client, Duration::from_millis(20), &mut kept)?;
    }
    board.borrow_mut().trace(&["convert"])?;
    let from = client.now();
    client.done(Request::StartBurst { kind, period_us, points }, &mut kept)?;
    let ready = |kept: &Kept| kept.events.iter().any(|event| matches!(event.event, Event::BurstReady { .. }));
    while !ready(&kept) {
        attend(&mut client, Duration::from_millis(1), &mut kept)?;
        if client.now() > from + Duration::from_secs(10) {
            return Err("the burst never came to its end".into());
        }
    }
    let took = client.now() - from;
    let conversions = conversions(&board.borrow_mut().trace(&[])?, points);
    let mut bytes = Vec::new();
    loop {
        match client.request(Request::ReadBurst { offset: bytes.len() as u32 }, &mut kept)? {
            Answer::Chunk { bytes: chunk, .. } if chunk.is_empty() => break,
            Answer::Chunk { bytes: chunk, .. } => bytes.extend(chunk),
            other => return Err(format!("an unexpected answer: {other:?}").into()),
        }
    }
    if kept.gaps() + kept.dropped > 0 {
        return Err(format!("the stream lost {} samples", kept.gaps() + kept.dropped).into());
    }
    Ok(Read { bytes, took, conversions })
}

/// The burst's conversions of the torque read-out, among those of the ticks before and after it.
fn conversions(trace: &[TraceEntry], points: u16) -> Vec<Duration> {
    /// Channel of the torque read-out (`hardware/pins.toml`).
    const TORQUE: u64 = 2;
    /// Ticks are further apart than this, points closer.
    const TICK_APART: Duration = Duration::from_micros(300);
    let converted = |entry: &&TraceEntry| entry.what == "convert" && entry.value == TORQUE;
    let all: Vec<Duration> = trace.iter().filter(converted).map(|entry| entry.at).collect();
    let first = all.windows(2).position(|pair| pair[1] - pair[0] < TICK_APART).unwrap_or(all.len());
    all.into_iter().skip(first).take(usize::from(points)).collect()
}

/// Largest error of a flag edge's time as reported, over edges at many places within a tick.
///
/// # Errors
/// If the board fails, or an edge is not reported.
pub fn flag_error(edges: u32) -> Result<Duration, Failure> {
    // The couplers' delays as designed; the board takes them off (`firmware/pico/src/run.rs`).
    let delay = |conducting: bool| Duration::from_micros(if conducting { 15 } else { 50 });
    let board = Rc::new(RefCell::new(Emulator::start(&BenchSetup::default())?));
    let mut kept = Kept::default();
    let mut client = Client::connect(Lockstep::new(Rc::clone(&board)), &mut kept)?;
    let mut worst = Duration::ZERO;
    for number in 0..edges {
        let (input, conducting) = ((number / 2 % 8) as u8, number % 2 == 0);
        board.borrow_mut().run(Duration::from_nanos(5_000_000 + u64::from(number) * 37_813))?;
        let state = board.borrow_mut().tell(&json!({"order": "state"}))?;
        let base = state["nanos"].as_f64().unwrap_or(0.0) - 1e3 * state["micros"].as_f64().unwrap_or(0.0);
        // On the board's timer, to the microsecond that it is in.
        let at = Duration::from_nanos((state["nanos"].as_f64().unwrap_or(0.0) - base) as u64);
        board.borrow_mut().tell(&json!({"order": "flag", "input": input, "conducting": conducting}))?;
        kept.events.clear();
        attend(&mut client, Duration::from_millis(250), &mut kept)?;
        let wanted = Event::Flag { input, conducting };
        let found = kept.events.iter().find(|event| event.event == wanted);
        let found = found.ok_or_else(|| format!("edge {number} was not reported: {:?}", kept.events))?;
        worst = worst.max((Duration::from_micros(found.at.0) + delay(conducting)).abs_diff(at));
    }
    Ok(worst)
}

/// Share of the time that an idle board sleeps.
///
/// # Errors
/// If the board fails.
pub fn asleep() -> Result<f64, EmulatorError> {
    let mut board = Emulator::start(&BenchSetup::default())?;
    board.run(Duration::from_millis(300))?;
    let mut look = || -> Result<[f64; 2], EmulatorError> {
        let state = board.tell(&json!({"order": "state"}))?;
        board.run(Duration::from_millis(500))?;
        Ok([&state["nanos"], &state["asleep"]].map(|value| value.as_f64().unwrap_or(f64::NAN)))
    };
    let (before, after) = (look()?, look()?);
    Ok((after[1] - before[1]) / (after[0] - before[0]))
}

/// The short test axis.
#[must_use]
pub fn sheet() -> std::path::PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("sheets/feed-roller.toml")
}
