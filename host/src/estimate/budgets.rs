//! Each kind of budget against Monte Carlo runs (JCGM 101:2008, clause 8).

use proofstand_protocol::units::Micros;
use proofstand_units::{
    CountsPerRev, KilogramSquareMetres, Kilograms, Metres, NewtonMetres, PartsPerMillion, Percent,
    RadPerSec2, Seconds, Volts,
};

use super::flags::{Edge, Known, Moment, Question, answer};
use super::known_disc::{DiscRuns, KnownDisc, RunAcceleration, rotor_inertia};
use super::scale::{self, DisplayReading, ScaleInputs};
use super::synthetic::{Motor, positions, reversals};
use super::torque_line::torque_line;
use super::{ReversalEstimate, ReversalWindow, Shape, reversal::reversal, speed};
use crate::metrology::monte_carlo::assert_interval;
use crate::metrology::{Budget, DegreesOfFreedom, KnownVoltage, VoltageUncertainty};

const CPR: CountsPerRev = CountsPerRev::new(10_000);

fn inputs() -> ScaleInputs {
    ScaleInputs {
        rated_torque: NewtonMetres::new(1.6),
        inertia: KilogramSquareMetres::new(1.25e-3),
        inertia_uncertainty: KilogramSquareMetres::new(1.25e-5),
        terminal: KnownVoltage {
            stated: VoltageUncertainty {
                offset: Volts::new(3e-4),
                gain: 3e-5,
                residual: Volts::new(2e-4),
                ..VoltageUncertainty::flat(Volts::ZERO)
            },
            age_days: 0.0,
            calibrated: true,
        },
        torque_read_out: KnownVoltage::uncalibrated(Volts::new(1e-3)),
        clock: PartsPerMillion::new(50.0),
        lag: Seconds::from_millis(1.0),
        count_sign: 1.0,
    }
}

#[test]
fn every_budget_of_the_command_s_scale_holds_against_monte_carlo() {
    let motor = Motor { inertia: 1.25e-3, gain: 0.08, offset: 0.05, coulomb: 0.02, viscous: 1e-5, lag: 6e-4 };
    let rpm = |omega: f64| proofstand_units::RadPerSec::new(omega).to_rpm();
    let window = ReversalWindow {
        low: rpm(25.0),
        high: rpm(80.0),
        settle: Seconds::from_millis(5.0),
        shape: Shape::Cubic,
        smoothing: 9,
    };
    let inputs = inputs();
    let all: Vec<ReversalEstimate> = [1.0, 2.0, 4.0]
        .map(|v| reversal(&reversals(motor, v, 100.0, 9, CPR), CPR, &window).unwrap())
        .to_vec();
    let levels: Vec<&ReversalEstimate> = all.iter().collect();
    let points: Vec<_> = levels.iter().map(|l| scale::reversal_point(l, &inputs)).collect();
    let way = scale::by_reversal(&torque_line(&points).unwrap(), &levels, &inputs);
    let read_out = scale::by_read_out(&points, Volts::new(3.0), Percent::new(1.0), &inputs).unwrap();
    let reading = |v: f64| DisplayReading {
        level: Volts::new(v),
        shown: Percent::new((50.0 * v).round() / 10.0),
        middle: Volts::ZERO,
        shown_middle: Percent::ZERO,
    };
    let display = scale::by_display(&[1.0, 2.0, 4.0].map(reading), Percent::new(0.1), &inputs).unwrap();
    assert_interval("gain by reversal", &way.budget(), 1);
    assert_interval("gain by read-out", &read_out.budget(), 2);
    assert_interval("gain by display", &display.budget(), 3);
    assert_interval("reversal less read-out", &way.less(&read_out), 4);
    assert_interval("offset", &scale::offset(&levels, way.value, &inputs), 5);
}

#[test]
fn the_budgets_of_speed_flag_delay_and_rotor_inertia_hold_against_monte_carlo() {
    let held = speed::speed(&positions(100, CPR, |t| 1003.7 / 60.0 * t + 0.3e-4), CPR).unwrap();
    let clock = held.contributions(PartsPerMillion::new(50.0));
    assert_interval("speed", &Budget::new(held.speed).with_all(clock), 6);

    let question = Question {
        moment: Moment {
            at: Micros(10_000),
            known: Known::Standard(Seconds::new(2e-5)),
            name: "moment of the crossing",
        },
        becomes: true,
        from: Micros(0),
        to: Micros(100_000),
        resolution: Seconds::new(50e-6),
    };
    let flag = answer(&[Edge { at: Micros(15_000), conducting: true }], &question).unwrap();
    assert_interval("flag delay", &Budget::new(flag.delay).with_all(flag.contributions()), 7);

    let run = |value: f64, at: f64| RunAcceleration {
        value: RadPerSec2::new(value),
        scatter: RadPerSec2::new(value * 1e-3),
        degrees_of_freedom: DegreesOfFreedom::new(4.0).unwrap(),
        building_up: RadPerSec2::new(value * 2e-4),
        at: Seconds::new(at),
    };
    let runs =
        DiscRuns { without: run(500.0, 0.0), with: run(166.0, 100.0), without_again: run(497.0, 200.0) };
    let disc = KnownDisc {
        inertia: KilogramSquareMetres::new(4e-4),
        expanded: KilogramSquareMetres::new(4e-6),
        mass: Some(Kilograms::new(1.0)),
        centring: Metres::new(1e-3),
        hub: KilogramSquareMetres::ZERO,
        hub_expanded: KilogramSquareMetres::ZERO,
    };
    assert_interval("rotor inertia", &rotor_inertia(&runs, &disc).unwrap().budget, 8);
}
