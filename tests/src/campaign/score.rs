//! What a campaign's trials add up to.

use std::collections::{BTreeMap, BTreeSet};

use proofstand::record::model::Verdict;
use proofstand_plant::{Fault, FaultSize};

use super::axes::axis;
use super::faults::{Ends, FAULTS, FaultRow};
use super::trial::Came;

/// How a fault fared in one size.
#[derive(Debug, Clone, PartialEq)]
pub struct FaultScore {
    /// As on the command line.
    pub spec: String,
    /// The fault's row.
    pub family: &'static str,
    /// The size it was put in with, and its unit; none: it has none.
    pub size: Option<FaultSize>,
    /// It must always be caught in this size.
    pub stated: bool,
    /// Different axes of the population that it was put into: those that can have it, less those that its row leaves out.
    pub axes: usize,
    /// Trials.
    pub tried: usize,
    /// Rejected.
    pub caught: usize,
    /// The right cause stood first.
    pub first: usize,
    /// It stood among the first three.
    pub in_three: usize,
    /// Neither rejected nor accepted: the run stopped, or something is undecided.
    pub undecided: usize,
}

/// Scores of all faults in all sizes, in the table's order.
#[must_use]
pub fn faults(all: &[Came]) -> Vec<FaultScore> {
    let rows = FAULTS.iter().flat_map(|row| row.specs().map(move |(spec, stated)| (row, spec, stated)));
    rows.map(|(row, spec, stated)| {
        let of: Vec<&Came> =
            all.iter().filter(|c| c.trial.noise == 0.0 && c.trial.fault.as_ref() == Some(&spec)).collect();
        let count = |what: &dyn Fn(&Came) -> bool| of.iter().filter(|c| what(c)).count();
        FaultScore {
            family: row.family.word(),
            size: Fault::parse(&spec).ok().and_then(Fault::size).filter(|_| !row.sizes.is_empty()),
            stated,
            axes: of.iter().map(|c| c.trial.axis).collect::<BTreeSet<_>>().len(),
            tried: of.len(),
            caught: count(&|c| caught_as(row, c)),
            first: count(&|c| caught_as(row, c) && named(row, c, 1)),
            in_three: count(&|c| caught_as(row, c) && named(row, c, 3)),
            undecided: count(&|c| !caught_as(row, c) && c.verdict != Some(Verdict::Accepted)),
            spec,
        }
    })
    .collect()
}

/// The mildest size of a graded fault from which on every trial of every size was caught.
#[derive(Debug, Clone, PartialEq)]
pub struct DetectionLimit {
    /// The fault's name.
    pub name: String,
    /// The size, and its unit; none: not even the worst that was tried is always caught.
    pub from: Option<FaultSize>,
    /// Trials of that size and of all worse ones.
    pub tried: usize,
    /// The worst size that was missed at least once; none: every one was caught.
    pub missed: Option<FaultSize>,
}

/// Detection limits of the faults that come in sizes, in the order of the scores.
#[must_use]
pub fn limits(scores: &[FaultScore]) -> Vec<DetectionLimit> {
    let mut all: Vec<DetectionLimit> = Vec::new();
    for row in FAULTS.iter().filter(|row| !row.sizes.is_empty()) {
        let of = |score: &&FaultScore| FaultRow::of(&score.spec).is_some_and(|r| r.name == row.name);
        // Mildest first, as in the table.
        let sizes: Vec<&FaultScore> = scores.iter().filter(of).filter(|s| s.tried > 0).collect();
        if sizes.is_empty() {
            continue;
        }
        let missed = sizes.iter().rposition(|s| s.caught < s.tried);
        let from = missed.map_or(0, |last| last + 1);
        all.push(DetectionLimit {
            name: row.name.to_owned(),
            from: sizes.get(from).and_then(|s| s.size),
            tried: sizes.iter().skip(from).map(|s| s.tried).sum(),
            missed: missed.and_then(|last| sizes[last].size),
        });
    }
    all
}

/// It was rejected.
#[must_use]
pub fn caught(came: &Came) -> bool {
    came.verdict == Some(Verdict::Rejected)
}

/// What became of it is what must become of a run with this fault.
#[must_use]
pub fn caught_as(row: &FaultRow, came: &Came) -> bool {
    let stopped = came.stopped.is_some() && came.verdict != Some(Verdict::Accepted);
    let undecided = came.verdict == Some(Verdict::Undecided);
    caught(came)
        || match row.ends {
            Ends::Rejected => false,
            Ends::OrStopped => stopped,
            Ends::OrUndecided => undecided,
        }
}

/// One of the causes that are right on this axis is among the first.
#[must_use]
pub fn named(row: &FaultRow, came: &Came, among: usize) -> bool {
    axis(came.trial.axis)
        .is_ok_and(|(_, _, sheet)| came.causes.iter().take(among).any(|cause| row.is_named(cause, &sheet)))
}

