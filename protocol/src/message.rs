//! The one table of what host and fixture say to each other after the greeting.
//!
//! Variants are append-only: a new one goes last, an old one keeps its place and its fields for ever. The golden
//! bytes in this crate's tests hold that.

use heapless::Vec;
use postcard_schema::Schema;
use serde::{Deserialize, Serialize};

use crate::program::Segment;
use crate::units::{Counts, CountsPerRev, Micros, Microvolts, MicrovoltsPerTick, MilliRpm, Ticks};

/// Samples in one stream block.
pub const SAMPLES_PER_BLOCK: usize = 4;
/// Bytes in one chunk of a burst or of the calibration record.
pub const CHUNK_BYTES: usize = 128;
/// Numbered events the fixture keeps for repetition.
pub const EVENTS_KEPT: usize = 64;

/// Everything the host sends.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, Schema)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum HostMessage {
    /// A request; answered by exactly one [`FixtureMessage::Reply`] with the same id.
    Request {
        /// Rises by at least one with every new request. The same id again repeats the stored reply without doing
        /// anything; an older one is refused.
        id: u32,
        /// What is asked.
        body: Request,
    },
    /// The host is alive and hears the stream. Not answered. Counts only if `sample` is one that the fixture sent
    /// within the last [`BEAT_WINDOW_SAMPLES`] ticks.
    Beat {
        /// Sequence number of the latest sample the host has.
        sample: u32,
    },
}

/// A beat that echoes a sample older than this many ticks does not count.
pub const BEAT_WINDOW_SAMPLES: u32 = 100;

/// What the host may ask. Append-only.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, Schema)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[allow(clippy::large_enum_variant, reason = "fixed memory; a box is not to be had")]
pub enum Request {
    /// Report the state; answered by [`Answer::Status`].
    Status,
    /// Accept limits and become armed: enable stays open, command stays 0 V.
    Arm {
        /// The epoch of the last status the host saw.
        epoch: u32,
        /// What the fixture enforces while armed.
        limits: Limits,
    },
    /// Close the enable contact. Command stays 0 V until torque is really on.
    Enable {
        /// The epoch of the last status the host saw.
        epoch: u32,
    },
    /// 0 V, enable open, back to safe. Always allowed, in any state but tripped.
    Disarm,
    /// Acknowledge a latched trip. Leads to safe, never to armed.
    Acknowledge {
        /// The number of the trip that is acknowledged.
        trip: u32,
    },
    /// Put a segment into a slot, 0 to [`crate::program::SEGMENTS_MAX`] − 1. Refused while a program runs.
    LoadSegment {
        /// The slot.
        slot: u8,
        /// The segment.
        segment: Segment,
    },
    /// Run the loaded program from a slot.
    StartProgram {
        /// The epoch of the last status the host saw.
        epoch: u32,
        /// First slot.
        first: u8,
        /// Longest time the whole program may take.
        timeout: Ticks,
    },
    /// End the running program: command to 0 V at once; enable stays closed.
    StopProgram,
    /// Set the isolated contacts that stand in for controller and switches.
    SetContacts(Contacts),
    /// Stream every `decimation`-th tick's sample; 0 stops the stream.
    Stream {
        /// Every how many ticks.
        decimation: u16,
    },
    /// Capture one burst; read it with [`Request::ReadBurst`] when its event has come.
    StartBurst {
        /// What to capture.
        kind: BurstKind,
        /// Time between points, in microseconds.
        period_us: u16,
        /// How many points.
        points: u16,
    },
    /// Read captured bytes from an offset; answered by [`Answer::Chunk`].
    ReadBurst {
        /// First byte.
        offset: u32,
    },
    /// Send numbered events again from this number on, as far as they are kept.
    RepeatEvents {
        /// First number.
        from: u32,
    },
    /// With the output isolated from the terminal, set the converter and read it back. Only when safe.
    SelfCheck {
        /// The command to try.
        level: Microvolts,
    },
    /// Read the calibration record from an offset; answered by [`Answer::Chunk`].
    ReadCalibration {
        /// First byte.
        offset: u32,
    },
    /// Put bytes of a new calibration record into the waiting copy. Only when safe.
    WriteCalibration {
        /// First byte.
        offset: u32,
        /// The bytes.
        bytes: Vec<u8, CHUNK_BYTES>,
    },
    /// Check the waiting copy and make it the calibration. Only when safe.
    CommitCalibration {
        /// Length of the record.
        length: u32,
        /// CRC-32/ISO-HDLC of the record.
        crc: u32,
    },
    /// Put a level onto the command terminals for a reference meter, the enable contact open. From safe, and again for
    /// every further level; refused while a powered amplifier is plugged in. Ends with [`Request::Disarm`], with the
    /// beat, or five minutes after the last such request.
    MeterLevel {
        /// The epoch of the last status the host saw.
        epoch: u32,
        /// The level.
        level: Microvolts,
        /// True: through the calibration in force. False: by the converter's ideal line.
        corrected: bool,
    },
    /// Mean of the analog inputs since the meter's level settled; answered by [`Answer::MeterReadings`].
    MeterReadings,
    /// Open the enable contact at once, and go on with the program for a time all the same: only so does it show
    /// whether the amplifier obeys the contact. Then 0 V and safe. Only when live.
    OpenEnable {
        /// The epoch of the last status the host saw.
        epoch: u32,
        /// How long the program goes on, 1 to [`OPEN_ENABLE_TICKS_MAX`].
        keep: Ticks,
    },
    /// Whether the receivers find the encoder pairs driven; answered by [`Answer::EncoderLines`].
    EncoderLines,
}

