//! When a flag answers, and whether it does so once.

use proofstand_protocol::message::{Event, Sample};
use proofstand_protocol::units::Micros;
use proofstand_units::Seconds;

use super::track::signed_micros;
use crate::metrology::Contribution;

/// A change of a flag input.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Edge {
    /// When.
    pub at: Micros,
    /// Its new state.
    pub conducting: bool,
}

/// Edges of an input among events, which carry the time of the edge itself.
#[must_use]
pub fn edges_from_events(events: &[(Micros, Event)], input: u8) -> Vec<Edge> {
    events
        .iter()
        .filter_map(|(at, event)| match event {
            Event::Flag { input: which, conducting } if *which == input => {
                Some(Edge { at: *at, conducting: *conducting })
            }
            _ => None,
        })
        .collect()
}

/// Edges of an input, 0 to 7, between samples; an edge is given the later sample's time.
#[must_use]
pub fn edges_from_samples(samples: &[Sample], input: u8) -> Vec<Edge> {
    let conducts = |s: &Sample| s.flags.checked_shr(u32::from(input)).unwrap_or(0) & 1 == 1;
    samples
        .windows(2)
        .filter(|pair| conducts(&pair[0]) != conducts(&pair[1]))
        .map(|pair| Edge { at: pair[1].at, conducting: conducts(&pair[1]) })
        .collect()
}

/// How well a moment is known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Known {
    /// By this standard uncertainty of a normal distribution, as of a fit.
    Standard(Seconds),
    /// Within ± this half-width, anywhere alike.
    Within(Seconds),
}

/// The moment that a flag should answer to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Moment {
    /// When.
    pub at: Micros,
    /// How well that is known.
    pub known: Known,
    /// What it is called in a budget.
    pub name: &'static str,
}

impl Moment {
    fn contribution(&self) -> Contribution {
        match self.known {
            Known::Standard(u) => Contribution::normal(self.name, u),
            Known::Within(half_width) => Contribution::rectangular(self.name, half_width),
        }
    }
}

/// What is asked of a flag.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Question {
    /// What it should answer to: a speed that is crossed, a contact that opens.
    pub moment: Moment,
    /// The state it should change to.
    pub becomes: bool,
    /// Edges before this don't count.
    pub from: Micros,
    /// Edges from this on don't count.
    pub to: Micros,
    /// An edge may lie anywhere within ± this of the time given.
    pub resolution: Seconds,
}

/// How a flag answered.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Answer {
    /// From the moment to the first edge into the state asked for; negative if the flag came first.
    pub delay: Seconds,
    /// That edge.
    pub edge: Edge,
    /// Edges after it within the time asked about: chatter. None is the ideal.
    pub chatter: u32,
    /// The state after the last edge is the one asked for.
    pub holds: bool,
    question: Question,
}

impl Answer {
    /// Contributions to the budget of the delay.
    #[must_use]
    pub fn contributions(&self) -> Vec<Contribution> {
        vec![
            self.question.moment.contribution(),
            Contribution::rectangular("time of the edge", self.question.resolution),
        ]
    }
}

/// The answer to a question, or none if the flag never changed to the state asked for. Edges must be in the order of
/// time.
#[must_use]
pub fn answer(edges: &[Edge], question: &Question) -> Option<Answer> {
    let mut within = edges.iter().filter(|e| e.at >= question.from && e.at < question.to);
    let edge = *within.find(|e| e.conducting == question.becomes)?;
    let (chatter, last) =
        within.fold((0_u32, edge.conducting), |(n, _), e| (n.saturating_add(1), e.conducting));
    Some(Answer {
        delay: Seconds::new(1e-6 * signed_micros(edge.at, question.moment.at)),
        edge,
        chatter,
        holds: last == question.becomes,
        question: *question,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::metrology::Budget;

    const QUESTION: Question = Question {
        moment: Moment {
            at: Micros(10_000),
            known: Known::Standard(Seconds::new(3e-4)),
            name: "moment of the crossing",
        },
        becomes: true,
        from: Micros(5_000),
        to: Micros(50_000),
        resolution: Seconds::new(1e-3),
    };

    fn edges(list: &[(u64, bool)]) -> Vec<Edge> {
        list.iter().map(|(at, conducting)| Edge { at: Micros(*at), conducting: *conducting }).collect()
    }

    #[test]
    fn the_delay_runs_from_the_moment_to_the_first_edge_and_later_edges_are_chatter() {
        let got = answer(
            &edges(&[(1_000, true), (2_000, false), (14_500, true), (15_000, false), (15_500, true)]),
            &QUESTION,
        );
        let got = got.unwrap();
        assert!((got.delay.get() - 4.5e-3).abs() < 1e-12);
        assert_eq!((got.chatter, got.holds), (2, true));
        assert!((got.contributions()[1].input_uncertainty() - 1e-3 / 3.0_f64.sqrt()).abs() < 1e-15);
    }

    #[test]
    fn a_moment_that_is_known_within_bounds_makes_a_delay_that_is_never_less_sure_than_its_bounds() {
        // Closed form: 95 % of a rectangle ± 4 ms is ± 3.8 ms; of the sum with one of ± 0.05 ms hardly more (JCGM 101:2008).
        let closed = Moment {
            at: Micros(10_000),
            known: Known::Within(Seconds::new(4e-3)),
            name: "moment at which the contact closed",
        };
        let question = Question { moment: closed, resolution: Seconds::new(50e-6), ..QUESTION };
        let got = answer(&edges(&[(14_500, true)]), &question).unwrap();
        let all = got.contributions();
        assert_eq!(all[0].name, "moment at which the contact closed");
        let u = Budget::new(got.delay).with_all(all).combined().expanded.get();
        assert!((u - 3.8e-3).abs() < 0.01e-3, "{u}");
    }

    #[test]
    fn a_flag_that_comes_first_has_a_negative_delay_and_one_that_falls_back_does_not_hold() {
        let got = answer(&edges(&[(9_000, true), (20_000, false)]), &QUESTION).unwrap();
        assert!((got.delay.get() + 1e-3).abs() < 1e-12);
        assert_eq!((got.chatter, got.holds), (1, false));
    }

    #[test]
    fn a_steady_flag_or_one_that_is_too_late_gives_no_answer() {
        assert_eq!(answer(&[], &QUESTION), None);
        assert_eq!(answer(&edges(&[(50_000, true)]), &QUESTION), None);
        assert_eq!(answer(&edges(&[(20_000, false)]), &QUESTION), None);
    }

    #[test]
    fn events_and_samples_tell_of_the_same_edges_on_the_input_asked_for() {
        let events = [
            (Micros(2_100), Event::Flag { input: 3, conducting: true }),
            (Micros(2_200), Event::Flag { input: 1, conducting: true }),
            (Micros(4_900), Event::Flag { input: 3, conducting: false }),
        ];
        let flags = [0b0000, 0b0000, 0b0000, 0b1010, 0b1010, 0b0010];
        let samples: Vec<Sample> = flags
            .iter()
            .enumerate()
            .map(|(i, flags)| Sample { at: Micros(1000 * i as u64), flags: *flags, ..Sample::default() })
            .collect();
        assert_eq!(edges_from_events(&events, 3), edges(&[(2_100, true), (4_900, false)]));
        assert_eq!(edges_from_samples(&samples, 3), edges(&[(3_000, true), (5_000, false)]));
        assert!(edges_from_samples(&samples, 0).is_empty());
        assert!(edges_from_samples(&samples, 200).is_empty());
    }
}
