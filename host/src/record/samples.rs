//! `samples.bin`: every sample that came, in segments of at most 100 ms, each with its own check.
//!
//! Layout, little-endian. Header: the eight bytes `PSSAMPL1`, then one byte: 1 for a rehearsal, 0 for a fixture.
//! Segment: length of the body in bytes (u32), CRC-32/ISO-HDLC of the body (u32), body. Body: the fixture's count of
//! dropped samples (u32), number of samples (u32), then per sample sequence (u32), time in µs (u64), position in
//! counts (i64), speed in 1/1000 rpm, command, read-back, torque read-out, speed read-out in µV (i32 each), flags,
//! segment, state (one byte each). A kill loses at most the segment under way; a damaged segment is known as such.

use std::io::{self, Read, Write};

use proofstand_protocol::message::{Sample, State};
use proofstand_protocol::units::{Counts, Micros, Microvolts, MilliRpm};

const MAGIC: &[u8; 8] = b"PSSAMPL1";
/// Bytes of one sample.
const SAMPLE_BYTES: usize = 4 + 8 + 8 + 5 * 4 + 3;
/// Samples of at most this much time go into one segment.
const SEGMENT_US: u64 = 100_000;
/// A segment holds at most this many samples, whatever their times say.
const SEGMENT_SAMPLES: usize = 2000;
/// A longer segment than any that is written is damage, not data.
const SEGMENT_BYTES_MAX: usize = 8 + SEGMENT_SAMPLES * SAMPLE_BYTES;

const CRC: crc::Crc<u32> = crc::Crc::<u32>::new(&crc::CRC_32_ISO_HDLC);

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
        let mut segment = Vec::with_capacity(self.body.len() + 16);
        let mut body = Vec::with_capacity(self.body.len() + 8);
        body.extend_from_slice(&self.dropped.to_le_bytes());
        body.extend_from_slice(&u32::try_from(self.count).unwrap_or(u32::MAX).to_le_bytes());
        body.append(&mut self.body);
        segment.extend_from_slice(&u32::try_from(body.len()).unwrap_or(u32::MAX).to_le_bytes());
        segment.extend_from_slice(&CRC.checksum(&body).to_le_bytes());
        segment.append(&mut body);
        self.count = 0;
        self.out.write_all(&segment)
    }

    /// The file under it.
    pub const fn get_ref(&self) -> &W {
        &self.out
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
    /// Segments that were damaged or cut short.
    pub damaged_segments: u32,
}

/// Reads a samples' file as far as it is sound.
///
/// # Errors
/// If it can't be read, or is no such file.
pub fn read_samples(mut from: impl Read) -> io::Result<Samples> {
    let mut bytes = Vec::new();
    from.read_to_end(&mut bytes)?;
    let rest = bytes.strip_prefix(MAGIC.as_slice()).ok_or_else(|| {
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
        match body {
            Some(body) => out
                .samples
                .extend(body.get(8..).unwrap_or_default().chunks_exact(SAMPLE_BYTES).filter_map(take_sample)),
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
    fn a_file_cut_anywhere_loses_at_most_a_hundred_milliseconds() {
        let whole = written(350);
        for cut in 9..whole.len() {
            let read = read_samples(&whole[..cut]).unwrap();
            // Every sample of a segment that ended before the cut is there.
            let segment = 8 + 8 + 100 * SAMPLE_BYTES;
            let complete = (cut - 9) / segment * 100;
            assert!(read.samples.len() >= complete.min(350), "cut at {cut}: {} samples", read.samples.len());
        }
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
            let mut file = MAGIC.to_vec();
            file.extend(bytes);
            let _ = read_samples(file.as_slice());
        }
    }
}
