//! What the shaft does at each level: time, turns, energy, reaction margin, room to measure.

use proofstand_units::{
    Joules, KilogramSquareMetres, NewtonMetres, Percent, RadPerSec2, Rpm, Seconds, Turns, Volts,
};
use serde::Serialize;
use std::f64::consts::TAU;

use super::command::CommandTargets;
use super::fixture::Fixture;
use crate::sheet::AxisSheet;

/// Levels, percent of rated torque: the four of a scale check, and full (common practice, no source).
pub const LEVELS: [f64; 5] = [5.0, 10.0, 20.0, 30.0, 100.0];
/// A reversal turns round at most at this share of the cap: a limiter tapers the torque well below the cap and may
/// settle under a turn-round speed near it, so that the crossing never comes (common practice, no source).
pub const TURN_ROUND_SHARE: f64 = 0.6;
/// Trip speed over cap, at least (common practice, no source).
const TRIP_OVER_CAP: f64 = 1.2;
/// A first-order lag has died down to e⁻⁵ = 0.7 % after so many time constants.
const SETTLED_AFTER: f64 = 5.0;
/// A window needs at least so many samples for a quadratic fit that averages noise (common practice, no source).
pub const WINDOW_SAMPLES: f64 = 20.0;
/// A window needs at least so much of a turn to average cogging (common practice, no source).
pub const WINDOW_TURNS: f64 = 0.5;

/// Motion at one torque level.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Level {
    /// Torque asked for, percent of rated.
    pub percent_of_rated: Percent,
    /// Command.
    #[serde(rename = "volts")]
    pub command: Volts,
    /// Torque asked for.
    #[serde(rename = "torque_newton_metres")]
    pub torque: NewtonMetres,
    /// Fixture and amplifier range allow it, and the motor's peak torque.
    pub in_range: bool,
    /// The torque is above the bound of breakaway: the shaft surely starts.
    pub moves: bool,
    /// Speeding up against running friction; zero where friction is stronger.
    #[serde(rename = "acceleration_radians_per_second_squared")]
    pub acceleration: RadPerSec2,
    /// Time, turns and energy to speeds, slowest first; empty where friction is stronger.
    pub reaches: Vec<Reach>,
    /// The highest speed after a trip: trip speed plus what full torque without friction adds until torque is gone.
    #[serde(rename = "after_trip_rpm")]
    pub after_trip: Rpm,
    /// That speed is at most the highest mechanical speed.
    pub margin_fits: bool,
    /// Room to measure an acceleration in a reversal.
    pub window: ReversalWindow,
}

/// How a speed is reached from rest.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Reach {
    /// The speed.
    #[serde(rename = "rpm")]
    pub speed: Rpm,
    /// `t = J·ω/(T − Tf)`.
    #[serde(rename = "seconds")]
    pub time: Seconds,
    /// `ω·t/2`.
    pub turns: Turns,
    /// `½·J·ω²`.
    #[serde(rename = "joules")]
    pub energy: Joules,
}

/// The shortest of the four windows of a reversal: braking, from turn-round to rest, less the settling of the lag.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct ReversalWindow {
    /// Time between settling and rest.
    #[serde(rename = "seconds")]
    pub time: Seconds,
    /// Samples in that time.
    pub samples: u32,
    /// Turns in that time.
    pub turns: Turns,
    /// At least 20 samples and half a turn.
    pub fits: bool,
    /// The least inertia with which the window would fit, at this level and turn-round speed.
    #[serde(rename = "least_inertia_kilogram_square_metres")]
    pub least_inertia: KilogramSquareMetres,
}

impl Level {
    /// A command-scale check by reversal can use this level.
    #[must_use]
    pub const fn usable_for_reversal(&self) -> bool {
        self.in_range && self.moves && self.margin_fits && self.window.fits
    }
}

/// Levels at which the cap holds the shaft, also for the operator's way, rising: even a scale that is half of what it should be
/// still moves the shaft (common practice, no source).
#[must_use]
pub fn cap_levels(breakaway: Percent) -> [Percent; 3] {
    let lowest = Percent::new(5.0).max(breakaway * 2.2);
    [1.0, 2.0, 4.0].map(|times| lowest * times)
}

/// The larger of 1.2 x cap and cap plus the overshoot allowed.
pub(super) fn trip_speed(sheet: &AxisSheet) -> Rpm {
    let overshoot = 1.0 + sheet.tolerances.cap_overshoot.value.get() / 100.0;
    sheet.cap.speed * overshoot.max(TRIP_OVER_CAP)
}

/// Tick, speed estimate, contact, the amplifier's lag and its switch-off, one after the other.
pub(super) fn reaction(sheet: &AxisSheet, fixture: &Fixture) -> Seconds {
    let amplifier = &sheet.amplifier;
    fixture.tick + fixture.estimator + fixture.contact + lag(sheet) + amplifier.off_delay.value
}

/// The amplifier's lags together.
fn lag(sheet: &AxisSheet) -> Seconds {
    sheet.amplifier.command_filter.value + sheet.amplifier.torque_time_constant.value
}