/// How axes without a fault fared.
#[derive(Debug, Clone, PartialEq)]
pub struct HealthyScore {
    /// Trials.
    pub tried: usize,
    /// Accepted.
    pub accepted: usize,
    /// Rejected: false alarms.
    pub rejected: usize,
    /// The run stopped.
    pub stopped: usize,
    /// Undecided or not done.
    pub undecided: usize,
    /// Axes that were tried.
    pub axes: usize,
    /// Results that were not accepted, and how often; the commonest first.
    pub open: Vec<(String, usize)>,
    /// Mean time of a run, seconds of one core.
    pub seconds: f64,
    /// Results that the population's own condition leaves out on some axis, worst first.
    pub tight: Vec<TightScore>,
}

/// A result that is nearer to its limit on some healthy axis than three U, or whose tolerance is less than four U wide: what
/// makes a healthy axis is not met there, and it must be accepted all the same.
#[derive(Debug, Clone, PartialEq)]
pub struct TightScore {
    /// The result.
    pub id: String,
    /// Axes on which it was so.
    pub axes: usize,
    /// Least tolerance over U: from the middle where there are two limits, from the value that is aimed at where there is one.
    pub capability: f64,
    /// Least distance from a limit over U.
    pub margin: f64,
}

/// Scores axes without a fault.
#[must_use]
pub fn healthy(all: &[Came]) -> HealthyScore {
    let count = |what: &dyn Fn(&Came) -> bool| all.iter().filter(|c| what(c)).count();
    let stopped = |c: &Came| c.stopped.is_some() && !caught(c);
    let mut open: BTreeMap<&str, usize> = BTreeMap::new();
    for (id, _) in all.iter().flat_map(|c| &c.not_accepted) {
        *open.entry(id).or_default() += 1;
    }
    let mut open: Vec<(String, usize)> = open.into_iter().map(|(id, n)| (id.to_owned(), n)).collect();
    open.sort_by_key(|b| std::cmp::Reverse(b.1));
    let mut axes: Vec<usize> = all.iter().map(|c| c.trial.axis).collect();
    axes.sort_unstable();
    axes.dedup();
    HealthyScore {
        tried: all.len(),
        accepted: count(&|c| c.verdict == Some(Verdict::Accepted)),
        rejected: count(&caught),
        stopped: count(&stopped),
        undecided: count(&|c| !stopped(c) && !caught(c) && c.verdict != Some(Verdict::Accepted)),
        axes: axes.len(),
        open,
        seconds: all.iter().map(|c| c.seconds).sum::<f64>() / all.len().max(1) as f64,
        tight: tight(all),
    }
}

fn tight(all: &[Came]) -> Vec<TightScore> {
    let mut by_result: BTreeMap<&str, (BTreeSet<usize>, f64, f64)> = BTreeMap::new();
    for came in all {
        for tight in &came.tight {
            let (axes, capability, margin) =
                by_result.entry(&tight.id).or_insert((BTreeSet::new(), f64::INFINITY, f64::INFINITY));
            axes.insert(came.trial.axis);
            *capability = capability.min(tight.capability);
            *margin = margin.min(tight.margin);
        }
    }
    let score = |(id, (axes, capability, margin)): (&str, (BTreeSet<usize>, f64, f64))| TightScore {
        id: id.to_owned(),
        axes: axes.len(),
        capability,
        margin,
    };
    let mut tight: Vec<TightScore> = by_result.into_iter().map(score).collect();
    tight.sort_by(|a, b| a.margin.total_cmp(&b.margin));
    tight
}

/// The upper bound (95 %) of a probability that was met `times` times in `of` trials; for none it is the rule of
/// three, 3/n (Hanley and Lippman-Hand, 1983; from memory). For others the Wilson score bound (Wilson, 1927; from memory).
#[must_use]
pub fn upper_bound(times: usize, of: usize) -> f64 {
    if of == 0 {
        return 1.0;
    }
    let n = of as f64;
    if times == 0 {
        return (3.0 / n).min(1.0);
    }
    // One-sided 95 %.
    const Z: f64 = 1.644_853_626_951_472_2;
    let p = times as f64 / n;
    let centre = p + Z * Z / (2.0 * n);
    let spread = Z * (p * (1.0 - p) / n + Z * Z / (4.0 * n * n)).sqrt();
    (centre + spread) / (1.0 + Z * Z / n)
}

/// How runs on a noisy cable fared.
#[derive(Debug, Clone, PartialEq)]
pub struct NoiseScore {
    /// Errors a byte.
    pub rate: f64,
    /// Trials.
    pub tried: usize,
    /// Errors that were made, all trials together.
    pub errors: u64,
    /// Came to their end, and the verdict is the axis's own.
    pub finished: usize,
    /// Stopped, and said why.
    pub stopped: usize,
    /// Came to their end with something not decided.
    pub undecided: usize,
    /// A result of a healthy axis was rejected, or an axis with a fault accepted.
    pub wrong: usize,
    /// Came to no end by themselves.
    pub hung: usize,
    /// The plug fell out.
    pub unplugged: usize,
    /// The fixture had to make itself safe: it tripped and nobody acknowledged it, or enable was still closed when the run
    /// ended.
    pub by_itself: usize,
    /// Something was still commanded, or enable closed, when the fixture must have made itself safe.
    pub not_safe: usize,
}

