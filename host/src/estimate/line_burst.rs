//! What a burst of the raw lines shows: where the edges of A and B lie in the cycle, how near two of them come, how wide
//! the index is.
//!
//! A place is where a count gives way to the next: going up, place n lies between count n − 1 and count n. At places
//! 1, 2, 3, 4 (and 4 more each cycle) A rises, B rises, A falls, B falls; ideally a quarter of a cycle apart.

use proofstand_protocol::units::Counts;
use proofstand_units::{Degrees, Seconds};

use super::error::EstimateError;
use super::keeping_step::Course;
use crate::metrology::linear::{self, Scatter};
use crate::metrology::{Contribution, DegreesOfFreedom};
use crate::targets::Division;

/// An edge of A or B.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct LineEdge {
    /// The first point behind it.
    pub point: usize,
    /// Its place, counted from where the burst began.
    pub place: i64,
    /// The counts rose.
    pub up: bool,
}

/// A stretch with Z high.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct IndexSpan {
    /// First point with Z high.
    pub from: usize,
    /// First point with Z low again; none if the burst ended before.
    pub to: Option<usize>,
    /// Its width, if both ends were seen.
    pub width: Option<Counts>,
}

/// A burst of lines, read as counts.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct LineRecord {
    /// Edges of A and B, in order.
    pub edges: Vec<LineEdge>,
    /// Counts moved; what an illegal transition did is not known and not in it.
    pub moved: Counts,
    /// Both lines changed between two points: which way is not known.
    pub illegal: u32,
    /// Stretches with Z high.
    pub index: Vec<IndexSpan>,
}

/// Reads points of A, B and Z as bits 0, 1 and 2: a count to each edge, up while A leads B.
#[must_use]
pub fn read_lines(points: &[u8]) -> LineRecord {
    let mut record = LineRecord::default();
    let Some(&first) = points.first() else { return record };
    let begin = count_of(first);
    let (mut count, mut last) = (begin, first);
    let mut high: Option<(usize, Option<i64>)> = (first & Z != 0).then_some((0, None));
    for (point, &now) in points.iter().enumerate().skip(1) {
        match (count_of(now) - count_of(last)).rem_euclid(4) {
            1 => {
                count += 1;
                record.edges.push(LineEdge { point, place: count, up: true });
            }
            3 => {
                record.edges.push(LineEdge { point, place: count, up: false });
                count -= 1;
            }
            2 => {
                record.illegal += 1;
                // Two counts one way or the other: from here on the lines' own two bits are right again.
                count += 2;
            }
            _ => {}
        }
        match (last & Z != 0, now & Z != 0) {
            (false, true) => high = Some((point, Some(count))),
            (true, false) => {
                if let Some((from, rose)) = high.take() {
                    let width = rose.map(|rose| Counts((count - rose).abs()));
                    record.index.push(IndexSpan { from, to: Some(point), width });
                }
            }
            _ => {}
        }
        last = now;
    }
    if let Some((from, _)) = high {
        record.index.push(IndexSpan { from, to: None, width: None });
    }
    record.moved = Counts(count - begin - 2 * i64::from(record.illegal));
    record
}

const Z: u8 = 0b100;

/// The two bits of a count: 00, 10, 11, 01 (A, B) as it rises.
const fn count_of(lines: u8) -> i64 {
    match lines & 0b11 {
        0b00 => 0,
        0b01 => 1,
        0b11 => 2,
        _ => 3,
    }
}

/// A mean with what is uncertain about it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MeanAngle {
    /// Value.
    pub value: Degrees,
    /// Standard uncertainty from the scatter of the edges.
    pub scatter: Degrees,
    /// Off by this at most where edges keep step with the points: averaging can't take it out.
    pub in_step: Degrees,
}

impl MeanAngle {
    /// How far from zero it is, beyond what edges and points that keep step can make of nothing.
    #[must_use]
    pub fn beyond_step(&self) -> Degrees {
        Degrees::new(self.value.get().abs()) - self.in_step
    }

    /// As wide as it may be, for all that edges and points that keep step hide.
    #[must_use]
    pub fn at_widest(&self) -> Degrees {
        self.value + self.in_step
    }
}

/// Where the edges lie in the cycle, while the shaft turns one way.
#[derive(Debug, Clone, PartialEq)]
pub struct PhaseEstimate {
    /// Length of one cycle of A.
    pub cycle: Seconds,
    /// One point, in degrees of the cycle.
    pub point: Degrees,
    /// From A rising to B rising, on to A falling, B falling, A rising again; in the sense of rising counts.
    pub separations: [MeanAngle; 4],
    /// B's middle behind where it belongs, a quarter of a cycle after A's.
    pub error: MeanAngle,
    /// How much longer than half of a cycle A and B are high.
    pub duty_errors: [MeanAngle; 2],
    /// The shortest time between two edges, in points: the true one is at most one point longer or shorter.
    pub smallest_points: usize,
    /// Every separation in points, in order.
    pub separations_points: Vec<usize>,
    /// Edges used.
    pub edges: usize,
    /// Degrees of freedom of the scatter.
    pub degrees_of_freedom: DegreesOfFreedom,
}

