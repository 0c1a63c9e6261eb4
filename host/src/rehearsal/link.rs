//! The virtual cable: waiting on it is what makes the bench's time pass.

use core::time::Duration;
use std::cell::RefCell;
use std::rc::Rc;

use super::Bench;
use crate::link::{Link, LinkError};

/// The host's end of the cable to a virtual bench.
pub struct VirtualLink {
    bench: Rc<RefCell<Bench>>,
}

impl VirtualLink {
    pub(super) const fn new(bench: Rc<RefCell<Bench>>) -> Self {
        Self { bench }
    }
}

impl Link for VirtualLink {
    fn send(&mut self, bytes: &[u8]) -> Result<(), LinkError> {
        self.bench.borrow_mut().bytes_from_host(bytes);
        Ok(())
    }

    fn receive(&mut self, buffer: &mut [u8], wait: Duration) -> Result<usize, LinkError> {
        let mut bench = self.bench.borrow_mut();
        let until = bench.now() + wait;
        loop {
            let got = bench.bytes_for_host(buffer);
            if got > 0 || bench.now() >= until {
                return Ok(got);
            }
            bench.tick();
        }
    }

    fn now(&self) -> Duration {
        self.bench.borrow().now()
    }

    fn name(&self) -> String {
        "the virtual fixture".to_owned()
    }
}
