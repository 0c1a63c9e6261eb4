//! The fixture's own terminals: a letter for the block, a number in it. They never change: labels stuck on cables in
//! use would be wrong.

use crate::sheet::InputRole;

/// Block of fixture terminals.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Block {
    /// C: analog command.
    Command,
    /// E: encoder line receivers.
    Encoder,
    /// F: isolated flag inputs.
    Flags,
    /// K: isolated contacts.
    Contacts,
    /// R: analog read-outs.
    ReadOuts,
}

impl Block {
    /// Its letter.
    #[must_use]
    pub const fn letter(self) -> char {
        match self {
            Self::Command => 'C',
            Self::Encoder => 'E',
            Self::Flags => 'F',
            Self::Contacts => 'K',
            Self::ReadOuts => 'R',
        }
    }

    /// In words.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Command => "command",
            Self::Encoder => "encoder",
            Self::Flags => "flags",
            Self::Contacts => "contacts",
            Self::ReadOuts => "read-outs",
        }
    }
}

/// Command +, command −, screen.
pub const COMMAND: [&str; 3] = ["C1", "C2", "C3"];
/// A, A inverted, B, B inverted, index, index inverted, 0 V, screen.
pub const ENCODER: [&str; 8] = ["E1", "E2", "E3", "E4", "E5", "E6", "E7", "E8"];
/// Collector and emitter of flag inputs 0 to 7.
pub const FLAGS: [[&str; 2]; 8] = [
    ["F1", "F2"],
    ["F3", "F4"],
    ["F5", "F6"],
    ["F7", "F8"],
    ["F9", "F10"],
    ["F11", "F12"],
    ["F13", "F14"],
    ["F15", "F16"],
];
/// Both sides of the contacts enable, clear fault, end switch +, end switch −.
pub const CONTACTS: [[&str; 2]; 4] = [["K1", "K2"], ["K3", "K4"], ["K5", "K6"], ["K7", "K8"]];
/// Signal, common, screen of the torque and the speed read-out.
pub const READ_OUTS: [[&str; 3]; 2] = [["R1", "R2", "R3"], ["R4", "R5", "R6"]];

/// Both sides of the contact of a role.
#[must_use]
pub(super) const fn contact(role: InputRole) -> [&'static str; 2] {
    match role {
        InputRole::Enable => CONTACTS[0],
        InputRole::ClearFault => CONTACTS[1],
        InputRole::EndSwitchPositive => CONTACTS[2],
        InputRole::EndSwitchNegative => CONTACTS[3],
    }
}