/// Fewest edges that say something: six cycles.
const EDGES_MIN: usize = 24;

impl PhaseEstimate {
    /// The smallest separation that was seen, and its resolution: it began and ended somewhere between two points.
    #[must_use]
    pub fn smallest(&self) -> (Degrees, Contribution) {
        let value = self.point * self.smallest_points as f64;
        (value, Contribution::triangular("time between two points of the burst", self.point))
    }

    /// The mean of the kind of separation that is surely narrowest.
    #[must_use]
    pub fn narrowest(&self) -> MeanAngle {
        let by = |a: &MeanAngle, b: &MeanAngle| a.at_widest().get().total_cmp(&b.at_widest().get());
        self.separations.iter().copied().min_by(by).unwrap_or(self.error)
    }

    /// What makes a mean angle of this burst uncertain.
    #[must_use]
    pub fn contributions(&self, mean: &MeanAngle) -> Vec<Contribution> {
        vec![
            Contribution::type_a("scatter of the edges", mean.scatter, self.degrees_of_freedom),
            Contribution::rectangular(IN_STEP, mean.in_step),
        ]
    }
}

/// What edges and points that keep step hide.
pub const IN_STEP: &str = "edges in step with the points";

/// Finds where the edges lie in the cycle. Speed and its change are taken out by a fit over all edges together; `division`
/// tells which edges could keep step with the points.
///
/// # Errors
/// [`EstimateError::TooFewSamples`] for fewer than six cycles one way.
pub fn phase(
    record: &LineRecord,
    period: Seconds,
    division: Division,
) -> Result<PhaseEstimate, EstimateError> {
    let edges = longest_way(&record.edges);
    let too_few = EstimateError::TooFewSamples {
        what: "phase of A and B, edges turned one way",
        have: edges.len(),
        need: EDGES_MIN,
    };
    if edges.len() < EDGES_MIN {
        return Err(too_few);
    }
    let middle = edges.get(edges.len() / 2).map_or(0, |e| e.place);
    let x = |e: &LineEdge| (e.place - middle) as f64 / 4.0;
    let kind = |e: &LineEdge| e.place.rem_euclid(4);
    let mut columns: Vec<Vec<f64>> = vec![
        edges.iter().map(|_| 1.0).collect(),
        edges.iter().map(x).collect(),
        edges.iter().map(|e| x(e).powi(2)).collect(),
    ];
    for k in 2..5 {
        columns.push(edges.iter().map(|e| if kind(e) == k % 4 { 1.0 } else { 0.0 }).collect());
    }
    // An edge came between its point and the one before.
    let at: Vec<f64> = edges.iter().map(|e| e.point as f64 - 0.5).collect();
    let fit = linear::fit(&columns, &at, Scatter::Residuals)?;
    let Some(&cycle) = fit.parameters.get(1).filter(|c| c.abs() > 0.0) else { return Err(too_few) };
    let degrees = 360.0 / cycle;
    // Lags of the four edges in points, as weights of the fit's factors: A rising is where the others are measured from.
    let lag =
        |k: usize| -> Vec<f64> { (0..6).map(|n| if k > 0 && n == k + 2 { 1.0 } else { 0.0 }).collect() };
    let parameter = |n: usize| fit.parameters.get(n).copied().unwrap_or(0.0);
    let course = Course {
        cycles: &edges.iter().map(x).collect::<Vec<_>>(),
        // A rises at places 1, 5, 9 and so on.
        kinds: &edges.iter().map(|e| (e.place - 1).rem_euclid(4) as usize).collect::<Vec<_>>(),
        time: [parameter(0), parameter(1), parameter(2)],
        lags: [0.0, parameter(3), parameter(4), parameter(5)],
    };
    let biases = course.biases(division);
    let mean = |weights: &[(usize, f64)], nominal: f64| {
        let mut all = vec![0.0; 6];
        for (k, w) in weights {
            for (a, l) in all.iter_mut().zip(lag(*k)) {
                *a += w * l;
            }
        }
        let (value, scatter) = fit.combination(&all);
        // Kinds as they lie by the fit, or each anywhere: where they keep step the fit does not know it.
        let off = |bias: &[f64; 4]| -> f64 {
            weights.iter().map(|(k, w)| w * bias.get(*k).copied().unwrap_or(0.0)).sum()
        };
        let together = biases.iter().map(|b| off(b).abs()).fold(0.0, f64::max);
        let of_kind =
            |k: usize| biases.iter().filter_map(|b| b.get(k)).fold(0.0_f64, |most, b| most.max(b.abs()));
        let apart = weights.iter().map(|(k, w)| (w * of_kind(*k)).powi(2)).sum::<f64>().sqrt();
        let in_step = together.max(apart);
        MeanAngle {
            value: Degrees::new(nominal + value * degrees),
            scatter: Degrees::new((scatter * degrees).abs()),
            in_step: Degrees::new((in_step * degrees).abs()),
        }
    };
    let separations_points: Vec<usize> = edges
        .windows(2)
        .map(|pair| pair.last().map_or(0, |b| b.point) - pair.first().map_or(0, |a| a.point))
        .collect();
    Ok(PhaseEstimate {
        cycle: Seconds::new(cycle.abs() * period.get()),
        point: Degrees::new(degrees.abs()),
        separations: [
            mean(&[(1, 1.0), (0, -1.0)], 90.0),
            mean(&[(2, 1.0), (1, -1.0)], 90.0),
            mean(&[(3, 1.0), (2, -1.0)], 90.0),
            mean(&[(0, 1.0), (3, -1.0)], 90.0),
        ],
        error: mean(&[(1, 0.5), (3, 0.5), (0, -0.5), (2, -0.5)], 0.0),
        duty_errors: [mean(&[(2, 1.0), (0, -1.0)], 0.0), mean(&[(3, 1.0), (1, -1.0)], 0.0)],
        smallest_points: separations_points.iter().copied().min().unwrap_or(0),
        edges: edges.len(),
        degrees_of_freedom: fit.degrees_of_freedom,
        separations_points,
    })
}

