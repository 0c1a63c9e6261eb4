//! The results as JUnit XML, for build servers.
//!
//! One suite for the run as a whole, then one a check; a case for every result. What a build server should do decides the
//! mapping: a rejected result is a *failure* (it did not hold), an undecided one an *error* (it could not be decided, and
//! must not pass unseen), one not done is *skipped*. The run's own case carries the outcome, so that a run with checks left
//! out is never all green.
//!
//! The file holds to both schemas in common use, the one of the Apache Ant task and the one of Jenkins' xunit plug-in: no
//! attributes on `testsuites`; `properties`, cases, `system-out`, `system-err` in this order in every suite; a start
//! without zone (given in UTC); no `system-out` in a case.

use std::io;

use quick_xml::Writer;
use quick_xml::events::{BytesDecl, BytesEnd, BytesStart, BytesText, Event};

use super::ReportError;
use super::kind::{REHEARSAL, is_rehearsal};
use super::number::{self, Places};
use super::text::{one_line, visible};
use crate::record::model::{CheckRecord, ResultRow, Run, Verdict};

/// `junit.xml`.
///
/// # Errors
/// [`ReportError::Started`] if the run's start is no RFC 3339 time.
pub fn junit(run: &Run) -> Result<String, ReportError> {
    let started: jiff::Timestamp = run.started.parse().map_err(|e: jiff::Error| ReportError::Started {
        given: run.started.escape_debug().to_string(),
        why: e.to_string(),
    })?;
    let context = Context {
        run,
        rehearsal: is_rehearsal(run),
        started: started.strftime("%Y-%m-%dT%H:%M:%S").to_string(),
    };
    let mut out = Writer::new_with_indent(Vec::new(), b' ', 2);
    out.write_event(Event::Decl(BytesDecl::new("1.0", Some("UTF-8"), None)))?;
    out.write_event(Event::Start(BytesStart::new("testsuites")))?;
    context.suite(&mut out, 0, &context.whole())?;
    for (n, check) in run.checks.iter().enumerate() {
        context.suite(&mut out, n + 1, &context.check(check))?;
    }
    out.write_event(Event::End(BytesEnd::new("testsuites")))?;
    let mut text = String::from_utf8(out.into_inner()).map_err(|e| ReportError::Xml(io::Error::other(e)))?;
    text.push('\n');
    Ok(text)
}

struct Context<'a> {
    run: &'a Run,
    rehearsal: bool,
    started: String,
}

struct Suite {
    name: String,
    cases: Vec<Case>,
    out: String,
}

struct Case {
    name: String,
    class: String,
    seconds: f64,
    end: End,
}

