//! The plant: amplifier, motor, encoder and wiring advanced together.

use core::f64::consts::TAU;

use proofstand_units::{Hertz, Joules, NewtonMetres, RadPerSec, Rpm, Turns, Volts};

use crate::amplifier::Amplifier;
use crate::check::{SetupError, check};
use crate::coefficients::Steps;
use crate::encoder::{Edge, Encoder, IndexEdge, Lines};
use crate::flags::{FlagEdge, FlagLines};
use crate::history::{History, HistoryGone, Piece};
use crate::motor::{Acting, Motor};
use crate::operator::{HandTurn, Operator};
use crate::random::Random;
use crate::setup::{PairNoise, PlantSetup};
use crate::time::{PlantTime, nanos};

/// What the fixture drives, held from one call of [`Plant::advance`] to its end.
#[derive(Debug, Default, Clone, Copy, PartialEq)]
pub struct Drive {
    /// Command between the pair's terminals.
    pub command: Volts,
    /// The enable contact is closed.
    pub enable: bool,
    /// The clear-fault contact is closed; its closing clears, while enable is open.
    pub clear_fault: bool,
    /// The end switch in the positive direction is closed: not reached.
    pub end_plus_closed: bool,
    /// The end switch in the negative direction is closed: not reached.
    pub end_minus_closed: bool,
}

/// What no fixture can see: for tests of the plant and of what is built on it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Truth {
    /// Shaft speed, clockwise positive.
    pub speed: Rpm,
    /// Motor torque on the shaft, clockwise positive, mean over the last step.
    pub torque: NewtonMetres,
    /// Shaft angle, clockwise positive, not wrapped.
    pub angle: Turns,
    /// Work done on the shaft by the motor's torque since set-up.
    pub work: Joules,
    /// Braking energy held by the bus.
    pub bus: Joules,
    /// The amplifier is in fault.
    pub fault: bool,
    /// Torque is on.
    pub torque_on: bool,
    /// Counts lost between the lines and the fixture's counter.
    pub counts_lost: i64,
}

/// Loss of whole pulses at speed, ready for use.
#[derive(Debug, Clone)]
struct Loss {
    above: f64,
    share: f64,
    lost: i64,
}

/// A dip of the amplifier's control power takes so long, nanoseconds (common practice, no source).
const DIP: u64 = 40_000_000;

/// A dip to come.
#[derive(Debug, Clone, Copy)]
struct Dip {
    /// Time with torque until then, seconds.
    left: f64,
    /// When it will be over, once it has come.
    ends: Option<u64>,
}

/// How warm the motor is, as a share of as warm as it gets.
#[derive(Debug, Clone, Copy)]
struct Warmth {
    share: f64,
    /// The torque constant cold, and what of it goes.
    cold: f64,
    falls: f64,
}

/// With rated torque a motor warms with this time constant, seconds: short, for a small one whose magnets are near its
/// winding (common practice, no source). It cools far more slowly than a run takes.
const WARMS_IN: f64 = 2.0;

impl Warmth {
    fn new(setup: &PlantSetup) -> Option<Self> {
        let falls = setup.motor.heating.get() / 100.0;
        let cold = setup.amplifier.torque_constant.get() / 100.0;
        (falls > 0.0).then_some(Self { share: 0.0, cold, falls })
    }

    /// The torque constant after a step under a share of rated torque.
    fn after(&mut self, step: f64, load: f64) -> f64 {
        self.share += (1.0 - self.share) * load * step / WARMS_IN;
        self.cold * (1.0 - self.falls * self.share)
    }
}

