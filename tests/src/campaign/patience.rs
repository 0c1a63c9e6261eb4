//! A link that ends a run which would never end by itself, so that a hang is seen and counted.

use core::time::Duration;

use proofstand::link::{Link, LinkError};

/// Time of the bench that no run needs.
const LONGEST: Duration = Duration::from_secs(3600);
/// Calls that no run needs.
const MOST_CALLS: u64 = 200_000_000;
/// What the run then says.
pub(super) const OUT_OF_PATIENCE: &str = "it came to no end";

/// The link.
pub(super) struct Patience<L> {
    link: L,
    calls: u64,
}

impl<L: Link> Patience<L> {
    pub(super) const fn new(link: L) -> Self {
        Self { link, calls: 0 }
    }

    fn waited(&mut self) -> Result<(), LinkError> {
        self.calls += 1;
        if self.calls > MOST_CALLS || self.link.now() > LONGEST {
            return Err(LinkError::Gone { port: self.link.name(), why: OUT_OF_PATIENCE.to_owned() });
        }
        Ok(())
    }
}

impl<L: Link> Link for Patience<L> {
    fn send(&mut self, bytes: &[u8]) -> Result<(), LinkError> {
        self.waited()?;
        self.link.send(bytes)
    }

    fn receive(&mut self, buffer: &mut [u8], wait: Duration) -> Result<usize, LinkError> {
        self.waited()?;
        self.link.receive(buffer, wait)
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

    /// A bench on which only time passes.
    struct Deaf(Duration);

    impl Link for Deaf {
        fn send(&mut self, _: &[u8]) -> Result<(), LinkError> {
            Ok(())
        }

        fn receive(&mut self, _: &mut [u8], wait: Duration) -> Result<usize, LinkError> {
            self.0 += wait;
            Ok(0)
        }

        fn now(&self) -> Duration {
            self.0
        }

        fn name(&self) -> String {
            "deaf".to_owned()
        }
    }

    #[test]
    fn who_waits_for_ever_is_told_so() {
        let mut link = Patience::new(Deaf(Duration::ZERO));
        let mut buffer = [0; 8];
        let ended = (0..10_000).find_map(|_| link.receive(&mut buffer, Duration::from_secs(1)).err());
        assert!(ended.is_some_and(|why| why.to_string().contains(OUT_OF_PATIENCE)));
    }
}
