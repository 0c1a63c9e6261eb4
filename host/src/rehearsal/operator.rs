//! The simulated person beside the bench.

use std::cell::RefCell;
use std::rc::Rc;

use proofstand_plant::{Rotation, Turned as PlantTurned};
use proofstand_units::{Percent, Seconds, Turns};

use super::Bench;
use crate::checks::{AskNumberStep, Deed, Prompt, Turned};
use crate::sequence::{Attendant, Done};
use crate::sheet::Viewpoint;

/// Answers from what the simulated shaft really did.
pub struct RehearsedOperator {
    bench: Rc<RefCell<Bench>>,
    attended: bool,
    /// Which way the shaft is turned next by hand: each turn goes back what the one before it went.
    next_turn: Rotation,
}

/// A person turns a little further than is asked for, at this many turns a second: no hurry.
const FURTHER: f64 = 0.2;
const TURNS_PER_SECOND: f64 = 0.7;

impl RehearsedOperator {
    pub(super) const fn new(bench: Rc<RefCell<Bench>>, attended: bool) -> Self {
        Self { bench, attended, next_turn: Rotation::Clockwise }
    }
}

impl Attendant for RehearsedOperator {
    fn acknowledge(&mut self, _: &[String]) -> Option<String> {
        Some("the simulated operator".to_owned())
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

    fn begin(&mut self, prompt: &Prompt) -> bool {
        if !self.attended {
            return false;
        }
        let mut bench = self.bench.borrow_mut();
        let mut person = bench.plant_mut().operator();
        match prompt.deed {
            Deed::MotorPowerOff => person.motor_power(false),
            Deed::MotorPowerOn => person.motor_power(true),
            Deed::ControlPower { on } => person.control_power(on),
            Deed::TurnShaft { turns } => {
                let turns = f64::from(turns) + FURTHER;
                let way = match self.next_turn {
                    Rotation::Clockwise => turns,
                    Rotation::CounterClockwise => -turns,
                };
                self.next_turn = self.next_turn.reversed();
                return person.turn(Turns::new(way), Seconds::new(turns / TURNS_PER_SECOND)).is_ok();
            }
        }
        true
    }

    fn has_done(&mut self) -> Done {
        if self.bench.borrow_mut().plant_mut().operator().is_turning() { Done::NotYet } else { Done::Yes }
    }

    fn will_read(&mut self, _: &AskNumberStep) -> bool {
        self.bench.borrow_mut().look_away();
        self.attended
    }

    /// The last number that stood on the display long enough to be read.
    fn number(&mut self, _: &AskNumberStep) -> Option<f64> {
        // As it is typed: in decimals, not in what binary fractions make of the display's steps.
        let typed = |shown: Percent| (shown.get() * 1e6).round() / 1e6;
        if self.attended { self.bench.borrow().display_read().map(typed) } else { None }
    }

    fn attended(&self) -> bool {
        self.attended
    }
}
