//! `samples.bin`: every sample that came, in segments of at most 80 ms, and every piece of a burst, each with its own
//! check.
//!
//! Layout, little-endian. Header: the eight bytes `PSSAMPL2`, then one byte: 1 for a rehearsal, 0 for a fixture.
//! Segment: length of the body in bytes (u32), CRC-32/ISO-HDLC of the body (u32), body. The body's first byte says what
//! it is.
//!
//! 0, samples: the fixture's count of dropped samples (u32), number of samples (u32), then per sample sequence (u32),
//! time in µs (u64), position in counts (i64), speed in 1/1000 rpm, command, read-back, torque read-out, speed read-out
//! in µV (i32 each), flags, segment, state (one byte each).
//!
//! 1, a piece of a burst: number of the burst in its run (u32), kind (one byte: 0 position, 1 read-outs, 2 lines), time
//! between points in µs (u16), points of the whole burst (u16), time of the first point in µs (u64; all ones: not
//! known), place of the piece's first byte in the burst (u32), then its bytes as `PROTOCOL.md` says. A burst that was
//! ordered and never read has one piece without bytes.
//!
//! A kill loses at most the segment under way, and with the samples that the fixture was still gathering for a frame less
//! than the last 100 ms; a damaged segment is known as such. Files of version 1, `PSSAMPL1`, have samples only, and no byte
//! before them.

use std::io::{self, Read, Write};

use proofstand_protocol::message::{BurstKind, Sample, State};
use proofstand_protocol::units::{Counts, Micros, Microvolts, MilliRpm};

use crate::fixture::{Burst, BurstChunk, BurstOrder};

const MAGIC: &[u8; 8] = b"PSSAMPL2";
/// Of a file without bursts.
const MAGIC_1: &[u8; 8] = b"PSSAMPL1";
/// First byte of a body with samples.
const SAMPLES: u8 = 0;
/// First byte of a body with a piece of a burst.
const BURST: u8 = 1;
/// Bytes of a piece before its own.
const PIECE_HEAD: usize = 4 + 1 + 2 + 2 + 8 + 4;
/// Bytes of one sample.
const SAMPLE_BYTES: usize = 4 + 8 + 8 + 5 * 4 + 3;
/// Samples of at most this much time go into one segment: with what waits in the fixture and on the cable, less than a
/// tenth of a second.
const SEGMENT_US: u64 = 80_000;
/// A segment holds at most this many samples, whatever their times say.
const SEGMENT_SAMPLES: usize = 2000;
/// A longer segment than any that is written is damage, not data.
const SEGMENT_BYTES_MAX: usize = 9 + SEGMENT_SAMPLES * SAMPLE_BYTES;

static CRC: crc::Crc<u32, crc::Table<16>> = crc::Crc::<u32, crc::Table<16>>::new(&crc::CRC_32_ISO_HDLC);

/// Writes segments.
pub struct SampleWriter<W: Write> {
    out: W,
    body: Vec<u8>,
    count: usize,
    first_at: u64,
    dropped: u32,
}

impl<W: Write> SampleWriter<W> {
    /// Begins a file.
    ///
    /// # Errors
    /// If the header can't be written.
    pub fn new(mut out: W, rehearsal: bool) -> io::Result<Self> {
        let mut header = MAGIC.to_vec();
        header.push(u8::from(rehearsal));
        out.write_all(&header)?;
        Ok(Self { out, body: Vec::new(), count: 0, first_at: 0, dropped: 0 })
    }

    /// Adds samples; writes a segment when it is full.
    ///
    /// # Errors
    /// If a segment can't be written.
    pub fn push(&mut self, dropped: u32, samples: &[Sample]) -> io::Result<()> {
        self.dropped = dropped;
        for sample in samples {
            let over = self.count > 0 && sample.at.0.saturating_sub(self.first_at) >= SEGMENT_US;
            if over || self.count == SEGMENT_SAMPLES {
                self.flush()?;
            }
            if self.count == 0 {
                self.first_at = sample.at.0;
            }
            put_sample(&mut self.body, sample);
            self.count += 1;
        }
        Ok(())
    }