/// Motion at each of [`LEVELS`]; none for a speed command.
pub(super) fn levels(
    sheet: &AxisSheet,
    fixture: &Fixture,
    command: &CommandTargets,
    trip: Rpm,
    reaction: Seconds,
) -> Vec<Level> {
    let CommandTargets::Torque { gain, largest, .. } = *command else { return Vec::new() };
    let inertia = sheet.inertia().value.get();
    let friction = sheet.torque_at(sheet.motor.running_friction.value).get();
    let turn_round = sheet.cap.speed * TURN_ROUND_SHARE;
    let one = |percent: f64| {
        let torque = sheet.torque_at(Percent::new(percent));
        let net = torque.get() - friction;
        let reach = |speed: Rpm| {
            let omega = speed.to_rad_per_sec().get();
            let time = inertia * omega / net;
            Reach {
                speed,
                time: Seconds::new(time),
                turns: Turns::new(omega * time / 2.0 / TAU),
                energy: Joules::new(0.5 * inertia * omega * omega),
            }
        };
        let mut speeds =
            vec![turn_round, sheet.cap.speed, trip, sheet.motor.rated_speed, sheet.maximum_speed()];
        speeds.sort_by(|a, b| a.get().total_cmp(&b.get()));
        speeds.dedup();
        let gained = proofstand_units::RadPerSec::new(torque.get() / inertia * reaction.get()).to_rpm();
        let after_trip = trip + gained;
        Level {
            percent_of_rated: Percent::new(percent),
            command: Volts::new(percent / gain.get()),
            torque,
            in_range: percent <= largest.get() && torque <= sheet.motor.peak_torque,
            moves: percent > sheet.motor.breakaway_bound.get(),
            acceleration: RadPerSec2::new((net / inertia).max(0.0)),
            reaches: if net > 0.0 { speeds.into_iter().map(reach).collect() } else { Vec::new() },
            after_trip,
            margin_fits: after_trip <= sheet.maximum_speed(),
            window: reversal_window(torque.get() + friction, inertia, turn_round, lag(sheet), fixture.tick),
        }
    };
    LEVELS.into_iter().map(one).collect()
}

/// `braking` is the torque that slows the shaft: command and friction together.
fn reversal_window(
    braking: f64,
    inertia: f64,
    turn_round: Rpm,
    lag: Seconds,
    tick: Seconds,
) -> ReversalWindow {
    let omega = turn_round.to_rad_per_sec().get();
    let settle = SETTLED_AFTER * lag.get();
    let alpha = braking / inertia;
    let settled = (omega - alpha * settle).max(0.0);
    let time = settled / alpha;
    let turns = settled * time / 2.0 / TAU;
    let tick = tick.get();
    // The most acceleration that leaves enough time: ω/α − settle ≥ 20 ticks.
    let by_time = omega / (WINDOW_SAMPLES * tick + settle);
    // And enough turns: (ω − α·s)² ≥ 2α·2π·turns, the smaller root in its stable form.
    let b = 2.0 * omega * settle + 2.0 * TAU * WINDOW_TURNS;
    let root = (b * b - 4.0 * settle * settle * omega * omega).max(0.0).sqrt();
    let by_turns = 2.0 * omega * omega / (b + root);
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "finite, not negative; saturates"
    )]
    let samples = (time / tick + 1e-9).floor() as u32;
    ReversalWindow {
        time: Seconds::new(time),
        samples,
        turns: Turns::new(turns),
        fits: f64::from(samples) >= WINDOW_SAMPLES && turns >= WINDOW_TURNS,
        least_inertia: KilogramSquareMetres::new(braking / by_time.min(by_turns)),
    }
}

/// Energy of braking.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Braking {
    /// From the turn-round speed of a reversal to rest.
    #[serde(rename = "from_turn_round_joules")]
    pub from_turn_round: Joules,
    /// From the cap to rest.
    #[serde(rename = "from_cap_joules")]
    pub from_cap: Joules,
    /// From the trip speed to rest.
    #[serde(rename = "from_trip_joules")]
    pub from_trip: Joules,
    /// What the amplifier can take at once; `None` with a brake resistor.
    #[serde(rename = "absorbs_joules")]
    pub absorbs: Option<Joules>,
    /// From rest to the cap at the motor's peak torque: how long a runaway may take.
    #[serde(rename = "time_to_cap_at_peak_torque_seconds")]
    pub time_to_cap_at_peak: Seconds,
}

impl Braking {
    pub(super) fn compute(sheet: &AxisSheet, trip: Rpm) -> Self {
        let inertia = sheet.inertia().value.get();
        let energy = |speed: Rpm| Joules::new(0.5 * inertia * speed.to_rad_per_sec().get().powi(2));
        let regeneration = &sheet.bench.regeneration;
        // Without friction: the shortest, which is the one to know.
        let time = inertia * sheet.cap.speed.to_rad_per_sec().get() / sheet.motor.peak_torque.get();
        Self {
            from_turn_round: energy(sheet.cap.speed * TURN_ROUND_SHARE),
            from_cap: energy(sheet.cap.speed),
            from_trip: energy(trip),
            absorbs: if regeneration.brake_resistor { None } else { regeneration.absorbs },
            time_to_cap_at_peak: Seconds::new(time),
        }
    }
}
