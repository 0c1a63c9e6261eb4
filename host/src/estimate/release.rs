//! Does torque go when enable is opened under command, when, and what slows the shaft then?
//!
//! While torque is on, the shaft follows the command: of a torque command the acceleration, of a speed command the speed.
//! Both are linear in the command, so that a least-squares fit over a command that goes up and down tells how much the
//! shaft follows, before and after, whatever friction there is; and the moment at which it ceased to is the one that leaves the
//! smallest residuals.

use proofstand_protocol::message::Sample;
use proofstand_protocol::units::Micros;
use proofstand_units::{CountsPerRev, RadPerSec2, Seconds};

use super::error::EstimateError;
use super::track::{Track, between, signed_micros};
use crate::metrology::DegreesOfFreedom;
use crate::metrology::linear::{self, LinearFit, Scatter};

/// What the command asks for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Follows {
    /// Torque: the acceleration follows.
    Torque,
    /// Speed: the speed follows.
    Speed,
}

/// What is asked.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Question {
    /// What follows the command.
    pub follows: Follows,
    /// The enable contact opened here.
    pub opened: Micros,
    /// By so long after that, torque must be gone.
    pub gone_after: Seconds,
    /// Until here the command stood.
    pub to: Micros,
    /// Where the search for the moment ends, if before that: something else than friction may slow the shaft from there on.
    pub moment_to: Micros,
}

/// What the shaft did.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Release {
    /// How much the shaft follows a volt before enable was opened, relative standard uncertainty.
    pub before: f64,
    /// Its degrees of freedom.
    pub before_degrees_of_freedom: DegreesOfFreedom,
    /// The same after torque must be gone.
    pub after: After,
    /// When torque went; none if the shaft went on following, or the moment can't be made out.
    pub moment: Option<Moment>,
    /// What slows the shaft then beyond what slowed it before; negative: it is slowed more.
    pub added_drag: Option<(RadPerSec2, RadPerSec2)>,
}

/// After torque must be gone.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum After {
    /// The shaft stands while something is commanded, since this moment.
    Stands(Micros),
    /// It turns, and follows the command by this share of before, with standard uncertainty and its degrees of freedom.
    Follows(f64, f64, DegreesOfFreedom),
}

/// When torque went.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Moment {
    /// From the contact's opening.
    pub delay: Seconds,
    /// By how much the acceleration changed then: the moment is the sharper, the larger this is.
    pub change: RadPerSec2,
    /// Standard uncertainty of it by the record.
    pub standard_uncertainty: Seconds,
    /// Degrees of freedom of the fit: of this, and of the drag that came with it.
    pub degrees_of_freedom: DegreesOfFreedom,
}

/// The search for the moment: so long before the opening, in steps, then in finer ones.
const SEARCH_FROM: f64 = -5e-3;
const STEP: f64 = 1e-3;
const FINE_STEP: f64 = 1e-4;
/// A shaft that should have made so many counts and made one at most stands.
const STANDS_COUNTS: f64 = 4.0;
/// And for at least so long.
const STANDS: Seconds = Seconds::new(5e-3);
/// The after-window has at least so many samples.
const AFTER_MIN: usize = 12;
/// Samples that must be left after the moment searched for, so that there is a motion to fit.
const REST_MIN: f64 = 6e-3;