    /// Writes what is waiting as a segment, however short: one write.
    ///
    /// # Errors
    /// If it can't be written.
    pub fn flush(&mut self) -> io::Result<()> {
        if self.count == 0 {
            return Ok(());
        }
        let mut body = Vec::with_capacity(self.body.len() + 9);
        body.push(SAMPLES);
        body.extend_from_slice(&self.dropped.to_le_bytes());
        body.extend_from_slice(&u32::try_from(self.count).unwrap_or(u32::MAX).to_le_bytes());
        body.append(&mut self.body);
        self.count = 0;
        self.segment(&body)
    }

    /// Writes a piece of a burst, and what is waiting before it.
    ///
    /// # Errors
    /// If it can't be written.
    pub fn burst(&mut self, chunk: &BurstChunk<'_>) -> io::Result<()> {
        self.flush()?;
        let mut body = Vec::with_capacity(1 + PIECE_HEAD + chunk.bytes.len());
        body.push(BURST);
        body.extend_from_slice(&chunk.number.to_le_bytes());
        body.push(kind_code(chunk.order.kind));
        body.extend_from_slice(&chunk.order.period_us.to_le_bytes());
        body.extend_from_slice(&chunk.order.points.to_le_bytes());
        body.extend_from_slice(&chunk.first.map_or(u64::MAX, |f| f.0).to_le_bytes());
        body.extend_from_slice(&chunk.offset.to_le_bytes());
        body.extend_from_slice(chunk.bytes);
        self.segment(&body)
    }

    fn segment(&mut self, body: &[u8]) -> io::Result<()> {
        let mut segment = Vec::with_capacity(body.len() + 8);
        segment.extend_from_slice(&u32::try_from(body.len()).unwrap_or(u32::MAX).to_le_bytes());
        segment.extend_from_slice(&CRC.checksum(body).to_le_bytes());
        segment.extend_from_slice(body);
        self.out.write_all(&segment)
    }

    /// What it writes on.
    pub const fn get_mut(&mut self) -> &mut W {
        &mut self.out
    }
}

impl<W: Write> Drop for SampleWriter<W> {
    /// What is waiting is written also when an error ends the run early.
    fn drop(&mut self) {
        let _ = self.flush();
    }
}

/// What a samples' file holds.
#[derive(Debug, Default, PartialEq)]
pub struct Samples {
    /// It is a rehearsal's.
    pub rehearsal: bool,
    /// The samples of the sound segments.
    pub samples: Vec<Sample>,
    /// Bursts as far as their pieces are sound: up to the first one that is missing.
    pub bursts: Vec<Burst>,
    /// Segments that were damaged or cut short.
    pub damaged_segments: u32,
}

/// A file that is longer is not one of ours: six hours' samples.
pub const SAMPLES_BYTES_MAX: u64 = 1 << 30;

