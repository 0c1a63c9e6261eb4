//! The model of one run, as it stands in `run.json`.
//!
//! Everything a report shows is in here, decided: a report is a pure function of a [`Run`] and judges nothing.
//! Numbers carry their unit's symbol beside them, since a result's unit depends on the check.

use serde::{Deserialize, Serialize};

pub use super::agreed::{AgreedRule, WAYS_DOUBTFUL, WAYS_IMPOSSIBLE};
pub use super::measured_with::MeasuredWith;
pub use super::took::Took;

/// Version of this model; rises when a field changes its meaning.
pub const RUN_SCHEMA: &str = "proofstand-run/1";

/// One acceptance or rehearsal, whole.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct Run {
    /// [`RUN_SCHEMA`].
    pub schema: String,
    /// Rehearsal or acceptance. A rehearsal is never evidence.
    pub kind: RunKind,
    /// Name of the run, also of its folder.
    pub id: String,
    /// Start, RFC 3339 with offset.
    pub started: String,
    /// End, RFC 3339 with offset.
    pub finished: String,
    /// What was tested.
    pub axis: Axis,
    /// With what it was tested.
    pub provenance: Provenance,
    /// The decision rule that the sheet chooses; none in a record of a program that did not write it down, where it stands
    /// with each result.
    #[serde(default)]
    pub rule: Option<AgreedRule>,
    /// Cautions shown before motion.
    pub cautions: Vec<String>,
    /// Who acknowledged them; nothing moves before.
    #[serde(default)]
    pub acknowledged_by: Option<String>,
    /// The result of all checks together.
    pub outcome: Outcome,
    /// What followed from the sheet.
    pub targets: Vec<TargetRow>,
    /// The checks in the order they were made.
    pub checks: Vec<CheckRecord>,
    /// What is probably wrong, most probable first.
    pub diagnoses: Vec<Diagnosis>,
    /// What must be undone before handover.
    pub undo: Vec<String>,
    /// What of it a person has said is undone; nothing may be left of `undo` at handover.
    #[serde(default)]
    pub undone: Vec<Undone>,
    /// The earlier run that this one goes on with or makes again; none for a run of its own.
    #[serde(default)]
    pub follows: Option<Follows>,
}

impl Run {
    /// A check's title for a reader, by its name on the command line.
    #[must_use]
    pub fn title_of<'a>(&'a self, check: &'a str) -> &'a str {
        self.checks.iter().find(|c| c.id == check).map_or(check, |c| &c.title)
    }

    /// What must still be undone before handover.
    pub fn still_to_undo(&self) -> impl Iterator<Item = &str> {
        self.undo.iter().map(String::as_str).filter(|item| !self.undone.iter().any(|u| u.item == *item))
    }
}

/// A person's word that something is undone.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct Undone {
    /// The line of [`Run::undo`].
    pub item: String,
    /// Who says so.
    pub by: String,
    /// When, RFC 3339.
    pub at: String,
}

/// How a run follows an earlier one. The newest attempt at a check always counts, whatever came of it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct Follows {
    /// Name of the earlier run.
    pub run: String,
    /// Why this one was made.
    pub why: FollowWhy,
    /// How it is known that both are of the same unit, in words.
    #[serde(default)]
    pub same_unit: String,
    /// Checks whose records come unchanged from an earlier run.
    pub taken_over: Vec<TakenOver>,
    /// Records of earlier runs that count no more, oldest first.
    pub superseded: Vec<Superseded>,
}

/// Why a run follows an earlier one.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum FollowWhy {
    /// The earlier run did not get to its end.
    Resume,
    /// Checks are made again.
    Again,
}

/// A record that comes unchanged from an earlier run.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct TakenOver {
    /// The check's name on the command line.
    pub check: String,
    /// The run in which it was made; its samples are in that run's folder.
    pub run: String,
    /// Checks that it needs, directly or through others, and that were made again after it: what it was built on is
    /// superseded. They came out accepted again, or it would not have been taken over.
    #[serde(default)]
    pub rests_on: Vec<String>,
    /// With what it was measured; none in records that do not say.
    #[serde(default)]
    pub measured_with: Option<MeasuredWith>,
}