/// Longest time in ticks that a command may outlast the enable contact ([`Request::OpenEnable`]).
pub const OPEN_ENABLE_TICKS_MAX: u32 = 100;

/// Contacts that stand in for the machine controller and the travel switches. `true` is closed.
#[derive(Debug, Default, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, Schema)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Contacts {
    /// Clear-fault input of the amplifier.
    pub clear_fault: bool,
    /// Travel switch at the positive end (normally closed).
    pub end_plus: bool,
    /// Travel switch at the negative end (normally closed).
    pub end_minus: bool,
}

/// What the fixture enforces while armed. The host may ask for less than the fixture's own ceilings, never more.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, Schema)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Limits {
    /// Largest command, either sign.
    pub command: Microvolts,
    /// Fastest change of command.
    pub slew: MicrovoltsPerTick,
    /// Speed at which the fixture trips, either sign.
    pub trip_speed: MilliRpm,
    /// Counts per revolution the sheet expects; the speed from counts uses it.
    pub counts_per_rev: CountsPerRev,
    /// Farthest the shaft may move from where it was armed, either way.
    pub travel: Counts,
    /// Longest time from arming to disarming.
    pub armed_time: Ticks,
    /// The beat must come at least this often (ceiling 100).
    pub beat: Ticks,
    /// What the command does to the motor.
    pub mode: CommandMode,
    /// True: the encoder counts up on a positive command. (A speed against it from standstill is wrong-way motion.)
    pub counts_up_on_positive: bool,
    /// Wrong-way travel from standstill that trips.
    pub wrong_way: Counts,
    /// Speed gained against the command's sign that is a runaway.
    pub runaway: MilliRpm,
    /// Time after a change of command's sign before runaway is judged (amplifier and estimator delay).
    pub runaway_delay: Ticks,
    /// Command magnitude above which the shaft must move (breakaway with margin); 0 switches the watch off.
    pub breakaway: Microvolts,
    /// How long no count may come above breakaway.
    pub no_counts: Ticks,
    /// Largest difference between command and read-back.
    pub readback: Microvolts,
    /// How long the difference may last.
    pub readback_dwell: Ticks,
    /// Relative disagreement between speeds from counts and from the index, in percent, that trips; 0 is off.
    pub speed_disagreement_percent: u8,
    /// Speed read-out scale, microvolts per 1000 rpm, signed as counts; 0: no such read-out.
    pub speed_readout: Microvolts,
    /// Flag input that says torque is on: number 0 to 7; 255: none, wait `enable_delay` instead.
    pub torque_on_input: u8,
    /// The torque-on flag's active state is conducting.
    pub torque_on_conducting: bool,
    /// Longest wait for the torque-on flag, or the wait itself where there is none.
    pub enable_delay: Ticks,
    /// Flag input that says amplifier fault: number 0 to 7; 255: none.
    pub fault_input: u8,
    /// The fault flag's active state is conducting.
    pub fault_conducting: bool,
    /// The guard contact must be closed (unattended motion).
    pub guard_required: bool,
}

/// What an analog command means to the amplifier. Append-only.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, Schema)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum CommandMode {
    /// The command is a torque.
    Torque,
    /// The command is a speed.
    Speed,
}

/// What a burst captures. Append-only.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, Schema)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum BurstKind {
    /// Position, 4 bytes little-endian a point: low 32 bits of the count.
    Position,
    /// Torque and speed read-out, two 2-byte little-endian converter codes a point: offset binary over ±10.24 V,
    /// 0x8000 is 0 V, not corrected by the calibration.
    ReadOuts,
    /// A, B, Z as bits 0, 1, 2, one byte a point.
    Lines,
}

