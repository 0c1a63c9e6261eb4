//! The simulated person beside the bench.

use std::cell::RefCell;
use std::rc::Rc;

use proofstand_plant::{Rotation, Turned as PlantTurned};
use proofstand_units::{Percent, Seconds, Turns};

use super::Bench;
use crate::checks::{AskNumberStep, Deed, Prompt, Turned};
use crate::sequence::{Attendant, Done};
use crate::sheet::Viewpoint;

/// Eyes and hands at one simulated axis. A bench that is gone sees and does nothing.
pub trait Person {
    /// Remembers where the shaft stands.
    fn mark(&mut self);
    /// Which way it has turned since.
    fn turned(&mut self) -> Option<PlantTurned>;
    /// Switches the amplifier's motor power; false: it can't be done.
    fn motor_power(&mut self, on: bool) -> bool;
    /// Switches the amplifier's control power; false: it can't be done.
    fn control_power(&mut self, on: bool) -> bool;
    /// Begins to turn the shaft by hand, clockwise positive; false: it can't be turned.
    fn turn(&mut self, turns: Turns, time: Seconds) -> bool;
    /// The hand is still turning it.
    fn is_turning(&mut self) -> bool;
    /// Forgets what was read of the display.
    fn look_away(&mut self);
    /// The last number that stood on the display long enough to be read.
    fn display(&mut self) -> Option<Percent>;
}

impl Person for Rc<RefCell<Bench>> {
    fn mark(&mut self) {
        self.borrow_mut().plant_mut().operator().mark();
    }

    fn turned(&mut self) -> Option<PlantTurned> {
        Some(self.borrow_mut().plant_mut().operator().turned_since_mark())
    }

    fn motor_power(&mut self, on: bool) -> bool {
        self.borrow_mut().plant_mut().operator().motor_power(on);
        true
    }

    fn control_power(&mut self, on: bool) -> bool {
        self.borrow_mut().plant_mut().operator().control_power(on);
        true
    }

    fn turn(&mut self, turns: Turns, time: Seconds) -> bool {
        self.borrow_mut().plant_mut().operator().turn(turns, time).is_ok()
    }

    fn is_turning(&mut self) -> bool {
        self.borrow_mut().plant_mut().operator().is_turning()
    }

    fn look_away(&mut self) {
        self.borrow_mut().look_away();
    }

    fn display(&mut self) -> Option<Percent> {
        self.borrow().display_read()
    }
}

/// Answers from what the simulated shaft really did.
#[derive(Debug)]
pub struct RehearsedOperator<P = Rc<RefCell<Bench>>> {
    person: P,
    attended: bool,
    /// Which way the shaft is turned next by hand: each turn goes back what the one before it went.
    next_turn: Rotation,
}

/// A person turns a little further than is asked for, at this many turns a second: no hurry.
const FURTHER: f64 = 0.2;
const TURNS_PER_SECOND: f64 = 0.7;

impl<P: Person> RehearsedOperator<P> {
    /// Somebody at a bench; `attended`: is there anybody?
    #[must_use]
    pub const fn new(person: P, attended: bool) -> Self {
        Self { person, attended, next_turn: Rotation::Clockwise }
    }
}

impl<P: Person> Attendant for RehearsedOperator<P> {
    fn acknowledge(&mut self, _: &[String]) -> Option<String> {
        Some("the simulated operator".to_owned())
    }

    fn watch(&mut self) {
        self.person.mark();
    }

    fn which_way(&mut self, seen_from: Viewpoint) -> Option<Turned> {
        if !self.attended {
            return None;
        }
        let PlantTurned::This(rotation) = self.person.turned()? else { return Some(Turned::NotAtAll) };
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
        match prompt.deed {
            Deed::MotorPowerOff => self.person.motor_power(false),
            Deed::MotorPowerOn => self.person.motor_power(true),
            Deed::ControlPower { on } => self.person.control_power(on),
            Deed::TurnShaft { turns } => {
                let turns = f64::from(turns) + FURTHER;
                let way = match self.next_turn {
                    Rotation::Clockwise => turns,
                    Rotation::CounterClockwise => -turns,
                };
                self.next_turn = self.next_turn.reversed();
                self.person.turn(Turns::new(way), Seconds::new(turns / TURNS_PER_SECOND))
            }
        }
    }

    fn has_done(&mut self) -> Done {
        if self.person.is_turning() { Done::NotYet } else { Done::Yes }
    }

    fn will_read(&mut self, _: &AskNumberStep) -> bool {
        self.person.look_away();
        self.attended
    }

    fn number(&mut self, _: &AskNumberStep) -> Option<f64> {
        // As it is typed: in decimals, not in what binary fractions make of the display's steps.
        let typed = |shown: Percent| (shown.get() * 1e6).round() / 1e6;
        if self.attended { self.person.display().map(typed) } else { None }
    }

    fn attended(&self) -> bool {
        self.attended
    }
}
