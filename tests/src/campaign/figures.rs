//! The figures that a campaign is held against.

use super::borderline::{BorderlineScore, VERDICTS};
use super::score::{DetectionLimit, FaultScore, HealthyScore, NoiseScore, limits, upper_bound};

/// All scores of a campaign; a part that was not made is empty.
#[derive(Debug, Clone, Default)]
pub struct Scores {
    /// Where its seeds began.
    pub first_seed: u64,
    /// Time of all its runs, seconds of one core.
    pub seconds: f64,
    /// Faults.
    pub faults: Vec<FaultScore>,
    /// Axes without a fault.
    pub healthy: Option<HealthyScore>,
    /// Gains near the limit.
    pub borderline: Vec<BorderlineScore>,
    /// Noise on the cable.
    pub noise: Vec<NoiseScore>,
}

/// What became of a figure.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Standing {
    /// It was tried, and holds.
    Holds,
    /// It was tried, and does not hold.
    Fails,
    /// On this machine it does not. That fails nothing: nobody knows what else the machine does.
    Slower,
    /// Nothing was tried that could show it.
    NotTried,
}

impl Standing {
    /// The word for it.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Holds => "holds",
            Self::Fails => "FAILS",
            Self::Slower => "slower",
            Self::NotTried => "not tried",
        }
    }
}

/// A figure that was promised, what it is, and whether it holds.
#[derive(Debug, Clone, PartialEq)]
pub struct Figure {
    /// What.
    pub name: String,
    /// What was promised.
    pub promised: String,
    /// What came out.
    pub reached: String,
    /// Whether it holds.
    pub standing: Standing,
    /// It is a time of this machine's, which shows nothing of what was tried.
    pub is_time: bool,
}

/// A share in percent.
pub(super) fn percent(part: usize, of: usize) -> String {
    if of == 0 { "none tried".to_owned() } else { format!("{:.2} %", 100.0 * part as f64 / of as f64) }
}

/// Upper bound (95 %) of what was met so many times.
pub(super) fn at_most(times: usize, of: usize) -> String {
    format!("{:.3} %", 100.0 * upper_bound(times, of))
}

/// Figures, each shown by a number of trials.
#[derive(Default)]
struct Figures(Vec<Figure>);

impl Figures {
    fn add(&mut self, name: &str, promised: &str, tried: usize, reached: String, holds: bool) {
        let standing = match (tried, holds) {
            (0, _) => Standing::NotTried,
            (_, true) => Standing::Holds,
            (_, false) => Standing::Fails,
        };
        let (name, promised) = (name.to_owned(), promised.to_owned());
        self.0.push(Figure { name, promised, reached, standing, is_time: false });
    }

    /// A time, which fails nothing.
    fn timed(&mut self, name: &str, promised: &str, tried: bool, reached: String, holds: bool) {
        self.add(name, promised, usize::from(tried), reached, holds);
        if let Some(time) = self.0.last_mut() {
            time.is_time = true;
            if time.standing == Standing::Fails {
                time.standing = Standing::Slower;
            }
        }
    }
}

impl Scores {
    /// Every figure that was tried holds, but for the time it took, and one was tried at least.
    #[must_use]
    pub fn all_hold(&self) -> bool {
        let figures = self.figures();
        let of_trials = |f: &&Figure| !f.is_time;
        figures.iter().filter(of_trials).any(|f| f.standing == Standing::Holds)
            && figures.iter().all(|f| f.standing != Standing::Fails)
    }

    /// Detection limits of the faults that come in sizes.
    #[must_use]
    pub fn limits(&self) -> Vec<DetectionLimit> {
        limits(&self.faults)
    }

    /// The figures of the parts that were made.
    #[must_use]
    pub fn figures(&self) -> Vec<Figure> {
        let mut all = Figures::default();
        if !self.faults.is_empty() {
            self.of_faults(&mut all);
        }
        if let Some(healthy) = &self.healthy {
            of_healthy(healthy, &mut all);
        }
        for row in &self.borderline {
            of_borderline(row, &mut all);
        }
        for row in &self.noise {
            of_noise(row, &mut all);
        }
        if !all.0.is_empty() {
            let minutes = self.seconds / 60.0 / 2.0;
            all.timed(
                "processor time of all runs, halved for two cores",
                "at most 90 min",
                self.seconds > 0.0,
                format!("{minutes:.1} min"),
                minutes <= 90.0,
            );
        }
        all.0
    }

    fn of_faults(&self, all: &mut Figures) {
        let stated = || self.faults.iter().filter(|f| f.stated);
        let sum = |what: fn(&FaultScore) -> usize| stated().map(what).sum::<usize>();
        let (tried, caught) = (sum(|f| f.tried), sum(|f| f.caught));
        all.add(
            "faults caught at their stated sizes",
            "100 %",
            tried,
            format!("{caught} of {tried}; missed at most {} (95 %)", at_most(tried - caught, tried)),
            caught == tried,
        );
        let (first, three) = (sum(|f| f.first), sum(|f| f.in_three));
        all.add("named first", "at least 90 %", tried, percent(first, tried), first * 10 >= tried * 9);
        all.add(
            "named among three",
            "at least 99 %",
            tried,
            percent(three, tried),
            three * 100 >= tried * 99,
        );
        let untried = stated().filter(|f| f.tried == 0).count();
        all.add(
            "stated sizes that no axis tried could have",
            "none",
            stated().count(),
            format!("{untried} of {}", stated().count()),
            untried == 0,
        );
    }
}

