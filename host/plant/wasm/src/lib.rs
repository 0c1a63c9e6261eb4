//! The simulated axis for a host that is not Rust: the same crate, behind exported functions that take and give numbers.
//!
//! One module instance holds one axis. Its set-up comes as the postcard bytes of a [`PlantSetup`], byte by byte through
//! [`push`]; then [`create`]. Times are nanoseconds of the axis's own clock, whole numbers in a double (exact for 104 days).
#![allow(
    unsafe_code,
    reason = "an exported symbol's name is an unsafe attribute: two of one name would clash. Nothing else here is unsafe"
)]

use std::cell::RefCell;

use proofstand_plant::{
    DisplayReader, Drive, Edge, FlagEdge, Line, Plant, PlantSetup, PlantTime, Rotation, Turned,
};
use proofstand_units::{Percent, Seconds, Turns, Volts};

/// Bits of the last argument of [`advance`].
const ENABLE: u32 = 1 << 0;
const CLEAR_FAULT: u32 = 1 << 1;
const END_PLUS: u32 = 1 << 2;
const END_MINUS: u32 = 1 << 3;

/// Bit of [`flag_edge`]: the input conducts from then on.
const CONDUCTS: u32 = 1 << 3;

#[derive(Default)]
struct Axis {
    setup: Vec<u8>,
    plant: Option<Plant>,
    edges: Vec<Edge>,
    /// Levels of A, B and Z after each edge, as bits 0 to 2.
    levels: Vec<u32>,
    /// Levels after the last edge that was handed over.
    last: u32,
    flags: Vec<FlagEdge>,
    display: DisplayReader,
    /// Milliseconds for which the display has been looked at.
    looked: u64,
}

thread_local! {
    static AXIS: RefCell<Axis> = RefCell::default();
}

fn with<R>(act: impl FnOnce(&mut Axis) -> R) -> R {
    AXIS.with_borrow_mut(act)
}

fn plant<R: Default>(act: impl FnOnce(&mut Plant) -> R) -> R {
    with(|axis| axis.plant.as_mut().map(act).unwrap_or_default())
}

fn time(nanos: f64) -> PlantTime {
    PlantTime::from_nanos(nanos as u64)
}

fn bits(plant: &Plant) -> u32 {
    let lines = plant.lines();
    u32::from(lines.a) | u32::from(lines.b) << 1 | u32::from(lines.z) << 2
}

/// Adds a byte to the set-up.
#[unsafe(no_mangle)]
pub extern "C" fn push(byte: u32) {
    with(|axis| axis.setup.push(byte as u8));
}

/// Sets the axis up from the bytes pushed. 0: done; 1: the bytes are no set-up; 2: the set-up describes nothing.
#[unsafe(no_mangle)]
pub extern "C" fn create(seed: u64) -> u32 {
    with(|axis| {
        let Ok(setup) = postcard::from_bytes::<PlantSetup>(&axis.setup) else { return 1 };
        let Ok(plant) = Plant::new(setup, seed) else { return 2 };
        axis.last = bits(&plant);
        axis.plant = Some(plant);
        0
    })
}

/// Advances to a moment, with the command in volts and the contacts as bits: enable, clear fault, end switches + and −.
#[unsafe(no_mangle)]
pub extern "C" fn advance(to: f64, command: f64, contacts: u32) {
    with(|axis| {
        let Some(plant) = &mut axis.plant else { return };
        let drive = Drive {
            command: Volts::new(command),
            enable: contacts & ENABLE != 0,
            clear_fault: contacts & CLEAR_FAULT != 0,
            end_plus_closed: contacts & END_PLUS != 0,
            end_minus_closed: contacts & END_MINUS != 0,
        };
        let to = time(to);
        plant.advance(to, &drive);
        let millis = to.nanos() / 1_000_000;
        if millis > axis.looked {
            axis.looked = millis;
            axis.display.look(plant, drive.command, drive.enable);
        }
    });
}

/// Solves the edges of the lines after `from` up to and with `to`. Their number, or −1 if that time is forgotten.
#[unsafe(no_mangle)]
pub extern "C" fn edges(from: f64, to: f64) -> i32 {
    with(|axis| {
        axis.edges.clear();
        axis.levels.clear();
        let Some(plant) = &axis.plant else { return -1 };
        if plant.edges(time(from), time(to), &mut axis.edges).is_err() {
            return -1;
        }
        for edge in &axis.edges {
            let bit = match edge.line {
                Line::A => 1,
                Line::B => 2,
                Line::Z => 4,
            };
            axis.last = if edge.high { axis.last | bit } else { axis.last & !bit };
            axis.levels.push(axis.last);
        }
        // Lines that went dead or came alive change without an edge.
        let now = bits(plant);
        if now != axis.last && axis.edges.last().is_none_or(|edge| edge.time < time(to)) {
            axis.last = now;
            axis.levels.push(now);
            axis.edges.push(Edge { time: time(to), line: Line::A, high: now & 1 != 0 });
        }
        i32::try_from(axis.edges.len()).unwrap_or(-1)
    })
}