/// A record that counts no more, since the check was made again.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct Superseded {
    /// The run in which it was made.
    pub run: String,
    /// End of that run, RFC 3339.
    pub finished: String,
    /// What it said.
    pub record: CheckRecord,
}

/// Rehearsal or acceptance.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum RunKind {
    /// On a simulated amplifier and motor.
    Rehearsal,
    /// On a fixture.
    Acceptance,
}

/// What was tested.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct Axis {
    /// Title from the sheet.
    pub title: String,
    /// Customer from the sheet.
    pub customer: String,
    /// The sheet's file name, without its folder.
    pub sheet_file: String,
    /// CRC-32/ISO-HDLC of the sheet's bytes, eight hex digits.
    pub sheet_crc32: String,
    /// The sheet's whole text.
    pub sheet_text: String,
    /// The sheet says its data are invented.
    pub invented: bool,
    /// Free facts about what is on the bench: nameplates, serial numbers, supply.
    pub identity: Vec<Fact>,
}

/// A label and its value.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct Fact {
    /// Label.
    pub label: String,
    /// Value.
    pub value: String,
}

/// With what, and how, the run was made.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct Provenance {
    /// Host program and version.
    pub software: String,
    /// Protocol major.minor.
    pub protocol: String,
    /// Fixture firmware version.
    pub firmware: String,
    /// Serial number of the fixture's controller, hex.
    pub controller_serial: String,
    /// Serial number of the analog board, hex.
    pub analog_serial: String,
    /// State of its calibration, in words with dates.
    pub calibration: String,
    /// The calibration was valid on the day.
    pub calibration_valid: bool,
    /// To what the values can be traced, a line for each kind of quantity; none in a record of a program that did not
    /// state it.
    #[serde(default)]
    pub traceability: Vec<Fact>,
    /// The fixture was simulated.
    pub simulated: bool,
    /// Seed of a rehearsal.
    pub seed: Option<u64>,
    /// Faults put into a rehearsal.
    pub faults: Vec<String>,
    /// Words of warning about the equipment.
    pub warnings: Vec<String>,
}

/// A verdict on a result, a check or a run.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, schemars::JsonSchema,
)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// Inside the tolerance, by the rule that was agreed.
    Accepted,
    /// Too near to a limit for that rule, or the means don't suffice.
    Undecided,
    /// Outside the tolerance by that rule, or plainly not what the sheet says.
    Rejected,
    /// Not carried out; never counts as passed.
    NotDone,
}

impl Verdict {
    /// The word for it.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Accepted => "ACCEPTED",
            Self::Undecided => "UNDECIDED",
            Self::Rejected => "REJECTED",
            Self::NotDone => "NOT DONE",
        }
    }
}

/// The result of all checks together.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct Outcome {
    /// Accepted only if every check that the axis needs was made and accepted.
    pub verdict: Verdict,
    /// The run did not get to its end: why.
    pub stopped: Option<String>,
    /// One sentence for the customer.
    pub sentence: String,
    /// How many checks have each verdict: accepted, undecided, rejected, not done.
    pub accepted: u32,
    /// Undecided checks.
    pub undecided: u32,
    /// Rejected checks.
    pub rejected: u32,
    /// Checks not carried out.
    pub not_done: u32,
    /// How long the run took from its first sample to its last verdict; what was taken over from an earlier run is not in
    /// it.
    #[serde(default)]
    pub took: Took,
    /// Checks that an acceptance of this axis needs and that were not asked for. With any of them the run is a part, and
    /// never accepts the axis.
    #[serde(default)]
    pub left_out: Vec<LeftOut>,
    /// A measurement was asked for by name that is no part of an acceptance, and it was made, with all that it needs
    /// accepted. What is left out is not missing then: no acceptance was meant.
    #[serde(default)]
    pub measurement: bool,
}

/// A check that was not asked for.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct LeftOut {
    /// The check's name on the command line.
    pub check: String,
    /// Its title.
    pub title: String,
}

/// A computed target.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct TargetRow {
    /// What.
    pub name: String,
    /// How much.
    pub value: f64,
    /// Unit symbol.
    pub unit: String,
    /// Where it comes from or what it means.
    pub note: String,
}

