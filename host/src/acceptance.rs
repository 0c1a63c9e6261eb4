//! One acceptance from sheet to run model, on whatever is at the other end of a link.

mod conditions;
mod cut_off;
mod outcome;
mod rests_on;
mod traceability;
mod undo;

use conditions::conditions;
pub use cut_off::cut_off;
use outcome::{left_out, outcome};
use traceability::traceability;
pub use undo::changed_at_the_bench;

use proofstand_protocol::message::Request;
use proofstand_protocol::units::Ticks;
use proofstand_protocol::version::{CalibrationState, FixtureHello};

use crate::calibration::day_in_words;
use crate::calibration::image::StatedAccuracy;
use crate::calibration::reading::INPUTS;
use crate::cautions::cautions;
use crate::checks::{Check, CitedDirection, Context, Equipment, for_axis};
use crate::diagnosis::diagnose;
use crate::error_budget;
use crate::fixture::{Client, FixtureError};
use crate::link::Link;
use crate::metrology::KnownVoltage;
use crate::planner::{AxisNumbers, CannotPlan, MotionPlan};
use crate::record::RunFolder;
use crate::record::follow::merge;
use crate::record::model::{
    Axis, CheckRecord, Fact, FollowWhy, Follows, NotDone, Provenance, RUN_SCHEMA, Run, RunKind, Took, Verdict,
};
use crate::sequence::{Attendant, Conducted, Progress, conduct};
use crate::sheet::AxisSheet;
use crate::targets::{Fixture, Targets};

/// A sheet that has been read, and what follows from it.
#[derive(Debug)]
pub struct Job {
    /// The sheet's file name, without its folder.
    pub file: String,
    /// The sheet's text.
    pub text: String,
    /// The sheet.
    pub sheet: AxisSheet,
    /// Its targets.
    pub targets: Targets,
    /// Motion that fits, or why none does.
    pub motion: Result<MotionPlan, CannotPlan>,
}

/// What a run is made with, beside the fixture's own word.
#[derive(Debug, Clone, Default)]
pub struct Setting {
    /// Seed of a rehearsal.
    pub seed: Option<u64>,
    /// Faults of a rehearsal.
    pub faults: Vec<String>,
    /// Facts about what is on the bench.
    pub identity: Vec<Fact>,
    /// What a person has said was changed for the bench and must be taken back, beside what the sheet says.
    pub bench_changes: Vec<String>,
    /// Days since 1970-01-01, today: decides whether a calibration is in date.
    pub today: u32,
    /// What a person saw in an earlier run that may be cited.
    pub cited: Option<CitedDirection>,
    /// The run that this one goes on with or makes again.
    pub earlier: Option<(FollowWhy, Run)>,
    /// How it is known that the earlier run is of the same unit, in words.
    pub same_unit: String,
}

/// What a run can't decide while nobody is there.
pub const UNATTENDED: &str = "Unattended: nobody says which way the shaft turns, so that direction stays undecided unless \
                              an attended record of the same unit and wiring is cited; nothing is turned by hand and no \
                              reading of a person is taken";

impl Job {
    /// Works out what follows from a sheet.
    #[must_use]
    pub fn new(file: String, text: String, sheet: AxisSheet) -> Self {
        let targets = Targets::compute(&sheet);
        let motion = AxisNumbers::from_sheet(&sheet, &targets)
            .and_then(|axis| MotionPlan::new(axis, &targets.command));
        Self { file, text, sheet, targets, motion }
    }