/// Time of an edge of the last [`edges`].
#[unsafe(no_mangle)]
pub extern "C" fn edge_time(index: u32) -> f64 {
    with(|axis| axis.edges.get(index as usize).map_or(0.0, |edge| edge.time.nanos() as f64))
}

/// Levels of A, B and Z after an edge of the last [`edges`], as bits 0 to 2.
#[unsafe(no_mangle)]
pub extern "C" fn edge_levels(index: u32) -> u32 {
    with(|axis| axis.levels.get(index as usize).copied().unwrap_or(0))
}

/// Takes the changes of flag inputs since the last time. Their number.
#[unsafe(no_mangle)]
pub extern "C" fn flag_edges() -> u32 {
    with(|axis| {
        axis.flags = axis.plant.as_mut().map(Plant::take_flag_edges).unwrap_or_default();
        axis.flags.len() as u32
    })
}

/// Time of a change of the last [`flag_edges`].
#[unsafe(no_mangle)]
pub extern "C" fn flag_edge_time(index: u32) -> f64 {
    with(|axis| axis.flags.get(index as usize).map_or(0.0, |edge| edge.time.nanos() as f64))
}

/// What a change of the last [`flag_edges`] is: the input in bits 0 to 2, whether it conducts in bit 3.
#[unsafe(no_mangle)]
pub extern "C" fn flag_edge(index: u32) -> u32 {
    with(|axis| {
        let what = |edge: &FlagEdge| u32::from(edge.input & 7) | if edge.conducting { CONDUCTS } else { 0 };
        axis.flags.get(index as usize).map_or(0, what)
    })
}

/// Levels of A, B and Z now, as bits 0 to 2.
#[unsafe(no_mangle)]
pub extern "C" fn lines() -> u32 {
    plant(|plant| bits(plant))
}

/// Flag inputs now: bit n is set while input n conducts.
#[unsafe(no_mangle)]
pub extern "C" fn flags() -> u32 {
    plant(|plant| u32::from(plant.flags()))
}

/// Whether the encoder pairs are driven: 1 or 0.
#[unsafe(no_mangle)]
pub extern "C" fn pairs_driven() -> u32 {
    plant(|plant| u32::from(plant.encoder_pairs_ok()))
}

/// Volts at the torque read-out.
#[unsafe(no_mangle)]
pub extern "C" fn torque_readout() -> f64 {
    plant(|plant| plant.torque_readout().get())
}

/// Volts at the speed read-out.
#[unsafe(no_mangle)]
pub extern "C" fn speed_readout() -> f64 {
    plant(|plant| plant.speed_readout().get())
}

/// The person looks at the shaft from now on.
#[unsafe(no_mangle)]
pub extern "C" fn mark() {
    plant(|plant| plant.operator().mark());
}

/// Which way it has turned since, seen from the shaft end: 1 clockwise, −1 counterclockwise, 0 too little to tell.
#[unsafe(no_mangle)]
pub extern "C" fn turned() -> i32 {
    plant(|plant| match plant.operator().turned_since_mark() {
        Turned::This(Rotation::Clockwise) => 1,
        Turned::This(Rotation::CounterClockwise) => -1,
        Turned::TooLittle => 0,
    })
}

/// The person begins to turn the shaft by hand, clockwise positive. 0: they do; 1: it can't be turned now.
#[unsafe(no_mangle)]
pub extern "C" fn turn(turns: f64, seconds: f64) -> u32 {
    let done = |axis: &mut Axis| {
        axis.plant
            .as_mut()
            .is_some_and(|p| p.operator().turn(Turns::new(turns), Seconds::new(seconds)).is_ok())
    };
    u32::from(!with(done))
}

/// Whether the hand is still turning: 1 or 0.
#[unsafe(no_mangle)]
pub extern "C" fn is_turning() -> u32 {
    plant(|plant| u32::from(plant.operator().is_turning()))
}

/// The person switches the amplifier's control power: 0 off, else on.
#[unsafe(no_mangle)]
pub extern "C" fn control_power(on: u32) {
    plant(|plant| plant.operator().control_power(on != 0));
}

/// The person switches the amplifier's motor power: 0 off, else on.
#[unsafe(no_mangle)]
pub extern "C" fn motor_power(on: u32) {
    plant(|plant| plant.operator().motor_power(on != 0));
}

/// The person forgets what they read of the display.
#[unsafe(no_mangle)]
pub extern "C" fn look_away() {
    with(|axis| axis.display = DisplayReader::default());
}

/// What they read of it since, percent; not a number: nothing.
#[unsafe(no_mangle)]
pub extern "C" fn display() -> f64 {
    with(|axis| axis.display.read().map_or(f64::NAN, Percent::get))
}

/// The count that a perfect counter would show. For tests.
#[unsafe(no_mangle)]
pub extern "C" fn counter() -> f64 {
    plant(|plant| plant.counter() as f64)
}

/// True speed, clockwise positive, rpm. For tests.
#[unsafe(no_mangle)]
pub extern "C" fn rpm() -> f64 {
    plant(|plant| plant.truth().speed.get())
}
