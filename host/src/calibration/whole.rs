//! One calibration from the first level to the record, everything but keeping it.

use proofstand_protocol::message::Request;
use proofstand_protocol::version::CalibrationState;
use proofstand_units::{Celsius, Volts};

use super::assumed::{
    AIM, CONTACT_AND_LOAD, DRIFT, DUE_DAYS_LEAST, DUE_DAYS_MOST, GAIN_PER_KELVIN, INPUT_STEP, RANGE, STEP,
    TEMPERATURE, temperature_range,
};
use super::conduct::{Bench, CalibrateError, ReferenceMeter, Watcher, nothing_but_the_plug};
use super::fit::{Accuracy, Fitted, fit, table_levels};
use super::found::as_found;
use super::image::{self, Image, Known, Particulars};
use super::reading::INPUTS;
use super::record::{
    CalibrationKind, CalibrationRecord, InputRecord, IntervalRecord, MeterRecord, Previous, SCHEMA, Stored,
    hexadecimal,
};
use crate::fixture::{Client, serial_in_words};
use crate::link::Link;
use crate::metrology::{Budget, Contribution, DegreesOfFreedom, Level, MetrologyError, VoltageUncertainty};

/// What a person says about a calibration.
#[derive(Debug, Clone, PartialEq)]
pub struct Given {
    /// Who does it.
    pub operator: Option<String>,
    /// Temperature at the board.
    pub temperature: Celsius,
    /// The meter: maker, model, serial number, in one line.
    pub meter: String,
    /// How it is read, in words.
    pub read: String,
    /// Its stated accuracy.
    pub accuracy: Accuracy,
    /// Its own calibration, as entered.
    pub traceability: Option<String>,
    /// Points of the table.
    pub points: usize,
    /// Only look at what the fixture has.
    pub look_only: bool,
}

/// A calibration to be made.
#[derive(Debug, Clone, PartialEq)]
pub struct Job {
    /// What a person said.
    pub given: Given,
    /// Name of the folder.
    pub id: String,
    /// Days since 1970-01-01.
    pub today: u32,
    /// Begin, RFC 3339.
    pub started: String,
}

/// What came of it.
#[derive(Debug)]
pub struct Made {
    /// The record, not stored yet.
    pub record: CalibrationRecord,
    /// What is to be stored in the fixture; none where it was only looked at.
    pub image: Option<Image>,
}

impl Job {
    /// Makes it: nothing in the fixture is changed.
    ///
    /// # Errors
    /// [`CalibrateError`], whatever stops it.
    pub fn measure<L: Link>(
        &self,
        client: &mut Client<L>,
        meter: &mut dyn ReferenceMeter,
        watcher: &mut dyn Watcher,
    ) -> Result<Made, CalibrateError> {
        let made = self.measured(client, meter, watcher);
        if made.is_err() {
            // If this does not get through, the beat stops with it: the fixture goes to 0 V by itself.
            let _ = client.done(Request::Disarm, &mut super::conduct::Unkept);
        }
        made
    }