/// The longest run of edges turned one way.
fn longest_way(edges: &[LineEdge]) -> &[LineEdge] {
    edges.chunk_by(|a, b| a.up == b.up).max_by_key(|run| run.len()).unwrap_or(&[])
}

#[cfg(test)]
mod tests {
    use proofstand_units::{CountsPerRev, NativePerRev};

    use super::*;
    use crate::metrology::reference::rows;

    /// Levels at a phase of the cycle in degrees, with edges of A and B at these places.
    fn levels(phase: f64, edges: [f64; 4]) -> u8 {
        let [a_up, b_up, a_down, b_down] = edges;
        let phase = phase.rem_euclid(360.0);
        let inside = |from: f64, to: f64| {
            let (from, to) = (from.rem_euclid(360.0), to.rem_euclid(360.0));
            if from <= to { (from..to).contains(&phase) } else { phase >= from || phase < to }
        };
        u8::from(inside(a_up, a_down)) | u8::from(inside(b_up, b_down)) << 1
    }

    /// A burst of so many points, a point every `degrees` (less than none: counts fall).
    fn burst(points: usize, degrees: f64, edges: [f64; 4]) -> Vec<u8> {
        (0..points).map(|n| levels(7.0 + n as f64 * degrees, edges)).collect()
    }

    /// Four native positions to the count.
    const WHOLE: Division = Division { native: NativePerRev::new(40_000), counts: CountsPerRev::new(10_000) };
    const IDEAL: [f64; 4] = [0.0, 90.0, 180.0, 270.0];

    /// `tests/reference/quadrature-x4-truth-table.csv`: all sixteen transitions of the two lines.
    #[test]
    fn every_transition_counts_as_the_truth_table_says() {
        for row in rows("quadrature-x4-truth-table.csv") {
            let bit = |n: usize| row[n].parse::<u8>().unwrap();
            let record = read_lines(&[bit(1) | bit(2) << 1, bit(3) | bit(4) << 1]);
            assert_eq!(record.moved.0, row[5].parse::<i64>().unwrap(), "{row:?}");
            assert_eq!(record.illegal > 0, row[6] == "true", "{row:?}");
        }
    }

    /// `tests/reference/quadrature-sample.csv` and what an independent decoder made of it.
    #[test]
    fn the_sample_record_gives_the_counts_that_another_decoder_gave() {
        let points: Vec<u8> = rows("quadrature-sample.csv")
            .iter()
            .map(|r| r[0].parse::<u8>().unwrap() | r[1].parse::<u8>().unwrap() << 1)
            .collect();
        let record = read_lines(&points);
        let expected = rows("quadrature-sample-expected.csv");
        let edges: Vec<usize> = expected
            .iter()
            .filter(|r| r[4] != "start" && r[4] != "illegal")
            .map(|r| r[0].parse().unwrap())
            .collect();
        assert_eq!(record.edges.iter().map(|e| e.point).collect::<Vec<_>>(), edges);
        assert_eq!(record.illegal as usize, expected.iter().filter(|r| r[4] == "illegal").count());
        assert_eq!(record.moved.0, expected.last().unwrap()[3].parse::<i64>().unwrap());
    }