    /// Carries out checks and puts together the model of the run. Never fails: whatever stops it is in the model.
    #[allow(clippy::too_many_arguments, reason = "each is another seam of the bench")]
    pub fn run<L: Link>(
        &self,
        kind: RunKind,
        checks: &[&'static dyn Check],
        setting: &Setting,
        client: &mut Client<L>,
        folder: &mut RunFolder,
        attendant: &mut dyn Attendant,
        progress: &mut dyn Progress,
    ) -> Run {
        let checks = &for_axis(checks, &self.sheet)[..];
        let mut calibration = Calibration::of(client.hello(), setting.today);
        if calibration.valid {
            calibration.take_record(client.calibration_record(folder), setting.today);
        }
        let attended = attendant.attended();
        let mut opened = self.opened(
            kind,
            folder.name(),
            self.provenance(kind, client, &calibration, setting),
            checks,
            setting,
        );
        // By this fixture's own calibration, and before anybody agrees to motion.
        let not_capable = self.not_capable(&calibration.command);
        not_capable.iter().for_each(|text| progress.note(text));
        opened.provenance.warnings.extend(not_capable);
        let conducted = match &self.motion {
            Err(cannot) => {
                let checks = checks.iter().map(|c| refused(*c, cannot)).collect();
                let stopped = folder.note("run", &opened).err().map(FixtureError::Record);
                Conducted { checks, stopped, took: Took::default() }
            }
            Ok(motion) => {
                let context = Context {
                    sheet: &self.sheet,
                    targets: &self.targets,
                    motion,
                    equipment: calibration.equipment(can_open_enable(client)),
                    attended,
                    cited: setting.cited.as_ref(),
                    earlier: &[],
                };
                match folder.note("run", &opened) {
                    Err(error) => Conducted::stopped_by(FixtureError::Record(error)),
                    Ok(()) => {
                        progress.give_way();
                        opened.acknowledged_by = attendant.acknowledge(&opened.cautions);
                        match folder.note(
                            "cautions",
                            serde_json::json!({ "acknowledged_by": opened.acknowledged_by }),
                        ) {
                            Err(error) => Conducted::stopped_by(FixtureError::Record(error)),
                            Ok(()) if opened.acknowledged_by.is_none() => {
                                Conducted::stopped_by(FixtureError::Interrupted)
                            }
                            Ok(()) => conduct(checks, &context, client, folder, attendant, progress),
                        }
                    }
                }
            }
        };
        let stopped = conducted.stopped.as_ref().map(ToString::to_string);
        let took = conducted.took;
        let (checks, follows) = finished_checks(&opened, conducted.checks, stopped.as_deref(), setting);
        let mut provenance = opened.provenance.clone();
        if !attended {
            provenance.warnings.push(UNATTENDED.to_owned());
        }
        if client.damaged_frames() > 0 {
            provenance.warnings.push(format!(
                "{} frames came damaged and were asked for again: look at the cable",
                client.damaged_frames()
            ));
        }
        let mut outcome = outcome(kind, &checks, left_out(&self.sheet, &checks), stopped, took);
        let resting = follows.iter().flat_map(|f| &f.taken_over).filter(|t| !t.rests_on.is_empty()).count();
        if resting > 0 {
            outcome.sentence.push_str(&format!(
                " Of the checks taken over, {resting} rest on results that were made again since."
            ));
        }
        Run {
            finished: now(),
            provenance,
            outcome,
            diagnoses: diagnose(&self.sheet, &checks),
            checks,
            follows,
            ..opened
        }
    }

    /// The model as it stands before anything is done: every planned check not made yet. It opens the journal, so that
    /// a run that is cut off can be reported from it.
    fn opened(
        &self,
        kind: RunKind,
        id: String,
        provenance: Provenance,
        checks: &[&'static dyn Check],
        setting: &Setting,
    ) -> Run {
        let why = CannotPlan {
            why: "the run ended before it".to_owned(),
            remedy: "go on with --resume".to_owned(),
        };
        let checks: Vec<CheckRecord> = checks.iter().map(|c| refused(*c, &why)).collect();
        let (checks, follows) = finished_checks_of(setting, checks, |_| false);
        let started = now();
        Run {
            schema: RUN_SCHEMA.to_owned(),
            kind,
            id,
            finished: started.clone(),
            started,
            axis: self.axis(setting),
            provenance,
            rule: Some(self.sheet.decision.into()),
            cautions: cautions(&self.sheet),
            acknowledged_by: None,
            outcome: outcome(kind, &checks, left_out(&self.sheet, &checks), None, Took::default()),
            targets: self.targets.rows(),
            checks,
            diagnoses: Vec::new(),
            undo: undo::undo(&self.sheet, setting),
            undone: Vec::new(),
            follows,
        }
    }

    /// What can't be decided with a command as sure as this, in sentences.
    #[must_use]
    pub fn not_capable(&self, command: &KnownVoltage) -> Vec<String> {
        Targets::compute_for(&self.sheet, &Fixture::calibrated(command)).not_capable()
    }

    /// CRC-32/ISO-HDLC of the sheet's bytes, eight hexadecimal digits.
    #[must_use]
    pub fn sheet_crc32(&self) -> String {
        let crc = crc::Crc::<u32>::new(&crc::CRC_32_ISO_HDLC);
        format!("{:08x}", crc.checksum(self.text.as_bytes()))
    }

    /// With what the run is made.
    fn provenance<L: Link>(
        &self,
        kind: RunKind,
        client: &Client<L>,
        calibration: &Calibration,
        setting: &Setting,
    ) -> Provenance {
        let hello = client.hello();
        let hex = |bytes: &[u8; 8]| bytes.iter().map(|b| format!("{b:02x}")).collect();
        let mut warnings: Vec<String> = calibration.warning.iter().cloned().collect();
        if client.agreement().fingerprint_differs {
            warnings.push(
                "Host and firmware were built from different message tables of the same version".to_owned(),
            );
        }
        let simulated = hello.simulated || kind == RunKind::Rehearsal;
        Provenance {
            software: format!("proofstand {}", env!("CARGO_PKG_VERSION")),
            protocol: client.agreement().version.to_string(),
            firmware: hello.firmware.to_string(),
            controller_serial: hex(&hello.controller_serial),
            analog_serial: hex(&hello.analog_serial),
            calibration: calibration.words.clone(),
            calibration_valid: calibration.valid,
            simulated: hello.simulated,
            seed: setting.seed,
            faults: setting.faults.clone(),
            warnings,
            traceability: traceability(simulated, calibration, &self.sheet),
        }
    }

    fn axis(&self, setting: &Setting) -> Axis {
        Axis {
            title: self.sheet.axis.title.clone(),
            customer: self.sheet.axis.customer.clone(),
            sheet_file: self.file.clone(),
            sheet_crc32: self.sheet_crc32(),
            sheet_text: self.text.clone(),
            invented: self.sheet.axis.invented,
            identity: setting.identity.clone(),
        }
    }
}

/// Now, RFC 3339 in UTC, to the millisecond.
pub(crate) fn now() -> String {
    jiff::Timestamp::now()
        .round(jiff::Unit::Millisecond)
        .unwrap_or_else(|_| jiff::Timestamp::now())
        .to_string()
}

/// Days since 1970-01-01, today in UTC.
#[must_use]
pub fn today() -> u32 {
    u32::try_from(jiff::Timestamp::now().as_second() / 86_400).unwrap_or(0)
}

fn refused(check: &dyn Check, cannot: &CannotPlan) -> CheckRecord {
    CheckRecord {
        id: check.id().to_owned(),
        title: check.title().to_owned(),
        shows: check.shows().to_owned(),
        verdict: Verdict::NotDone,
        not_done: Some(NotDone {
            why: cannot.why.clone(),
            would_allow: cannot.remedy.clone(),
            ..NotDone::default()
        }),
        results: Vec::new(),
        plots: Vec::new(),
        steps: Vec::new(),
        notes: Vec::new(),
        took: Took::default(),
    }
}

/// The records of a run that has ended: those made, those planned and not come to, those of an earlier run.
fn finished_checks(
    opened: &Run,
    mut made: Vec<CheckRecord>,
    stopped: Option<&str>,
    setting: &Setting,
) -> (Vec<CheckRecord>, Option<Follows>) {
    let taken_over = opened.follows.iter().flat_map(|f| &f.taken_over);
    let taken_over: Vec<&str> = taken_over.map(|t| t.check.as_str()).collect();
    for planned in opened.checks.iter().filter(|c| !taken_over.contains(&c.id.as_str())) {
        if !made.iter().any(|m| m.id == planned.id) {
            made.push(planned.clone());
        }
    }
    // A check that a stop ended was begun, also where its first step gave nothing.
    let ended = |c: &CheckRecord| c.not_done.as_ref().is_some_and(|n| Some(n.why.as_str()) == stopped);
    finished_checks_of(setting, made, |c| !c.steps.is_empty() || !c.results.is_empty() || ended(c))
}

fn finished_checks_of(
    setting: &Setting,
    made: Vec<CheckRecord>,
    begun: impl Fn(&CheckRecord) -> bool,
) -> (Vec<CheckRecord>, Option<Follows>) {
    match &setting.earlier {
        None => (made, None),
        Some((why, earlier)) => {
            let order: Vec<&str> = crate::checks::ALL.iter().map(|c| c.id()).collect();
            let (mut checks, mut follows) = merge(earlier, *why, made, begun, &order);
            follows.same_unit.clone_from(&setting.same_unit);
            rests_on::mark(earlier, &mut checks, &mut follows);
            (checks, Some(follows))
        }
    }
}

/// The fixture's calibration as it bears on results.
struct Calibration {
    words: String,
    valid: bool,
    /// The meter behind it, and what that meter is good for; none where no record could be read.
    meter: Option<(String, Option<StatedAccuracy>)>,
    /// When it was made and till when it holds, in words; empty for one that is not in force.
    dates: String,
    /// What it is, in a word or two, for the result that says so.
    word: &'static str,
    warning: Option<String>,
    /// The command at the terminals, as its record has it.
    command: KnownVoltage,
    /// Terminal, converter, torque and speed read-out, likewise.
    inputs: [KnownVoltage; 4],
}

/// A voltage that the calibration says nothing of: what the bare board is good for. Its input converter is no worse than its
/// output converter (data sheets, from memory).
const BARE: KnownVoltage = KnownVoltage::uncalibrated(error_budget::UNCALIBRATED);

impl Calibration {
    fn of(hello: &FixtureHello, today: u32) -> Self {
        let (calibrated, due) = (day_in_words(hello.calibrated.0), day_in_words(hello.calibration_due.0));
        match hello.calibration {
            CalibrationState::Valid if hello.calibrated.0 > today => Self::invalid(
                "of a day to come",
                format!("of {calibrated}, after today"),
                "The fixture's calibration is dated after today: this computer's clock is wrong, and no calibration is \
                 taken for valid by it",
            ),
            CalibrationState::Valid if hello.calibration_due.0 >= today => Self {
                words: format!("of {calibrated}, due {due}"),
                valid: true,
                meter: None,
                dates: format!("of {calibrated}, due {due}"),
                word: "in force",
                warning: None,
                command: BARE,
                inputs: [BARE; 4],
            },
            CalibrationState::Valid => Self::invalid(
                "out of date",
                format!("of {calibrated}, was due {due}"),
                "The fixture's calibration is out of date: results that rest on volts are never better than undecided",
            ),
            CalibrationState::None => Self::invalid(
                "missing",
                "none".to_owned(),
                "The fixture has no calibration: results that rest on volts are never better than undecided",
            ),
            CalibrationState::ForeignBoard => Self::invalid(
                "another board's",
                "belongs to another analog board".to_owned(),
                "The fixture's calibration is another board's: results that rest on volts are never better than undecided",
            ),
            CalibrationState::Other(code) => Self::invalid(
                "in an unknown state",
                format!("in a state that this program does not know ({code})"),
                "The fixture's calibration is in an unknown state: results that rest on volts are never better than undecided",
            ),
            CalibrationState::Corrupt => Self::invalid(
                "damaged",
                "damaged".to_owned(),
                "The fixture's calibration record is damaged: results that rest on volts are never better than undecided",
            ),
        }
    }

    fn invalid(word: &'static str, words: String, warning: &str) -> Self {
        let warning = Some(warning.to_owned());
        Self {
            words,
            valid: false,
            meter: None,
            dates: String::new(),
            word,
            warning,
            command: BARE,
            inputs: [BARE; 4],
        }
    }

    /// What the record says of the command, with its drift until today; a record that can't be read is none.
    fn take_record(&mut self, record: Result<Vec<u8>, FixtureError>, today: u32) {
        match record.ok().and_then(|bytes| crate::calibration::image::read(&bytes)) {
            Some(known) => {
                let age_days = f64::from(today.saturating_sub(known.calibrated));
                let of = |stated| KnownVoltage { stated, age_days, calibrated: true };
                self.words = format!(
                    "{}, by the meter \"{}\"; it states ±{:.2} mV (k = 2) for the command at the terminals until the due \
                     date{}",
                    self.words,
                    known.meter,
                    known.stated.get() * 1e3,
                    conditions(&known)
                );
                self.meter = Some((known.meter, known.meter_accuracy));
                self.command = of(known.uncertainty);
                self.inputs = known.inputs.map(|input| input.map_or(BARE, of));
                self.warning = self.inputs_without();
            }
            None => {
                *self = Self::invalid(
                    "damaged",
                    "states no uncertainty".to_owned(),
                    "The fixture's calibration record can't be read: results that rest on volts are never better than undecided",
                );
            }
        }
    }

    /// A warning about inputs that the record has no table for, or states no uncertainty of. That of the speed read-out is
    /// left out: nothing is judged by its volts.
    fn inputs_without(&self) -> Option<String> {
        let names = self.uncovered();
        (!names.is_empty()).then(|| {
            format!(
                "The fixture's calibration has no table with an uncertainty for these inputs: {}. Results by them are never \
                 better than undecided",
                names.join(", ")
            )
        })
    }

    /// Inputs that the calibration does not cover, and that something is judged by.
    fn uncovered(&self) -> Vec<&'static str> {
        let all = INPUTS.iter().zip(&self.inputs);
        all.filter(|(name, input)| !input.calibrated && **name != "speed").map(|(name, _)| *name).collect()
    }

    fn equipment(&self, opens_enable: bool) -> Equipment {
        let [terminal, converter, torque_read_out, _] = self.inputs;
        Equipment {
            command: self.command,
            terminal,
            converter,
            torque_read_out,
            calibration: self.word,
            clock: error_budget::CLOCK,
            opens_enable,
        }
    }
}

/// Whether the fixture knows how to open enable under command.
fn can_open_enable<L: Link>(client: &Client<L>) -> bool {
    client.agreement().allows(&Request::OpenEnable { epoch: 0, keep: Ticks(1) })
}

/// The time as it stands in a run's name.
#[must_use]
pub fn stamp() -> String {
    jiff::Timestamp::now().strftime("%Y%m%dT%H%M%SZ").to_string()
}