/// A simulated axis.
#[derive(Debug, Clone)]
pub struct Plant {
    pub(crate) now: u64,
    step: u64,
    steps: Steps,
    pub(crate) amplifier: Amplifier,
    pub(crate) motor: Motor,
    encoder: Encoder,
    pub(crate) flags: FlagLines,
    history: History,
    random: Random,
    drive: Drive,
    command_factor: f64,
    output_drift: f64,
    ends_swapped: bool,
    encoder_connected: bool,
    pair_reported: bool,
    alarm_above: Option<f64>,
    alarm: bool,
    pair_noise: Option<PairNoise>,
    illegal: u32,
    ends_unwired: bool,
    pub(crate) motor_power_absent: bool,
    brake_unwired: bool,
    has_brake: bool,
    live: bool,
    index_noise: f64,
    /// One of those things is wrong that have to be looked at in every step.
    disturbed: bool,
    loss: Option<Loss>,
    dip: Option<Dip>,
    warmth: Option<Warmth>,
    work: f64,
    after_power_cycle: Option<Box<PlantSetup>>,
    pub(crate) hand: Option<HandTurn>,
    pub(crate) strap: f64,
    pub(crate) mark: f64,
    pub(crate) smallest_seen: f64,
    pub(crate) fastest_by_hand: f64,
}

impl Plant {
    /// Sets up an axis at standstill at time zero. The seed fixes every random draw.
    ///
    /// # Errors
    /// The first quantity of the setup that describes nothing.
    pub fn new(setup: PlantSetup, seed: u64) -> Result<Self, SetupError> {
        check(&setup)?;
        let step = nanos(setup.longest_step);
        let amplifier = Amplifier::new(&setup);
        let mut flags = FlagLines::new(&setup.wiring, setup.operator.control_power);
        amplifier.preset(&mut flags);
        let output_drift = setup.wiring.output_drift.get() / 100.0;
        let kept = (1.0 - setup.wiring.command_loss.get() / 100.0) * (1.0 + output_drift);
        let motor = Motor::new(&setup);
        Ok(Self {
            now: 0,
            step,
            steps: Steps::new(&setup, step),
            live: amplifier.outputs_live() && setup.wiring.encoder_connected,
            amplifier,
            mark: motor.angle,
            motor,
            encoder: Encoder::new(&setup),
            flags,
            history: History::new(),
            random: Random::new(seed),
            drive: Drive::default(),
            command_factor: if setup.wiring.command_swapped { -kept } else { kept },
            output_drift,
            ends_swapped: setup.wiring.end_switches_swapped,
            encoder_connected: setup.wiring.encoder_connected,
            pair_reported: setup.wiring.dead_pair.is_some_and(|dead| dead.reported),
            alarm_above: setup.wiring.alarm_above.map(Hertz::get),
            alarm: false,
            pair_noise: setup.wiring.pair_noise,
            illegal: 0,
            ends_unwired: setup.wiring.end_switches_unwired,
            motor_power_absent: setup.wiring.motor_power_absent,
            dip: setup.amplifier.dips_after.map(|after| Dip { left: after.get(), ends: None }),
            warmth: Warmth::new(&setup),
            brake_unwired: setup.wiring.brake_unwired,
            has_brake: setup.motor.brake.is_some(),
            index_noise: setup.wiring.index_noise.get(),
            disturbed: setup.wiring.count_loss.is_some()
                || setup.wiring.alarm_above.is_some()
                || setup.wiring.pair_noise.is_some()
                || setup.wiring.index_noise.get() > 0.0
                || setup.amplifier.dips_after.is_some()
                || setup.motor.heating.get() > 0.0,
            loss: setup.wiring.count_loss.map(|loss| Loss {
                above: loss.above.get(),
                share: loss.share.get() / 100.0,
                lost: 0,
            }),
            work: 0.0,
            after_power_cycle: setup.after_power_cycle,
            hand: None,
            strap: 0.0,
            smallest_seen: setup.operator.smallest_seen.get(),
            fastest_by_hand: setup.operator.fastest_by_hand.get(),
        })
    }

    /// Now.
    #[must_use]
    pub const fn now(&self) -> PlantTime {
        PlantTime::from_nanos(self.now)
    }

    /// What the fixture's own output gives beyond what it is taken to give, as a share: whoever reads it back sees it.
    #[must_use]
    pub const fn output_drift(&self) -> f64 {
        self.output_drift
    }

