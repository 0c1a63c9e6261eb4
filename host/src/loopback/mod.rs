//! Walking through a newly built fixture with a loop-back plug: which block is right, and which is not.
//!
//! No amplifier and no calibration: what is looked for are wrong parts, bridges and open joints, not millivolts. Each
//! block is looked at by itself as far as it can be, and what rests on a block that is wrong is not judged.

mod blocks;
mod walk;

pub use blocks::{Block, Finding, State};
pub use walk::walk;

/// What a person is asked to do, in this order.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ask {
    /// Before anything: what must be plugged, and what must not.
    Begin,
    /// The stop button, pressed and kept.
    PressStop,
    /// The hold-to-run control, let go; the stop button released.
    LetHoldGo,
    /// The guard, opened; the hold-to-run control held again.
    OpenGuard,
    /// Everything in the chain closed again.
    CloseChain,
    /// The flag inputs that no contact reaches, bridged.
    BridgeFlags,
    /// These bridges taken out.
    TakeBridgesOut,
    /// The cell plugged into the encoder's terminals.
    PlugCell,
}

impl Ask {
    /// The question's words.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Begin => {
                "Loop-back plug in C, R, F and K, nothing in E, no amplifier anywhere. Stop button, hold-to-run control and guard \
                 contact plugged into S: button released, control held, guard closed"
            }
            Self::PressStop => "Press the stop button, and leave it pressed",
            Self::LetHoldGo => "Release the stop button; let the hold-to-run control go",
            Self::OpenGuard => "Hold the hold-to-run control again; open the guard",
            Self::CloseChain => "Close the guard; keep holding the control until the end",
            Self::BridgeFlags => "Bridge F9 to F10, F11 to F12, F13 to F14, F15 to F16",
            Self::TakeBridgesOut => "Take these four bridges out",
            Self::PlugCell => "Plug the cell of 1.5 V into E: + to E1, E3, E5, - to E2, E4, E6",
        }
    }
}

/// Who does what is asked.
pub trait Hands {
    /// Asks, and waits until it is done. False: stop.
    fn please(&mut self, ask: Ask) -> bool;
}
