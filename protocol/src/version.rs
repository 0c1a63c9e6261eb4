//! The greeting: who is there, and what may be asked of it.
//!
//! Its layout is frozen. Every version of either side, also of another major, writes these bytes at these offsets,
//! little-endian; a later minor may only put more behind them. That is why it is no [`crate::message`] type.

mod agreement;

use core::fmt;

use postcard_schema::key::Key;

use crate::message::{FixtureMessage, HostMessage};

pub use agreement::{Agreement, Capabilities, Incompatible, agree};

/// First bytes of either greeting.
pub const MAGIC: [u8; 4] = *b"PFST";

/// The version of this protocol that the crate speaks.
pub const VERSION: Version = Version { major: 1, minor: 1 };

/// Changes whenever a message type, field or variant changes its name or type. Two sides with different ones may well
/// understand each other (a later minor adds variants): a difference warns and decides nothing.
pub const FINGERPRINT: [u8; 8] = Key::for_path::<(HostMessage, FixtureMessage)>("proofstand").to_bytes();

/// Version of the protocol.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Version {
    /// Must be the same on both sides.
    pub major: u16,
    /// Counts additions within a major; the lower of both sides decides what may be said.
    pub minor: u16,
}

impl fmt::Display for Version {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}.{}", self.major, self.minor)
    }
}

/// Version of the fixture's firmware.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[allow(missing_docs, reason = "as in semantic versioning")]
pub struct FirmwareVersion {
    pub major: u16,
    pub minor: u16,
    pub patch: u16,
}

impl fmt::Display for FirmwareVersion {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}.{}.{}", self.major, self.minor, self.patch)
    }
}

/// What a fixture knows of its calibration when it greets.
#[derive(Debug, Default, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum CalibrationState {
    /// There is none.
    #[default]
    None,
    /// It holds together and belongs to the analog board that is there. (Whether it is overdue, the host judges: the
    /// fixture has no calendar.)
    Valid,
    /// It belongs to another analog board.
    ForeignBoard,
    /// It does not hold together.
    Corrupt,
    /// A state that this version does not know. Never to be taken for valid.
    Other(u8),
}

impl CalibrationState {
    /// The byte on the wire.
    pub const fn to_byte(self) -> u8 {
        match self {
            Self::None => 0,
            Self::Valid => 1,
            Self::ForeignBoard => 2,
            Self::Corrupt => 3,
            Self::Other(byte) => byte,
        }
    }

    /// The state with this byte.
    pub const fn from_byte(byte: u8) -> Self {
        match byte {
            0 => Self::None,
            1 => Self::Valid,
            2 => Self::ForeignBoard,
            3 => Self::Corrupt,
            other => Self::Other(other),
        }
    }
}

/// A calendar day as days since 1970-01-01; 0 stands for *not known*.
#[derive(Debug, Default, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct UnixDay(pub u32);

impl UnixDay {
    /// The days since 1970-01-01, if known.
    pub const fn known(self) -> Option<u32> {
        if self.0 == 0 { None } else { Some(self.0) }
    }
}

/// The greeting of a host. Opens a session.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct HostHello {
    /// The version the host speaks.
    pub version: Version,
    /// Any number that differs from session to session. The fixture gives it back, so that a late greeting is not
    /// taken for the answer; the same number again is a repeated greeting and opens nothing.
    pub session: u32,
    /// The lowest request id of the session. Lower ones are stale from here on.
    pub first_request: u32,
}

/// The greeting of a fixture. Answers [`HostHello`], always.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct FixtureHello {
    /// The version the fixture speaks.
    pub version: Version,
    /// The session number of the greeting that is answered.
    pub session: u32,
    /// What the fixture has.
    pub capabilities: Capabilities,
    /// Its firmware.
    pub firmware: FirmwareVersion,
    /// True for a fixture that is a program: what it measures is a rehearsal and never evidence.
    pub simulated: bool,
    /// Its calibration.
    pub calibration: CalibrationState,
    /// Serial number of the controller board.
    pub controller_serial: [u8; 8],
    /// Serial number of the analog board, to which the calibration belongs.
    pub analog_serial: [u8; 8],
    /// Day of the calibration.
    pub calibrated: UnixDay,
    /// Day after which the calibration is overdue.
    pub calibration_due: UnixDay,
    /// The fixture's [`FINGERPRINT`].
    pub fingerprint: [u8; 8],
}

/// Bit 0 of the flags byte: [`FixtureHello::simulated`].
const FLAG_SIMULATED: u8 = 1 << 0;

/// Why a body is no greeting.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum HelloError {
    /// Shorter than the frozen layout.
    TooShort {
        /// Bytes there are.
        length: usize,
        /// Bytes of the layout.
        needed: usize,
    },
    /// Does not begin with [`MAGIC`]: something else is at the other end.
    BadMagic([u8; 4]),
}

impl fmt::Display for HelloError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::TooShort { length, needed } => {
                write!(f, "the greeting has {length} bytes, its frozen layout {needed}")
            }
            Self::BadMagic(magic) => {
                write!(f, "the greeting begins with {magic:02X?}: the other end is something else")
            }
        }
    }
}

impl core::error::Error for HelloError {}

impl HostHello {
    /// Bytes of the frozen layout.
    pub const LENGTH: usize = 16;