    fn measured<L: Link>(
        &self,
        client: &mut Client<L>,
        meter: &mut dyn ReferenceMeter,
        watcher: &mut dyn Watcher,
    ) -> Result<Made, CalibrateError> {
        let hello = *client.hello();
        nothing_but_the_plug(client)?;
        let (bytes, known) = previous(client)?;
        if let Some(known) = known.as_ref().filter(|known| known.calibrated > self.today) {
            return Err(CalibrateError::Clock { found: day_in_words(known.calibrated) });
        }
        let repeats = meter.repeats();
        let mut bench = Bench::new(client, meter, watcher)?;
        let nominal = table_levels(self.given.points);
        let levels = bench.up_and_down(&nominal)?;
        let fitted = fit(&levels, &self.given.accuracy)?.made_at(self.given.temperature);
        let foreign = hello.calibration == CalibrationState::ForeignBoard;
        let noise = fitted.choice.noise;
        let found = as_found(&levels, known.as_ref(), foreign, noise, &self.given.accuracy, self.today);
        let due = Due::of(&fitted.uncertainty);
        let channels = core::array::from_fn(|n| channel(&fitted, n, f64::from(due.days)));
        let mut left = Vec::new();
        let image = if self.given.look_only {
            None
        } else {
            let particulars = Particulars {
                board: hello.analog_serial,
                calibrated: self.today,
                due: self.today + due.days,
                temperature: self.given.temperature,
                stated: due.stated,
                meter: &self.given.meter,
                accuracy: self.given.accuracy,
                channels,
            };
            let image = Image::new(&fitted, &particulars)?;
            let middle = |w: &[Volts]| Volts::new(((w[0] + w[1]).get() * 0.5e6).round() * 1e-6);
            let between: Vec<Volts> = nominal.windows(2).map(middle).collect();
            left = bench.between(&image, &between, fitted.uncertainty.residual)?;
            Some(image)
        };
        bench.end()?;
        let readings = Readings::of(&fitted);
        let budget = budget(&fitted.uncertainty, &readings, &self.given.accuracy, f64::from(due.days))?;
        let record = CalibrationRecord {
            schema: SCHEMA.to_owned(),
            kind: if hello.simulated { CalibrationKind::Rehearsal } else { CalibrationKind::Calibration },
            id: self.id.clone(),
            stored: if image.is_some() { Stored::Unconfirmed } else { Stored::LookedAt },
            started: self.started.clone(),
            finished: crate::acceptance::now(),
            calibrated: day_in_words(self.today),
            due: day_in_words(self.today + due.days),
            due_because: due.because,
            operator: self.given.operator.clone(),
            temperature: self.given.temperature,
            temperature_range: [TEMPERATURE.0 - TEMPERATURE.1, TEMPERATURE.0 + TEMPERATURE.1],
            analog_serial: serial_in_words(&hello.analog_serial),
            controller_serial: serial_in_words(&hello.controller_serial),
            firmware: hello.firmware.to_string(),
            software: format!("proofstand {}", env!("CARGO_PKG_VERSION")),
            meter: MeterRecord {
                name: self.given.meter.clone(),
                read: self.given.read.clone(),
                accuracy: self.given.accuracy,
                traceability: self.given.traceability.clone(),
                readings_each: u32::try_from(repeats).unwrap_or(u32::MAX),
            },
            residuals: fitted.residuals.clone(),
            line: fitted.line,
            best_fit: fitted.best_fit.clone(),
            end_points: fitted.end_points.clone(),
            choice: fitted.choice.clone(),
            command: fitted.command.clone(),
            inputs: inputs(&fitted, channels),
            uncertainty: fitted.uncertainty,
            expanded: [
                fitted.uncertainty.expanded(Volts::ZERO, 0.0),
                fitted.uncertainty.worst(RANGE, 0.0),
                fitted.uncertainty.worst(RANGE, f64::from(due.days)),
            ],
            budget: budget.rows(),
            interval: Some(interval(&budget)),
            as_found: found,
            as_left: left,
            previous: known.map(|known| Previous {
                calibrated: day_in_words(known.calibrated),
                due: day_in_words(known.due),
                meter: known.meter,
                stated: known.stated,
                record: hexadecimal(&bytes),
            }),
            record: image.as_ref().map(|image| hexadecimal(image.bytes())),
            assumed: assumed(&self.given.accuracy, self.given.temperature),
            levels,
        };
        Ok(Made { record, image })
    }
}

/// The record in force: its bytes, and what they say.
fn previous<L: Link>(client: &mut Client<L>) -> Result<(Vec<u8>, Option<Known>), CalibrateError> {
    let bytes = client.calibration_record(&mut super::conduct::Unkept)?;
    let known = image::read(&bytes);
    Ok((bytes, known))
}

/// The due date.
struct Due {
    days: u32,
    stated: Volts,
    because: String,
}

impl Due {
    fn of(uncertainty: &VoltageUncertainty) -> Self {
        let in_mv = |v: Volts| v.get() * 1e3;
        match uncertainty.days_within(AIM, RANGE, DUE_DAYS_MOST) {
            Some(days) if days >= DUE_DAYS_LEAST => {
                let stated = uncertainty.worst(RANGE, f64::from(days));
                let because = if days < DUE_DAYS_MOST {
                    format!(
                        "On that day the reference's drift has brought the uncertainty at 10 V to {:.2} mV, the accuracy \
                         aimed at; {days} days.",
                        in_mv(stated)
                    )
                } else {
                    format!(
                        "A year, the longest time; drift then brings the uncertainty at 10 V to {:.2} mV.",
                        in_mv(stated)
                    )
                };
                Self { days, stated, because }
            }
            _ => {
                let stated = uncertainty.worst(RANGE, f64::from(DUE_DAYS_MOST));
                let because = format!(
                    "With this meter the uncertainty at 10 V is {:.2} mV on the day already: ±1 mV can't be kept, so the \
                     wider {:.2} mV is stated, for a year. A better meter would change that.",
                    in_mv(uncertainty.worst(RANGE, 0.0)),
                    in_mv(stated)
                );
                Self { days: DUE_DAYS_MOST, stated, because }
            }
        }
    }
}