/// One check as it was carried out.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct CheckRecord {
    /// Its name on the command line.
    pub id: String,
    /// Its title.
    pub title: String,
    /// What it shows, in a sentence.
    pub shows: String,
    /// Worst verdict of its results, or not done.
    pub verdict: Verdict,
    /// Why it was not done or not finished, and what would allow it.
    pub not_done: Option<NotDone>,
    /// Its results.
    pub results: Vec<ResultRow>,
    /// Its pictures.
    pub plots: Vec<Plot>,
    /// What moved: one line a step.
    pub steps: Vec<StepRecord>,
    /// Remarks a reader needs.
    pub notes: Vec<String>,
    /// How long it took.
    #[serde(default)]
    pub took: Took,
}

/// Why a check was not done.
#[derive(Debug, Default, Clone, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct NotDone {
    /// Why.
    pub why: String,
    /// What would allow it.
    pub would_allow: String,
    /// Which other checks show the same; then an axis can be accepted without this one.
    #[serde(default)]
    pub shown_also_by: Option<String>,
}

/// One step of a check.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct StepRecord {
    /// What moved.
    pub what: String,
    /// How the step ended.
    pub ended: String,
    /// Start on the fixture's clock, seconds.
    pub start_seconds: f64,
    /// Length, seconds.
    pub duration_seconds: f64,
    /// First sample's number.
    pub first_sample: u32,
    /// Last sample's number.
    pub last_sample: u32,
    /// Samples that were due and did not arrive.
    pub samples_lost: u32,
    /// Bursts captured meanwhile.
    #[serde(default)]
    pub bursts: Vec<BurstRecord>,
}

/// A burst: points too fast for the stream of samples. They stand beside the samples.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct BurstRecord {
    /// Its number in the run's folder, from 1.
    pub number: u32,
    /// `position`, `read-outs` or `lines`.
    pub kind: String,
    /// Time of the first point on the fixture's clock, seconds; none if it never was complete.
    pub start_seconds: Option<f64>,
    /// Time between points, seconds.
    pub period_seconds: f64,
    /// Points asked for.
    pub points: u32,
    /// Points read.
    pub points_read: u32,
}

/// One result against its tolerance.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct ResultRow {
    /// Stable name, `check.quantity`.
    pub id: String,
    /// Name for a reader.
    pub name: String,
    /// Unit symbol; empty for a number.
    pub unit: String,
    /// What the sheet asks.
    pub target: Option<f64>,
    /// What was measured; none if it could not be.
    pub measured: Option<f64>,
    /// Measured thing that is no number: a direction, a flag's behaviour.
    pub measured_text: Option<String>,
    /// The target where it is no number.
    pub target_text: Option<String>,
    /// Expanded uncertainty.
    pub expanded_uncertainty: Option<f64>,
    /// Coverage factor of the expanded uncertainty.
    pub coverage_factor: Option<f64>,
    /// Lower tolerance limit.
    pub lower_limit: Option<f64>,
    /// Upper tolerance limit.
    pub upper_limit: Option<f64>,
    /// The verdict.
    pub verdict: Verdict,
    /// The verdict's reason in one sentence.
    pub sentence: String,
    /// Contributions to the uncertainty, largest first.
    pub budget: Vec<ContributionRow>,
    /// How the expanded uncertainty was had; none where nothing is uncertain or nothing was measured.
    #[serde(default)]
    pub statement: Option<UncertaintyStatement>,
    /// The rule behind the verdict of a measured value; none for counts, words and what was not measured.
    #[serde(default)]
    pub decision: Option<DecisionStatement>,
}

/// How an expanded uncertainty was had (JCGM 100:2008, 7.2.3).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct UncertaintyStatement {
    /// Combined standard uncertainty in the result's unit.
    pub standard_uncertainty: f64,
    /// Effective degrees of freedom; none: infinite.
    pub degrees_of_freedom: Option<f64>,
    /// Share of the distribution that the interval ± U holds, percent.
    pub coverage_percent: f64,
    /// How the interval was had.
    pub interval: IntervalMethod,
    /// What most of it is, in one sentence.
    pub sentence: String,
}