enum End {
    Held,
    Failure { kind: &'static str, message: String, text: String },
    Error { kind: &'static str, message: String, text: String },
    Skipped { message: String },
}

impl End {
    fn of(verdict: Verdict, message: &str, text: String) -> Self {
        let message = one_line(message);
        match verdict {
            Verdict::Accepted => Self::Held,
            Verdict::Rejected => Self::Failure { kind: "rejected", message, text },
            Verdict::Undecided => Self::Error { kind: "undecided", message, text },
            Verdict::NotDone => Self::Skipped { message },
        }
    }
}

impl Context<'_> {
    fn mark(&self, text: &str) -> String {
        let text = one_line(text);
        if self.rehearsal { format!("{REHEARSAL}: {text}") } else { text }
    }

    fn class(&self, check: &str) -> String {
        let kind = if self.rehearsal { "REHEARSAL-NOT-EVIDENCE" } else { "acceptance" };
        format!("proofstand.{kind}.{}", one_line(check))
    }

    fn whole(&self) -> Suite {
        let outcome = &self.run.outcome;
        let end = match &outcome.stopped {
            Some(why) if outcome.verdict != Verdict::Rejected => End::Error {
                kind: "stopped",
                message: one_line(why),
                text: visible(&outcome.sentence).into_owned(),
            },
            stopped => End::of(outcome.verdict, &outcome.sentence, stopped.clone().unwrap_or_default()),
        };
        let mut out = visible(&outcome.sentence).into_owned();
        for d in &self.run.diagnoses {
            out.push_str(&format!("\n{}. {}\n   {}", d.rank, one_line(&d.title), one_line(&d.remedy)));
        }
        let name = format!("{}: {}", self.run.id, self.run.axis.title);
        let case =
            Case { name: "outcome of the run".to_owned(), class: self.class("run"), seconds: 0.0, end };
        Suite { name: self.mark(&name), cases: vec![case], out }
    }

    fn check(&self, check: &CheckRecord) -> Suite {
        let class = self.class(&check.id);
        let mut cases: Vec<Case> = check
            .results
            .iter()
            .map(|r| Case {
                name: one_line(&format!("{} ({})", r.name, r.id)),
                class: class.clone(),
                seconds: 0.0,
                end: End::of(r.verdict, &r.sentence, in_words(r)),
            })
            .collect();
        // The check's own verdict where no result carries it: not done, or ended before there was a result.
        if !check.results.iter().any(|r| r.verdict == check.verdict) {
            let why =
                check.not_done.as_ref().map(|n| format!("{} What would allow it: {}", n.why, n.would_allow));
            let end = End::of(check.verdict, &why.unwrap_or_default(), visible(&check.shows).into_owned());
            cases.push(Case { name: one_line(&check.title), class, seconds: 0.0, end });
        }
        // The shaft moves once for all results of a check: its time stands at the first, so that sums are right.
        if let Some(first) = cases.first_mut() {
            first.seconds = sum(check.steps.iter().map(|s| s.duration_seconds));
        }
        Suite {
            name: self.mark(&check.title),
            cases,
            out: check.notes.iter().map(|n| visible(n) + "\n").collect(),
        }
    }

    fn properties(&self) -> Vec<(&'static str, String)> {
        let p = &self.run.provenance;
        let mut all = Vec::new();
        if self.rehearsal {
            all.push(("REHEARSAL", "not evidence: simulated amplifier and motor".to_owned()));
        }
        all.extend([
            ("run", self.run.id.clone()),
            ("started", self.run.started.clone()),
            ("finished", self.run.finished.clone()),
            ("sheet.file", self.run.axis.sheet_file.clone()),
            ("sheet.crc32", self.run.axis.sheet_crc32.clone()),
            ("software", p.software.clone()),
            ("protocol", p.protocol.clone()),
            ("firmware", p.firmware.clone()),
            ("serial.controller", p.controller_serial.clone()),
            ("serial.analog_board", p.analog_serial.clone()),
            ("calibration", p.calibration.clone()),
        ]);
        if let Some(seed) = p.seed {
            all.push(("seed", seed.to_string()));
        }
        all.extend(p.faults.iter().map(|f| ("fault", f.clone())));
        all.extend(self.run.axis.identity.iter().map(|f| ("identity", format!("{}: {}", f.label, f.value))));
        all
    }

    fn suite(&self, out: &mut Writer<Vec<u8>>, id: usize, suite: &Suite) -> io::Result<()> {
        let count = |f: fn(&End) -> bool| suite.cases.iter().filter(|c| f(&c.end)).count().to_string();
        let seconds = sum(suite.cases.iter().map(|c| c.seconds));
        let attributes = [
            (
                "package",
                if self.rehearsal { "proofstand.REHEARSAL-NOT-EVIDENCE" } else { "proofstand.acceptance" }
                    .to_owned(),
            ),
            ("id", id.to_string()),
            ("name", suite.name.clone()),
            ("timestamp", self.started.clone()),
            // The schema asks for one; a machine's name is no part of a result.
            ("hostname", "localhost".to_owned()),
            ("tests", suite.cases.len().to_string()),
            ("failures", count(|e| matches!(e, End::Failure { .. }))),
            ("errors", count(|e| matches!(e, End::Error { .. }))),
            ("skipped", count(|e| matches!(e, End::Skipped { .. }))),
            ("time", format!("{seconds:.3}")),
        ];
        out.write_event(Event::Start(start("testsuite", &attributes)))?;
        out.write_event(Event::Start(BytesStart::new("properties")))?;
        for (name, value) in self.properties() {
            let attributes = [("name", name.to_owned()), ("value", one_line(&value))];
            out.write_event(Event::Empty(start("property", &attributes)))?;
        }
        out.write_event(Event::End(BytesEnd::new("properties")))?;
        for case in &suite.cases {
            write_case(out, case)?;
        }
        let said = if self.rehearsal { format!("{REHEARSAL}\n{}", suite.out) } else { suite.out.clone() };
        for (name, text) in [("system-out", said.as_str()), ("system-err", "")] {
            out.write_event(Event::Start(BytesStart::new(name)))?;
            out.write_event(Event::Text(BytesText::new(&visible(text))))?;
            out.write_event(Event::End(BytesEnd::new(name)))?;
        }
        out.write_event(Event::End(BytesEnd::new("testsuite")))
    }
}

/// From +0, since the sum of nothing is -0 otherwise, and a schema's decimal has no sign.
fn sum(seconds: impl Iterator<Item = f64>) -> f64 {
    seconds.map(|s| if s.is_finite() { s.max(0.0) } else { 0.0 }).fold(0.0, |a, s| a + s)
}

fn write_case(out: &mut Writer<Vec<u8>>, case: &Case) -> io::Result<()> {
    let attributes = [
        ("name", case.name.clone()),
        ("classname", case.class.clone()),
        ("time", format!("{:.3}", case.seconds)),
    ];
    let open = start("testcase", &attributes);
    let (name, kind, message, text) = match &case.end {
        End::Held => return out.write_event(Event::Empty(open)),
        End::Failure { kind, message, text } => ("failure", Some(*kind), message, text.as_str()),
        End::Error { kind, message, text } => ("error", Some(*kind), message, text.as_str()),
        End::Skipped { message } => ("skipped", None, message, ""),
    };
    out.write_event(Event::Start(open))?;
    let mut attributes: Vec<(&str, String)> = kind.map(|k| ("type", k.to_owned())).into_iter().collect();
    attributes.push(("message", message.clone()));
    let inner = start(name, &attributes);
    if text.is_empty() {
        out.write_event(Event::Empty(inner))?;
    } else {
        out.write_event(Event::Start(inner))?;
        out.write_event(Event::Text(BytesText::new(&visible(text))))?;
        out.write_event(Event::End(BytesEnd::new(name)))?;
    }
    out.write_event(Event::End(BytesEnd::new("testcase")))
}

fn start<'a>(name: &'a str, attributes: &'a [(&'a str, String)]) -> BytesStart<'a> {
    let mut start = BytesStart::new(name);
    for (key, value) in attributes {
        start.push_attribute((*key, visible(value).as_ref()));
    }
    start
}

/// A result in one line, with what a reader of a build log needs.
fn in_words(r: &ResultRow) -> String {
    let places = r.expanded_uncertainty.and_then(Places::of_uncertainty);
    let unit = number::unit_after(&one_line(&r.unit));
    let mut said = Vec::new();
    if let Some(m) = r.measured {
        said.push(format!("measured {}{unit}", number::value(m, places)));
    }
    said.extend(r.measured_text.iter().map(|t| format!("found {}", one_line(t))));
    if let Some(u) = r.expanded_uncertainty {
        let k =
            r.coverage_factor.map(|k| format!(" (k = {})", number::significant(k, 3))).unwrap_or_default();
        said.push(format!("U = {}{unit}{k}", number::uncertainty(u)));
    }
    said.extend(r.target.map(|t| format!("target {}{unit}", number::limit(t, places))));
    said.extend(r.target_text.iter().map(|t| format!("target {}", one_line(t))));
    said.extend(r.lower_limit.map(|l| format!("lower limit {}{unit}", number::limit(l, places))));
    said.extend(r.upper_limit.map(|l| format!("upper limit {}{unit}", number::limit(l, places))));
    said.join("; ")
}
