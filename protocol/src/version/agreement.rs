//! Who may talk to whom, and what may be asked.

use core::fmt;

use super::{FINGERPRINT, FixtureHello, Version};
use crate::message::{BurstKind, Request};
use crate::units::Microvolts;

/// A set of functions that a fixture has, or that a request needs.
#[derive(Debug, Default, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Capabilities(pub u32);

impl Capabilities {
    /// None at all.
    pub const NONE: Self = Self(0);
    /// Bursts of position, [`BurstKind::Position`].
    pub const POSITION_BURSTS: Self = Self(1 << 0);
    /// Bursts of the analog read-outs, [`BurstKind::ReadOuts`].
    pub const READOUT_BURSTS: Self = Self(1 << 1);
    /// Bursts of the A, B and Z lines, [`BurstKind::Lines`].
    pub const LINE_BURSTS: Self = Self(1 << 2);
    /// The output can be isolated from the terminal and read back, [`Request::SelfCheck`].
    pub const SELF_CHECK: Self = Self(1 << 3);
    /// Keeps a calibration record that can be read and replaced.
    pub const CALIBRATION_STORE: Self = Self(1 << 4);
    /// Has a guard contact. Without one, unattended motion is not to be had.
    pub const GUARD_CONTACT: Self = Self(1 << 5);
    /// Measures the amplifier's speed read-out.
    pub const SPEED_READOUT: Self = Self(1 << 6);
    /// Measures the amplifier's torque read-out.
    pub const TORQUE_READOUT: Self = Self(1 << 7);
    /// Its receivers report a broken or unpowered encoder pair.
    pub const ENCODER_LINE_FAULT: Self = Self(1 << 8);
    /// Puts levels onto its terminals for a reference meter with enable open, [`Request::MeterLevel`].
    pub const METER_LEVELS: Self = Self(1 << 9);

    /// True if every function of `needed` is in this set. Bits that this version does not know count too.
    pub const fn contains(self, needed: Self) -> bool {
        self.0 & needed.0 == needed.0
    }

    /// The functions in either set.
    pub const fn union(self, other: Self) -> Self {
        Self(self.0 | other.0)
    }

    /// What a fixture must have for a request to make sense.
    pub const fn needed_by(request: &Request) -> Self {
        match request {
            Request::Arm { limits, .. } => {
                let guard = if limits.guard_required { Self::GUARD_CONTACT } else { Self::NONE };
                let Microvolts(scale) = limits.speed_readout;
                guard.union(if scale != 0 { Self::SPEED_READOUT } else { Self::NONE })
            }
            Request::StartBurst { kind: BurstKind::Position, .. } => Self::POSITION_BURSTS,
            Request::StartBurst { kind: BurstKind::ReadOuts, .. } => Self::READOUT_BURSTS,
            Request::StartBurst { kind: BurstKind::Lines, .. } => Self::LINE_BURSTS,
            Request::SelfCheck { .. } => Self::SELF_CHECK,
            Request::EncoderLines => Self::ENCODER_LINE_FAULT,
            Request::ReadCalibration { .. }
            | Request::WriteCalibration { .. }
            | Request::CommitCalibration { .. } => Self::CALIBRATION_STORE,
            // No level without a look at the encoder pairs: an amplifier may hang on the terminals.
            Request::MeterLevel { .. } => Self::METER_LEVELS.union(Self::ENCODER_LINE_FAULT),
            Request::MeterReadings => Self::METER_LEVELS,
            Request::Status
            | Request::Enable { .. }
            | Request::Disarm
            | Request::Acknowledge { .. }
            | Request::LoadSegment { .. }
            | Request::StartProgram { .. }
            | Request::StopProgram
            | Request::SetContacts(_)
            | Request::Stream { .. }
            | Request::ReadBurst { .. }
            | Request::RepeatEvents { .. }
            | Request::OpenEnable { .. } => Self::NONE,
        }
    }
}

impl core::ops::BitOr for Capabilities {
    type Output = Self;

    fn bitor(self, other: Self) -> Self {
        self.union(other)
    }
}

/// What a host and a fixture have in common.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Agreement {
    /// The version that both speak.
    pub version: Version,
    /// What the fixture has.
    pub capabilities: Capabilities,
    /// The message tables differ somewhere: worth a warning, no more.
    pub fingerprint_differs: bool,
}

impl Agreement {
    /// Whether a request may be sent under this agreement: both sides know it, and the fixture has what it needs.
    pub const fn allows(&self, request: &Request) -> bool {
        let since = match request {
            Request::OpenEnable { .. } | Request::EncoderLines => 1,
            _ => 0,
        };
        self.version.minor >= since && self.capabilities.contains(Capabilities::needed_by(request))
    }
}

/// Two sides of different majors, that may not talk beyond the greeting.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Incompatible {
    /// The version of the host.
    pub host: Version,
    /// The version of the fixture.
    pub fixture: Version,
}

impl fmt::Display for Incompatible {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let older = if self.host.major < self.fixture.major { "program" } else { "fixture's firmware" };
        write!(
            f,
            "the program speaks protocol {}, the fixture {}: the majors must be the same; update the {older}",
            self.host, self.fixture
        )
    }
}

impl core::error::Error for Incompatible {}

/// The rule of compatibility: the same major is required; the lower minor and the fixture's capabilities decide what
/// may be asked; a different fingerprint only warns.
///
/// # Errors
/// [`Incompatible`] where the majors differ.
pub fn agree(host: Version, fixture: &FixtureHello) -> Result<Agreement, Incompatible> {
    if host.major != fixture.version.major {
        return Err(Incompatible { host, fixture: fixture.version });
    }
    Ok(Agreement {
        version: Version { major: host.major, minor: host.minor.min(fixture.version.minor) },
        capabilities: fixture.capabilities,
        fingerprint_differs: fixture.fingerprint != FINGERPRINT,
    })
}