/// Reads a samples' file as far as it is sound.
///
/// # Errors
/// If it can't be read, or is no such file.
pub fn read_samples(from: impl Read) -> io::Result<Samples> {
    let mut bytes = Vec::new();
    // As much as tells what it is, before all of it is read.
    let mut from = from.take(SAMPLES_BYTES_MAX + 1);
    from.by_ref().take(8).read_to_end(&mut bytes)?;
    if [MAGIC, MAGIC_1].iter().any(|magic| bytes == magic.as_slice()) {
        from.read_to_end(&mut bytes)?;
    }
    if bytes.len() as u64 > SAMPLES_BYTES_MAX {
        let why = format!("larger than {SAMPLES_BYTES_MAX} bytes: no record of a run");
        return Err(io::Error::new(io::ErrorKind::InvalidData, why));
    }
    let (rest, version_1) = bytes
        .strip_prefix(MAGIC.as_slice())
        .map(|rest| (rest, false))
        .or_else(|| bytes.strip_prefix(MAGIC_1.as_slice()).map(|rest| (rest, true)))
        .ok_or_else(|| {
            io::Error::new(io::ErrorKind::InvalidData, "not a samples file: its first bytes are wrong")
        })?;
    let Some((&kind, mut rest)) = rest.split_first() else {
        return Err(io::Error::new(io::ErrorKind::UnexpectedEof, "the samples file ends in its header"));
    };
    let mut out = Samples { rehearsal: kind != 0, ..Samples::default() };
    while !rest.is_empty() {
        let Some((body, after)) = split_segment(rest) else {
            // Without a sound length nothing after it can be found.
            out.damaged_segments += 1;
            break;
        };
        let told = if version_1 { body.map(|b| (SAMPLES, b)) } else { body.and_then(split_kind) };
        match told {
            Some((SAMPLES, body)) => out
                .samples
                .extend(body.get(8..).unwrap_or_default().chunks_exact(SAMPLE_BYTES).filter_map(take_sample)),
            Some((BURST, body)) => {
                out.damaged_segments += u32::from(take_piece(body, &mut out.bursts).is_none())
            }
            // A kind of a later version says nothing about damage.
            Some(_) => {}
            None => out.damaged_segments += 1,
        }
        rest = after;
    }
    Ok(out)
}

/// The next segment's body (none: damaged) and what follows it; none if no segment can be told.
fn split_segment(bytes: &[u8]) -> Option<(Option<&[u8]>, &[u8])> {
    let (head, rest) = bytes.split_first_chunk::<8>()?;
    let [a, b, c, d, e, f, g, h] = *head;
    let length = u32::from_le_bytes([a, b, c, d]) as usize;
    if length > SEGMENT_BYTES_MAX || length > rest.len() {
        return None;
    }
    let (body, after) = rest.split_at(length);
    let sound = CRC.checksum(body) == u32::from_le_bytes([e, f, g, h]);
    Some((sound.then_some(body), after))
}

fn split_kind(body: &[u8]) -> Option<(u8, &[u8])> {
    body.split_first().map(|(kind, rest)| (*kind, rest))
}

/// Puts a piece where it belongs; none if it is no piece.
fn take_piece(body: &[u8], bursts: &mut Vec<Burst>) -> Option<()> {
    let (number, rest) = body.split_first_chunk::<4>()?;
    let (&kind, rest) = rest.split_first()?;
    let (period, rest) = rest.split_first_chunk::<2>()?;
    let (points, rest) = rest.split_first_chunk::<2>()?;
    let (first, rest) = rest.split_first_chunk::<8>()?;
    let (offset, bytes) = rest.split_first_chunk::<4>()?;
    let number = u32::from_le_bytes(*number);
    let first = Some(u64::from_le_bytes(*first)).filter(|f| *f != u64::MAX).map(Micros);
    let order = BurstOrder {
        kind: kind_of(kind)?,
        period_us: u16::from_le_bytes(*period),
        points: u16::from_le_bytes(*points),
    };
    if bursts.last().is_none_or(|b| b.number != number) {
        bursts.push(Burst { number, order, first, bytes: Vec::new() });
    }
    let burst = bursts.last_mut()?;
    burst.first = first;
    // After a piece that is lost the places of what follows would be wrong.
    if burst.bytes.len() == u32::from_le_bytes(*offset) as usize {
        burst.bytes.extend_from_slice(bytes);
    }
    Some(())
}

const fn kind_code(kind: BurstKind) -> u8 {
    match kind {
        BurstKind::Position => 0,
        BurstKind::ReadOuts => 1,
        BurstKind::Lines => 2,
    }
}

const fn kind_of(code: u8) -> Option<BurstKind> {
    Some(match code {
        0 => BurstKind::Position,
        1 => BurstKind::ReadOuts,
        2 => BurstKind::Lines,
        _ => return None,
    })
}