    /// Rates and edge separations of `tests/reference/quadrature-rates.csv`: an ideal cycle and one whose narrowest
    /// separation is 54°, sampled every 10 ns.
    #[test]
    fn the_shortest_edge_separation_of_each_rate_is_found_to_a_point() {
        let period = 10e-9;
        for row in rows("quadrature-rates.csv") {
            let number = |n: usize| row[n].parse::<f64>().unwrap();
            let degrees = 360.0 * number(2) * period;
            if degrees < 0.05 {
                // Too slow to be sampled so finely.
                continue;
            }
            for (edges, expected) in [(IDEAL, number(4)), ([0.0, 54.0, 180.0, 234.0], number(5))] {
                let points = burst((30.0 * 360.0 / degrees) as usize, degrees, edges);
                let got = phase(&read_lines(&points), Seconds::new(period), WHOLE).unwrap();
                let shortest = got.smallest_points as f64 * 10.0;
                assert!((shortest - expected).abs() <= 10.0, "{row:?}: {shortest} ns");
                let mean = got.narrowest().value.get() / 360.0 * got.cycle.get() * 1e9;
                assert!((mean - expected).abs() < 5.0, "{row:?}: {mean} ns");
            }
        }
    }

    #[test]
    fn phase_and_duty_errors_are_found_turning_either_way_within_their_uncertainty() {
        // B late by 12°, A high for 8° longer, B for 5° shorter.
        let edges = [0.0, 90.0 + 12.0, 180.0 + 8.0, 270.0 + 12.0 - 5.0];
        for degrees in [3.1, -3.1, 41.7] {
            let got = phase(&read_lines(&burst(4096, degrees, edges)), Seconds::new(1e-6), WHOLE).unwrap();
            // Middles: A's at 94°, B's at 189.5°.
            for (mean, expected) in
                [(got.error, 95.5 - 90.0), (got.duty_errors[0], 8.0), (got.duty_errors[1], -5.0)]
            {
                let u = mean.scatter.get().hypot(mean.in_step.get());
                assert!((mean.value.get() - expected).abs() < 4.0 * u, "{degrees}: {mean:?}, not {expected}");
                assert!(u < 1.0, "{degrees}: {u}");
            }
            let sum: f64 = got.separations.iter().map(|s| s.value.get()).sum();
            assert!((sum - 360.0).abs() < 1e-6, "{sum}");
        }
    }

    #[test]
    fn edges_that_keep_step_with_the_points_are_known_to_be_unseen() {
        // A cycle of 16 points of 22.5°: each kind of edge may come anywhere in one of them, 11.25° off at most.
        let got = phase(&read_lines(&burst(4000, 22.5, IDEAL)), Seconds::new(1e-6), WHOLE).unwrap();
        assert!(got.separations.iter().all(|s| s.in_step.get() > 11.0), "{:?}", got.separations);
        let got = phase(&read_lines(&burst(4000, 22.37, IDEAL)), Seconds::new(1e-6), WHOLE).unwrap();
        assert!(got.separations.iter().all(|s| s.in_step.get() < 1.0), "{:?}", got.separations);
    }

    #[test]
    fn the_index_is_as_wide_as_its_counts_whichever_way_it_is_passed() {
        for way in [1_i64, -1] {
            let points: Vec<u8> = (0..400)
                .map(|n: i64| {
                    let count = way * n / 8 - 3;
                    let ab = [0b00, 0b01, 0b11, 0b10][count.rem_euclid(4) as usize];
                    let z = if (way * 20..way * 20 + 6).contains(&count) { Z } else { 0 };
                    ab | z
                })
                .collect();
            let index = read_lines(&points).index;
            assert_eq!(index.iter().map(|i| i.width).collect::<Vec<_>>(), [Some(Counts(6))], "{way}");
        }
        let begun = read_lines(&[Z, Z, 0, 0, Z]).index;
        assert_eq!(
            begun.iter().map(|i| (i.from, i.to, i.width)).collect::<Vec<_>>(),
            [(0, Some(2), None), (4, None, None)]
        );
    }

    proptest::proptest! {
        #[test]
        fn no_burst_stops_the_estimate(points in proptest::collection::vec(0_u8..8, 0..600)) {
            let record = read_lines(&points);
            let _ = phase(&record, Seconds::new(1e-6), WHOLE);
        }
    }
}