/// Scores runs on a noisy cable. Noise must neither make a healthy axis look faulty nor hide a fault that is always
/// caught without it.
#[must_use]
pub fn noise(all: &[Came], rates: &[f64]) -> Vec<NoiseScore> {
    let one = |rate: &f64| {
        let of: Vec<&Came> = all.iter().filter(|c| c.trial.noise == *rate).collect();
        let own = |c: &Came| match c.trial.fault {
            None => Verdict::Accepted,
            Some(_) => Verdict::Rejected,
        };
        let count = |what: &dyn Fn(&Came) -> bool| of.iter().filter(|c| what(c)).count();
        let ended = |c: &Came| (c.stopped.is_none() || c.as_quiet) && !turned(c);
        NoiseScore {
            rate: *rate,
            tried: of.len(),
            errors: of.iter().map(|c| c.errors).sum(),
            finished: count(&|c| ended(c) && (c.as_quiet || c.verdict == Some(own(c)))),
            stopped: count(&|c| c.stopped.is_some() && !c.as_quiet && !turned(c)),
            undecided: count(&|c| ended(c) && !c.as_quiet && c.verdict != Some(own(c))),
            wrong: count(&turned),
            hung: count(&|c| c.hung),
            unplugged: count(&|c| c.unplugged),
            by_itself: count(&by_itself),
            not_safe: count(&not_safe),
        }
    };
    rates.iter().map(one).collect()
}

/// Noise turned its verdict: a healthy axis has a result that is rejected, or one with a fault was accepted.
#[must_use]
pub fn turned(came: &Came) -> bool {
    match came.trial.fault {
        None => came.decided.iter().any(|(_, verdict)| *verdict == Verdict::Rejected),
        Some(_) => came.verdict == Some(Verdict::Accepted),
    }
}

/// Its fixture did not make itself safe after its end; or nobody knows.
#[must_use]
pub fn not_safe(came: &Came) -> bool {
    came.terminals.is_none_or(|terminals| !terminals.safe())
}

/// The fixture had to make itself safe: it tripped and nobody acknowledged it, or enable was still closed when the run ended.
#[must_use]
pub fn by_itself(came: &Came) -> bool {
    came.terminals.is_some_and(|t| t.closed_at_end || t.tripped)
}

#[cfg(test)]
mod tests {
    use super::super::trial::{Terminals, Trial};
    use super::*;

    #[test]
    fn bounds_are_those_of_the_rule_of_three_and_of_wilson() {
        assert_eq!(upper_bound(0, 300), 0.01);
        assert_eq!(upper_bound(0, 0), 1.0);
        // Wilson's interval for 1 of 10 at z = 1.645: upper end 0.3478 (statsmodels' proportion_confint with method
        // "wilson" and alpha 0.10 gives 0.348; from memory, recomputed by the formula).
        assert!((upper_bound(1, 10) - 0.348).abs() < 2e-3, "{}", upper_bound(1, 10));
    }

    #[test]
    fn only_a_bench_that_was_seen_at_0_v_with_enable_open_counts_as_safe() {
        let trial = Trial { axis: 0, fault: None, noise: 1e-2, seed: 1 };
        let came = |terminals| Came { terminals, ..Came::nothing(&trial) };
        let left = |volts, closed| {
            came(Some(Terminals { closed_at_end: closed, tripped: volts != 0.0, volts, closed }))
        };
        let all = [came(None), left(0.0, false), left(-0.02, false), left(0.0, true)];
        assert_eq!(all.each_ref().map(not_safe), [true, false, true, true]);
        assert_eq!(all.each_ref().map(by_itself), [false, false, true, true]);
        let score = &noise(&all, &[1e-2])[0];
        assert_eq!((score.tried, score.not_safe, score.by_itself), (4, 3, 2));
    }

    #[test]
    fn the_detection_limit_is_the_smallest_size_beyond_the_last_that_was_missed() {
        let score = |size: f64, caught: usize| FaultScore {
            spec: format!("offset={size}"),
            family: "settings",
            size: Some(FaultSize { value: size, unit: "V" }),
            stated: false,
            axes: 3,
            tried: 10,
            caught,
            first: 0,
            in_three: 0,
            undecided: 0,
        };
        let of = |caught: [usize; 3]| {
            let scores: Vec<_> = [0.1, 0.2, 0.3].iter().zip(caught).map(|(s, c)| score(*s, c)).collect();
            limits(&scores).remove(0)
        };
        let some =
            |limit: DetectionLimit| (limit.from.map(|s| s.value), limit.tried, limit.missed.map(|s| s.value));
        assert_eq!(some(of([0, 10, 10])), (Some(0.2), 20, Some(0.1)));
        // What is caught by luck below a size that is missed counts for nothing.
        assert_eq!(some(of([10, 9, 10])), (Some(0.3), 10, Some(0.2)));
        assert_eq!(some(of([10, 10, 9])), (None, 0, Some(0.3)));
        assert_eq!(some(of([10, 10, 10])), (Some(0.1), 30, None));
    }
}
