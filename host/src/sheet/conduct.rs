//! How the axis behaves and stands, and what may differ: cap, enable, bench, time constants, tolerances.

use proofstand_units::{Degrees, Joules, Percent, RadPerSec2, Rpm, Seconds};
use serde::Serialize;

use super::model::Stated;

/// The highest speed allowed, held down by the amplifier.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Cap {
    /// Never above this; at most the mechanical maximum.
    pub speed: Rpm,
    /// What makes the limit.
    pub kind: CapKind,
}

/// What makes the speed limit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum CapKind {
    /// A stored setting of the amplifier.
    Setting,
    /// A voltage at a second analog input of the amplifier: left open it limits to 0 rpm.
    AnalogInput,
}

/// What happens when the axis is enabled and disabled.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Enable {
    /// From enable to torque on, at most.
    pub on_delay: Seconds,
    /// How the shaft comes to rest after enable is taken away.
    pub off: Stop,
    /// The first enable after power-up may move the shaft this far, either way.
    pub first_may_move: Degrees,
    /// Who drives the holding brake.
    pub brake: BrakeDriver,
}

/// How a shaft comes to rest.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Stop {
    /// Torque off; only friction slows the shaft.
    Coast,
    /// The amplifier brakes the shaft.
    Brake,
}

/// Who drives the holding brake. A fixture never does: it listens in parallel.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum BrakeDriver {
    /// There is no brake.
    None,
    /// The amplifier.
    Amplifier,
    /// The customer's controller; on the bench something else must.
    Controller,
}

/// How the axis stands on the bench.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Bench {
    /// What the shaft is connected to.
    pub mounting: Mounting,
    /// Control power can be on while motor power is off.
    pub control_power_separable: bool,
    /// What takes the energy of braking.
    pub regeneration: Regeneration,
}

/// What the shaft is connected to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Mounting {
    /// Nothing but a disc.
    FreeShaft,
    /// A machine or load.
    Coupled,
    /// A load that gravity moves.
    Vertical,
}

/// What takes the energy of braking.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Regeneration {
    /// The amplifier's capacitors take this much per braking.
    pub absorbs: Option<Joules>,
    /// A brake resistor is fitted.
    pub brake_resistor: bool,
}

/// Something changed for the bench that must be taken back before handover.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct BenchChange {
    /// What was changed.
    pub kind: BenchChangeKind,
    /// How it is on the bench.
    pub what: String,
    /// What to do before handover.
    pub undo: String,
}

/// What was changed for the bench.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum BenchChangeKind {
    /// A wire or plug that is there for the bench only.
    Jumper,
    /// A limit of the amplifier, lower than delivered.
    Limit,
    /// Another setting of the amplifier.
    Setting,
    /// Anything else.
    Other,
}

impl BenchChangeKind {
    /// In words, to begin a line with.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Jumper => "Bench jumper",
            Self::Limit => "Bench limit",
            Self::Setting => "Amplifier setting changed for the bench",
            Self::Other => "Changed for the bench",
        }
    }
}

/// Time constants of the amplifier: for planning, and where the sheet states them as what a step response is compared with.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Amplifier {
    /// Time constant of the filter on the command.
    pub command_filter: Stated<Seconds>,
    /// Time constant from torque asked for to torque made.
    pub torque_time_constant: Stated<Seconds>,
    /// From enable taken away to torque gone, at most.
    pub off_delay: Stated<Seconds>,
    /// The amplifier's own ramp of a speed command: time for 1000 rpm. Zero: none.
    pub ramp: Stated<Seconds>,
    /// Closed speed loop: from a small step of the command to 63.2 % of the speed. Means nothing for a torque command.
    pub speed_time_constant: Stated<Seconds>,
    /// Closed speed loop: from 10 to 90 % of a small step, where the sheet states it.
    pub speed_rise_time: Option<Seconds>,
}

impl Amplifier {
    /// How steeply the amplifier lets its speed reference change; none where it has no ramp of its own.
    #[must_use]
    pub fn steepest_ramp(&self) -> Option<RadPerSec2> {
        let time = self.ramp.value.get();
        (time > 0.0).then(|| RadPerSec2::new(Rpm::new(1000.0).to_rad_per_sec().get() / time))
    }
}

/// What may differ from the targets; each is the half-width of a two-sided tolerance or a one-sided limit.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Tolerances {
    /// Torque gain found with the encoder and the inertia, ± percent of target. When left out: 5 % with a disc of
    /// at least twice the rotor's inertia, else 10 %.
    pub torque_gain: Stated<Percent>,
    /// Torque gain found with the torque read-out, ± percent of target.
    pub torque_gain_read_out: Stated<Percent>,
    /// Torque gain found with the amplifier's own display, ± percent of target.
    pub torque_gain_display: Stated<Percent>,
    /// Torque offset, ± percent of rated torque.
    pub torque_offset: Stated<Percent>,
    /// Deviation from the best straight line, ± percent of rated torque or of full speed.
    pub linearity: Stated<Percent>,
    /// Speed gain, ± percent of target.
    pub speed_gain: Stated<Percent>,
    /// Speed offset, ± percent of the speed at full command.
    pub speed_offset: Stated<Percent>,
    /// Speed cap, ± percent of the cap.
    pub cap: Stated<Percent>,
    /// The cap's tolerance is never narrower than ± this.
    pub cap_least: Stated<Rpm>,
    /// Overshoot above the cap, at most, percent of the cap.
    pub cap_overshoot: Stated<Percent>,
    /// Ripple while the cap holds, at most, peak to peak, percent of the cap.
    pub cap_ripple: Stated<Percent>,
    /// From the crossing of 98 % of the cap to the cap's flag, at most.
    pub cap_flag_delay: Stated<Seconds>,
    /// Extra edges of the cap's flag at one change, at most.
    pub cap_flag_chatter: Stated<u32>,
    /// From enable taken away to torque gone, at most.
    pub enable_off: Stated<Seconds>,
    /// Phase between neighbouring edges of A and B, at least, electrical degrees.
    pub phase: Stated<Degrees>,
    /// Delay of the torque behind the command, or time constant and rise time of the speed: at most so much more than
    /// stated, percent.
    pub step_response: Stated<Percent>,
    /// Overshoot of the speed after a small step of its command, at most, percent of the step.
    pub speed_overshoot: Stated<Percent>,
    /// Change of a gain over a power cycle, ± percent.
    pub retention_gain: Stated<Percent>,
}