    /// Advances to a moment, with the fixture driving as given all the way; does nothing but note `drive` when that
    /// moment is not in the future. The last step is shortened to end there.
    pub fn advance(&mut self, to: PlantTime, drive: &Drive) {
        self.drive = *drive;
        self.settle();
        let command = drive.command.get() * self.command_factor;
        let ends = if self.ends_unwired {
            [false; 2]
        } else if self.ends_swapped {
            [drive.end_minus_closed, drive.end_plus_closed]
        } else {
            [drive.end_plus_closed, drive.end_minus_closed]
        };
        let to = to.nanos();
        let mut change = self.amplifier.next_change();
        while self.now < to {
            let next = (self.now + self.step).min(to).min(change.max(self.now + 1));
            self.step_to(next, command, ends);
            if !self.amplifier.is_settled(next, change) {
                self.settle();
                change = self.amplifier.next_change();
            }
        }
    }

    /// Brings states that change by themselves, or by the contacts, up to now.
    #[inline]
    pub(crate) fn settle(&mut self) {
        self.amplifier.settle(self.now, self.drive.enable, self.drive.clear_fault, &mut self.flags);
        let live = self.amplifier.outputs_live() && self.encoder_connected;
        if live != self.live {
            self.live = live;
            if live {
                self.encoder.restart(self.motor.angle);
            }
        }
    }

    #[inline]
    fn step_to(&mut self, next: u64, command: f64, ends: [bool; 2]) {
        let braking = self.amplifier.braking();
        let length = next - self.now;
        let brake_closed = self.brake_closed();
        let (inertia, viscous) = (self.steps.inertia(), self.steps.viscous(braking));
        let c = self.steps.of(length, braking);
        let torque = self.amplifier.drive(c, command, ends, &mut self.random);
        let (start, live) = (self.now, self.live);
        let before = self.motor.angle;
        let count_before = if self.disturbed { self.encoder.counter() } else { 0 };
        let (history, encoder) = (&mut self.history, &mut self.encoder);
        let keep = |mut piece: Piece| {
            piece.step_start = start;
            piece.live = live;
            history.push(piece);
            if live {
                encoder.follow(&piece);
            }
        };
        let work = match self.hand {
            Some(hand) if !self.amplifier.gate_on() => {
                self.motor.lead(c.step, hand.speed(next), keep);
                if next >= hand.end {
                    self.hand = None;
                }
                0.0
            }
            _ => {
                self.hand = None;
                let acting = Acting { torque, strap: self.strap, brake_closed, inertia, viscous };
                self.motor.step(c.step, &c.motion, &acting, keep)
            }
        };
        self.work += work;
        self.now = next;
        let mean_speed = (self.motor.angle - before) * TAU / c.step;
        let c = if self.disturbed {
            let step = c.step;
            self.disturb(start, step, before, count_before);
            self.steps.of(length, braking)
        } else {
            c
        };
        self.amplifier.observe(
            c,
            mean_speed,
            self.motor.speed,
            work,
            next,
            &mut self.random,
            &mut self.flags,
        );
    }

    /// What is not as it should be, over the step that began at `start`, with the shaft and the counter as they were then.
    #[inline(never)]
    fn disturb(&mut self, start: u64, step: f64, before: f64, count_before: i64) {
        let counted = self.encoder.counter() - count_before;
        if self.loss.is_some() || self.alarm_above.is_some() {
            let turns = (self.motor.angle - before).abs();
            let rate = turns * self.encoder.counts_per_turn() / step;
            self.lose_counts(counted, rate);
            self.alarm = self.alarm_above.is_some_and(|above| rate > above);
        }
        self.disturb_pairs(step);
        self.wear(step);
        if self.index_noise > 0.0 && self.live && self.random.uniform() < self.index_noise * step {
            let length = self.now - start;
            let time = start + 1 + (self.random.uniform() * (length - 1) as f64) as u64;
            if let Some((angle, _)) = self.history.angle_at(time) {
                self.encoder.disturb_index(time, angle, self.motor.angle >= before);
            }
        }
    }