/// Everything the fixture sends.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, Schema)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[allow(clippy::large_enum_variant, reason = "fixed memory; a box is not to be had")]
pub enum FixtureMessage {
    /// The answer to the request with this id.
    Reply {
        /// Id of the request.
        id: u32,
        /// The answer.
        body: Answer,
    },
    /// A block of samples.
    Samples {
        /// Samples that were due but could not be sent since the stream began.
        dropped: u32,
        /// The samples, oldest first.
        samples: Vec<Sample, SAMPLES_PER_BLOCK>,
    },
    /// Something happened; numbered, so that a gap shows and can be asked for.
    Event {
        /// Rises by one with each event since the start of the fixture, from 1.
        number: u32,
        /// When, on the fixture's clock.
        at: Micros,
        /// What.
        body: Event,
    },
}

/// Answers. Append-only.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, Schema)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[allow(clippy::large_enum_variant, reason = "fixed memory; a box is not to be had")]
pub enum Answer {
    /// Done.
    Done,
    /// Not done, and why.
    Refused(Refusal),
    /// The state.
    Status(Status),
    /// Bytes of a burst or of the calibration record; empty at the end.
    Chunk {
        /// First byte's offset.
        offset: u32,
        /// The bytes.
        bytes: Vec<u8, CHUNK_BYTES>,
    },
    /// What the self-check read.
    SelfCheck {
        /// Read at the converter.
        converter: Microvolts,
        /// Read at the terminal, isolated.
        terminal: Microvolts,
    },
    /// Means by the input converter's ideal line, not corrected by the calibration, since the meter's level settled.
    MeterReadings {
        /// How many ticks the means are of; 0: not settled yet, and the means are 0 V.
        ticks: u32,
        /// The command at the converter.
        converter: Microvolts,
        /// The command at the terminal.
        terminal: Microvolts,
        /// The torque read-out's input.
        torque: Microvolts,
        /// The speed read-out's input.
        speed: Microvolts,
    },
    /// What the receivers of the encoder pairs find on the last tick.
    EncoderLines {
        /// Each pair is driven: none is open, shorted or without power.
        driven: bool,
    },
}

/// Why a request was refused. Append-only.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, Schema)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Refusal {
    /// An id that is older than the last one.
    StaleId,
    /// The quoted epoch is not the present one.
    StaleEpoch,
    /// Not allowed in this state.
    WrongState,
    /// A limit or a parameter is outside what the fixture allows.
    OutOfRange(Field),
    /// A condition of arming does not hold.
    NotReady(TripCause),
    /// No segment in a slot that the program needs.
    MissingSegment(u8),
    /// The board has no such function.
    NotCapable,
    /// A record that does not hold together (length, checksum, layout, foreign board).
    BadRecord,
}

/// Names the field that [`Refusal::OutOfRange`] is about. Append-only.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, Schema)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[allow(missing_docs, reason = "each is the field of the same name")]
pub enum Field {
    Command,
    Slew,
    TripSpeed,
    CountsPerRev,
    Travel,
    ArmedTime,
    Beat,
    WrongWay,
    Runaway,
    NoCounts,
    Readback,
    EnableDelay,
    Input,
    Slot,
    Timeout,
    Speed,
    Gain,
    Period,
    Points,
    Offset,
    RunawayDelay,
    ReadbackDwell,
    SpeedDisagreement,
    Keep,
}

/// State of the fixture. Append-only.
#[derive(Debug, Default, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, Schema)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum State {
    /// 0 V, enable open.
    #[default]
    Safe,
    /// Limits accepted; 0 V, enable open.
    Armed,
    /// Enable closed, waiting for torque; 0 V.
    Enabling,
    /// Enable closed, torque on; a program may run.
    Live,
    /// 0 V, enable open, latched until acknowledged.
    Tripped,
    /// Enable open, the command terminals at a level for a reference meter.
    Calibrating,
    /// Enable opened on request; the program goes on for a bounded time, then [`State::Safe`].
    Opened,
}

/// The fixture's report of itself.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, Schema)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Status {
    /// Changes with every change of state and every start; must be quoted to arm, to enable and to run.
    pub epoch: u32,
    /// The state.
    pub state: State,
    /// The clock.
    pub now: Micros,
    /// The latched or last trip, if any since the start.
    pub trip: Option<Trip>,
    /// Segment that runs, if a program does.
    pub segment: Option<u8>,
    /// Position now.
    pub position: Counts,
    /// Flag inputs, bit n = input n conducts.
    pub flags: u8,
    /// The fixture's own stop chain.
    pub chain: Chain,
    /// Illegal encoder transitions seen since the start (a lower bound).
    pub illegal_transitions: u32,
    /// Number of the last event.
    pub last_event: u32,
    /// Why the fixture last started.
    pub reset: ResetCause,
}

