//! The stream of samples, and bursts that are too fast for it.

use heapless::{Deque, Vec};
use proofstand_protocol::message::{
    BurstKind, CHUNK_BYTES, Field, FixtureMessage, SAMPLES_PER_BLOCK, Sample,
};
use proofstand_protocol::units::Micros;

/// Blocks that wait to be sent; more are dropped and counted.
pub const BLOCKS_KEPT: usize = 8;
/// A block is sent though not full when its first sample has waited so many ticks: the host must echo recent samples.
pub const FLUSH_TICKS: u32 = 20;
/// Bytes that a burst can hold.
pub const BURST_BYTES: usize = 4_096;
/// Shortest time between points of position, in microseconds.
pub const BURST_PERIOD_MIN_US: u16 = 10;
/// Shortest time between points of the lines, in microseconds: nothing but the board's peripherals takes them.
pub const LINES_PERIOD_MIN_US: u16 = 1;
/// Shortest time between points of read-outs, in microseconds: each takes several conversions, and the command's output
/// goes before them.
pub const READ_OUT_PERIOD_MIN_US: u16 = 40;

type Block = Vec<Sample, SAMPLES_PER_BLOCK>;

/// Thins out samples, packs them into blocks and counts what could not be sent.
#[derive(Debug, Clone, Default)]
pub struct Stream {
    decimation: u16,
    /// Ticks until the next sample is due.
    wait: u16,
    filling: Block,
    ready: Deque<Block, BLOCKS_KEPT>,
    dropped: u32,
}

impl Stream {
    /// Stopped.
    pub fn new() -> Self {
        Self::default()
    }

    /// From the next tick on every `decimation`-th sample; 0 stops. Unsent samples are forgotten, the count of
    /// dropped ones begins anew.
    pub fn start(&mut self, decimation: u16) {
        *self = Self { decimation, ..Self::default() };
    }

    /// Every how many ticks a sample is due; 0: stopped.
    pub fn decimation(&self) -> u16 {
        self.decimation
    }

    /// Takes every tick's sample; keeps those that are due.
    pub fn push(&mut self, sample: &Sample) {
        if self.decimation == 0 {
            return;
        }
        let late = |first: &Sample| sample.sequence.wrapping_sub(first.sequence) >= FLUSH_TICKS;
        if self.wait == 0 {
            self.wait = self.decimation;
            // Never refused: a full block is moved on at once below.
            let _ = self.filling.push(*sample);
        }
        self.wait -= 1;
        if self.filling.is_full() || self.filling.first().is_some_and(late) {
            let block = core::mem::take(&mut self.filling);
            let samples = block.len() as u32;
            if self.ready.push_back(block).is_err() {
                self.dropped = self.dropped.saturating_add(samples);
            }
        }
    }

    /// The next block to send, if there is one.
    pub fn take(&mut self) -> Option<FixtureMessage> {
        let samples = self.ready.pop_front()?;
        Some(FixtureMessage::Samples { dropped: self.dropped, samples })
    }

    /// Whether a block waits to be sent.
    pub fn is_ready(&self) -> bool {
        !self.ready.is_empty()
    }

    /// Samples that were due but could not be sent since the stream began.
    pub fn dropped(&self) -> u32 {
        self.dropped
    }
}

/// One point of a burst, as the board takes it. Its kind must be the kind that was asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum BurstPoint {
    /// The low 32 bits of the count.
    Position(u32),
    /// Converter codes of torque and speed read-out.
    ReadOuts {
        /// Torque read-out.
        torque: u16,
        /// Speed read-out.
        speed: u16,
    },
    /// A, B, Z as bits 0, 1, 2.
    Lines(u8),
}

impl BurstPoint {
    /// The kind of burst that the point belongs to.
    pub const fn kind(self) -> BurstKind {
        match self {
            Self::Position(_) => BurstKind::Position,
            Self::ReadOuts { .. } => BurstKind::ReadOuts,
            Self::Lines(_) => BurstKind::Lines,
        }
    }
}