/// Looks at a record from before the opening to the end of the command.
///
/// # Errors
/// Too few samples, samples out of order, or a command that never changed: then nothing can be told.
pub fn release(
    samples: &[Sample],
    counts_per_rev: CountsPerRev,
    question: &Question,
) -> Result<Release, EstimateError> {
    const BEFORE_MIN: usize = 40;
    let before = between(samples, Micros(0), question.opened);
    let track = Track::new("release of torque", before, counts_per_rev, BEFORE_MIN)?;
    let earlier = Stretch::of(before, &track)?;
    let fit = earlier.follow(question.follows, None)?;
    let (response, u) = fit.main();
    let relative = (u * fit.widening() / response).abs();
    let gone = Micros(question.opened.0.saturating_add((question.gone_after.get() * 1e6) as u64));
    let late = between(samples, gone, Micros(question.to.0 + 1));
    let radians = track.radians();

    let after = match stands(samples, late, before) {
        Some(since) => After::Stands(since),
        None => {
            let track = Track::new("after enable", late, counts_per_rev, AFTER_MIN)?;
            let late = Stretch::of(late, &track)?;
            match question.follows {
                Follows::Torque => late.still_accelerates(response, fit.steady)?,
                Follows::Speed => late.still_turns(&fit)?,
            }
        }
    };
    let released = match after {
        After::Stands(_) => true,
        After::Follows(share, ..) => share < 0.5,
    };
    let (mut moment, mut added_drag) = (None, None);
    if released {
        let all = between(samples, Micros(0), Micros(question.moment_to.0.min(question.to.0) + 1));
        let all = match after {
            After::Stands(since) => between(all, Micros(0), Micros(since.0 + 1)),
            After::Follows(..) => all,
        };
        if let Ok(track) = Track::new("release of torque", all, counts_per_rev, BEFORE_MIN)
            && let Ok(whole) = Stretch::of(all, &track)
            && let Some(found) = whole.search(question.follows, question.opened, radians)
        {
            moment = Some(found.moment);
            added_drag =
                Some((RadPerSec2::new(found.drag.0 * radians), RadPerSec2::new(found.drag.1 * radians)));
        }
    }
    Ok(Release {
        before: relative,
        before_degrees_of_freedom: fit.fit.independent_degrees_of_freedom(),
        after,
        moment,
        added_drag,
    })
}

/// Since when the shaft stands, if it does at the end.
fn stands(samples: &[Sample], late: &[Sample], before: &[Sample]) -> Option<Micros> {
    let last = late.last()?;
    let (a, b) = (before.first()?, before.last()?);
    let rate = (b.position.0 - a.position.0).abs() as f64 / signed_micros(b.at, a.at).max(1.0);
    let long = (STANDS.get() * 1e6).max(STANDS_COUNTS / rate.max(1e-9));
    let until = samples.iter().rev().skip_while(|s| s.at > last.at);
    let since = until.take_while(|s| (s.position.0 - last.position.0).abs() <= 1).last()?;
    (signed_micros(last.at, since.at) >= long).then_some(since.at)
}

/// A stretch of the record in seconds, counts and volts.
struct Stretch<'a> {
    start: Micros,
    seconds: Vec<f64>,
    counts: &'a [f64],
    volts: Vec<f64>,
}

/// How a stretch follows its command.
struct Following {
    fit: LinearFit,
    main_scale: f64,
    lag_scale: f64,
    /// Acceleration that is not the command's: friction, offset. Counts per second squared.
    steady: f64,
}

/// The last of the fitted parameters, with its standard uncertainty.
fn last(fit: &LinearFit) -> Option<(f64, f64)> {
    fit.parameter(fit.parameters.len().checked_sub(1)?)
}

impl Following {
    /// Counts (per second squared for a torque, per second for a speed) and volt.
    fn main(&self) -> (f64, f64) {
        last(&self.fit).map_or((0.0, 0.0), |(c, u)| (c / self.main_scale, u / self.main_scale))
    }

    fn lag(&self) -> f64 {
        let at = self.fit.parameters.len().checked_sub(2);
        at.and_then(|at| self.fit.parameters.get(at)).map_or(0.0, |c| c / self.lag_scale)
    }

    fn widening(&self) -> f64 {
        self.fit.widening()
    }
}

/// The best moment, and the drag that came with it in counts per second squared.
struct Found {
    moment: Moment,
    drag: (f64, f64),
}

impl<'a> Stretch<'a> {
    fn of(samples: &[Sample], track: &'a Track) -> Result<Self, EstimateError> {
        let first = samples.first().ok_or(EstimateError::TooFewSamples {
            what: "release of torque",
            have: 0,
            need: 1,
        })?;
        Ok(Self {
            start: first.at,
            seconds: samples.iter().map(|s| signed_micros(s.at, first.at) * 1e-6).collect(),
            counts: &track.counts,
            volts: samples.iter().map(|s| f64::from(s.command.0) * 1e-6).collect(),
        })
    }

    /// How far the shaft lags behind its command, as the fit found it: a way that lags is the way less its speed by the lag.
    fn lag_of(&self, follows: Follows, fit: &Following) -> f64 {
        const MOST: f64 = 5e-3;
        match follows {
            Follows::Torque => (-fit.lag() / fit.main().0).clamp(0.0, MOST),
            // What is held after torque has gone is the command itself here.
            Follows::Speed => 0.0,
        }
    }

    /// A power of the time over the length.
    fn power(&self, power: i32) -> Vec<f64> {
        let length = self.length();
        self.seconds.iter().map(|t| (t / length).powi(power)).collect()
    }