/// Standard uncertainty of a corrected input at any voltage on the due date.
fn channel(fitted: &Fitted, n: usize, age_days: f64) -> Volts {
    let leaves = fitted.channels_leave.get(n).copied().unwrap_or_default();
    // An input loads nothing.
    let line = VoltageUncertainty { contact_and_load: 0.0, ..fitted.uncertainty };
    let gain = line.gain_after(age_days) * RANGE.get();
    let step = INPUT_STEP / 12.0_f64.sqrt();
    Volts::new(gain.hypot(line.offset_after().get()).hypot(leaves.get()).hypot(step.get()))
}

fn inputs(fitted: &Fitted, channels: [Volts; 4]) -> Vec<InputRecord> {
    let all = INPUTS.iter().zip(&fitted.channels).zip(fitted.channels_leave).zip(channels);
    all.map(|(((name, points), leaves), standard_uncertainty)| InputRecord {
        name: (*name).to_owned(),
        points: points.clone(),
        leaves,
        standard_uncertainty,
    })
    .collect()
}

/// What the readings say of a level, taken apart.
struct Readings {
    /// What the correction leaves between its points, and its degrees of freedom.
    curve: (Volts, DegreesOfFreedom),
    /// Standard deviation of a level's mean, with its degrees of freedom where it was observed.
    scatter: (Volts, Option<DegreesOfFreedom>),
}

impl Readings {
    fn of(fitted: &Fitted) -> Self {
        let (choice, levels) = (&fitted.choice, fitted.residuals.len());
        let curve = if choice.table {
            // Neighbouring points are missed together: half as many are by themselves.
            (choice.table_leaves, DegreesOfFreedom::of_fit(levels / 2, 1))
        } else {
            (choice.line_leaves, DegreesOfFreedom::of_fit(levels, 2))
        };
        Self { curve, scatter: (choice.noise, fitted.scatter_freedom) }
    }

    fn scattered(&self, name: &str, u: Volts) -> Contribution {
        match self.scatter.1 {
            Some(nu) => Contribution::type_a(name, u, nu),
            None => Contribution::normal(name, u),
        }
    }

    /// Of one level: together the uncertainty's `residual`.
    fn contributions(&self) -> [Contribution; 3] {
        [
            Contribution::type_a("curve between the points", self.curve.0, self.curve.1),
            Contribution::rectangular("step of the converter", STEP * 0.5),
            self.scattered("level: scatter of the readings", self.scatter.0),
        ]
    }
}

/// At 10 V. Most of offset and gain is the meter's, whose error lies within bounds: where the line rests on it, the bounds
/// stand by themselves, and what the readings' scatter leaves of offset and gain beside them.
fn budget(
    uncertainty: &VoltageUncertainty,
    readings: &Readings,
    accuracy: &Accuracy,
    age_days: f64,
) -> Result<Budget<Volts>, MetrologyError> {
    // What one number stands for there stands here part by part.
    let shared = VoltageUncertainty { residual: Volts::ZERO, ..*uncertainty };
    let (group, mut rest) = shared.contributions(RANGE, age_days)?;
    rest.retain(|c| c.input_uncertainty() > 0.0);
    let bounds = [
        Contribution::rectangular("meter: of its reading", RANGE * accuracy.of_reading_ppm.to_ratio()),
        Contribution::rectangular("meter: of its range", accuracy.range * accuracy.of_range_ppm.to_ratio()),
    ];
    let left = group.variance() - bounds.iter().map(|b| b.signed().powi(2)).sum::<f64>();
    // Rounding of the fit: a millionth of a variance is nothing.
    let scatter = Volts::new(left.max(0.0).sqrt());
    let budget = Budget::new(RANGE);
    Ok(if left < -1e-6 * group.variance() {
        budget.with_group(group)
    } else {
        budget.with_all(bounds).with(readings.scattered("line: scatter of the readings", scatter))
    }
    .with_all(rest)
    .with_all(readings.contributions()))
}

fn interval(budget: &Budget<Volts>) -> IntervalRecord {
    let u = budget.combined_at(Level::TWO_SIGMA).standard_uncertainty;
    IntervalRecord {
        standard_uncertainty: u,
        half_width_95: budget.interval_by_distributions(Level::P95),
        within_two_percent: 100.0 * budget.coverage_by_distributions(u * 2.0).share(),
    }
}

