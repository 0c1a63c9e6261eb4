//! `junit.xml` against the two schemas in common use, as `tests/reference/junit-xml.toml` has them: the one of the Apache
//! Ant task (windyroad/JUnit-Schema) and the one of Jenkins' xunit plug-in (junit-10.xsd).

#![allow(clippy::unwrap_used, clippy::panic, clippy::expect_used)] // Only tests are built with this file.

mod report_example;
mod report_xml;

use proofstand::record::model::{NotDone, Verdict};
use proofstand::report::{self, ReportError};
use report_example::{acceptance, rehearsal};
use report_xml::{Facts, parse, schemas};

const SAMPLE: &str = include_str!("../../tests/reference/junit-sample-valid.xml");

/// Makes a variation of the sample.
type Change<'a> = &'a dyn Fn(&str) -> String;

/// The checker is itself held against what the real schemas said of a sample and its variations.
#[test]
fn the_checker_says_what_the_schemas_said_of_every_variation() {
    let facts = Facts::read();
    let variations: &[(&str, Change)] = &[
        ("sample as written", &|s| s.to_owned()),
        ("timestamp with Z", &|s| s.replace("T23:59:59\"", "T23:59:59Z\"")),
        ("attributes on testsuites", &|s| s.replace("<testsuites>", "<testsuites name=\"a\" tests=\"4\">")),
        ("properties element missing", &|s| {
            let (before, after) = (s.find("<properties>").unwrap(), s.find("</properties>").unwrap());
            format!("{}{}", &s[..before], &s[after + "</properties>".len()..])
        }),
        ("system-out missing", &|s| s.replace("<system-out></system-out>", "")),
        ("properties inside testcase", &|s| s.replace("<skipped/>", "<properties/>")),
        ("system-out inside testcase", &|s| s.replace("<skipped/>", "<system-out>x</system-out>")),
        ("message attribute on skipped", &|s| s.replace("<skipped/>", "<skipped message=\"why\"/>")),
        ("time in exponent notation", &|s| s.replace("time=\"0.250\"", "time=\"2.5e-1\"")),
    ];
    let known = facts.validated();
    assert_eq!(known.len(), variations.len());
    for (change, ant, jenkins) in known {
        let (_, vary) = variations.iter().find(|(n, _)| *n == change).unwrap_or_else(|| panic!("{change}"));
        let text = vary(SAMPLE);
        assert!(change == "sample as written" || text != SAMPLE, "{change} changes nothing");
        let root = parse(&text).unwrap();
        assert_eq!(facts.ant(&root).is_ok(), ant, "{change}: {:?}", facts.ant(&root));
        assert_eq!(facts.jenkins(&root).is_ok(), jenkins, "{change}: {:?}", facts.jenkins(&root));
    }
}

#[test]
fn the_file_is_valid_in_both_schemas() {
    let facts = Facts::read();
    for run in [rehearsal(), acceptance()] {
        let root = parse(&report::junit(&run).unwrap()).unwrap();
        facts.ant(&root).unwrap();
        facts.jenkins(&root).unwrap();
    }
}

#[test]
fn counts_of_a_suite_are_counts_of_its_cases() {
    let root = parse(&report::junit(&rehearsal()).unwrap()).unwrap();
    assert_eq!(root.children.len(), 1 + rehearsal().checks.len());
    for suite in &root.children {
        let cases: Vec<_> = suite.children.iter().filter(|c| c.name == "testcase").collect();
        let with = |name: &str| {
            cases.iter().filter(|c| c.children.iter().any(|x| x.name == name)).count().to_string()
        };
        assert_eq!(suite.attribute("tests"), cases.len().to_string());
        assert_eq!(suite.attribute("failures"), with("failure"));
        assert_eq!(suite.attribute("errors"), with("error"));
        assert_eq!(suite.attribute("skipped"), with("skipped"));
        let sum: f64 = cases.iter().map(|c| c.attribute("time").parse::<f64>().unwrap()).sum();
        assert!((suite.attribute("time").parse::<f64>().unwrap() - sum).abs() < 1e-9);
    }
}

/// Of `junit-xml.toml`: failure, a check did not hold; error, it could not be carried out.
#[test]
fn a_rejected_result_fails_an_undecided_one_errs_and_one_not_done_is_skipped() {
    let root = parse(&report::junit(&rehearsal()).unwrap()).unwrap();
    let end = |name: &str| {
        let case =
            root.cases().find(|c| c.attribute("name").contains(name)).unwrap_or_else(|| panic!("{name}"));
        case.children.first().map(|c| (c.name.clone(), c.attribute("type").to_owned()))
    };
    assert_eq!(end("command-scale.gain"), Some(("failure".into(), "rejected".into())));
    assert_eq!(end("cap-flag.delay"), Some(("error".into(), "undecided".into())));
    assert_eq!(end("Line count, fast"), Some(("skipped".into(), String::new())));
    assert_eq!(end("command-scale.offset"), None);
    assert_eq!(end("outcome of the run"), Some(("failure".into(), "rejected".into())));
}