    fn length(&self) -> f64 {
        self.seconds.last().copied().unwrap_or(0.0).max(1e-6)
    }

    /// Where the command would have brought the shaft by itself if torque had gone at `end` seconds, and what a small lag
    /// of the shaft behind it adds.
    fn driven(&self, follows: Follows, end: f64) -> (Vec<f64>, Vec<f64>) {
        let (mut place, mut speed, mut held) = (0.0, 0.0, self.volts.first().copied().unwrap_or(0.0));
        let (mut places, mut lags) = (vec![0.0], vec![0.0]);
        for (pair, &command) in self.seconds.windows(2).zip(self.volts.iter().skip(1)) {
            let length = pair[1] - pair[0];
            let on = (end - pair[0]).clamp(0.0, length);
            match follows {
                Follows::Torque => {
                    place += speed * length + command * on * (length - 0.5 * on);
                    speed += command * on;
                    lags.push(speed);
                }
                Follows::Speed => {
                    if on > 0.0 {
                        held = command;
                    }
                    place += held * length;
                    lags.push(held);
                }
            }
            places.push(place);
        }
        (places, lags)
    }

    /// Fits the stretch with torque on all the way, or until `end` and another drag from there on.
    fn follow(&self, follows: Follows, end: Option<f64>) -> Result<Following, EstimateError> {
        let length = self.length();
        let (mut main, mut lag) = self.driven(follows, end.unwrap_or(f64::INFINITY));
        let main_scale = scale(&mut main);
        let lag_scale = scale(&mut lag);
        let mut all = vec![self.power(0), self.power(1)];
        if follows == Follows::Torque {
            all.push(self.power(2));
        }
        if let Some(end) = end {
            all.push(self.seconds.iter().map(|t| ((t - end).max(0.0) / length).powi(2)).collect());
        }
        all.push(lag);
        all.push(main);
        let fit = linear::fit(&all, self.counts, Scatter::Residuals)?;
        let steady = match follows {
            Follows::Torque => fit.parameters.get(2).map_or(0.0, |c| 2.0 * c / (length * length)),
            Follows::Speed => 0.0,
        };
        Ok(Following { fit, main_scale, lag_scale, steady })
    }

    /// By what share of `response` the acceleration follows the command in this stretch. What slowed the shaft before is
    /// taken to slow it still: a command that stands would otherwise look like a drag.
    fn still_accelerates(&self, response: f64, steady: f64) -> Result<After, EstimateError> {
        let (mut main, _) = self.driven(Follows::Torque, f64::INFINITY);
        let main_scale = scale(&mut main);
        let y: Vec<f64> =
            self.counts.iter().zip(&self.seconds).map(|(c, t)| c - 0.5 * steady * t * t).collect();
        let fit = linear::fit(&[self.power(0), self.power(1), main], &y, Scatter::Residuals)?;
        let (c, u) = last(&fit).unwrap_or((0.0, 0.0));
        let to_share = 1.0 / (main_scale * response);
        let nu = fit.independent_degrees_of_freedom();
        Ok(After::Follows(c * to_share, (u * fit.widening() * to_share).abs(), nu))
    }

    /// By what share the way made is the one that the speed command asks for, beside an even slowing-down.
    fn still_turns(&self, before: &Following) -> Result<After, EstimateError> {
        let (main, lag) = self.driven(Follows::Speed, f64::INFINITY);
        let (response, lagging) = (before.main().0, before.lag());
        let mut asked: Vec<f64> = main.iter().zip(&lag).map(|(m, l)| m * response + l * lagging).collect();
        let size = scale(&mut asked);
        let fit = linear::fit(
            &[self.power(0), self.power(1), self.power(2), asked],
            self.counts,
            Scatter::Residuals,
        )?;
        let (share, u) = last(&fit).map_or((0.0, 0.0), |(c, u)| (c / size, u / size));
        Ok(After::Follows(share, u * fit.widening(), fit.independent_degrees_of_freedom()))
    }

