//! A cable with noise on it: bytes are changed, lost, doubled, held up, and at worst the plug falls out.
//!
//! A decorator of any link, seeded, so that a run on it can be made again. Both directions have the same noise.

use core::time::Duration;
use std::collections::VecDeque;

use proofstand_plant::Random;

use crate::link::{Link, LinkError};

/// Bytes taken from the cable at once, with noise or without.
const AT_ONCE: usize = 256;

/// How often what happens to a byte.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Noise {
    /// Until then, on the link's clock, nothing happens: a cable may go bad in the middle of a motion.
    pub from: Duration,
    /// Chance that a byte has a bit changed, is lost, or comes twice; half, three tenths and a fifth of them.
    pub error: f64,
    /// Chance, a byte, that the cable goes dumb for [`Noise::longest_stall`] at most. What is sent meanwhile comes later.
    pub stall: f64,
    /// Longest stall.
    pub longest_stall: Duration,
    /// Chance, a byte, of a stall that may last for [`Noise::longest_long_stall`]: of another kind, and rarer.
    pub long_stall: f64,
    /// Longest stall of that kind.
    pub longest_long_stall: Duration,
    /// Chance, a byte, that the plug falls out for good.
    pub unplug: f64,
}

impl Noise {
    /// So many errors a byte, a stall for every fiftieth of them, and never unplugged. A stall stays below the fixture's
    /// patience with a silent host (100 ms), so that it must be survived;
    /// there are none that last longer.
    #[must_use]
    pub const fn errors(error: f64) -> Self {
        Self {
            from: Duration::ZERO,
            error,
            stall: error / 50.0,
            longest_stall: Duration::from_millis(30),
            long_stall: 0.0,
            longest_long_stall: Duration::ZERO,
            unplug: 0.0,
        }
    }
}

/// What the noise did.
#[derive(Debug, Default, Clone, Copy, PartialEq, Eq)]
pub struct Disturbed {
    /// Bytes that went through, either way.
    pub bytes: u64,
    /// Bits changed.
    pub flips: u64,
    /// Bytes lost.
    pub losses: u64,
    /// Bytes doubled.
    pub doubles: u64,
    /// Times it went dumb.
    pub stalls: u64,
    /// Times it went dumb for longer, perhaps.
    pub long_stalls: u64,
    /// The plug fell out.
    pub unplugged: bool,
}

/// A link with noise on it.
pub struct NoisyLink<L> {
    link: L,
    noise: Noise,
    random: Random,
    dumb_until: Duration,
    to_send: Vec<u8>,
    to_receive: VecDeque<u8>,
    disturbed: Disturbed,
}

impl<L: Link> NoisyLink<L> {
    /// Puts noise onto a link.
    #[must_use]
    pub fn new(link: L, noise: Noise, seed: u64) -> Self {
        Self {
            link,
            noise,
            random: Random::new(seed),
            dumb_until: Duration::ZERO,
            to_send: Vec::new(),
            to_receive: VecDeque::new(),
            disturbed: Disturbed::default(),
        }
    }

    /// What the noise has done so far.
    #[must_use]
    pub const fn disturbed(&self) -> Disturbed {
        self.disturbed
    }

    /// What becomes of a byte: none, one or two.
    fn pass(&mut self, byte: u8) -> (Option<u8>, Option<u8>) {
        self.disturbed.bytes += 1;
        if self.link.now() < self.noise.from {
            return (Some(byte), None);
        }
        if self.random.uniform() < self.noise.stall {
            self.disturbed.stalls += 1;
            self.stall(self.noise.longest_stall);
        }
        // Without such stalls nothing is drawn for them, so that a seed's other noise stays what it was.
        if self.noise.long_stall > 0.0 && self.random.uniform() < self.noise.long_stall {
            self.disturbed.long_stalls += 1;
            self.stall(self.noise.longest_long_stall);
        }
        if self.random.uniform() < self.noise.unplug {
            self.disturbed.unplugged = true;
        }
        if self.random.uniform() >= self.noise.error {
            return (Some(byte), None);
        }
        match self.random.uniform() {
            kind if kind < 0.5 => {
                self.disturbed.flips += 1;
                (Some(byte ^ (1 << (self.random.bits() % 8))), None)
            }
            kind if kind < 0.8 => {
                self.disturbed.losses += 1;
                (None, None)
            }
            _ => {
                self.disturbed.doubles += 1;
                (Some(byte), Some(byte))
            }
        }
    }

