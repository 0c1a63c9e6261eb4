//! A rotor's inertia from a disc whose inertia is known: the same torque without the disc, with it, and without it again.
//!
//! With α₁ without and α₂ with the disc `J·α₁ = (J + Jd)·α₂`, so `J = Jd·α₂/(α₁ − α₂)`, whatever the torque is as long as it is the
//! same. `u(J)/J = √2·(1 + J/Jd)·u(α)/α`: a disc of J/2 costs 4.2 times the uncertainty of an acceleration, one of 2·J 2.1
//! times. The interval is the linear model's. In truth J is not linear in the accelerations: both ends of the interval lie about
//! J·(U/J)² higher, U being what the accelerations alone make uncertain. That is within the numerical tolerance of two digits
//! of u (JCGM 101:2008, 8.1) as long as this U is below 0.7 % of J, which is a scatter of each acceleration of 0.2 % with
//! Jd = 2·J and of 0.1 % with Jd = J/2. From there on the interval is not valid to two digits; where the shift goes beyond the
//! tolerance it is stated ([`RotorInertia::higher`]). With Jd = J/2 and 0.5 % the ends are −3.50 % and +3.70 % where ±3.60 % is
//! reported.
//!
//! The second run without finds the drift of the torque (magnets lose 0.1 to 0.2 % per K; from memory).

use proofstand_units::{KilogramSquareMetres, Kilograms, Metres, Percent, RadPerSec2, Seconds};

use super::error::EstimateError;
use super::scale::BUILDING_UP;
use crate::metrology::propagation::tolerance;
use crate::metrology::{Budget, Contribution, CoverageFactor, DegreesOfFreedom, MetrologyError, Sensitivity};

/// How many contributions are of the accelerations: three scatters, the drift and what is still building up.
const ACCELERATIONS: usize = 5;

/// A disc of at least this many times the rotor's inertia is advised.
pub const ADVISED: f64 = 2.0;

/// Acceleration per volt (or at one command) of one run, by the command alone.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RunAcceleration {
    /// The acceleration.
    pub value: RadPerSec2,
    /// Its standard uncertainty from scatter.
    pub scatter: RadPerSec2,
    /// Degrees of freedom of that.
    pub degrees_of_freedom: DegreesOfFreedom,
    /// How much of it may be missing at most, since the torque was still building up after a turn-round.
    pub building_up: RadPerSec2,
    /// When the run was made, on any clock that all three share.
    pub at: Seconds,
}

/// Without, with, and without again.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DiscRuns {
    /// Without the disc.
    pub without: RunAcceleration,
    /// With the disc.
    pub with: RunAcceleration,
    /// Without it again.
    pub without_again: RunAcceleration,
}

/// The disc, and what goes with it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct KnownDisc {
    /// Its inertia about its own axis.
    pub inertia: KilogramSquareMetres,
    /// Expanded uncertainty (k = 2) of that.
    pub expanded: KilogramSquareMetres,
    /// Its mass; none: centring is not accounted for.
    pub mass: Option<Kilograms>,
    /// Its axis lies within this of the shaft's: adds up to m·e².
    pub centring: Metres,
    /// Inertia of a hub that stays on the shaft all the time and does not belong to the rotor.
    pub hub: KilogramSquareMetres,
    /// Expanded uncertainty (k = 2) of the hub's inertia.
    pub hub_expanded: KilogramSquareMetres,
}

/// A rotor's inertia, and what to know of how it was found.
#[derive(Debug, Clone, PartialEq)]
pub struct RotorInertia {
    /// The inertia with what is uncertain about it.
    pub budget: Budget<KilogramSquareMetres>,
    /// How much the torque changed from the first run without to the last.
    pub drift: Percent,
    /// The disc's inertia over the rotor's.
    pub ratio: f64,
    /// By how much both ends of the interval lie higher than reported, about, since the model is not linear; none where that is
    /// less than half a unit of the second digit of u.
    pub higher: Option<KilogramSquareMetres>,
    /// What to do better, if there is anything.
    pub advice: Option<String>,
}

