//! The numbers of an axis that motion depends on.

use proofstand_units::{
    CountsPerRev, KilogramSquareMetres, NewtonMetres, NewtonMetresPerVolt, Percent, PercentPerVolt,
    RadPerSec2, Rpm, Seconds, Volts,
};

use super::levels::largest_below_the_gate;
use super::{CannotPlan, GAIN_DOUBT, SLOW_TRIP};
use crate::sheet::{AxisSheet, CommandPair, Mounting};
use crate::targets::Targets;

/// What the planner must know of an axis in torque mode.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AxisNumbers {
    /// Percent of rated torque per volt of command.
    pub gain: PercentPerVolt,
    /// Rated torque.
    pub rated_torque: NewtonMetres,
    /// Rotor and added inertia.
    pub inertia: KilogramSquareMetres,
    /// Upper bound of the torque that makes the shaft move, in percent of rated torque.
    pub breakaway: Percent,
    /// Torque that keeps it moving, as expected.
    pub running_friction: NewtonMetres,
    /// The speed that the amplifier must not exceed.
    pub cap: Rpm,
    /// The fixture trips here.
    pub trip: Rpm,
    /// The motor's highest mechanical speed.
    pub mechanical_maximum: Rpm,
    /// Counts per revolution.
    pub counts_per_rev: CountsPerRev,
    /// Command filter and torque build-up of the amplifier together, as one time constant.
    pub lag: Seconds,
    /// From a trip's cause to the torque being gone: tick, speed estimate, contact, amplifier.
    pub reaction: Seconds,
    /// The largest energy that one braking may put back into the amplifier; none: it has a brake resistor.
    pub braking_energy: Option<proofstand_units::Joules>,
    /// Longest time from enable to torque.
    pub enable_delay: Seconds,
}

/// The sheet's time from enable to torque is waited this many times over before it is given up.
const ENABLE_MARGIN: f64 = 1.5;

impl AxisNumbers {
    /// From sheet and targets.
    ///
    /// # Errors
    /// [`CannotPlan`] for an axis whose shaft is not free, or that takes a speed command.
    pub fn from_sheet(sheet: &AxisSheet, targets: &Targets) -> Result<Self, CannotPlan> {
        if sheet.bench.mounting != Mounting::FreeShaft {
            return Err(CannotPlan {
                why: "the shaft is coupled or carries a hanging load; these motions are for a free shaft"
                    .to_owned(),
                remedy: "uncouple the motor for the acceptance".to_owned(),
            });
        }
        let CommandPair::Torque { volts, percent_of_rated } = sheet.command.pair else {
            return Err(CannotPlan {
                why: "the axis takes a speed command; these motions are for a torque command".to_owned(),
                remedy: "a host with motions for speed commands".to_owned(),
            });
        };
        let amplifier = &sheet.amplifier;
        let lag = amplifier.command_filter.value + amplifier.torque_time_constant.value;
        let regeneration = &sheet.bench.regeneration;
        Ok(Self {
            gain: PercentPerVolt::new(percent_of_rated.get() / volts.get()),
            rated_torque: sheet.motor.rated_torque,
            inertia: sheet.inertia().value,
            breakaway: sheet.motor.breakaway_bound,
            running_friction: sheet.torque_at(sheet.motor.running_friction.value),
            cap: sheet.cap.speed,
            trip: targets.trip_speed,
            mechanical_maximum: sheet.maximum_speed(),
            counts_per_rev: sheet.encoder.pulses.to_counts(),
            lag,
            reaction: targets.reaction,
            braking_energy: if regeneration.brake_resistor { None } else { regeneration.absorbs },
            enable_delay: sheet.enable.on_delay * ENABLE_MARGIN,
        })
    }

    /// Torque per volt of command.
    #[must_use]
    pub const fn torque_per_volt(&self) -> NewtonMetresPerVolt {
        NewtonMetresPerVolt::new(self.rated_torque.get() * self.gain.get() / 100.0)
    }

    /// Command for a share of rated torque.
    #[must_use]
    pub const fn volts_for(&self, level: Percent) -> Volts {
        Volts::new(level.get() / self.gain.get())
    }

    /// Torque at a share of rated torque.
    #[must_use]
    pub const fn torque_at(&self, level: Percent) -> NewtonMetres {
        NewtonMetres::new(self.rated_torque.get() * level.get() / 100.0)
    }

    /// Friction assumed at its bound.
    #[must_use]
    pub const fn friction(&self) -> NewtonMetres {
        self.torque_at(self.breakaway)
    }

    /// Acceleration by a torque.
    #[must_use]
    pub const fn acceleration(&self, torque: NewtonMetres) -> RadPerSec2 {
        RadPerSec2::new(torque.get() / self.inertia.get())
    }

    /// The speed reached when a trip at some speed has taken effect, with the gain in doubt.
    #[must_use]
    pub fn speed_after_trip(&self, trip: Rpm, level: Percent) -> Rpm {
        let gained = self.acceleration(self.torque_at(level)).get() * GAIN_DOUBT * self.reaction.get();
        trip + proofstand_units::RadPerSec::new(gained).to_rpm()
    }

    pub(super) fn refuse_what_cannot_be_bounded(&self) -> Result<(), CannotPlan> {
        if self.trip > self.mechanical_maximum {
            return Err(CannotPlan {
                why: format!(
                    "the trip speed of {:.0} rpm lies above the highest mechanical speed of {:.0} rpm",
                    self.trip.get(),
                    self.mechanical_maximum.get()
                ),
                remedy: "a lower cap, or a smaller allowed overshoot".to_owned(),
            });
        }
        let slow = largest_below_the_gate(self.breakaway);
        let after = self.speed_after_trip(SLOW_TRIP, slow);
        if after > self.mechanical_maximum {
            return Err(CannotPlan {
                why: format!(
                    "even the torque of the first, slow motions ({:.1} % of rated) would carry the rotor to {:.0} rpm \
                     before a trip takes effect; its highest mechanical speed is {:.0} rpm",
                    slow.get(),
                    after.get(),
                    self.mechanical_maximum.get()
                ),
                remedy: "add a disc of known inertia to the shaft".to_owned(),
            });
        }
        Ok(())
    }
}