fn put_sample(out: &mut Vec<u8>, s: &Sample) {
    out.extend_from_slice(&s.sequence.to_le_bytes());
    out.extend_from_slice(&s.at.0.to_le_bytes());
    out.extend_from_slice(&s.position.0.to_le_bytes());
    for value in [s.speed.0, s.command.0, s.readback.0, s.torque.0, s.speed_readout.0] {
        out.extend_from_slice(&value.to_le_bytes());
    }
    out.extend_from_slice(&[s.flags, s.segment, state_code(s.state)]);
}

fn take_sample(bytes: &[u8]) -> Option<Sample> {
    let (sequence, rest) = bytes.split_first_chunk::<4>()?;
    let (at, rest) = rest.split_first_chunk::<8>()?;
    let (position, rest) = rest.split_first_chunk::<8>()?;
    let (values, rest) = rest.split_at_checked(20)?;
    let value = |n: usize| {
        values.get(4 * n..4 * n + 4).and_then(|b| <[u8; 4]>::try_from(b).ok()).map_or(0, i32::from_le_bytes)
    };
    let &[flags, segment, state] = rest else { return None };
    Some(Sample {
        sequence: u32::from_le_bytes(*sequence),
        at: Micros(u64::from_le_bytes(*at)),
        position: Counts(i64::from_le_bytes(*position)),
        speed: MilliRpm(value(0)),
        command: Microvolts(value(1)),
        readback: Microvolts(value(2)),
        torque: Microvolts(value(3)),
        speed_readout: Microvolts(value(4)),
        flags,
        segment,
        state: state_of(state)?,
    })
}

const fn state_code(state: State) -> u8 {
    match state {
        State::Safe => 0,
        State::Armed => 1,
        State::Enabling => 2,
        State::Live => 3,
        State::Tripped => 4,
        State::Calibrating => 5,
        State::Opened => 6,
    }
}