/// Bytes of one point.
pub const fn point_bytes(kind: BurstKind) -> usize {
    match kind {
        BurstKind::Position | BurstKind::ReadOuts => 4,
        BurstKind::Lines => 1,
    }
}

/// Shortest time between points of a kind, in microseconds.
pub const fn period_min_us(kind: BurstKind) -> u16 {
    match kind {
        BurstKind::Position => BURST_PERIOD_MIN_US,
        BurstKind::Lines => LINES_PERIOD_MIN_US,
        BurstKind::ReadOuts => READ_OUT_PERIOD_MIN_US,
    }
}

/// What a burst captures, for the board's timer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct BurstJob {
    /// What.
    pub kind: BurstKind,
    /// Time between points, in microseconds.
    pub period_us: u16,
    /// How many points.
    pub points: u16,
}

/// One burst in a buffer of fixed size.
#[derive(Debug, Clone)]
pub struct Burst {
    bytes: Vec<u8, BURST_BYTES>,
    job: Option<BurstJob>,
    began: Option<Micros>,
    ended: Option<Micros>,
    complete: bool,
}

impl Default for Burst {
    fn default() -> Self {
        Self::new()
    }
}

impl Burst {
    /// Empty.
    pub const fn new() -> Self {
        Self { bytes: Vec::new(), job: None, began: None, ended: None, complete: false }
    }

    /// Begins a burst; whatever was captured before is gone.
    ///
    /// # Errors
    /// [`Field::Points`] for none or more than fit into [`BURST_BYTES`], [`Field::Period`] for a period shorter than
    /// [`period_min_us`]. The old burst stays then.
    pub fn start(&mut self, job: BurstJob) -> Result<(), Field> {
        if job.points == 0 || usize::from(job.points) * point_bytes(job.kind) > BURST_BYTES {
            return Err(Field::Points);
        }
        if job.period_us < period_min_us(job.kind) {
            return Err(Field::Period);
        }
        self.bytes.clear();
        self.job = Some(job);
        (self.began, self.ended) = (None, None);
        self.complete = false;
        Ok(())
    }

    /// Time of the first point of the burst that runs, from the board.
    pub fn begin(&mut self, at: Micros) {
        if self.job.is_some() {
            self.began = Some(at);
        }
    }

    /// Time of the last point of a complete burst, if the board has said when it began.
    pub fn ended(&self) -> Option<Micros> {
        self.ended
    }

    /// Gives up a burst that is not complete.
    pub fn stop(&mut self) {
        self.job = None;
    }

    /// The burst that runs.
    pub fn job(&self) -> Option<BurstJob> {
        self.job
    }

    /// Takes a point. Gives the length in bytes with the one that completes the burst. Points of another kind and
    /// points that nobody waits for are ignored.
    pub fn push(&mut self, point: BurstPoint) -> Option<u32> {
        let job = self.job.filter(|job| job.kind == point.kind())?;
        // Fits: `start` has checked it.
        let _ = match point {
            BurstPoint::Position(count) => self.bytes.extend_from_slice(&count.to_le_bytes()),
            BurstPoint::ReadOuts { torque, speed } => {
                let ([t0, t1], [s0, s1]) = (torque.to_le_bytes(), speed.to_le_bytes());
                self.bytes.extend_from_slice(&[t0, t1, s0, s1])
            }
            BurstPoint::Lines(levels) => self.bytes.extend_from_slice(&[levels & 0b111]),
        };
        if self.bytes.len() < usize::from(job.points) * point_bytes(job.kind) {
            return None;
        }
        self.job = None;
        let length = u64::from(job.points - 1) * u64::from(job.period_us);
        self.ended = self.began.map(|began| Micros(began.0 + length));
        self.complete = true;
        Some(self.bytes.len() as u32)
    }

