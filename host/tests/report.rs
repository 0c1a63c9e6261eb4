//! The reports of an invented run: the model as a file, and what stands on the page.

#![allow(clippy::unwrap_used, clippy::panic, clippy::expect_used)] // Only tests are built with this file.

mod report_example;

use proofstand::record::model::{AgreedRule, IntervalMethod, Run, RunKind, UncertaintyStatement, Verdict};
use proofstand::report::{self, ReportError};
use report_example::{acceptance, rehearsal};

/// Where the example stands as a file.
const FILE: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/data/example-run.json");
const MARK: &str = "REHEARSAL \u{2014} NOT EVIDENCE";

/// With `PROOFSTAND_BLESS` set, writes the example anew.
#[test]
fn the_example_file_is_the_example() {
    let made = report::json(&rehearsal()).unwrap();
    if std::env::var_os("PROOFSTAND_BLESS").is_some() {
        std::fs::write(FILE, &made).unwrap();
    }
    assert!(
        std::fs::read_to_string(FILE).unwrap() == made,
        "the example changed: run this test with PROOFSTAND_BLESS=1"
    );
}

#[test]
fn a_model_reads_back_as_it_was_written() {
    let back: Run = serde_json::from_str(&report::json(&rehearsal()).unwrap()).unwrap();
    assert!(back == rehearsal());
}

#[test]
fn a_plots_point_takes_one_line_of_the_file() {
    let text = report::json(&rehearsal()).unwrap();
    assert!(text.lines().any(|l| l.trim() == "[0.0, 0.0]," || l.trim().starts_with("[0.002, ")));
    assert!(text.lines().count() < 4000, "{}", text.lines().count());
}

/// RFC 8259, section 6: infinity and not-a-number can't be written.
#[test]
fn a_number_that_is_none_is_refused_with_its_place() {
    let mut run = rehearsal();
    run.checks[4].results[0].measured = Some(f64::NAN);
    match report::json(&run) {
        Err(ReportError::NotFinite { path, .. }) => assert_eq!(path, "checks[4].results[0].measured"),
        other => panic!("{other:?}"),
    }
    let mut run = rehearsal();
    run.checks[3].plots[0].panels[0].series[0].points[7][1] = f64::INFINITY;
    assert!(matches!(report::json(&run), Err(ReportError::NotFinite { .. })));
    // The page is made all the same: a report of a broken run is worth more than none.
    assert!(!report::html(&run).contains("inf "));
}

/// JSON Schema draft 2020-12 names its dialect by this address.
#[test]
fn the_schema_names_its_dialect_and_every_field_of_the_model() {
    let schema = serde_json::to_value(report::json_schema()).unwrap();
    assert_eq!(schema["$schema"], "https://json-schema.org/draft/2020-12/schema");
    let model = serde_json::to_value(rehearsal()).unwrap();
    for key in model.as_object().unwrap().keys() {
        assert!(schema["properties"].get(key).is_some(), "{key}");
        assert!(schema["required"].as_array().unwrap().iter().any(|r| r == key), "{key}");
    }
}

#[test]
fn a_rehearsal_says_so_in_every_checks_heading_and_on_paper() {
    let page = report::html(&rehearsal());
    for heading in page.split("<h3 id=\"check-").skip(1) {
        let heading = heading.split("</h3>").next().unwrap();
        assert!(heading.contains(MARK), "{heading}");
    }
    let marked = [
        "<div class=\"banner\" role=\"note\">REHEARSAL",
        "<div class=\"reh-strip\">REHEARSAL",
        "class=\"edge left\"",
        "class=\"edge right\"",
        "class=\"ghost\"",
        "@bottom-center{content:\"REHEARSAL",
        "<title>REHEARSAL",
    ];
    for part in marked {
        assert!(page.contains(part), "{part}");
    }
    // The strip is a table's head on paper, which browsers set again on every page.
    assert!(page.contains(".running{display:table-header-group"));
}

#[test]
fn an_acceptance_shows_nothing_of_a_rehearsal() {
    let page = report::html(&acceptance()).to_lowercase();
    for word in ["rehears", "not evidence", "class=\"edge", "class=\"ghost", "simulated"] {
        assert!(!page.contains(word), "{word}");
    }
}

#[test]
fn a_model_that_contradicts_itself_is_marked() {
    let mut simulated = acceptance();
    simulated.provenance.simulated = true;
    let mut faulty = acceptance();
    faulty.provenance.faults.push("gain-high".into());
    for run in [simulated, faulty] {
        assert_eq!(run.kind, RunKind::Acceptance);
        assert!(report::html(&run).contains(MARK));
        assert!(report::junit(&run).unwrap().contains(MARK));
    }
}

