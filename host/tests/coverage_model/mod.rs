//! Measurements whose truth is known, with an error model of their own: how often does the truth lie inside what is stated?
//!
//! Nothing here is taken from the budgets. For each trial the calibration, the clock, the inertia, the lag, friction,
//! cogging, couplers, hub, centring and drift are drawn anew; samples are made from them; the program's own estimates and budgets do the rest.

use proofstand::estimate::flags::{Edge, Known, Moment, Question, answer};
use proofstand::estimate::known_disc::{DiscRuns, KnownDisc, RunAcceleration, rotor_inertia};
use proofstand::estimate::reversal::reversal;
use proofstand::estimate::scale::{self, ScaleInputs};
use proofstand::estimate::speed::{Crossing, first_crossing, speed};
use proofstand::estimate::torque_line::torque_line;
use proofstand::estimate::{ReversalEstimate, ReversalWindow, Shape};
use proofstand::metrology::{
    Budget, Combined, Contribution, CoverageFactor, DegreesOfFreedom, KnownVoltage, Quantity,
    VoltageUncertainty,
};
use proofstand::sheet::Inertia;
use proofstand_protocol::message::Sample;
use proofstand_protocol::units::{Counts, Micros, Microvolts};
use proofstand_units::{
    CountsPerRev, Kelvins, KilogramSquareMetres, Kilograms, Metres, NewtonMetres, PartsPerMillion, PerKelvin,
    RadPerSec, RadPerSec2, Seconds, Volts, VoltsPerKelvin,
};

/// How often the truth was inside.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Coverage {
    pub(crate) quantity: &'static str,
    pub(crate) trials: u32,
    pub(crate) inside: u32,
    /// Trials that gave no value. The truth was not inside then.
    pub(crate) failed: u32,
    /// Mean expanded uncertainty, relative to the truth (of the offset: in its own unit).
    pub(crate) mean_expanded: f64,
    /// Mean of the coverage factor.
    pub(crate) mean_factor: f64,
    /// Mean of the squares of the errors over the stated standard uncertainty: 1 where that is right.
    squares: f64,
}

impl Coverage {
    const fn new(quantity: &'static str) -> Self {
        Self { quantity, trials: 0, inside: 0, failed: 0, mean_expanded: 0.0, mean_factor: 0.0, squares: 0.0 }
    }

    pub(crate) fn share(&self) -> f64 {
        f64::from(self.inside) / f64::from(self.trials)
    }

    /// Root mean square of the errors over the stated standard uncertainty: 1 where that is right, less where it is too large.
    pub(crate) fn error_over_u(&self) -> f64 {
        self.squares.sqrt()
    }

    fn fail(&mut self) {
        self.trials += 1;
        self.failed += 1;
    }

    fn see<Q: Quantity>(&mut self, got: &Combined<Q>, truth: f64, unit: f64) {
        self.trials += 1;
        self.inside += u32::from((got.value.number() - truth).abs() <= got.expanded.number());
        let n = f64::from(self.trials - self.failed);
        let error = (got.value.number() - truth) / got.standard_uncertainty.number();
        self.squares += (error * error - self.squares) / n;
        self.mean_factor += (got.coverage_factor.get() - self.mean_factor) / n;
        self.mean_expanded += (got.expanded.number() / unit - self.mean_expanded) / n;
    }
}

/// A repeatable source (xorshift64*; Vigna 2016).
pub(crate) struct Random(u64);

impl Random {
    pub(crate) const fn new(seed: u64) -> Self {
        Self(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1)
    }