    /// Loses whole pulses of what was counted at a rate of counts per second: four counts each, so that the lines' two bits
    /// stay right. The rate is the shaft's: one count in a short step is no high rate.
    fn lose_counts(&mut self, counted: i64, rate: f64) {
        let Some(loss) = &mut self.loss else { return };
        if rate <= loss.above {
            return;
        }
        let over = counted.unsigned_abs() as f64 * (1.0 - loss.above / rate);
        let expected = over * loss.share / 4.0;
        let whole = expected.floor();
        let pulses = whole as i64 + i64::from(self.random.uniform() < expected - whole);
        let lost = 4 * pulses * counted.signum();
        loss.lost += lost;
        self.encoder.lose(lost);
    }

    /// Bursts on pairs A and B: a pulse too few or too many, and transitions that can't be.
    fn disturb_pairs(&mut self, step: f64) {
        let Some(noise) = self.pair_noise else { return };
        let share = if noise.with_torque { self.amplifier.load_share() } else { 1.0 };
        if !self.live || self.random.uniform() >= noise.rate.get() * share * step {
            return;
        }
        let pulse = if self.random.uniform() < 0.5 { 4 } else { -4 };
        self.encoder.lose(pulse);
        self.illegal = self.illegal.wrapping_add(2);
    }

    /// What time under torque does: the motor warms, the supply dips.
    fn wear(&mut self, step: f64) {
        if let Some(warmth) = &mut self.warmth {
            self.amplifier.set_torque_factor(warmth.after(step, self.amplifier.load_share()));
        }
        let Some(mut dip) = self.dip else { return };
        match dip.ends {
            None if self.amplifier.gate_on() => {
                dip.left -= step;
                if dip.left <= 0.0 {
                    dip.ends = Some(self.now + DIP);
                    self.amplifier.set_control_power(false, self.now, &mut self.flags);
                }
            }
            Some(end) if self.now >= end => {
                self.amplifier.set_control_power(true, self.now, &mut self.flags);
                self.dip = None;
                return;
            }
            _ => {}
        }
        self.dip = Some(dip);
    }

    /// Switches control power. What was entered and waits for a power cycle comes into force, what was not stored is gone.
    /// Before any time has passed it is no cycle: the axis is only switched on.
    pub(crate) fn set_control_power(&mut self, on: bool) {
        if on
            && !self.control_power()
            && self.now > 0
            && let Some(setup) = self.after_power_cycle.take()
        {
            self.amplifier.adopt(&setup);
            self.encoder.adopt(&setup, self.motor.angle);
        }
        self.amplifier.set_control_power(on, self.now, &mut self.flags);
        self.settle();
    }

    pub(crate) const fn torque_on(&self) -> bool {
        self.amplifier.gate_on()
    }

    pub(crate) const fn brake_closed(&self) -> bool {
        self.has_brake && (self.brake_unwired || !self.amplifier.brake_released())
    }

    /// The counter that a fixture keeps of the lines: divided, four counts to the pulse, up when A leads B.
    #[must_use]
    pub fn counter(&self) -> i64 {
        self.encoder.counter()
    }

    /// Levels of the lines now; all low while the output is dead.
    #[must_use]
    pub fn lines(&self) -> Lines {
        if self.live { self.encoder.lines_for(self.motor.angle, self.now) } else { Lines::default() }
    }

    /// The receivers report no pair: all are connected and driven, control power is on, start-up over.
    #[must_use]
    pub const fn encoder_pairs_ok(&self) -> bool {
        self.live && !self.pair_reported && !self.alarm
    }

    /// No pair is driven: nothing is connected, or the output is dead.
    #[must_use]
    pub const fn encoder_silent(&self) -> bool {
        !self.live
    }

    /// Transitions of A and B that can't be, since set-up; wraps.
    #[must_use]
    pub const fn illegal_transitions(&self) -> u32 {
        self.illegal
    }