#[test]
fn the_page_loads_nothing_and_runs_nothing() {
    let page = report::html(&rehearsal()).to_lowercase();
    for part in [
        "<script",
        "http:",
        "https:",
        "//",
        "src=",
        "<link",
        "<iframe",
        "<object",
        "<embed",
        "@import",
        "url(",
        "javascript:",
    ] {
        assert!(!page.contains(part), "{part}");
    }
    for event in ["onload", "onclick", "onerror", "onmouseover"] {
        assert!(!page.contains(&format!(" {event}=")), "{event}");
    }
    for link in page.split("href=\"").skip(1) {
        let target = link.split('"').next().unwrap();
        let name = target.strip_prefix('#').unwrap_or_else(|| panic!("{target} leaves the page"));
        assert_eq!(page.matches(&format!("id=\"{name}\"")).count(), 1, "{name}");
    }
}

#[test]
fn every_part_of_the_model_is_on_the_page() {
    let run = rehearsal();
    let page = report::html(&run)
        .replace("&amp;", "&")
        .replace("&quot;", "\"")
        .replace("&lt;", "<")
        .replace("&gt;", ">");
    let mut texts: Vec<&str> = vec![&run.outcome.sentence, &run.axis.sheet_crc32, run.axis.sheet_text.trim()];
    texts.extend(run.cautions.iter().chain(&run.undo).chain(&run.provenance.warnings).map(String::as_str));
    texts.extend(run.axis.identity.iter().flat_map(|f| [f.label.as_str(), &f.value]));
    texts.extend(run.targets.iter().flat_map(|t| [t.name.as_str(), &t.note]));
    for d in &run.diagnoses {
        texts.extend([d.title.as_str(), &d.remedy]);
        texts.extend(d.evidence.iter().chain(&d.not_told_apart).map(String::as_str));
    }
    for c in &run.checks {
        texts.extend([c.title.as_str(), &c.shows]);
        texts.extend(c.not_done.iter().flat_map(|n| [n.why.as_str(), &n.would_allow]));
        texts.extend(c.results.iter().flat_map(|r| [r.name.as_str(), &r.sentence]));
        texts.extend(c.results.iter().flat_map(|r| r.budget.iter().map(|b| b.name.as_str())));
        texts.extend(c.steps.iter().flat_map(|s| [s.what.as_str(), &s.ended]));
        texts.extend(c.notes.iter().map(String::as_str));
        texts.extend(c.plots.iter().flat_map(|p| [p.title.as_str(), &p.description]));
        texts.extend(
            c.plots
                .iter()
                .flat_map(|p| p.lanes.iter().flat_map(|l| [l.name.as_str(), &l.high_label, &l.low_label])),
        );
        texts.extend(
            c.plots.iter().flat_map(|p| &p.panels).flat_map(|p| p.series.iter().map(|s| s.name.as_str())),
        );
        texts.extend(
            c.plots.iter().flat_map(|p| &p.panels).flat_map(|p| p.marks.iter().map(|m| m.name.as_str())),
        );
    }
    for text in texts {
        assert!(page.contains(text), "{text}");
    }
}

#[test]
fn a_verdict_is_told_by_word_and_shape() {
    let page = report::html(&rehearsal());
    for (word, class) in [
        ("Accepted", "accepted"),
        ("Undecided", "undecided"),
        ("Rejected", "rejected"),
        ("Not done", "not-done"),
    ] {
        assert!(page.contains(&format!("<span class=\"verdict {class}\"><svg class=\"sym\"")), "{class}");
        assert!(page.contains(&format!("</svg> {word}</span>")), "{word}");
    }
}

#[test]
fn numbers_are_rounded_to_their_uncertainty_on_the_page() {
    let page = report::html(&rehearsal());
    // 13.487 with U = 0.172, limits 11.875 and 13.125: GUM 7.2.6; the limits keep their digits.
    for cell in [
        "<td class=\"n big\">13.49</td><td class=\"n\">0.17</td><td class=\"n\">2.00</td>",
        "<td class=\"n\">11.875</td><td class=\"n\">13.125</td>",
        "<td class=\"n big\">\u{2212}0.06</td>",
    ] {
        assert!(page.contains(cell), "{cell}");
    }
}

#[test]
fn a_stopped_run_and_one_without_checks_make_a_page_too() {
    let mut run = acceptance();
    run.checks.clear();
    run.diagnoses.clear();
    run.targets.clear();
    run.outcome.verdict = Verdict::NotDone;
    run.outcome.stopped = Some("the port vanished 3 s into nudge".into());
    run.provenance.calibration_valid = false;
    let page = report::html(&run);
    for text in ["the port vanished 3 s into nudge", "No check was made.", "No valid calibration on the day."]
    {
        assert!(page.contains(text), "{text}");
    }
}