#[test]
fn a_run_with_a_check_left_out_is_never_all_green() {
    let mut run = acceptance();
    run.checks.retain(|c| c.verdict == Verdict::Accepted || c.verdict == Verdict::NotDone);
    run.outcome.verdict = Verdict::Undecided;
    run.outcome.sentence = "One check was not done.".into();
    let root = parse(&report::junit(&run).unwrap()).unwrap();
    let whole = root.cases().next().unwrap();
    assert_eq!(whole.children[0].name, "error");
}

#[test]
fn a_run_that_stopped_says_why_and_a_check_without_results_is_not_lost() {
    let mut run = acceptance();
    run.outcome.verdict = Verdict::Undecided;
    run.outcome.stopped = Some("trip: overspeed".into());
    run.checks[0].results.clear();
    run.checks[0].verdict = Verdict::Rejected;
    run.checks[0].not_done = Some(NotDone {
        why: "The fixture tripped.".into(),
        would_allow: "Mend the wiring.".into(),
        shown_also_by: None,
    });
    let text = report::junit(&run).unwrap();
    let root = parse(&text).unwrap();
    Facts::read().ant(&root).unwrap();
    assert_eq!(root.cases().next().unwrap().children[0].attribute("type"), "stopped");
    assert!(text.contains("The fixture tripped. What would allow it: Mend the wiring."));
}

#[test]
fn a_rehearsal_is_named_in_suites_cases_output_and_properties() {
    let root = parse(&report::junit(&rehearsal()).unwrap()).unwrap();
    for suite in &root.children {
        assert!(suite.attribute("name").starts_with("REHEARSAL \u{2014} NOT EVIDENCE"));
        assert!(suite.child("system-out").text.starts_with("REHEARSAL \u{2014} NOT EVIDENCE"));
        let properties = suite.child("properties");
        for name in ["REHEARSAL", "seed", "fault", "serial.controller", "serial.analog_board"] {
            assert!(properties.children.iter().any(|p| p.attribute("name") == name), "{name}");
        }
    }
    for case in root.cases() {
        assert!(case.attribute("classname").contains("REHEARSAL"));
    }
    assert!(!report::junit(&acceptance()).unwrap().to_lowercase().contains("rehears"));
}

/// Instants of RFC 3339, section 5.8: 1996-12-19T16:39:57-08:00 is 1996-12-20T00:39:57Z.
#[test]
fn the_start_is_given_in_utc_without_zone() {
    let mut run = acceptance();
    run.started = "1996-12-19T16:39:57-08:00".into();
    let root = parse(&report::junit(&run).unwrap()).unwrap();
    assert_eq!(root.children[0].attribute("timestamp"), "1996-12-20T00:39:57");
}

#[test]
fn a_start_that_is_no_time_is_refused() {
    for wrong in ["", "yesterday", "2026-03-04", "2026-03-04T09:12:44"] {
        let mut run = acceptance();
        run.started = wrong.into();
        assert!(matches!(report::junit(&run), Err(ReportError::Started { .. })), "{wrong}");
    }
}

/// The same facts written as XML Schema, judged by a validator that is not ours.
#[test]
#[ignore = "needs xmllint"]
fn xmllint_finds_the_file_valid_in_both_schemas() {
    let folder = tempfile::tempdir().unwrap();
    for (name, schema) in schemas(&Facts::read()) {
        let xsd = folder.path().join(format!("{name}.xsd"));
        std::fs::write(&xsd, schema).unwrap();
        let valid = |text: &str| {
            let xml = folder.path().join("junit.xml");
            std::fs::write(&xml, text).unwrap();
            let done = std::process::Command::new("xmllint")
                .args(["--noout", "--nonet", "--schema"])
                .args([&xsd, &xml])
                .output()
                .expect("xmllint must be installed for this test");
            (done.status.success(), String::from_utf8_lossy(&done.stderr).into_owned())
        };
        for text in
            [report::junit(&rehearsal()).unwrap(), report::junit(&acceptance()).unwrap(), SAMPLE.to_owned()]
        {
            let (fine, said) = valid(&text);
            assert!(fine, "{name}: {said}");
        }
        let broken = SAMPLE.replace("time=\"0.250\"", "time=\"2.5e-1\"");
        assert!(!valid(&broken).0, "{name} accepts anything");
    }
}