    /// Goes dumb for some time, at most this long.
    fn stall(&mut self, longest: Duration) {
        let stall = longest.mul_f64(self.random.uniform());
        self.dumb_until = self.dumb_until.max(self.link.now() + stall);
    }

    fn plugged(&self) -> Result<(), LinkError> {
        if self.disturbed.unplugged {
            return Err(LinkError::Gone { port: self.link.name(), why: "the plug fell out".to_owned() });
        }
        Ok(())
    }

    /// Nothing can happen to a byte, so that none has to be looked at.
    fn quiet(&self) -> bool {
        let Noise { error, stall, long_stall, unplug, .. } = self.noise;
        error == 0.0 && stall == 0.0 && long_stall == 0.0 && unplug == 0.0
    }

    fn dumb(&self) -> bool {
        self.link.now() < self.dumb_until
    }
}

impl<L: Link> Link for NoisyLink<L> {
    fn send(&mut self, bytes: &[u8]) -> Result<(), LinkError> {
        if self.quiet() {
            self.disturbed.bytes += bytes.len() as u64;
            return self.link.send(bytes);
        }
        self.plugged()?;
        for &byte in bytes {
            let (first, second) = self.pass(byte);
            self.to_send.extend(first.into_iter().chain(second));
        }
        self.plugged()?;
        if self.dumb() {
            return Ok(());
        }
        self.link.send(&core::mem::take(&mut self.to_send))
    }

    fn receive(&mut self, buffer: &mut [u8], wait: Duration) -> Result<usize, LinkError> {
        if self.quiet() {
            let room = buffer.len().min(AT_ONCE);
            let got = self.link.receive(buffer.get_mut(..room).unwrap_or_default(), wait)?;
            self.disturbed.bytes += got as u64;
            return Ok(got);
        }
        self.plugged()?;
        let until = self.link.now() + wait;
        loop {
            if !self.dumb() {
                if !self.to_send.is_empty() {
                    self.link.send(&core::mem::take(&mut self.to_send))?;
                }
                if !self.to_receive.is_empty() {
                    let got = buffer.len().min(self.to_receive.len());
                    for (place, byte) in buffer.iter_mut().zip(self.to_receive.drain(..got)) {
                        *place = byte;
                    }
                    return Ok(got);
                }
            }
            let left = until.saturating_sub(self.link.now());
            if left.is_zero() {
                return Ok(0);
            }
            // While dumb, time passes in small steps, so that the cable speaks again when its stall is over.
            let step = if self.dumb() { left.min(Duration::from_millis(1)) } else { left };
            let mut came = [0_u8; AT_ONCE];
            let got = self.link.receive(&mut came, step)?;
            for &byte in came.iter().take(got) {
                let (first, second) = self.pass(byte);
                self.to_receive.extend(first.into_iter().chain(second));
            }
            self.plugged()?;
        }
    }

    fn now(&self) -> Duration {
        self.link.now()
    }