/// The rotor's inertia.
///
/// The torque's drift is taken as even over time and interpolated to the run with the disc; what is not even of it may
/// be a quarter of all of it.
///
/// # Errors
/// Runs that are not in the order of time, or a disc that made no difference.
pub fn rotor_inertia(runs: &DiscRuns, disc: &KnownDisc) -> Result<RotorInertia, EstimateError> {
    let Model { later, alone, loaded, slower, off, known, all } = rotor(runs, disc)?;
    let (before, after) = (runs.without.value.get(), runs.without_again.value.get());
    let value = KilogramSquareMetres::new(all - disc.hub.get());
    let by_alone = -known * loaded / (slower * slower);
    let by_loaded = known * alone / (slower * slower);
    let k2 = CoverageFactor::new(2.0);
    let scatter = |name: &str, run: &RunAcceleration, by: f64| {
        Contribution::type_a(name, run.scatter, run.degrees_of_freedom).with_sensitivity(Sensitivity::new(by))
    };
    let drift = (after - before).abs() / 4.0;
    // A slow swing has less of it missing than a quick one; what is missing alike would cancel, and is not known to be.
    let building_up = [&runs.without, &runs.with, &runs.without_again]
        .map(|run| run.building_up / run.value)
        .into_iter()
        .fold(0.0, f64::max);
    let budget = Budget::new(value)
        .with(scatter("scatter without the disc", &runs.without, by_alone * (1.0 - later)))
        .with(scatter("scatter with the disc", &runs.with, by_loaded))
        .with(scatter("scatter without the disc again", &runs.without_again, by_alone * later))
        .with(
            Contribution::rectangular("uneven drift of the torque", RadPerSec2::new(drift))
                .with_sensitivity(Sensitivity::new(by_alone)),
        )
        .with(
            Contribution::rectangular(BUILDING_UP, RadPerSec2::new(building_up * alone))
                .with_sensitivity(Sensitivity::new(by_alone)),
        )
        .with(
            Contribution::expanded("inertia of the disc", disc.expanded, k2)
                .with_sensitivity(Sensitivity::new(loaded / slower)),
        )
        .with(
            Contribution::rectangular("centring of the disc", KilogramSquareMetres::new(off))
                .with_sensitivity(Sensitivity::new(loaded / slower)),
        )
        .with(
            Contribution::expanded("hub that stays on", disc.hub_expanded, k2)
                .with_sensitivity(Sensitivity::new(-1.0)),
        );
    let combined = budget.combined();
    let u = combined.standard_uncertainty.get();
    let by_scatter: f64 = budget.independent().iter().take(ACCELERATIONS).map(|c| c.signed().powi(2)).sum();
    let shift = combined.coverage_factor.get().powi(2) * by_scatter / all;
    let higher = (shift > tolerance(u)).then(|| KilogramSquareMetres::new(shift));
    let ratio = disc.inertia.get() / all;
    let advice = (ratio < ADVISED).then(|| {
        format!(
            "the disc is {ratio:.1} times the rotor: an error of an acceleration counts {:.1}-fold; with a disc of twice the \
             rotor or more it counts 2.1-fold at most",
            2.0_f64.sqrt() * (1.0 + 1.0 / ratio)
        )
    });
    Ok(RotorInertia { budget, drift: Percent::new(100.0 * (after - before) / before), ratio, higher, advice })
}

/// The model with what is between.
struct Model {
    /// Share of the time between the runs without at which the run with was made.
    later: f64,
    /// Acceleration without the disc at that time.
    alone: f64,
    /// Acceleration with it.
    loaded: f64,
    /// Their difference.
    slower: f64,
    /// Half of the most that centring adds to the disc.
    off: f64,
    /// The disc's inertia about the shaft.
    known: f64,
    /// Inertia of all that turns without the disc.
    all: f64,
}

fn rotor(runs: &DiscRuns, disc: &KnownDisc) -> Result<Model, EstimateError> {
    let (first, middle, last) = (runs.without.at.get(), runs.with.at.get(), runs.without_again.at.get());
    let bad = |index, value| MetrologyError::BadValue { what: "known disc", index, value };
    if !(first < middle && middle < last) {
        return Err(bad(1, middle).into());
    }
    let later = (middle - first) / (last - first);
    let (before, after) = (runs.without.value.get(), runs.without_again.value.get());
    let alone = before * (1.0 - later) + after * later;
    let loaded = runs.with.value.get();
    let slower = alone - loaded;
    if !(slower > 0.0 && loaded > 0.0) {
        return Err(bad(1, loaded).into());
    }
    // The axis lies anywhere within the centring: on average half of m·e² more.
    let off = disc.mass.map_or(0.0, |m| 0.5 * m.get() * disc.centring.get().powi(2));
    let known = disc.inertia.get() + off;
    let all = known * loaded / slower;
    Ok(Model { later, alone, loaded, slower, off, known, all })
}