    /// The moment at which torque went.
    fn search(&self, follows: Follows, opened: Micros, radians: f64) -> Option<Found> {
        let opened = signed_micros(opened, self.start) * 1e-6;
        let last = self.length() - REST_MIN;
        let rest_at = |end: f64| self.follow(follows, Some(end)).ok().map(|f| f.fit.sum_of_squares);
        let best_of = |from: f64, to: f64, step: f64| {
            let steps = ((to - from) / step).floor().max(0.0) as usize;
            (0..=steps)
                .map(|n| from + step * n as f64)
                .filter_map(|end| rest_at(end).map(|rest| (end, rest)))
                .min_by(|a, b| a.1.total_cmp(&b.1))
        };
        let (coarse, _) = best_of(opened + SEARCH_FROM, last, STEP)?;
        let (end, rest) = best_of(coarse - STEP, (coarse + STEP).min(last), FINE_STEP)?;
        // How sharply the residuals grow on either side tells how well the moment is known: at one standard uncertainty
        // the sum of squares has grown by the variance of one residual.
        let fit = self.follow(follows, Some(end)).ok()?;
        let grown = |by: f64| rest_at(end + by).map(|r| (r - rest).max(0.0));
        let curvature = (grown(-2.0 * STEP)? + grown(2.0 * STEP)?) / (2.0 * STEP).powi(2);
        let points = self.seconds.len() as f64;
        let variance = rest / (points - 6.0).max(1.0);
        let u = (2.0 * variance / curvature.max(1e-12)).sqrt() * fit.widening();
        let length = self.length();
        let drag_at = fit.fit.parameters.len().checked_sub(3)?;
        let (drag, drag_u) = fit.fit.parameter(drag_at)?;
        let per = 2.0 / (length * length);
        let asked = self.seconds.iter().zip(&self.volts).take_while(|(t, _)| **t <= end).last();
        let command = match (follows, asked) {
            (Follows::Torque, Some((_, volts))) => fit.main().0 * volts,
            _ => 0.0,
        };
        Some(Found {
            moment: Moment {
                // The shaft lags behind its command, and with it the command that it last followed.
                delay: Seconds::new(end - opened + self.lag_of(follows, &fit)),
                change: RadPerSec2::new((command - drag * per).abs() * radians),
                standard_uncertainty: Seconds::new(u.hypot(FINE_STEP / 12.0_f64.sqrt())),
                degrees_of_freedom: fit.fit.independent_degrees_of_freedom(),
            },
            drag: (drag * per, drag_u * per * fit.widening()),
        })
    }
}

/// Brings a column to the size of 1; gives what it was divided by.
fn scale(column: &mut [f64]) -> f64 {
    let most = column.iter().fold(0.0_f64, |most, v| most.max(v.abs())).max(1e-12);
    column.iter_mut().for_each(|v| *v /= most);
    most
}

#[cfg(test)]
mod tests {
    use super::*;
    use proofstand_protocol::units::{Counts, Microvolts};

    const CPR: CountsPerRev = CountsPerRev::new(10_000);
    /// The contact opens, and torque goes so much later.
    const OPENED: f64 = 0.262;
    const DELAY: f64 = 0.0062;

    /// A shaft held between 40 and 80 rpm by a slow loop whose command goes on for 100 ms after the opening. Integrated in
    /// steps of 10 µs; drags in rad/s².
    #[derive(Debug)]
    struct Shaft {
        follows: Follows,
        friction: f64,
        brake: f64,
        obeys: bool,
        cogging: f64,
    }

    fn run(shaft: &Shaft) -> Vec<Sample> {
        let tau = core::f64::consts::TAU;
        let per_volt = match shaft.follows {
            Follows::Torque => 300.0,
            Follows::Speed => 20.0,
        };
        let (mut angle, mut speed, mut command, mut wound) =
            (0.0_f64, 4.2_f64, 0.0_f64, shaft.friction / 300.0);
        let each = match shaft.follows {
            Follows::Torque => 0.05,
            Follows::Speed => 0.02,
        };
        let mut stopped = false;
        let step = 1e-5;
        let mut samples = Vec::new();
        for n in 0..((OPENED + 0.1) * 1e5) as u32 {
            let t = f64::from(n) * step;
            if n % 100 == 0 {
                samples.push(Sample {
                    sequence: n / 100,
                    at: Micros(u64::from(n) * 10 + 1_000_000),
                    position: Counts((angle / tau * 10_000.0).floor() as i64),
                    command: Microvolts((command * 1e6) as i32),
                    ..Sample::default()
                });
                let wanted = if ((t / each) as u32).is_multiple_of(2) { 4.2 } else { 8.4 };
                match shaft.follows {
                    Follows::Torque => {
                        wound = (wound + (wanted - speed) * 0.0002).clamp(-1.0, 1.0);
                        command = ((wanted - speed) * 0.08 + wound).clamp(-1.0, 1.0);
                    }
                    Follows::Speed => command = wanted / per_volt,
                }
            }
            let on = t < OPENED + DELAY || !shaft.obeys;
            let mut acceleration = shaft.cogging * (10.0 * angle).sin();
            if on {
                acceleration += match shaft.follows {
                    Follows::Torque => per_volt * command,
                    Follows::Speed => (per_volt * command - speed) * 250.0 + shaft.friction,
                };
            } else {
                acceleration -= shaft.brake;
            }
            acceleration -= shaft.friction * f64::from(u8::from(speed > 0.0));
            let before = speed;
            speed += acceleration * step;
            stopped |= before > 0.0 && speed <= 0.0 && !on;
            if stopped {
                speed = 0.0;
            }
            angle += 0.5 * (before + speed) * step;
        }
        samples
    }