    /// Bytes from an offset on, at most a chunk; empty at the end. None while there is no complete burst, and for an
    /// offset beyond its end.
    pub fn read(&self, offset: u32) -> Option<Vec<u8, CHUNK_BYTES>> {
        let rest = self.bytes.get(usize::try_from(offset).ok()?..).filter(|_| self.complete)?;
        Some(rest.iter().copied().take(CHUNK_BYTES).collect())
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn sample(sequence: u32) -> Sample {
        Sample { sequence, ..Sample::default() }
    }

    fn sequences(stream: &mut Stream) -> (std::vec::Vec<u32>, u32) {
        let mut seen = std::vec::Vec::new();
        let mut last = stream.dropped();
        while let Some(FixtureMessage::Samples { dropped, samples }) = stream.take() {
            seen.extend(samples.iter().map(|sample| sample.sequence));
            last = dropped;
        }
        (seen, last)
    }

    #[test]
    fn every_third_sample_comes_in_blocks_of_four_with_its_own_number() {
        let mut stream = Stream::new();
        stream.start(3);
        (100..136).for_each(|n| stream.push(&sample(n)));
        let first = stream.take();
        assert!(
            matches!(first, Some(FixtureMessage::Samples { dropped: 0, ref samples }) if samples.len() == 4)
        );
        assert_eq!(sequences(&mut stream).0, [112, 115, 118, 121, 124, 127, 130, 133]);
    }

    #[test]
    fn a_stopped_stream_sends_nothing() {
        let mut stream = Stream::new();
        (0..100).for_each(|n| stream.push(&sample(n)));
        assert!(!stream.is_ready());
        stream.start(1);
        (0..8).for_each(|n| stream.push(&sample(n)));
        stream.start(0);
        assert_eq!(stream.take(), None);
    }

    #[test]
    fn what_nobody_takes_is_dropped_and_counted_and_the_gap_shows() {
        let mut stream = Stream::new();
        stream.start(1);
        (0..40).for_each(|n| stream.push(&sample(n)));
        assert_eq!(stream.dropped(), 8);
        let (seen, dropped) = sequences(&mut stream);
        assert_eq!((seen, dropped), ((0..32).collect(), 8));
        (40..44).for_each(|n| stream.push(&sample(n)));
        assert_eq!(sequences(&mut stream).0, [40, 41, 42, 43]);
    }

    #[test]
    fn a_thin_stream_does_not_wait_for_a_full_block() {
        let mut stream = Stream::new();
        stream.start(50);
        let mut waited = std::vec::Vec::new();
        for n in 0..200 {
            stream.push(&sample(n));
            for sent in sequences(&mut stream).0 {
                waited.push((sent, n - sent));
            }
        }
        let at = FLUSH_TICKS;
        assert_eq!(waited, [(0, at), (50, at), (100, at), (150, at)]);
    }

    proptest! {
        #[test]
        fn sent_and_dropped_samples_together_are_all_that_were_due(decimation in 1_u16..60, takes in prop::collection::vec(any::<bool>(), 0..400)) {
            let mut stream = Stream::new();
            stream.start(decimation);
            let mut sent = 0;
            let ticks = takes.len() as u32;
            for (n, take) in takes.into_iter().enumerate() {
                stream.push(&sample(n as u32));
                if take && let Some(FixtureMessage::Samples { samples, .. }) = stream.take() {
                    sent += samples.len() as u32;
                }
            }
            let due = ticks.div_ceil(u32::from(decimation));
            let waiting = sequences(&mut stream).0.len() as u32 + stream.filling.len() as u32;
            prop_assert_eq!(sent + waiting + stream.dropped(), due);
        }
    }

    fn job(kind: BurstKind, points: u16) -> BurstJob {
        BurstJob { kind, period_us: 50, points }
    }

    #[test]
    fn a_burst_of_positions_is_read_back_in_chunks() {
        let mut burst = Burst::new();
        burst.start(job(BurstKind::Position, 50)).unwrap();
        for n in 0..49 {
            assert_eq!(burst.push(BurstPoint::Position(0xffff_fff0_u32.wrapping_add(n))), None);
            assert_eq!(burst.read(0), None, "not complete");
        }
        assert_eq!(burst.push(BurstPoint::Lines(1)), None, "another kind");
        assert_eq!(burst.push(BurstPoint::Position(33)), Some(200));
        assert_eq!(burst.push(BurstPoint::Position(34)), None, "nobody waits for it");
        let first = burst.read(0).unwrap();
        assert_eq!((first.len(), &first[..4]), (128, &[0xf0, 0xff, 0xff, 0xff][..]));
        let second = burst.read(128).unwrap();
        assert_eq!((second.len(), &second[68..]), (72, &[33, 0, 0, 0][..]));
        assert_eq!(burst.read(200).map(|bytes| bytes.len()), Some(0));
        assert_eq!(burst.read(201), None);
    }

    #[test]
    fn the_last_points_time_follows_from_the_first_ones() {
        let mut burst = Burst::new();
        burst.begin(Micros(7));
        burst.start(job(BurstKind::Lines, 3)).unwrap();
        burst.begin(Micros(1_000));
        for n in 0..3 {
            assert_eq!(burst.ended(), None);
            burst.push(BurstPoint::Lines(n));
        }
        assert_eq!(burst.ended(), Some(Micros(1_100)));
        burst.begin(Micros(5_000));
        assert_eq!(burst.ended(), Some(Micros(1_100)), "it is over");
        burst.start(job(BurstKind::Lines, 1)).unwrap();
        burst.push(BurstPoint::Lines(0));
        assert_eq!(burst.ended(), None, "nobody has said when it began");
    }

    #[test]
    fn read_outs_and_lines_have_the_stated_bytes() {
        let mut burst = Burst::new();
        burst.start(job(BurstKind::ReadOuts, 1)).unwrap();
        let length = burst.push(BurstPoint::ReadOuts { torque: 0x8001, speed: 0x7ffe });
        assert_eq!((length, &burst.read(0).unwrap()[..]), (Some(4), &[0x01, 0x80, 0xfe, 0x7f][..]));
        burst.start(job(BurstKind::Lines, 2)).unwrap();
        burst.push(BurstPoint::Lines(0b101));
        burst.push(BurstPoint::Lines(0b1111_1110));
        assert_eq!(burst.read(0).unwrap()[..], [0b101, 0b110]);
    }

    #[test]
    fn bursts_that_do_not_fit_are_refused_and_the_old_one_stays() {
        let mut burst = Burst::new();
        burst.start(job(BurstKind::Lines, 1)).unwrap();
        burst.push(BurstPoint::Lines(7));
        assert_eq!(burst.start(job(BurstKind::Position, 1_025)), Err(Field::Points));
        assert_eq!(burst.start(job(BurstKind::Lines, 4_097)), Err(Field::Points));
        assert_eq!(burst.start(job(BurstKind::Lines, 0)), Err(Field::Points));
        let hasty = BurstJob { period_us: 9, ..job(BurstKind::Position, 1) };
        assert_eq!(burst.start(hasty), Err(Field::Period));
        let hasty = BurstJob { period_us: 0, ..job(BurstKind::Lines, 1) };
        assert_eq!(burst.start(hasty), Err(Field::Period));
        let hasty = BurstJob { period_us: 39, ..job(BurstKind::ReadOuts, 1) };
        assert_eq!(burst.start(hasty), Err(Field::Period));
        assert_eq!(burst.read(0).unwrap()[..], [7]);
        assert_eq!(burst.start(job(BurstKind::Position, 1_024)), Ok(()));
        assert_eq!((burst.read(0), burst.job().map(|job| job.points)), (None, Some(1_024)));
        burst.stop();
        assert_eq!((burst.push(BurstPoint::Position(1)), burst.read(0)), (None, None));
    }
}