/// The page of a run with another rule, from "How the verdicts come about" on.
fn on_verdicts(rule: Option<AgreedRule>) -> String {
    let page = report::html(&Run { rule, ..acceptance() });
    let (_, after) = page.split_once("How the verdicts come about").unwrap();
    after.split_once("</section>").unwrap().0.to_owned()
}

#[test]
fn the_page_states_the_decision_rule_that_was_used_and_none_other() {
    let guarded = on_verdicts(Some(AgreedRule::Guarded));
    // ILAC-G8:09/2019, 4.2.3: w = U leaves at most 2.5 % at a limit; at two limits it is twice that at most.
    for said in [
        "a guard band w = U",
        "at most 2.5 % at each limit",
        "at most 5 %",
        "inside the limits by at least U",
    ] {
        assert!(guarded.contains(said), "{said}");
    }
    let simple = on_verdicts(Some(AgreedRule::Simple));
    for said in [
        "simple acceptance without a guard band",
        "up to 50 % at a limit",
        "</span></dt><dd>inside the limits</dd>",
    ] {
        assert!(simple.contains(said), "{said}\n{simple}");
    }
    let risk = on_verdicts(Some(AgreedRule::SpecificRisk { risk_percent: 12.5 }));
    for said in ["is at most 12.5 %, rejected", "outside the limits with a probability of at most 12.5 %"] {
        assert!(risk.contains(said), "{said}");
    }
    for other in [&simple, &risk] {
        for said in ["w = U", "2.5 % at", "by at least U", "within U"] {
            assert!(!other.contains(said), "{said}");
        }
    }
}

#[test]
fn a_record_of_a_program_that_did_not_write_the_rule_down_is_read_and_said_to_name_none() {
    let mut old = serde_json::to_value(acceptance()).unwrap();
    old.as_object_mut().unwrap().remove("rule").unwrap();
    let old: Run = serde_json::from_value(old).unwrap();
    assert_eq!(old.rule, None);
    let said = on_verdicts(old.rule);
    assert!(said.contains("does not say which decision rule") && !said.contains("w = U"), "{said}");
}

/// What the page says of traceability.
fn on_traceability(run: &Run) -> String {
    let page = report::html(run);
    let (_, after) = page.split_once("<dt>Traceability</dt>").unwrap();
    after.split_once("</dd>").unwrap().0.to_owned()
}

#[test]
fn traceability_is_what_the_record_states_and_of_a_rehearsal_none() {
    let mut run = acceptance();
    let said = on_traceability(&run);
    for fact in &run.provenance.traceability {
        assert!(said.contains(&format!("<b>{}: </b>", fact.label)), "{said}");
    }
    assert!(said.contains("no traceability is claimed") && !said.contains("data sheet"), "{said}");
    run.provenance.traceability.clear();
    assert!(on_traceability(&run).contains("This record states none, and none is claimed."));
    let simulated = on_traceability(&rehearsal());
    assert!(
        simulated.contains("None: every value was simulated.") && !simulated.contains("meter"),
        "{simulated}"
    );
}

#[test]
fn a_budget_s_head_states_what_the_gum_asks_for_beside_the_expanded_uncertainty() {
    // JCGM 100:2008, 7.2.3: u_c, ν_eff, k, the level of confidence and U.
    let head = |degrees_of_freedom: Option<f64>| {
        let mut run = rehearsal();
        let row = run
            .checks
            .iter_mut()
            .flat_map(|c| &mut c.results)
            .find(|r| r.id == "command-scale.gain")
            .unwrap();
        row.statement = Some(UncertaintyStatement {
            standard_uncertainty: 0.0861,
            degrees_of_freedom,
            coverage_percent: 95.0,
            interval: IntervalMethod::Gum,
            sentence: "Most of it is: inertia.".into(),
        });
        let page = report::html(&run);
        let (_, after) = page.split_once("class=\"of\"><th scope=\"rowgroup\" colspan=\"10\">Gain<").unwrap();
        after.split_once("</th>").unwrap().0.to_owned()
    };
    let said = head(Some(18.7));
    let want = "u<sub>c</sub> = 0.086\u{a0}%/V, \u{3bd}<sub>eff</sub> = 18, k = 2.00, p = 95\u{a0}%, U = 0.17\u{a0}%/V";
    assert!(said.contains(want), "{said}");
    assert!(head(None).contains("\u{3bd}<sub>eff</sub> = \u{221e}"));
    assert!(head(Some(4321.0)).contains("\u{3bd}<sub>eff</sub> &gt; 1000"));
}
