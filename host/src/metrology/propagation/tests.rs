//! Computed distributions against closed forms and printed intervals.

use super::*;
use crate::metrology::reference::{number, toml};
use crate::metrology::student::CoverageFactor;

fn part(scale: f64, distribution: Distribution) -> Part {
    Part { scale, distribution, degrees_of_freedom: DegreesOfFreedom::INFINITE }
}

fn half_width(parts: &[Part], level: Level) -> f64 {
    Propagated::of(parts).half_width(level)
}

fn share_within(parts: &[Part], half_width: f64) -> f64 {
    Propagated::of(parts).share_within(half_width)
}

fn t(scale: f64, nu: f64) -> Part {
    Part {
        scale,
        distribution: Distribution::StudentT,
        degrees_of_freedom: DegreesOfFreedom::new(nu).unwrap(),
    }
}

#[test]
fn one_distribution_alone_has_the_half_width_of_its_closed_form() {
    // Closed forms for 95 %: rectangular 0.95·√3·u, triangular √6·u·(1 − √0.05), arcsine √2·u·sin(0.95·π/2), normal
    // 1.959964·u.
    for (distribution, want) in [
        (Distribution::Rectangular, 0.95 * 3.0_f64.sqrt()),
        (Distribution::Triangular, 6.0_f64.sqrt() * (1.0 - 0.05_f64.sqrt())),
        (Distribution::UShaped, 2.0_f64.sqrt() * (0.95 * FRAC_PI_2).sin()),
        (Distribution::Normal, 1.959_963_984_5),
    ] {
        let got = half_width(&[part(2.5, distribution)], Level::P95);
        assert!((got / 2.5 / want - 1.0).abs() < 3e-4, "{distribution:?}: {} {want}", got / 2.5);
    }
}

#[test]
fn the_share_within_a_half_width_is_that_of_the_closed_form() {
    // Closed forms of P(|Y| ≤ 2u): normal 0.954 499 7; rectangular all of it (2u > √3·u); at u, 1/√3 of it. Two equal
    // rectangular ones are a triangle: 1 − (1 − y/(√6·u))².
    let normal = share_within(&[part(3.0, Distribution::Normal)], 6.0);
    assert!((normal - 0.954_499_7).abs() < 1e-4, "{normal}");
    let even = [part(3.0, Distribution::Rectangular)];
    assert!((share_within(&even, 6.0) - 1.0).abs() < 2e-3, "{}", share_within(&even, 6.0));
    assert!((share_within(&even, 3.0) - 1.0 / 3.0_f64.sqrt()).abs() < 1e-3);
    let triangle = share_within(&[part(1.0, Distribution::Rectangular); 2], 2.0 * 2.0_f64.sqrt());
    assert!((triangle - (1.0 - (1.0 - 2.0 / 6.0_f64.sqrt()).powi(2))).abs() < 1e-4, "{triangle}");
    assert_eq!(share_within(&[], 1.0), 1.0);
    for level in [Level::P95, Level::P99] {
        let parts = [part(1.0, Distribution::Rectangular), t(0.5, 5.0)];
        assert!((share_within(&parts, half_width(&parts, level)) - level.share()).abs() < 1e-6);
    }
}

#[test]
fn students_t_alone_gives_the_factors_of_gum_table_g2() {
    // Source: JCGM 100:2008, Table G.2 (by the quantile function that is held against it).
    for (nu, within) in
        [(1.0, 5e-3), (2.0, 1e-3), (3.0, 2e-4), (4.0, 2e-4), (5.0, 1e-4), (9.0, 1e-4), (30.0, 1e-4)]
    {
        let want = CoverageFactor::student(Level::P95, DegreesOfFreedom::new(nu).unwrap()).get();
        let got = half_width(&[t(0.01, nu)], Level::P95) / 0.01;
        assert!((got / want - 1.0).abs() < within, "{nu}: {got} {want}");
    }
}

/// Distribution function of the sum of `n` uniform variables from 0 to 1 (Irwin 1927, Hall 1927).
fn irwin_hall(n: u32, x: f64) -> f64 {
    let (mut sum, mut choose) = (0.0, 1.0);
    let factorial: f64 = (1..=n).map(f64::from).product();
    for k in 0..=(x.floor().max(0.0) as u32).min(n) {
        let sign = if k % 2 == 0 { 1.0 } else { -1.0 };
        sum += sign * choose * (x - f64::from(k)).powi(n as i32);
        choose *= f64::from(n - k) / f64::from(k + 1);
    }
    sum / factorial
}