    fn uniform(&mut self) -> f64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        (self.0.wrapping_mul(0x2545_F491_4F6C_DD1D) >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Evenly within ± this.
    fn within(&mut self, half: f64) -> f64 {
        half * (2.0 * self.uniform() - 1.0)
    }

    fn normal(&mut self) -> f64 {
        let u = self.uniform().max(1e-300);
        (-2.0 * u.ln()).sqrt() * (core::f64::consts::TAU * self.uniform()).cos()
    }
}

const CPR: CountsPerRev = CountsPerRev::new(10_000);
const RATED: f64 = 1.6;
const INERTIA: f64 = 1.25e-3;

/// What a trial's bench really is.
struct Truth {
    inertia: f64,
    /// N·m/V.
    gain: f64,
    /// V at the input.
    offset: f64,
    coulomb: f64,
    viscous: f64,
    lag: f64,
    cogging: [(f64, f64, f64); 2],
    /// What the calibration of the output does not know: V at 0 V, V per V.
    output: (f64, f64),
    /// What that of the terminals' input does not know.
    input: (f64, f64),
    /// Its curve: volts, radians per volt, phase.
    curve: (f64, f64, f64),
    /// True seconds in a second of the fixture's.
    clock: f64,
}

impl Truth {
    fn drawn(random: &mut Random) -> Self {
        let phase = |random: &mut Random| core::f64::consts::TAU * random.uniform();
        // One meter for output and inputs: 35 ppm of reading and 5 ppm of 10 V (hardware's error budget: memory).
        let meter = (random.within(50e-6), random.within(35e-6));
        // Each converter has a reference of its own: 25 ppm in 1000 h, growing with the root of 300 days, 3 ppm and 5 µV a kelvin.
        let converter = |random: &mut Random, meter: (f64, f64)| {
            let kelvin = random.within(5.0);
            let drift = random.within(25e-6 * (0.024_f64 * 300.0).sqrt());
            (meter.0 + kelvin * random.within(5e-6), meter.1 + drift + kelvin * random.within(3e-6))
        };
        Self {
            inertia: INERTIA * (1.0 + 0.005 * random.normal()),
            gain: 0.08 * (1.0 + 0.003 * random.normal()),
            offset: 4e-3 * random.normal(),
            coulomb: 0.02 * (1.0 + random.within(0.1)),
            viscous: 2e-5 * (1.0 + random.within(0.2)),
            lag: 1e-3 * (0.5 + 0.5 * random.uniform()),
            cogging: [(10.0, 0.002 * RATED, phase(random)), (60.0, 0.003 * RATED, phase(random))],
            output: converter(random, meter),
            input: converter(random, meter),
            curve: (1.2e-4 * random.normal(), 0.5 + random.uniform(), phase(random)),
            clock: 1.0 + 1e-6 * random.within(50.0),
        }
    }