/// How a coverage interval was had.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum IntervalMethod {
    /// `t_p(ν)·u` (JCGM 100:2008, annex G), validated against the distributions (JCGM 101:2008, clause 8).
    Gum,
    /// By propagation of distributions (JCGM 101:2008), where the former is not valid.
    Distributions,
}

impl IntervalMethod {
    /// In words, for a report.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Gum => "t factor of the effective degrees of freedom (GUM), valid beside the distributions",
            Self::Distributions => {
                "propagation of the distributions (JCGM 101); the GUM's interval is not valid here"
            }
        }
    }
}

/// By what rule a measured value got its verdict.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct DecisionStatement {
    /// The rule in words.
    pub rule: String,
    /// What a value must be inside a limit by to be accepted, in the result's unit; none where the rule has no such
    /// width.
    pub guard_band: Option<f64>,
    /// Probability that the true value keeps to the limits, 0 to 1 (JCGM 106:2012, clause 7).
    pub probability_of_conformity: f64,
}

/// A contribution to a result's uncertainty.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct ContributionRow {
    /// What.
    pub name: String,
    /// `A` or `B` (JCGM 100:2008).
    pub kind: String,
    /// Distribution.
    pub distribution: String,
    /// Standard uncertainty of what is uncertain, in its own unit; none for a correlated group.
    #[serde(default)]
    pub input_uncertainty: Option<f64>,
    /// That unit's symbol.
    #[serde(default)]
    pub input_unit: String,
    /// Units of the result per unit of what is uncertain; none for a correlated group.
    #[serde(default)]
    pub sensitivity: Option<f64>,
    /// Standard uncertainty in the result's unit.
    pub standard_uncertainty: f64,
    /// Degrees of freedom; none: infinite.
    pub degrees_of_freedom: Option<f64>,
    /// Share of the combined variance, percent.
    pub share_percent: f64,
}

/// A probable cause.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct Diagnosis {
    /// Stable name of the pattern.
    pub id: String,
    /// What is probably wrong.
    pub title: String,
    /// Which results say so.
    pub evidence: Vec<String>,
    /// What to look at or do.
    pub remedy: String,
    /// 1 for the most probable.
    pub rank: u32,
    /// Other patterns that look the same, and which check would tell them apart.
    pub not_told_apart: Vec<String>,
}

/// A picture, as data.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct Plot {
    /// Stable name.
    pub id: String,
    /// Title.
    pub title: String,
    /// What it shows, for somebody who can't see it.
    pub description: String,
    /// Horizontal axis.
    pub x: PlotAxis,
    /// Panels over the same horizontal axis, top first.
    pub panels: Vec<Panel>,
    /// Two-state signals under the panels.
    pub lanes: Vec<Lane>,
}

/// An axis of a picture.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct PlotAxis {
    /// Quantity.
    pub label: String,
    /// Unit symbol.
    pub unit: String,
}

/// One panel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct Panel {
    /// Vertical axis.
    pub y: PlotAxis,
    /// Curves and points.
    pub series: Vec<Series>,
    /// Regions that are allowed or expected.
    pub bands: Vec<Band>,
    /// Named horizontal lines: targets, limits.
    pub marks: Vec<Mark>,
}

/// Points of one thing.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct Series {
    /// Its name.
    pub name: String,
    /// How to draw it.
    pub style: SeriesStyle,
    /// x, y.
    pub points: Vec<[f64; 2]>,
    /// Expanded uncertainty of y, a value a point, or empty.
    pub uncertainty: Vec<f64>,
}

/// How a series is drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum SeriesStyle {
    /// A line.
    Line,
    /// A dashed line.
    Dashed,
    /// Points only.
    Points,
}

/// A region between two curves.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct Band {
    /// Its name.
    pub name: String,
    /// x, lower, upper.
    pub points: Vec<[f64; 3]>,
}

/// A named horizontal line.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct Mark {
    /// Its name.
    pub name: String,
    /// Its height.
    pub y: f64,
}

/// A two-state signal over x.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct Lane {
    /// Its name.
    pub name: String,
    /// State before the first change.
    pub initial: bool,
    /// Where it changes, ascending.
    pub changes: Vec<f64>,
    /// What `true` is called: `conducting`, `closed`.
    pub high_label: String,
    /// What `false` is called.
    pub low_label: String,
}
