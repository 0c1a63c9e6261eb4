//! The counting decoder against a decoder that is not ours.

use std::fmt::Write as _;
use std::process::Command;

use proofstand_firmware::encoder::{Lines, QuadratureDecoder, Step};

/// A small generator of numbers, so that the stream is the same everywhere: SplitMix64 (Steele, Lea, Flood 2014).
struct Mix(u64);

impl Mix {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }
}

/// A random walk of A and B, held for a few samples each time, with an illegal jump now and then.
fn walk(steps: usize) -> Vec<(bool, bool)> {
    const RING: [(bool, bool); 4] = [(false, false), (true, false), (true, true), (false, true)];
    let mut mix = Mix(20_251);
    let mut at = 0_usize;
    let mut samples = vec![RING[0]; 4];
    for _ in 0..steps {
        at = match mix.next() % 32 {
            0 => at + 2,
            1..=12 => at + 3,
            _ => at + 1,
        } % 4;
        let held = 3 + (mix.next() % 5) as usize;
        samples.extend(std::iter::repeat_n(RING[at], held));
    }
    samples
}

/// Every new count with the sample at which it came, and the illegal transitions.
fn ours(samples: &[(bool, bool)]) -> (Vec<(usize, i64)>, u32) {
    let lines = |(a, b): (bool, bool)| Lines { a, b };
    let mut decoder = QuadratureDecoder::new(lines(samples[0]));
    let mut counts = Vec::new();
    let mut count = 0_i64;
    let mut illegal = 0;
    for (n, sample) in samples.iter().enumerate() {
        match decoder.sample(lines(*sample)) {
            Step::Up => count += 1,
            Step::Down => count -= 1,
            Step::Still => continue,
            Step::Illegal => {
                illegal += 1;
                continue;
            }
        }
        counts.push((n, count));
    }
    (counts, illegal)
}

#[test]
#[ignore = "needs sigrok-cli"]
fn every_count_of_a_walk_with_illegal_jumps_is_sigroks() {
    // Reference: Debian's sigrok-cli with the decoder `graycode` of libsigrokdecode. It prints a count when the next one
    // begins, so the last is never printed; its exit status after a Python decoder is no verdict (judge by its output).
    let mut samples = walk(4000);
    let last = *samples.last().unwrap();
    // One more legal step, so that the last count of the walk is printed.
    samples.extend(std::iter::repeat_n((!last.0, last.1), 5));
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("walk.csv");
    let mut text = String::from("A,B\n");
    for (a, b) in &samples {
        writeln!(text, "{},{}", u8::from(*a), u8::from(*b)).unwrap();
    }
    std::fs::write(&file, text).unwrap();
    let run = Command::new("sigrok-cli")
        .arg("-i")
        .arg(&file)
        .args(["-I", "csv:header=yes:column_formats=2l:samplerate=1000000"])
        .args(["-P", "graycode:d0=A:d1=B", "-A", "graycode=count", "--protocol-decoder-samplenum"])
        .output()
        .expect("sigrok-cli is missing: apt-get install sigrok-cli");
    let theirs: Vec<(usize, i64)> = String::from_utf8_lossy(&run.stdout)
        .lines()
        .filter_map(|line| {
            let (range, value) = line.split_once(" graycode-1: ")?;
            Some((range.split_once('-')?.0.parse().ok()?, value.trim().parse().ok()?))
        })
        .collect();
    let (ours, illegal) = ours(&samples);
    assert!(illegal > 50, "the walk held {illegal} illegal jumps only");
    assert!(
        theirs.len() > 3000,
        "sigrok-cli printed {} counts: {}",
        theirs.len(),
        String::from_utf8_lossy(&run.stderr)
    );
    // Theirs begin with the count 0 at the first sample.
    let theirs: Vec<_> = theirs.into_iter().filter(|(sample, _)| *sample > 0).collect();
    assert_eq!(theirs, ours[..theirs.len()]);
    assert!(ours.len() - theirs.len() <= 1);
}