    /// Alternating segments as the fixture runs them, seen at its 1 kHz.
    fn reversals(&self, level: f64, turn_round: f64, halves: u8, random: &mut Random) -> Vec<Sample> {
        const STEPS: u32 = 10;
        let (mut theta, mut omega, mut torque) = (random.uniform(), 0.0_f64, 0.0);
        let (mut samples, mut segment, mut tick) = (Vec::new(), 0_u8, 0_u64);
        let h = 1e-3 * self.clock / f64::from(STEPS);
        while segment < halves && tick < 60_000 {
            let sign = if segment % 2 == 0 { 1.0 } else { -1.0 };
            let nominal = sign * level;
            // What the meter would show too high, the fixture puts out too low.
            let volts = nominal - self.output.0 - self.output.1 * nominal;
            let (most, per_volt, phase) = self.curve;
            let read = volts + self.input.0 + self.input.1 * volts + most * (per_volt * volts + phase).sin();
            // A step of 312.5 µV, and noise.
            let read = ((1e6 * read + 150.0 * random.normal()) / 312.5).round() * 312.5;
            samples.push(Sample {
                sequence: tick as u32,
                at: Micros(1_000_000 + 1000 * tick),
                position: Counts((theta * f64::from(CPR.get()) / core::f64::consts::TAU).floor() as i64),
                command: Microvolts((1e6 * nominal) as i32),
                readback: Microvolts(read as i32),
                segment,
                ..Sample::default()
            });
            let wanted = self.gain * (volts + self.offset);
            for _ in 0..STEPS {
                torque += (wanted - torque) * (h / self.lag).min(1.0);
                let friction = if omega == 0.0 { 0.0 } else { self.coulomb.copysign(omega) };
                let cogging: f64 = self.cogging.iter().map(|(n, a, p)| a * (n * theta + p).sin()).sum();
                omega += h * (torque - friction - self.viscous * omega + cogging) / self.inertia;
                theta += h * omega;
            }
            if sign * omega >= turn_round {
                segment += 1;
            }
            tick += 1;
        }
        samples
    }
}

/// What the record of a calibration with such a meter states, 300 days later. Written down here, not taken from the model.
const CALIBRATED: KnownVoltage = KnownVoltage {
    stated: VoltageUncertainty {
        offset: Volts::new(30e-6),
        gain: 21e-6,
        correlation: 0.0,
        residual: Volts::new(130e-6),
        drift: 25e-6,
        gain_per_kelvin: PerKelvin::new(3e-6),
        offset_per_kelvin: VoltsPerKelvin::new(5e-6),
        temperature_range: Kelvins::new(5.0),
        contact_and_load: 0.0,
    },
    age_days: 300.0,
    calibrated: true,
};

/// Gain and offset by reversal at three levels.
pub(crate) fn command_scale(trials: u32, seed: u64) -> [Coverage; 2] {
    let (mut gain, mut offset) = (Coverage::new("gain by reversal"), Coverage::new("offset"));
    let rpm = |omega: f64| RadPerSec::new(omega).to_rpm();
    let window = ReversalWindow {
        low: rpm(15.0),
        high: rpm(51.0),
        settle: Seconds::from_millis(5.0),
        shape: Shape::Cubic,
        smoothing: 9,
    };
    let inputs = ScaleInputs {
        rated_torque: NewtonMetres::new(RATED),
        inertia: KilogramSquareMetres::new(INERTIA),
        inertia_uncertainty: KilogramSquareMetres::new(0.01 * INERTIA),
        terminal: CALIBRATED,
        torque_read_out: CALIBRATED,
        clock: PartsPerMillion::new(50.0),
        lag: Seconds::from_millis(1.0),
        count_sign: 1.0,
    };
    let mut random = Random::new(seed);
    for _ in 0..trials {
        let truth = Truth::drawn(&mut random);
        let levels: Vec<ReversalEstimate> = [1.5, 3.0, 6.0]
            .into_iter()
            .filter_map(|v| reversal(&truth.reversals(v, 60.0, 9, &mut random), CPR, &window).ok())
            .collect();
        let levels: Vec<&ReversalEstimate> = levels.iter().collect();
        let points: Vec<_> = levels.iter().map(|l| scale::reversal_point(l, &inputs)).collect();
        let Ok(line) = torque_line(&points) else {
            gain.fail();
            offset.fail();
            continue;
        };
        let way = scale::by_reversal(&line, &levels, &inputs);
        let percent = 100.0 / RATED;
        gain.see(&way.budget().combined(), truth.gain * percent, truth.gain * percent);
        let at_zero = truth.gain * truth.offset * percent;
        offset.see(&scale::offset(&levels, way.value, &inputs).combined(), at_zero, 1.0);
    }
    [gain, offset]
}

/// Speed over 100 ms near 1000 rpm at 1000 pulses.
pub(crate) fn held_speed(trials: u32, seed: u64) -> Coverage {
    let mut out = Coverage::new("speed, 100 ms near 1000 rpm");
    let cpr = CountsPerRev::new(4000);
    let mut random = Random::new(seed);
    for _ in 0..trials {
        let (rpm, place, clock) =
            (1000.0 + 20.0 * random.uniform(), random.uniform(), 1.0 + 1e-6 * random.within(50.0));
        let samples: Vec<Sample> = (0..100)
            .map(|i| Sample {
                sequence: i,
                at: Micros(1000 * u64::from(i)),
                position: Counts((rpm / 60.0 * 1e-3 * f64::from(i) * clock * 4000.0 + place).floor() as i64),
                ..Sample::default()
            })
            .collect();
        let Ok(got) = speed(&samples, cpr) else {
            out.fail();
            continue;
        };
        let budget = Budget::new(got.speed).with_all(got.contributions(PartsPerMillion::new(50.0)));
        out.see(&budget.combined(), rpm, rpm);
    }
    out
}

/// From a crossing to a flag.
pub(crate) fn flag_delay(trials: u32, seed: u64) -> Coverage {
    let mut out = Coverage::new("flag delay");
    let mut random = Random::new(seed);
    for _ in 0..trials {
        let alpha = 150.0 + 350.0 * random.uniform();
        let (start, place) = (80.0 + 10.0 * random.uniform(), random.uniform());
        let level = 120.0;
        let crossed = (level - start) / alpha;
        let delay = 1e-3 + 14e-3 * random.uniform();
        // Both the times and the speed of the crossing are the clock's.
        let clock = 1.0 + 1e-6 * random.within(50.0);
        let samples: Vec<Sample> = (0..400)
            .map(|i| {
                let t = 1e-3 * f64::from(i) / clock;
                let turns = (start * t + 0.5 * alpha * t * t) / core::f64::consts::TAU;
                Sample {
                    sequence: i,
                    at: Micros(1000 * u64::from(i)),
                    position: Counts((turns * f64::from(CPR.get()) + place).floor() as i64),
                    ..Sample::default()
                }
            })
            .collect();
        let edge = crossed + delay + random.within(50e-6);
        let found = first_crossing(&samples, CPR, RadPerSec::new(level).to_rpm(), 10);
        let Ok(Crossing::At { at, standard_uncertainty }) = found else {
            out.fail();
            continue;
        };
        let question = Question {
            moment: Moment {
                at,
                known: Known::Standard(standard_uncertainty),
                name: "moment of the crossing",
            },
            becomes: true,
            from: Micros(0),
            to: Micros(1_000_000),
            resolution: Seconds::new(50e-6),
        };
        let edges = [Edge { at: Micros((1e6 * edge * clock).round() as u64), conducting: true }];
        let Some(got) = answer(&edges, &question) else {
            out.fail();
            continue;
        };
        out.see(&Budget::new(got.delay).with_all(got.contributions()).combined(), delay, delay);
    }
    out
}

/// A rotor's inertia by a known disc; and that of both together where the disc stays on, as an acceptance takes it.
pub(crate) fn rotor(trials: u32, seed: u64) -> [Coverage; 2] {
    let mut out = Coverage::new("rotor inertia by a known disc");
    let mut both = Coverage::new("rotor with the disc that measured it");
    let mut random = Random::new(seed);
    for _ in 0..trials {
        let rotor = 2e-4 * (1.0 + 0.05 * random.normal());
        let (stated, mass, off) = (4.2e-4, 1.0, 5e-4);
        let real = stated * (1.0 + 0.005 * random.normal());
        // Turned from a bar: as its drawing says to 10 % (k = 2). It stays on in all three runs.
        let hub_stated = 2e-5;
        let hub = hub_stated * (1.0 + 0.05 * random.normal());
        // Anywhere in the circle.
        let centring = mass * off * off * random.uniform();
        let (drift, uneven) = (0.02 * random.normal(), random.uniform() - 0.5);
        // The amplifier's lag is 1 ms at most. Windows begin 5 ms after a turn-round, which changes the torque by twice itself; that
        // of the bare rotor is 30 ms long, and a slower swing has a longer one.
        let lag = 1e-3 * (0.3 + 0.7 * random.uniform());
        let window = |inertia: f64| 0.03 * inertia / (2e-4 + hub_stated);
        let missing = |inertia: f64| 2.0 * (-5e-3 / lag).exp() * lag / window(inertia);
        let mut run = |inertia: f64, at: f64| {
            // Even, and a part that is not: it may be a quarter of the drift of all three runs at the middle one.
            let bump = if at == 100.0 { 0.5 * uneven * drift } else { 0.0 };
            let alpha = 0.1 * (1.0 + drift * at / 200.0 + bump) * (1.0 - missing(inertia)) / inertia;
            let cycles: Vec<f64> = (0..5).map(|_| alpha * (1.0 + 1e-3 * random.normal())).collect();
            let mean = cycles.iter().sum::<f64>() / 5.0;
            let spread = cycles.iter().map(|c| (c - mean).powi(2)).sum::<f64>() / 4.0;
            RunAcceleration {
                value: RadPerSec2::new(mean),
                scatter: RadPerSec2::new((spread / 5.0).sqrt()),
                degrees_of_freedom: DegreesOfFreedom::of_fit(5, 1),
                building_up: RadPerSec2::new(mean * 2.0 * (-5.0_f64).exp() * 1e-3 / window(inertia)),
                at: Seconds::new(at),
            }
        };
        let runs = DiscRuns {
            without: run(rotor + hub, 0.0),
            with: run(rotor + hub + real + centring, 100.0),
            without_again: run(rotor + hub, 200.0),
        };
        let disc = KnownDisc {
            inertia: KilogramSquareMetres::new(stated),
            expanded: KilogramSquareMetres::new(0.01 * stated),
            mass: Some(Kilograms::new(mass)),
            centring: Metres::new(off),
            hub: KilogramSquareMetres::new(hub_stated),
            hub_expanded: KilogramSquareMetres::new(0.1 * hub_stated),
        };
        let Ok(got) = rotor_inertia(&runs, &disc) else {
            out.fail();
            both.fail();
            continue;
        };
        let found = got.budget.combined();
        out.see(&found, rotor, rotor);
        let measured = Inertia { value: found.value, expanded: found.expanded };
        let together = measured.with_its_disc(Inertia { value: disc.inertia, expanded: disc.expanded });
        let turning = Contribution::expanded("inertia", together.expanded, CoverageFactor::new(2.0));
        both.see(&Budget::new(together.value).with(turning).combined(), rotor + real, rotor + real);
    }
    [out, both]
}
