//! The simulated person beside the emulated bench: the rehearsal's, with other hands.

use std::cell::RefCell;
use std::rc::Rc;

use proofstand::rehearsal::{Person, RehearsedOperator};
use proofstand_plant::{Rotation, Turned};
use proofstand_units::{Percent, Seconds, Turns};
use serde_json::{Value, json};

use super::Emulator;

/// Answers from what the shaft behind the emulated board really did.
pub type EmulatedOperator = RehearsedOperator<AtTheBoard>;

/// Eyes and hands at the axis of one emulated board.
#[derive(Debug)]
pub struct AtTheBoard(pub Rc<RefCell<Emulator>>);

impl AtTheBoard {
    /// A board that is gone shows at the next word of the host's to it.
    fn tell(&self, order: &Value) -> Option<Value> {
        self.0.borrow_mut().tell(order).ok()
    }
}

impl Person for AtTheBoard {
    fn mark(&mut self) {
        let _ = self.tell(&json!({"order": "mark"}));
    }

    fn turned(&mut self) -> Option<Turned> {
        Some(match self.tell(&json!({"order": "turned"}))?["turned"].as_i64()? {
            0 => Turned::TooLittle,
            turned if turned > 0 => Turned::This(Rotation::Clockwise),
            _ => Turned::This(Rotation::CounterClockwise),
        })
    }

    fn motor_power(&mut self, on: bool) -> bool {
        self.tell(&json!({"order": "power", "motor": on})).is_some()
    }

    fn control_power(&mut self, on: bool) -> bool {
        self.tell(&json!({"order": "power", "control": on})).is_some()
    }

    fn turn(&mut self, turns: Turns, time: Seconds) -> bool {
        let order = json!({"order": "turn", "turns": turns.get(), "seconds": time.get()});
        self.tell(&order).is_some_and(|answer| answer["done"] == true)
    }

    fn is_turning(&mut self) -> bool {
        self.tell(&json!({"order": "turning"})).is_some_and(|answer| answer["turning"] == true)
    }

    fn look_away(&mut self) {
        let _ = self.tell(&json!({"order": "look-away"}));
    }

    fn display(&mut self) -> Option<Percent> {
        self.tell(&json!({"order": "display"}))?["percent"].as_f64().map(Percent::new)
    }
}