/// Whether a stated inertia and a measured one contradict each other: they differ by more than the expanded
/// uncertainties (k = 2) of both, combined.
#[must_use]
pub fn contradicts(
    stated: (KilogramSquareMetres, KilogramSquareMetres),
    measured: (KilogramSquareMetres, KilogramSquareMetres),
) -> bool {
    (stated.0 - measured.0).get().abs() > stated.1.get().hypot(measured.1.get())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::metrology::Distribution;
    use crate::metrology::monte_carlo::Random;

    const J: f64 = 2.0e-4;
    const DISC: f64 = 4.0e-4;

    fn run(value: f64, share: f64, at: f64) -> RunAcceleration {
        RunAcceleration {
            value: RadPerSec2::new(value),
            scatter: RadPerSec2::new(value * share),
            degrees_of_freedom: DegreesOfFreedom::INFINITE,
            building_up: RadPerSec2::ZERO,
            at: Seconds::new(at),
        }
    }

    /// Torque 0.1 N·m, changing evenly by `drift` in all.
    fn runs(disc: f64, drift: f64, share: f64) -> DiscRuns {
        let torque = |t: f64| 0.1 * (1.0 + drift * t / 200.0);
        DiscRuns {
            without: run(torque(0.0) / J, share, 0.0),
            with: run(torque(100.0) / (J + disc), share, 100.0),
            without_again: run(torque(200.0) / J, share, 200.0),
        }
    }

    fn disc(inertia: f64) -> KnownDisc {
        let zero = KilogramSquareMetres::ZERO;
        KnownDisc {
            inertia: KilogramSquareMetres::new(inertia),
            expanded: zero,
            mass: None,
            centring: Metres::ZERO,
            hub: zero,
            hub_expanded: zero,
        }
    }

    #[test]
    fn an_even_drift_of_the_torque_leaves_the_inertia_as_it_is() {
        // Closed form: J·α₁ = (J + Jd)·α₂ at the time of the middle run.
        for drift in [0.0, -0.03, 0.02] {
            let got = rotor_inertia(&runs(DISC, drift, 1e-4), &disc(DISC)).unwrap();
            assert!((got.budget.value.get() / J - 1.0).abs() < 1e-12, "{drift}: {got:?}");
            assert!((got.drift.get() - 100.0 * drift).abs() < 1e-9);
            assert_eq!(got.advice, None);
        }
    }

    #[test]
    fn a_small_disc_multiplies_the_uncertainty_of_the_accelerations() {
        // Closed form: u(J)/J = √2·(1 + J/Jd)·u(α)/α if α₁ and α₂ are one run each; the two runs without halve the variance of α₁:
        // √(3/2) in the place of √2.
        for (times, factor) in [(0.5, 3.0), (2.0, 1.5), (5.0, 1.2)] {
            let got = rotor_inertia(&runs(times * J, 0.0, 1e-3), &disc(times * J)).unwrap();
            let u = got.budget.combined().standard_uncertainty.get() / J;
            assert!((u / (1.5_f64.sqrt() * factor * 1e-3) - 1.0).abs() < 1e-9, "{times}: {u}");
            assert_eq!(got.advice.is_some(), times < 2.0);
        }
    }

    #[test]
    fn what_the_torque_is_still_building_up_counts_as_the_ratio_of_the_accelerations_does() {
        // Closed form: an error of the ratio α₂/α₁ counts (1 + J/Jd)-fold. The quickest swing has most of it missing.
        for (times, factor) in [(0.5, 3.0), (2.0, 1.5)] {
            let mut runs = runs(times * J, 0.0, 1e-9);
            runs.without.building_up = runs.without.value * 2e-3;
            runs.with.building_up = runs.with.value * 1e-3;
            let got = rotor_inertia(&runs, &disc(times * J)).unwrap().budget;
            let row = got.rows().into_iter().find(|r| r.name == BUILDING_UP).unwrap();
            let want = 2e-3 / 3.0_f64.sqrt() * factor * J;
            assert!((row.standard_uncertainty / want - 1.0).abs() < 1e-9, "{times}: {row:?}");
        }
    }

    #[test]
    fn disc_hub_and_centring_count_as_worked_by_hand() {
        // The disc's relative uncertainty is the rotor's; 1 kg off by 2 mm is 4e-6 kg·m² at most, 2e-6 on average.
        let known = KnownDisc {
            expanded: KilogramSquareMetres::new(0.01 * DISC),
            mass: Some(Kilograms::new(1.0)),
            centring: Metres::new(2e-3),
            hub: KilogramSquareMetres::new(1e-5),
            hub_expanded: KilogramSquareMetres::new(1e-6),
            ..disc(DISC)
        };
        let got = rotor_inertia(&runs(DISC, 0.0, 1e-9), &known).unwrap().budget;
        assert!((got.value.get() - (J * (1.0 + 2e-6 / DISC) - 1e-5)).abs() < 1e-12);
        let half = J / DISC;
        let parts = [0.005 * DISC * half, 2e-6 / 3.0_f64.sqrt() * half, 0.5e-6];
        let want = parts.iter().map(|p| p * p).sum::<f64>().sqrt();
        assert!((got.combined().standard_uncertainty.get() / want - 1.0).abs() < 1e-6);
    }

    /// Both ends of the interval that holds 95 % of what `rotor_inertia` comes to when scatter is drawn anew a million times
    /// (JCGM 101:2008, clause 7), relative to J.
    fn ends(disc_times: f64, share: f64, nu: DegreesOfFreedom, seed: u64) -> (RotorInertia, [f64; 2]) {
        let mut random = Random::new(seed);
        let as_read = {
            let mut runs = runs(disc_times * J, 0.0, share);
            for run in [&mut runs.without, &mut runs.with, &mut runs.without_again] {
                run.degrees_of_freedom = nu;
            }
            runs
        };
        let known = disc(disc_times * J);
        let mut all: Vec<f64> = (0..1_000_000)
            .map(|_| {
                let mut runs = as_read;
                for run in [&mut runs.without, &mut runs.with, &mut runs.without_again] {
                    let off = random.draw(Distribution::Normal, nu.finite());
                    run.value = RadPerSec2::new(run.value.get() + off * run.scatter.get());
                }
                rotor(&runs, &known).unwrap().all / J - 1.0
            })
            .collect();
        all.sort_by(f64::total_cmp);
        (rotor_inertia(&as_read, &known).unwrap(), [all[25_000], all[975_000]])
    }

    #[test]
    fn both_ends_of_the_interval_are_those_of_a_million_runs_through_the_model_itself() {
        // JCGM 101:2008, clause 8: each end within half a unit of the second digit of u, and thrice the ends' own scatter
        // over a million trials (√(p(1−p)/M) over the density there, 1.8e-3 of a half-width).
        for (nu, seed) in [(DegreesOfFreedom::INFINITE, 1), (DegreesOfFreedom::new(9.0).unwrap(), 2)] {
            let (got, [low, high]) = ends(2.0, 1e-3, nu, seed);
            let combined = got.budget.combined();
            let (u, half) = (combined.standard_uncertainty.get(), combined.expanded.get() / J);
            let within = tolerance(u) / J + 3.0 * 1.8e-3 * half;
            assert!((low + half).abs() < within && (high - half).abs() < within, "{low} {high} ±{half}");
            assert_eq!(got.higher, None);
        }
    }

    #[test]
    fn where_a_small_disc_and_scatter_make_the_interval_uneven_it_is_said_by_how_much() {
        let (got, [low, high]) = ends(0.5, 5e-3, DegreesOfFreedom::INFINITE, 3);
        let half = got.budget.combined().expanded.get() / J;
        assert!((half - 0.0360).abs() < 1e-4, "{half}");
        assert!((low + 0.0350).abs() < 3e-4 && (high - 0.0370).abs() < 3e-4, "{low} {high}");
        // JCGM 101:2008, clause 8, would not call it valid.
        let said = got.higher.unwrap().get() / J;
        assert!(said > tolerance(got.budget.combined().standard_uncertainty.get()) / J);
        let found = f64::midpoint(low, high);
        assert!((0.6..=1.6).contains(&(said / found)), "{said} {found}");
    }

    #[test]
    fn a_disc_that_makes_no_difference_or_runs_out_of_order_are_refused() {
        let none = DiscRuns { with: run(500.0, 1e-3, 100.0), ..runs(DISC, 0.0, 1e-3) };
        assert!(rotor_inertia(&none, &disc(DISC)).is_err());
        let late = DiscRuns { with: run(100.0, 1e-3, 300.0), ..runs(DISC, 0.0, 1e-3) };
        assert!(rotor_inertia(&late, &disc(DISC)).is_err());
    }

    #[test]
    fn a_catalogue_that_can_t_be_true_is_told_from_one_that_can() {
        let kg = KilogramSquareMetres::new;
        let stated = (kg(2.0e-4), kg(0.1e-4));
        assert!(!contradicts(stated, (kg(2.1e-4), kg(0.02e-4))));
        assert!(contradicts(stated, (kg(2.2e-4), kg(0.02e-4))));
    }
}