    fn name(&self) -> String {
        self.link.name()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A cable whose other end sends back what comes in, on a clock that waiting moves.
    #[derive(Default)]
    struct Echo {
        waiting: VecDeque<u8>,
        now: Duration,
    }

    impl Link for Echo {
        fn send(&mut self, bytes: &[u8]) -> Result<(), LinkError> {
            self.waiting.extend(bytes);
            Ok(())
        }

        fn receive(&mut self, buffer: &mut [u8], wait: Duration) -> Result<usize, LinkError> {
            if self.waiting.is_empty() {
                self.now += wait;
                return Ok(0);
            }
            let got = buffer.len().min(self.waiting.len());
            for (place, byte) in buffer.iter_mut().zip(self.waiting.drain(..got)) {
                *place = byte;
            }
            Ok(got)
        }

        fn now(&self) -> Duration {
            self.now
        }

        fn name(&self) -> String {
            "echo".to_owned()
        }
    }

    fn echoed(noise: Noise, sent: &[u8]) -> (Vec<u8>, Disturbed) {
        let mut link = NoisyLink::new(Echo::default(), noise, 1);
        let mut back = Vec::new();
        let mut buffer = [0; 64];
        for chunk in sent.chunks(50) {
            link.send(chunk).unwrap();
            loop {
                let got = link.receive(&mut buffer, Duration::from_millis(100)).unwrap();
                if got == 0 {
                    break;
                }
                back.extend(&buffer[..got]);
            }
        }
        (back, link.disturbed())
    }

    fn bytes() -> Vec<u8> {
        (0..100_000_u32).map(|n| (n % 251) as u8).collect()
    }

    #[test]
    fn without_noise_every_byte_arrives() {
        let (back, disturbed) = echoed(Noise::errors(0.0), &bytes());
        assert_eq!(back, bytes());
        assert_eq!(disturbed, Disturbed { bytes: 200_000, ..Disturbed::default() });
    }

    #[test]
    fn a_stall_delays_bytes_and_loses_none() {
        let noise = Noise { stall: 1e-3, longest_stall: Duration::from_millis(30), ..Noise::errors(0.0) };
        let (back, disturbed) = echoed(noise, &bytes());
        assert_eq!(back, bytes());
        assert!(disturbed.stalls > 100, "{disturbed:?}");
    }

    #[test]
    fn errors_come_as_often_as_they_were_ordered() {
        let (back, disturbed) = echoed(Noise { stall: 0.0, ..Noise::errors(0.01) }, &bytes());
        // Binomial: five standard deviations around the mean.
        let expected = |share: f64| {
            let mean = disturbed.bytes as f64 * 0.01 * share;
            mean - 5.0 * mean.sqrt()..mean + 5.0 * mean.sqrt()
        };
        assert!(expected(0.5).contains(&(disturbed.flips as f64)), "{disturbed:?}");
        assert!(expected(0.3).contains(&(disturbed.losses as f64)), "{disturbed:?}");
        assert!(expected(0.2).contains(&(disturbed.doubles as f64)), "{disturbed:?}");
        assert_eq!(back.len() as u64 + disturbed.losses, 100_000 + disturbed.doubles);
    }

    #[test]
    fn a_long_stall_is_another_one_and_before_its_time_nothing_happens() {
        let long =
            Noise { long_stall: 1e-4, longest_long_stall: Duration::from_millis(300), ..Noise::errors(0.0) };
        let (back, disturbed) = echoed(long, &bytes());
        assert_eq!(back, bytes());
        assert!(disturbed.long_stalls > 5 && disturbed.stalls == 0, "{disturbed:?}");
        // Each chunk that is answered takes a tenth of a second to show that nothing more comes.
        let late = Noise { from: Duration::from_secs(100), error: 0.5, ..long };
        let (back, disturbed) = echoed(late, &bytes());
        let sent = 50 * 1000;
        assert_eq!(back[..sent - 100], bytes()[..sent - 100]);
        assert!(disturbed.losses > 1000, "{disturbed:?}");
    }

    #[test]
    fn a_plug_that_fell_out_stays_out() {
        let mut link = NoisyLink::new(Echo::default(), Noise { unplug: 1.0, ..Noise::errors(0.0) }, 1);
        assert!(matches!(link.send(&[1]), Err(LinkError::Gone { .. })));
        assert!(matches!(link.receive(&mut [0; 4], Duration::ZERO), Err(LinkError::Gone { .. })));
    }
}