    /// A greeting in the version of this crate.
    pub const fn new(session: u32, first_request: u32) -> Self {
        Self { version: VERSION, session, first_request }
    }

    /// The frozen layout.
    pub fn to_bytes(&self) -> [u8; Self::LENGTH] {
        let mut bytes = [0; Self::LENGTH];
        bytes[0..4].copy_from_slice(&MAGIC);
        bytes[4..6].copy_from_slice(&self.version.major.to_le_bytes());
        bytes[6..8].copy_from_slice(&self.version.minor.to_le_bytes());
        bytes[8..12].copy_from_slice(&self.session.to_le_bytes());
        bytes[12..16].copy_from_slice(&self.first_request.to_le_bytes());
        bytes
    }

    /// Reads the frozen layout; bytes behind it belong to a later minor and are passed over.
    ///
    /// # Errors
    /// [`HelloError::TooShort`] or [`HelloError::BadMagic`].
    pub fn from_bytes(bytes: &[u8]) -> Result<Self, HelloError> {
        let b: &[u8; Self::LENGTH] = layout(bytes)?;
        Ok(Self {
            version: Version { major: u16_at::<4, _>(b), minor: u16_at::<6, _>(b) },
            session: u32_at::<8, _>(b),
            first_request: u32_at::<12, _>(b),
        })
    }
}

impl FixtureHello {
    /// Bytes of the frozen layout.
    pub const LENGTH: usize = 56;

    /// The frozen layout.
    pub fn to_bytes(&self) -> [u8; Self::LENGTH] {
        let mut bytes = [0; Self::LENGTH];
        bytes[0..4].copy_from_slice(&MAGIC);
        bytes[4..6].copy_from_slice(&self.version.major.to_le_bytes());
        bytes[6..8].copy_from_slice(&self.version.minor.to_le_bytes());
        bytes[8..12].copy_from_slice(&self.session.to_le_bytes());
        bytes[12..16].copy_from_slice(&self.capabilities.0.to_le_bytes());
        bytes[16..18].copy_from_slice(&self.firmware.major.to_le_bytes());
        bytes[18..20].copy_from_slice(&self.firmware.minor.to_le_bytes());
        bytes[20..22].copy_from_slice(&self.firmware.patch.to_le_bytes());
        bytes[22] = if self.simulated { FLAG_SIMULATED } else { 0 };
        bytes[23] = self.calibration.to_byte();
        bytes[24..32].copy_from_slice(&self.controller_serial);
        bytes[32..40].copy_from_slice(&self.analog_serial);
        bytes[40..44].copy_from_slice(&self.calibrated.0.to_le_bytes());
        bytes[44..48].copy_from_slice(&self.calibration_due.0.to_le_bytes());
        bytes[48..56].copy_from_slice(&self.fingerprint);
        bytes
    }

    /// Reads the frozen layout; bytes behind it, and flags unknown here, belong to a later minor and are passed over.
    ///
    /// # Errors
    /// [`HelloError::TooShort`] or [`HelloError::BadMagic`].
    pub fn from_bytes(bytes: &[u8]) -> Result<Self, HelloError> {
        let b: &[u8; Self::LENGTH] = layout(bytes)?;
        Ok(Self {
            version: Version { major: u16_at::<4, _>(b), minor: u16_at::<6, _>(b) },
            session: u32_at::<8, _>(b),
            capabilities: Capabilities(u32_at::<12, _>(b)),
            firmware: FirmwareVersion {
                major: u16_at::<16, _>(b),
                minor: u16_at::<18, _>(b),
                patch: u16_at::<20, _>(b),
            },
            simulated: b[22] & FLAG_SIMULATED != 0,
            calibration: CalibrationState::from_byte(b[23]),
            controller_serial: array_at::<24, 8, _>(b),
            analog_serial: array_at::<32, 8, _>(b),
            calibrated: UnixDay(u32_at::<40, _>(b)),
            calibration_due: UnixDay(u32_at::<44, _>(b)),
            fingerprint: array_at::<48, 8, _>(b),
        })
    }
}

fn layout<const N: usize>(bytes: &[u8]) -> Result<&[u8; N], HelloError> {
    let layout = bytes.first_chunk::<N>().ok_or(HelloError::TooShort { length: bytes.len(), needed: N })?;
    match layout.first_chunk::<4>() {
        Some(&MAGIC) => Ok(layout),
        Some(&other) => Err(HelloError::BadMagic(other)),
        None => Err(HelloError::TooShort { length: N, needed: 4 }),
    }
}

/// The bytes at an offset; one outside the layout does not compile.
fn array_at<const AT: usize, const N: usize, const LAYOUT: usize>(bytes: &[u8; LAYOUT]) -> [u8; N] {
    const { assert!(AT + N <= LAYOUT, "a field must lie within the layout") };
    core::array::from_fn(|i| bytes[AT + i])
}

fn u16_at<const AT: usize, const LAYOUT: usize>(bytes: &[u8; LAYOUT]) -> u16 {
    u16::from_le_bytes(array_at::<AT, 2, LAYOUT>(bytes))
}

fn u32_at<const AT: usize, const LAYOUT: usize>(bytes: &[u8; LAYOUT]) -> u32 {
    u32::from_le_bytes(array_at::<AT, 4, LAYOUT>(bytes))
}