/// The fixture's own hardware stop chain, as read back. `true` is closed, i.e. motion allowed.
#[derive(Debug, Default, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, Schema)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Chain {
    /// The stop button is not pressed.
    pub stop: bool,
    /// The hold-to-run control is held.
    pub hold: bool,
    /// The guard is closed.
    pub guard: bool,
    /// The enable relay is really closed.
    pub relay: bool,
}

/// Why the fixture last started. Append-only.
#[derive(Debug, Default, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, Schema)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum ResetCause {
    /// Power came up.
    #[default]
    PowerUp,
    /// The watchdog bit.
    Watchdog,
    /// The firmware stopped itself.
    Panic,
    /// Asked for.
    Requested,
}

/// A trip that latched.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, Schema)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Trip {
    /// Counts trips since the start, from 1.
    pub number: u32,
    /// Why.
    pub cause: TripCause,
    /// When.
    pub at: Micros,
    /// Position then.
    pub position: Counts,
    /// Speed then.
    pub speed: MilliRpm,
    /// Command then.
    pub command: Microvolts,
    /// Acknowledged since.
    pub acknowledged: bool,
}

/// Why the fixture went to 0 V and opened enable. Append-only.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, Schema)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum TripCause {
    /// The host's beat stopped.
    BeatLost,
    /// The fixture's stop button.
    FixtureStop,
    /// Hold-to-run was released.
    HoldReleased,
    /// The guard opened.
    GuardOpen,
    /// Read-back and command differ.
    ReadbackMismatch,
    /// The receiver reports a broken encoder pair.
    EncoderLine,
    /// Speed from counts above the trip speed.
    OverspeedCounts,
    /// Speed from the index above the trip speed.
    OverspeedIndex,
    /// Speed read-out above the trip speed.
    OverspeedReadout,
    /// The speeds disagree.
    SpeedDisagreement,
    /// Speed grew against the command's sign.
    Runaway,
    /// Moved the wrong way from standstill.
    WrongWay,
    /// Command above breakaway and no counts.
    NoCounts,
    /// Moved farther than allowed.
    Travel,
    /// Armed longer than allowed.
    ArmedTime,
    /// The enable relay does not do what it was told.
    RelayMismatch,
    /// Torque did not come on, or went off.
    TorqueOff,
    /// The amplifier reports a fault.
    AmplifierFault,
    /// The firmware found itself wrong.
    FirmwareFault,
    /// A powered amplifier is plugged in where only a reference meter may be.
    AmplifierConnected,
}

/// One tick's sample.
#[derive(Debug, Default, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, Schema)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Sample {
    /// The tick's number since the start; every tick has one, also when it is not sent.
    pub sequence: u32,
    /// When the position was taken.
    pub at: Micros,
    /// Position.
    pub position: Counts,
    /// Speed from counts.
    pub speed: MilliRpm,
    /// Command in force.
    pub command: Microvolts,
    /// Command as read back at the terminal.
    pub readback: Microvolts,
    /// Torque read-out.
    pub torque: Microvolts,
    /// Speed read-out.
    pub speed_readout: Microvolts,
    /// Flag inputs, bit n = input n conducts.
    pub flags: u8,
    /// Segment that runs; 255: none.
    pub segment: u8,
    /// The state.
    pub state: State,
}

/// Numbered events. Append-only.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, Schema)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Event {
    /// The state changed.
    StateChanged {
        /// Its new value.
        state: State,
        /// The new epoch.
        epoch: u32,
    },
    /// A flag input changed, at the event's time.
    Flag {
        /// Input number.
        input: u8,
        /// Its new state.
        conducting: bool,
    },
    /// The index was latched, at the event's time.
    Index {
        /// Count at the first sample with Z high.
        position: Counts,
    },
    /// A program went on to another segment.
    Segment {
        /// Its slot.
        slot: u8,
    },
    /// A program ended.
    ProgramEnded(Ending),
    /// A trip latched.
    Tripped(Trip),
    /// A burst is complete.
    BurstReady {
        /// Its length in bytes.
        bytes: u32,
    },
    /// After [`Request::OpenEnable`]: on this tick the enable contact reads open for the first time. It opened within
    /// the tick before.
    EnableOpened,
}

/// How a program ended. Append-only.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, Schema)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Ending {
    /// By its own last segment.
    Finished,
    /// A segment, or the whole, took too long.
    TimedOut {
        /// The segment that ran.
        slot: u8,
    },
    /// The host, a trip or a stop ended it.
    Stopped,
}