fn assumed(accuracy: &Accuracy, temperature: Celsius) -> Vec<String> {
    vec![
        format!(
            "The meter is within {} ppm of reading and {} ppm of its {} V range; any error between these bounds is as likely \
             as another, and the same at all levels of the day.",
            accuracy.of_reading_ppm.get(),
            accuracy.of_range_ppm.get(),
            accuracy.range.get()
        ),
        format!(
            "The reference drifts by at most {:.0} ppm in 1000 h, growing with the square root of time (from memory of data \
             sheets of such parts; not measured on this board).",
            DRIFT * 1e6
        ),
        format!(
            "The gain changes by at most {:.0} ppm per kelvin (data sheet and memory; not measured on this board). Between {:.0} °C \
             and {:.0} °C it may be used up to {:.1} K from the {:.1} °C of this calibration.",
            GAIN_PER_KELVIN.get() * 1e6,
            (TEMPERATURE.0 - TEMPERATURE.1).get(),
            (TEMPERATURE.0 + TEMPERATURE.1).get(),
            temperature_range(temperature).get(),
            temperature.get()
        ),
        format!(
            "Contacts and a load of 20 kΩ or more at the terminals change the gain by at most {:.1} ppm (calculated for the \
             drawn board); the meter loads them far less.",
            CONTACT_AND_LOAD * 1e6
        ),
        "The board had warmed up, and meter and plug make no thermal voltages worth counting.".to_owned(),
    ]
}

/// A day since 1970-01-01 as a date.
#[must_use]
pub(crate) fn day_in_words(day: u32) -> String {
    jiff::Timestamp::from_second(i64::from(day) * 86_400)
        .map_or_else(|_| "an impossible day".to_owned(), |t| t.to_string().chars().take(10).collect())
}

#[cfg(test)]
mod tests {
    use proofstand_units::{Kelvins, VoltsPerKelvin};

    use super::*;
    use crate::calibration::fit::tests::METER;
    use crate::metrology::monte_carlo::{assert_interval, sampled};
    use crate::metrology::{Distribution, Kind};

    #[test]
    fn the_command_at_the_terminals_holds_against_monte_carlo_on_the_day_and_at_the_due_date() {
        // JCGM 101:2008, clause 8. The certificate states k = 2 as is the custom of certificates; beside it stands the interval
        // of the distributions, and how much ± 2 u holds: more than 95 %, since the largest parts are bounds.
        let step = STEP / 12.0_f64.sqrt();
        let line = crate::metrology::VoltageUncertainty {
            offset: Volts::new(29e-6),
            gain: 20.3e-6,
            correlation: 0.0,
            residual: Volts::new(120e-6),
            drift: DRIFT,
            gain_per_kelvin: GAIN_PER_KELVIN,
            offset_per_kelvin: VoltsPerKelvin::new(5e-6),
            temperature_range: Kelvins::new(5.0),
            contact_and_load: CONTACT_AND_LOAD,
        };
        let curve = Volts::new(70e-6);
        let scatter =
            Volts::new((line.residual.get().powi(2) - curve.get().powi(2) - step.get().powi(2)).sqrt());
        let nu = |levels| DegreesOfFreedom::of_fit(levels, 0);
        let readings = Readings { curve: (curve, nu(15)), scatter: (scatter, Some(nu(17))) };
        for (age, seed) in [(0.0, 1), (100.0, 2), (365.0, 3)] {
            let budget = budget(&line, &readings, &METER, age).unwrap();
            // What stands apart is together what the line states.
            let u = budget.combined().standard_uncertainty.get();
            assert!((u - line.standard(RANGE, age).get()).abs() < 1e-9, "{u}");
            let part = |name: &str| budget.independent().iter().find(|c| c.name == name).unwrap();
            let kind = |name: &str| (part(name).kind, part(name).distribution);
            assert_eq!(kind("curve between the points"), (Kind::A, Distribution::StudentT));
            assert_eq!(kind("step of the converter"), (Kind::B, Distribution::Rectangular));
            assert_eq!(kind("line: scatter of the readings"), (Kind::A, Distribution::StudentT));
            assert_interval(&format!("command after {age} days"), &budget, seed);
            let (said, found) = (interval(&budget), sampled(&budget, 10 + seed));
            let within = found.twice_deviation + 0.5e-6;
            assert!(
                (said.half_width_95.get() - found.half_width).abs() < within,
                "{said:?} {}",
                found.half_width
            );
            assert!(said.within_two_percent >= 95.4, "{said:?}");
            assert!(said.standard_uncertainty * 2.0 >= said.half_width_95, "{said:?}");
        }
    }
}
