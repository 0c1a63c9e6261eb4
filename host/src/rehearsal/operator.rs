//! The simulated person beside the bench.

use std::cell::RefCell;
use std::rc::Rc;

use proofstand_plant::{Rotation, Turned as PlantTurned};

use super::Bench;
use crate::checks::Turned;
use crate::sequence::Attendant;
use crate::sheet::Viewpoint;

/// Answers from what the simulated shaft really did.
pub struct RehearsedOperator {
    bench: Rc<RefCell<Bench>>,
    attended: bool,
}

impl RehearsedOperator {
    pub(super) const fn new(bench: Rc<RefCell<Bench>>, attended: bool) -> Self {
        Self { bench, attended }
    }
}

impl Attendant for RehearsedOperator {
    fn acknowledge(&mut self, _: &[String]) -> bool {
        true
    }

    fn watch(&mut self) {
        self.bench.borrow_mut().plant_mut().operator().mark();
    }

    fn which_way(&mut self, seen_from: Viewpoint) -> Option<Turned> {
        if !self.attended {
            return None;
        }
        let turned = self.bench.borrow_mut().plant_mut().operator().turned_since_mark();
        let PlantTurned::This(rotation) = turned else { return Some(Turned::NotAtAll) };
        Some(match (rotation, seen_from) {
            (Rotation::Clockwise, Viewpoint::ShaftEnd)
            | (Rotation::CounterClockwise, Viewpoint::OtherEnd) => Turned::Clockwise,
            (Rotation::CounterClockwise, Viewpoint::ShaftEnd)
            | (Rotation::Clockwise, Viewpoint::OtherEnd) => Turned::Counterclockwise,
        })
    }

    fn attended(&self) -> bool {
        self.attended
    }
}
