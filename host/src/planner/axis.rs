//! The numbers of an axis that motion depends on.

use proofstand_units::{
    CountsPerRev, KilogramSquareMetres, NewtonMetres, NewtonMetresPerVolt, Percent, PercentPerVolt,
    RadPerSec2, Rpm, RpmPerVolt, Seconds, Volts,
};

use super::levels::largest_below_the_gate;
use super::{CannotPlan, GAIN_DOUBT, SLOW_TRIP};
use crate::sheet::{AxisSheet, CommandPair, CountDirection, Mounting};
use crate::targets::Targets;

/// What the planner must know of an axis.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AxisNumbers {
    /// Percent of rated torque per volt of command. Zero for a speed command: a volt of it asks for no torque.
    pub gain: PercentPerVolt,
    /// Speed per volt of command; none for a torque command.
    pub speed_gain: Option<RpmPerVolt>,
    /// +1 if the counts rise on a positive command, −1 if they fall.
    pub count_sign: f64,
    /// Rated torque.
    pub rated_torque: NewtonMetres,
    /// The most torque that the amplifier makes.
    pub peak_torque: NewtonMetres,
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
    /// The amplifier's own ramp of a speed command, if it has one.
    pub ramp: Option<RadPerSec2>,
    /// Time constant of the closed speed loop, as expected. Means nothing for a torque command.
    pub speed_time_constant: Seconds,
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
    /// [`CannotPlan`] for an axis whose shaft is not free.
    pub fn from_sheet(sheet: &AxisSheet, targets: &Targets) -> Result<Self, CannotPlan> {
        if sheet.bench.mounting != Mounting::FreeShaft {
            return Err(CannotPlan {
                why: "the shaft is coupled or carries a hanging load; these motions are for a free shaft"
                    .to_owned(),
                remedy: "uncouple the motor for the acceptance".to_owned(),
            });
        }
        let (gain, speed_gain) = match sheet.command.pair {
            CommandPair::Torque { volts, percent_of_rated } => {
                (PercentPerVolt::new(percent_of_rated.get() / volts.get()), None)
            }
            CommandPair::Speed { volts, speed } => {
                (PercentPerVolt::ZERO, Some(RpmPerVolt::new(speed.get() / volts.get())))
            }
        };
        let amplifier = &sheet.amplifier;
        let lag = amplifier.command_filter.value + amplifier.torque_time_constant.value;
        let regeneration = &sheet.bench.regeneration;
        Ok(Self {
            gain,
            speed_gain,
            count_sign: match sheet.direction.positive_counts {
                CountDirection::Up => 1.0,
                CountDirection::Down => -1.0,
            },
            rated_torque: sheet.motor.rated_torque,
            peak_torque: sheet.motor.peak_torque,
            inertia: sheet.inertia().value,
            breakaway: sheet.motor.breakaway_bound,
            running_friction: sheet.torque_at(sheet.motor.running_friction.value),
            cap: sheet.cap.speed,
            trip: targets.trip_speed,
            mechanical_maximum: sheet.maximum_speed(),
            counts_per_rev: sheet.encoder.pulses.to_counts(),
            lag,
            ramp: amplifier.steepest_ramp(),
            speed_time_constant: amplifier.speed_time_constant.value,
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

    /// Command for a share of rated torque. 0 V on an axis that takes a speed command: no command of its asks for a
    /// torque, and a check that forgets it must not move anything.
    #[must_use]
    pub const fn volts_for(&self, level: Percent) -> Volts {
        if self.speed_gain.is_some() {
            return Volts::ZERO;
        }
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
        if self.speed_gain.is_some() {
            return self.refuse_what_peak_torque_carries_away();
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

    /// The amplifier of a speed command chooses the torque: a loop with the wrong sign takes all there is.
    fn refuse_what_peak_torque_carries_away(&self) -> Result<(), CannotPlan> {
        let gained = self.acceleration(self.peak_torque).get() * self.reaction.get();
        let after = SLOW_TRIP + proofstand_units::RadPerSec::new(gained).to_rpm();
        if after <= self.mechanical_maximum {
            return Ok(());
        }
        Err(CannotPlan {
            why: format!(
                "a speed loop that runs away takes peak torque ({:.2} N·m) and would carry the rotor to {:.0} rpm before a \
                 trip takes effect ({:.0} ms); its highest mechanical speed is {:.0} rpm",
                self.peak_torque.get(),
                after.get(),
                self.reaction.to_millis(),
                self.mechanical_maximum.get()
            ),
            remedy: "set a lower torque limit for the bench and state it as peak torque, or add a disc to the shaft"
                .to_owned(),
        })
    }
}