#[test]
fn what_lies_beyond_a_distance_is_that_of_the_closed_forms() {
    // Source: Irwin 1927, Hall 1927: sums of two, three and four equal rectangular distributions, of which the last is
    // that of JCGM 101:2008, 9.2.3. Each is √12·u wide, so that the sum from 0 to n lies about n/2.
    for n in [2, 3, 4] {
        let sum = Propagated::of(&vec![part(1.0, Distribution::Rectangular); n as usize]);
        for distance in [-3.0, -1.0, 0.0, 0.4, 1.3, 2.0, 3.2, 3.88] {
            let want = 1.0 - irwin_hall(n, 0.5 * f64::from(n) + distance / 12.0_f64.sqrt()).min(1.0);
            let got = sum.beyond(distance);
            let within = if n == 2 { 2e-4 } else { 2e-5 };
            assert!((got - want).abs() < within, "{n} {distance}: {got} {want}");
            let back = sum.exceeded_with(want);
            assert!(!(1e-4..0.5).contains(&want) || (back - distance).abs() < 5e-3, "{n} {distance}: {back}");
        }
    }
    // Closed forms alone: normal, and t with three degrees of freedom at √3: 1/2 − 1/4 − 1/(2π).
    let normal = Propagated::of(&[part(0.6, Distribution::Normal), part(0.8, Distribution::Normal)]);
    assert!((normal.beyond(3.0) - 0.001_349_898_031_630_095).abs() < 1e-12);
    let three = Propagated::of(&[t(2.0, 3.9)]).beyond(2.0 * 3.0_f64.sqrt());
    assert!((three - (0.25 - 0.5 / PI)).abs() < 1e-12, "{three}");
    assert_eq!((Propagated::of(&[]).beyond(0.0), Propagated::of(&[]).beyond(-1e-9)), (0.0, 1.0));
}

#[test]
fn the_additive_examples_of_jcgm_101_have_their_intervals() {
    // Source: JCGM 101:2008, 9.2.2 to 9.2.4 (printed intervals from memory; recomputed by convolution).
    let file = toml("jcgm-101-additive.toml");
    for example in file["example"].as_array().unwrap() {
        let shape = match example["distribution"].as_str().unwrap() {
            "normal" => Distribution::Normal,
            _ => Distribution::Rectangular,
        };
        let scales = example["standard_uncertainties"].as_array().unwrap();
        let parts: Vec<Part> = scales.iter().map(|u| part(number(u), shape)).collect();
        let got = half_width(&parts, Level::P95);
        let want = number(&example["recomputed_half_width"]);
        assert!((got / want - 1.0).abs() < 2e-4, "{example}: {got}");
        let printed = example["published_half_width"].as_str().unwrap();
        let decimals = printed.len() - printed.find('.').unwrap() - 1;
        assert_eq!(format!("{got:.decimals$}"), printed, "{example}");
    }
}

#[test]
fn the_numerical_tolerance_is_half_a_unit_of_the_second_digit() {
    // Source: JCGM 101:2008, 7.9.2.1, examples 1 and 2: u = 0.00035 (two digits 35·10⁻⁵) gives 5·10⁻⁶, u = 2 K stated
    // as one digit gives 0.5 K, as two digits (20·10⁻¹) 0.05 K (from memory).
    for (u, want) in [(0.00035, 5e-6), (2.0, 0.05), (0.0996, 5e-3), (0.0994, 5e-4)] {
        assert!((tolerance(u) / want - 1.0).abs() < 1e-9, "{u}: {}", tolerance(u));
    }
    assert_eq!(tolerance(0.0), 0.0);
}

#[test]
fn nothing_uncertain_has_no_width_and_nonsense_none_that_is_a_number() {
    assert_eq!(half_width(&[], Level::P95), 0.0);
    assert_eq!(half_width(&[part(0.0, Distribution::Normal)], Level::P95), 0.0);
    assert!(!half_width(&[part(f64::INFINITY, Distribution::Normal)], Level::P95).is_finite());
}