    /// The fixture's flag inputs: bit n is set while input n conducts.
    #[must_use]
    pub const fn flags(&self) -> u8 {
        self.flags.bits()
    }

    /// Changes of the flag inputs since they were last taken, in order of time; at most the last 4096.
    pub fn take_flag_edges(&mut self) -> Vec<FlagEdge> {
        self.flags.take()
    }

    /// Rising edges of Z since they were last taken, in order of time; at most the last 4096.
    pub fn take_index_edges(&mut self) -> Vec<IndexEdge> {
        self.encoder.take_index()
    }

    /// The torque read-out's output.
    #[must_use]
    pub fn torque_readout(&self) -> Volts {
        Volts::new(self.amplifier.torque_readout())
    }

    /// The speed read-out's output.
    #[must_use]
    pub fn speed_readout(&self) -> Volts {
        Volts::new(self.amplifier.speed_readout())
    }

    /// When A or B last changed; none before the first change.
    #[must_use]
    pub fn last_edge_time(&self) -> Option<PlantTime> {
        self.encoder.last_edge_time()
    }

    /// The counter at a moment of the last steps, with losses as they are now.
    ///
    /// # Errors
    /// The moment is not in the kept history (at least 20 ms of regular steps).
    pub fn counter_at(&self, time: PlantTime) -> Result<i64, HistoryGone> {
        self.history.covers(time, self.now)?;
        Ok(match self.history.angle_at(time.nanos()) {
            Some((angle, true)) => self.encoder.counter_for(angle),
            _ => self.encoder.counter(),
        })
    }

    /// The lines at a moment of the last steps.
    ///
    /// # Errors
    /// The moment is not in the kept history (at least 20 ms of regular steps).
    pub fn lines_at(&self, time: PlantTime) -> Result<Lines, HistoryGone> {
        self.history.covers(time, self.now)?;
        Ok(match self.history.angle_at(time.nanos()) {
            Some((angle, true)) => self.encoder.lines_for(angle, time.nanos()),
            Some(_) => Lines::default(),
            None => self.lines(),
        })
    }

    /// Adds every edge of A, B and Z after `from` up to and with `to`, in order of time, to `out`: solved from the
    /// motion, not sampled. These are the lines' edges; what a receiver loses at rate is still in them.
    ///
    /// # Errors
    /// One of the moments is not in the kept history (at least 20 ms of regular steps).
    pub fn edges(&self, from: PlantTime, to: PlantTime, out: &mut Vec<Edge>) -> Result<(), HistoryGone> {
        self.history.covers(from, self.now)?;
        self.history.covers(to, self.now)?;
        let (from, to) = (from.nanos(), to.nanos());
        let start = out.len();
        for piece in self.history.pieces_from(from) {
            if piece.step_start > to {
                break;
            }
            if piece.live {
                self.encoder.edges_in(piece, from, to, out);
            }
        }
        if self.index_noise > 0.0 {
            self.encoder.noise_edges(from, to, out);
            out[start..].sort_by_key(|edge| edge.time);
        }
        Ok(())
    }

    /// Control power is on, whether or not start-up is over.
    #[must_use]
    pub const fn control_power(&self) -> bool {
        self.amplifier.control_power()
    }

    /// The person beside the bench.
    pub const fn operator(&mut self) -> Operator<'_> {
        Operator { plant: self }
    }

    /// What no fixture can see. For tests.
    #[must_use]
    pub fn truth(&self) -> Truth {
        Truth {
            speed: RadPerSec::new(self.motor.speed).to_rpm(),
            torque: NewtonMetres::new(self.amplifier.torque_clockwise()),
            angle: Turns::new(self.motor.angle),
            work: Joules::new(self.work),
            bus: Joules::new(self.amplifier.bus_energy()),
            fault: self.amplifier.fault(),
            torque_on: self.torque_on(),
            counts_lost: self.loss.as_ref().map_or(0, |loss| loss.lost),
        }
    }
}