const fn state_of(code: u8) -> Option<State> {
    Some(match code {
        0 => State::Safe,
        1 => State::Armed,
        2 => State::Enabling,
        3 => State::Live,
        4 => State::Tripped,
        5 => State::Calibrating,
        6 => State::Opened,
        _ => return None,
    })
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn sample(n: u32) -> Sample {
        Sample {
            sequence: n,
            at: Micros(u64::from(n) * 1000),
            position: Counts(-7 * i64::from(n)),
            speed: MilliRpm(-123),
            command: Microvolts(4_000_000),
            readback: Microvolts(3_999_999),
            torque: Microvolts(-1),
            speed_readout: Microvolts(i32::MIN),
            flags: 0b1010_0101,
            segment: 3,
            state: State::Live,
        }
    }

    fn written(count: u32) -> Vec<u8> {
        let mut bytes = Vec::new();
        let mut writer = SampleWriter::new(&mut bytes, true).unwrap();
        for n in 0..count {
            writer.push(0, &[sample(n)]).unwrap();
        }
        writer.flush().unwrap();
        drop(writer);
        bytes
    }

    #[test]
    fn what_is_written_is_read_again() {
        let read = read_samples(written(350).as_slice()).unwrap();
        assert!(read.rehearsal);
        assert_eq!(read.damaged_segments, 0);
        assert_eq!(read.samples, (0..350).map(sample).collect::<Vec<_>>());
    }

    #[test]
    fn a_file_cut_anywhere_loses_at_most_the_segment_that_was_being_written() {
        // A sample each millisecond.
        let each = (SEGMENT_US / 1000) as usize;
        let whole = written(350);
        for cut in 9..whole.len() {
            let read = read_samples(&whole[..cut]).unwrap();
            // Every sample of a segment that ended before the cut is there.
            let segment = 8 + 9 + each * SAMPLE_BYTES;
            let complete = (cut - 9) / segment * each;
            assert!(read.samples.len() >= complete.min(350), "cut at {cut}: {} samples", read.samples.len());
        }
    }

    fn pieces() -> Vec<u8> {
        let mut bytes = Vec::new();
        let mut writer = SampleWriter::new(&mut bytes, false).unwrap();
        let order = BurstOrder { kind: BurstKind::Lines, period_us: 2, points: 300 };
        writer.push(0, &[sample(1)]).unwrap();
        writer.burst(&BurstChunk { number: 1, order, first: None, offset: 0, bytes: &[] }).unwrap();
        for (offset, bytes) in [(0, [1; 128]), (128, [2; 128])] {
            let chunk = BurstChunk { number: 1, order, first: Some(Micros(77)), offset, bytes: &bytes };
            writer.burst(&chunk).unwrap();
        }
        let order = BurstOrder { kind: BurstKind::ReadOuts, period_us: 40, points: 1 };
        writer.burst(&BurstChunk { number: 2, order, first: None, offset: 0, bytes: &[] }).unwrap();
        drop(writer);
        bytes
    }

    #[test]
    fn pieces_of_bursts_are_put_together_and_one_never_read_is_known() {
        let read = read_samples(pieces().as_slice()).unwrap();
        assert_eq!((read.damaged_segments, read.samples.len(), read.bursts.len()), (0, 1, 2));
        let [lines, read_outs] = &read.bursts[..] else { panic!() };
        assert_eq!((lines.first, lines.bytes.len(), lines.is_whole()), (Some(Micros(77)), 256, false));
        assert_eq!((lines.bytes[127], lines.bytes[128]), (1, 2));
        assert_eq!((read_outs.order.points, read_outs.bytes.len(), read_outs.first), (1, 0, None));
    }

    #[test]
    fn a_burst_cut_anywhere_is_kept_up_to_its_last_whole_piece() {
        let whole = pieces();
        let sample_end = 9 + 8 + 9 + SAMPLE_BYTES;
        let piece = |bytes: usize| 8 + 1 + PIECE_HEAD + bytes;
        for cut in sample_end + piece(0)..whole.len() {
            let read = read_samples(&whole[..cut]).unwrap();
            let pieces = (cut - sample_end - piece(0)) / piece(128);
            assert_eq!(read.bursts[0].bytes.len(), 128 * pieces.min(2), "cut at {cut}");
        }
    }

    /// What version 1 wrote: the same without the byte that says what a body is.
    #[test]
    fn a_file_of_version_1_is_still_read() {
        let mut body = 5_u32.to_le_bytes().to_vec();
        body.extend(2_u32.to_le_bytes());
        put_sample(&mut body, &sample(1));
        put_sample(&mut body, &sample(2));
        let mut file = b"PSSAMPL1\x01".to_vec();
        file.extend(u32::try_from(body.len()).unwrap().to_le_bytes());
        file.extend(CRC.checksum(&body).to_le_bytes());
        file.extend(body);
        let read = read_samples(file.as_slice()).unwrap();
        assert_eq!((read.rehearsal, read.damaged_segments), (true, 0));
        assert_eq!(read.samples, [sample(1), sample(2)]);
        assert!(read.bursts.is_empty());
    }

    proptest! {
        #[test]
        fn a_damaged_byte_costs_a_segment_and_never_a_wrong_sample(at in 9_usize..5000, xor in 1_u8..) {
            let mut bytes = written(350);
            let at = at % (bytes.len() - 9) + 9;
            bytes[at] ^= xor;
            let read = read_samples(bytes.as_slice()).unwrap();
            prop_assert!(read.damaged_segments > 0);
            for s in read.samples {
                prop_assert_eq!(s, sample(s.sequence));
            }
        }

        #[test]
        fn noise_is_never_a_panic(bytes in proptest::collection::vec(any::<u8>(), 0..4000)) {
            for magic in [MAGIC, MAGIC_1] {
                let mut file = magic.to_vec();
                file.extend(&bytes);
                let _ = read_samples(file.as_slice());
            }
        }
    }
}