/// Healthy axes that may be left undecided of so many: one in a hundred. Of fewer than a thousand, so many as one in a hundred
/// gives by chance not less often than one time in twenty (binomial): a slice can't show more.
fn most_open(tried: usize) -> usize {
    const SHARE: f64 = 0.01;
    const FEW: usize = 1000;
    if tried >= FEW {
        return tried / 100;
    }
    let (n, mut most, mut so_many, mut or_more) = (tried as f64, 0, (1.0 - SHARE).powi(tried as i32), 1.0);
    loop {
        or_more -= so_many;
        if or_more < 0.05 || most == tried {
            return most;
        }
        so_many *= (n - most as f64) / (most as f64 + 1.0) * SHARE / (1.0 - SHARE);
        most += 1;
    }
}

fn of_healthy(healthy: &HealthyScore, all: &mut Figures) {
    let tried = healthy.tried;
    all.add(
        "healthy axes rejected",
        "none",
        tried,
        format!("{} of {tried}; at most {} (95 %)", healthy.rejected, at_most(healthy.rejected, tried)),
        healthy.rejected == 0,
    );
    let open = healthy.undecided + healthy.stopped;
    all.add(
        "healthy axes undecided",
        &match most_open(tried) {
            most if most * 100 <= tried => "at most 1 %".to_owned(),
            most => format!("at most 1 %, which of so few may be {most} by chance"),
        },
        tried,
        format!("{} ({open} of {tried})", percent(open, tried)),
        open <= most_open(tried),
    );
    all.add(
        "different axes",
        "at least 20",
        tried,
        format!("{} of them healthy", healthy.axes),
        healthy.axes >= 20,
    );
    all.timed(
        "time of a run on one core",
        "at most 0.3 s",
        tried > 0,
        format!("{:.2} s", healthy.seconds),
        healthy.seconds <= 0.3,
    );
}

fn of_borderline(row: &BorderlineScore, all: &mut Figures) {
    let list = |of: [String; 3]| of.join(" / ");
    all.add(
        &format!("verdicts at {} % lost ({})", row.loss, VERDICTS.join(" / ")),
        &format!("about {}", list(row.shares.map(|s| format!("{:.1}", s.foreseen)))),
        row.tried,
        format!("{} of {}", list(row.shares.map(|s| s.seen.to_string())), row.tried),
        row.holds() == Some(true),
    );
}

fn of_noise(row: &NoiseScore, all: &mut Figures) {
    let rate = format!("{:e} errors a byte", row.rate);
    all.add(
        &format!("verdicts turned by {rate}"),
        "none",
        row.tried,
        format!("{} of {} runs, {} errors", row.wrong, row.tried, row.errors),
        row.wrong == 0,
    );
    all.add(
        &format!("without an end at {rate}"),
        "none",
        row.tried,
        format!("{} of {}", row.hung, row.tried),
        row.hung == 0,
    );
    all.add(
        &format!("fixtures not safe after a run's end at {rate}"),
        "none",
        row.tried,
        format!(
            "{} of {}; of all, {} were ended by the fixture itself, and {} unplugged",
            row.not_safe, row.tried, row.by_itself, row.unplugged
        ),
        row.not_safe == 0,
    );
    if row.rate <= 1e-5 {
        all.add(
            &format!("finished, verdict unchanged, at {rate}"),
            "all",
            row.tried,
            format!("{} of {}", row.finished, row.tried),
            row.finished == row.tried,
        );
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn healthy(tried: usize, rejected: usize) -> Scores {
        let score = HealthyScore {
            tried,
            accepted: tried - rejected,
            rejected,
            stopped: 0,
            undecided: 0,
            axes: 24,
            open: Vec::new(),
            seconds: 0.1,
            tight: Vec::new(),
        };
        Scores { healthy: Some(score), ..Scores::default() }
    }

    #[test]
    fn nothing_tried_holds_nothing() {
        let scores = Scores { seconds: 60.0, ..healthy(0, 0) };
        assert!(scores.figures().iter().all(|f| f.is_time || f.standing == Standing::NotTried));
        assert!(!scores.all_hold());
        assert!(!Scores::default().all_hold());
    }

    #[test]
    fn one_healthy_axis_rejected_fails_the_campaign() {
        assert!(healthy(1000, 0).all_hold());
        assert!(!healthy(1000, 1).all_hold());
    }

    /// At 1 %: of 30 one or more come with 26 %, two or more with 3.6 %; of 240 five or more with 9.5 %, six
    /// or more with 3.5 % (scipy 1.17.1, `scipy.stats.binom.sf`).
    #[test]
    fn a_slice_is_asked_for_what_so_few_can_show_and_a_whole_campaign_for_one_in_a_hundred() {
        assert_eq!([0, 1, 30, 240, 1000, 10_000].map(most_open), [0, 0, 1, 5, 10, 100]);
    }

    #[test]
    fn a_slow_machine_is_said_and_fails_no_campaign() {
        let mut scores = healthy(1000, 0);
        scores.healthy.as_mut().unwrap().seconds = 0.9;
        assert!(scores.all_hold());
        assert!(scores.figures().iter().any(|f| f.standing == Standing::Slower));
    }
}