    fn ask(shaft: &Shaft) -> Release {
        let question = Question {
            follows: shaft.follows,
            opened: Micros(1_000_000 + (OPENED * 1e6) as u64),
            gone_after: Seconds::from_millis(25.0),
            to: Micros(1_361_000),
            moment_to: Micros(1_361_000),
        };
        release(&run(shaft), CPR, &question).unwrap()
    }

    const FREE: Shaft =
        Shaft { follows: Follows::Torque, friction: 50.0, brake: 0.0, obeys: true, cogging: 8.0 };

    fn moment_is_right(shaft: &Shaft) {
        let got = ask(shaft);
        let moment = got.moment.unwrap();
        let error = moment.delay.get() - DELAY;
        // Cogging is no scatter: it moves the moment by its share of the change, over the time that it takes to differ.
        let by_cogging = shaft.cogging / moment.change.get().max(30.0) * 0.04;
        let allowed = 2.5 * moment.standard_uncertainty.get() + by_cogging;
        assert!(error.abs() < allowed, "{shaft:?}: {got:?}");
        assert!(moment.standard_uncertainty.get() < 4e-3, "{shaft:?}: {got:?}");
        assert!(got.before < 0.1, "{got:?}");
    }

    /// Held against the simulation's own truth.
    #[test]
    fn torque_that_goes_is_dated_with_much_and_with_hardly_any_friction() {
        for friction in [80.0, 50.0, 1.0] {
            moment_is_right(&Shaft { friction, ..FREE });
        }
        moment_is_right(&Shaft { follows: Follows::Speed, ..FREE });
    }

    #[test]
    fn a_shaft_that_obeys_stops_following_and_one_that_does_not_goes_on() {
        for follows in [Follows::Torque, Follows::Speed] {
            for friction in [50.0, 1.0] {
                let obeys = ask(&Shaft { follows, friction, ..FREE });
                let After::Follows(share, u, nu) = obeys.after else { panic!("{obeys:?}") };
                // Under a speed command, coasting and following look more alike: the share is right, and less sharp.
                let sharp = if follows == Follows::Torque { 2.0 } else { 1.0 };
                assert!(share + sharp * u < 0.5, "{follows:?} {friction}: {obeys:?}");
                // Never more than there are samples.
                for nu in [nu, obeys.before_degrees_of_freedom, obeys.moment.unwrap().degrees_of_freedom] {
                    assert!(nu.finite().is_some_and(|nu| nu < 400.0), "{obeys:?}");
                }
                let ignores = ask(&Shaft { follows, friction, obeys: false, ..FREE });
                let After::Follows(share, u, _) = ignores.after else { panic!("{ignores:?}") };
                assert!(share - sharp * u > 0.5, "{follows:?} {friction}: {ignores:?}");
                assert_eq!(ignores.moment, None);
            }
        }
    }

    #[test]
    fn a_brake_shows_as_drag_that_was_not_there_before_and_coasting_as_none() {
        let (drag, u) = ask(&Shaft { friction: 20.0, ..FREE }).added_drag.unwrap();
        assert!(drag.get().abs() < 10.0 + 3.0 * u.get(), "{drag:?} {u:?}");
        let (drag, _) = ask(&Shaft { friction: 20.0, brake: 60.0, ..FREE }).added_drag.unwrap();
        assert!((drag.get() + 60.0).abs() < 15.0, "{drag:?}");
    }

    #[test]
    fn a_shaft_that_stands_under_command_obeys() {
        let got = ask(&Shaft { friction: 200.0, ..FREE });
        assert!(matches!(got.after, After::Stands(_)), "{got:?}");
    }
}
