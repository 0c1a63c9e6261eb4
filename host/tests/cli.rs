//! The command line as people meet it: help, refusals, re-tests, handover.

#![allow(clippy::unwrap_used, clippy::panic)] // Only tests are built with this file.

use std::path::{Path, PathBuf};

use assert_cmd::Command;
use predicates::prelude::PredicateBooleanExt as _;
use predicates::str::contains;
use proofstand::record::model::{CheckRecord, FollowWhy, Run, Verdict};
use proofstand::record::{JOURNAL, MODEL, read_run};

const SHEET: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/sheets/film-winder.toml");
const VERBS: &[&str] = &[
    "targets",
    "rehearse",
    "accept",
    "report",
    "handover",
    "export",
    "compare",
    "ports",
    "wiring",
    "settings",
    "schema",
    "completions",
    "man",
];

fn proofstand(folder: &Path) -> Command {
    let mut command = Command::cargo_bin("proofstand").unwrap();
    command.current_dir(folder).env("NO_COLOR", "1");
    command
}

fn newest(folder: &Path) -> PathBuf {
    let runs = std::fs::read_dir(folder.join("runs")).unwrap().map(|e| e.unwrap().path());
    runs.max_by_key(|p| p.metadata().unwrap().created().unwrap()).unwrap()
}

/// Rehearses and gives the run's folder.
fn rehearse(folder: &Path, code: i32, more: &[&str]) -> PathBuf {
    proofstand(folder).args(["rehearse", SHEET]).args(more).assert().code(code);
    newest(folder)
}

#[test]
fn every_verbs_help_says_what_it_does_and_fits_eighty_columns() {
    let folder = tempfile::tempdir().unwrap();
    for verb in VERBS {
        let out = proofstand(folder.path()).args([verb, "--help"]).env("COLUMNS", "80").assert().success();
        let text = String::from_utf8(out.get_output().stdout.clone()).unwrap();
        assert!(text.contains("Usage: proofstand"), "{verb}: {text}");
        assert!(!text.contains('\u{1b}'), "{verb} colours its help under NO_COLOR");
        let widest = text.lines().map(|l| l.chars().count()).max().unwrap();
        assert!(widest <= 80, "{verb}: {widest} columns");
    }
    let all = proofstand(folder.path()).arg("--help").assert().success();
    let text = String::from_utf8(all.get_output().stdout.clone()).unwrap();
    for verb in VERBS {
        assert!(text.contains(&format!("\n  {verb} ")), "{verb} is not in the list:\n{text}");
    }
}

#[test]
fn the_verbs_that_people_begin_with_have_examples() {
    let folder = tempfile::tempdir().unwrap();
    for verb in VERBS {
        proofstand(folder.path()).args([*verb, "--help"]).assert().success().stdout(contains("Example"));
    }
}

#[test]
fn checks_and_faults_are_in_help_in_completions_and_in_their_own_list() {
    let folder = tempfile::tempdir().unwrap();
    for verb in ["rehearse", "accept", "compare"] {
        let out = proofstand(folder.path()).args([verb, "--help"]).env("COLUMNS", "80").assert().success();
        let text = String::from_utf8(out.get_output().stdout.clone()).unwrap();
        for check in ["speed-cap", "retention", "rotor-swing"] {
            assert!(text.contains(&format!("- {check}:")), "{verb}: {check}\n{text}");
        }
        assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
    }
    for shell in ["bash", "zsh", "fish"] {
        let out = proofstand(folder.path()).args(["completions", shell]).assert().success();
        let text = String::from_utf8(out.get_output().stdout.clone()).unwrap();
        for name in ["rotor-swing", "gain-doubled", "change-over-open"] {
            assert!(text.contains(name), "{shell}: {name}");
        }
    }
    // The list needs no sheet; a fault does.
    let list = proofstand(folder.path()).args(["rehearse", "--fault", "list"]).assert().code(0);
    list.stdout(contains("\ncap-drooping ")).stdout(contains("NAME=SIZE")).stdout(contains("shows nothing"));
    proofstand(folder.path())
        .args(["rehearse", "--fault", "gain-doubled"])
        .assert()
        .code(2)
        .stderr(contains("a sheet is needed"));
    proofstand(folder.path()).arg("rehearse").assert().code(2).stderr(contains("<SHEET>"));
    // A name that there is not goes on to where the nearest one is known, and a size to where it is read.
    proofstand(folder.path())
        .args(["rehearse", SHEET, "--only", "rotor-swin"])
        .assert()
        .code(2)
        .stderr(contains("Did you mean `rotor-swing`?"));
    rehearse(folder.path(), 3, &["--only", "fixture-self-check", "--fault", "offset=0.01"]);
}

#[test]
fn ports_are_listed_also_where_there_are_none() {
    let folder = tempfile::tempdir().unwrap();
    proofstand(folder.path()).arg("ports").assert().code(0);
    // One that is named is greeted, whatever it is; where nothing can answer that is said, and the code says so too.
    let missing = proofstand(folder.path()).args(["ports", "/dev/no-such-port"]).assert().code(4);
    missing.stdout(contains("/dev/no-such-port"));
}

#[test]
fn two_rehearsals_are_compared_and_every_line_says_what_they_are() {
    let folder = tempfile::tempdir().unwrap();
    let before = rehearse(folder.path(), 3, &["--only", "line-count-slow"]);
    let after = rehearse(folder.path(), 3, &["--only", "line-count-slow"]);
    let compare = |arguments: &[&str]| {
        let mut command = proofstand(folder.path());
        command.arg("compare").args([&before, &after]).args(arguments).env("COLUMNS", "80");
        command
    };
    let out = compare(&["--budget"]).assert().code(0);
    let text = String::from_utf8(out.get_output().stdout.clone()).unwrap();
    let lines: Vec<&str> = text.lines().filter(|line| !line.is_empty()).collect();
    assert!(lines.len() > 10 && text.contains("AGREES"), "{text}");
    for line in lines.iter().filter(|line| !line.starts_with("REHEARSAL ")) {
        // What goes on from the line before.
        assert!(line.starts_with(' '), "{line}");
    }
    let out = compare(&["--json"]).assert().code(0);
    let json: serde_json::Value = serde_json::from_slice(&out.get_output().stdout).unwrap();
    assert_eq!(json["kind"], "REHEARSAL");
    assert!(json["lines"].as_array().is_some_and(|lines| !lines.is_empty()));
    compare(&["--kelvin=-1"]).assert().code(2).stderr(contains("--kelvin"));
    compare(&["--only", "no-such"]).assert().code(2).stderr(contains("nothing was measured"));
    proofstand(folder.path())
        .arg("compare")
        .args([&before, &before])
        .assert()
        .code(2)
        .stderr(contains("same run"));
}

#[test]
fn completions_and_manual_pages_know_every_verb() {
    let folder = tempfile::tempdir().unwrap();
    for shell in ["bash", "zsh", "fish"] {
        let out = proofstand(folder.path()).args(["completions", shell]).assert().success();
        let text = String::from_utf8(out.get_output().stdout.clone()).unwrap();
        for verb in VERBS {
            assert!(text.contains(verb), "{shell}: {verb}");
        }
    }
    proofstand(folder.path()).args(["man", "pages"]).assert().success();
    for verb in VERBS {
        let page = folder.path().join(format!("pages/proofstand-{verb}.1"));
        let page = std::fs::read_to_string(page).unwrap();
        assert!(page.contains(".SH NAME"), "{verb}");
        // No option is broken in two, and an example is a line by itself: man(7), groff_man(7).
        assert!(page.contains("\n.nh\n"), "{verb}");
        assert!(
            page.contains("\n.SH EXAMPLE") && page.contains("\n.nf\n\\fB  proofstand "),
            "{verb}: {page}"
        );
    }
}

#[test]
fn manual_pages_take_no_other_file_s_place_and_follow_no_link() {
    let folder = tempfile::tempdir().unwrap();
    let page = folder.path().join("proofstand-accept.1");
    let man = || proofstand(folder.path()).args(["man", "."]).assert();
    man().code(0).stdout(contains("man -l ./proofstand.1"));
    // Once more replaces them.
    man().code(0);
    std::fs::write(&page, "the first of my notes").unwrap();
    std::fs::remove_file(folder.path().join("proofstand.1")).unwrap();
    man().code(2).stderr(contains("is not a manual page")).stderr(contains("nothing was written"));
    assert_eq!(std::fs::read_to_string(&page).unwrap(), "the first of my notes");
    assert!(!folder.path().join("proofstand.1").exists());
}

#[test]
fn bad_usage_ends_with_2_says_what_would_be_right_and_writes_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let cases: &[(&[&str], &str)] = &[
        (&["rehearse", "no-such.toml"], "no-such.toml"),
        (&["rehearse", SHEET, "--only", "nuge"], "Did you mean `nudge`?"),
        (&["rehearse", SHEET, "--fault", "gain-dubled"], "gain-doubled"),
        (&["rehearse", SHEET, "--again", "runs/x"], "--only"),
        (&["rehearse", SHEET, "--resume", "runs/x"], "runs/x"),
        (&["accept", SHEET, "--port", "x"], "standard input is no terminal"),
        (&["accept", SHEET, "--port", "x", "--unattended"], "--cautions-kept"),
        (&["accept", SHEET, "--port", "x", "--identity", "motor"], "KEY=VALUE"),
        (&["accept", SHEET], "--port"),
        (&["report", "runs/x"], "runs/x"),
        (&["export", "runs/x"], "--csv"),
        (&["export", "runs/x", "--csv"], "runs/x"),
        (&["handover", "runs/x", "--done", "1"], "--by"),
        (&["handover", "runs/x"], "runs/x"),
    ];
    for (arguments, says) in cases {
        proofstand(folder.path()).args(*arguments).assert().code(2).stderr(contains(*says));
    }
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0);
}

#[test]
fn what_is_no_run_s_folder_is_told_what_one_is_and_which_may_be_meant() {
    let folder = tempfile::tempdir().unwrap();
    for arguments in [&["report", "nosuch"][..], &["export", "nosuch", "--csv"], &["handover", "nosuch"]] {
        proofstand(folder.path())
            .args(arguments)
            .assert()
            .code(2)
            .stderr(contains("nosuch: there is no such folder."))
            .stderr(contains("is made by `proofstand rehearse` and `proofstand accept`"))
            .stderr(contains("There is no run here yet: `proofstand rehearse SHEET` makes one"));
    }
    let run = rehearse(folder.path(), 3, &["--only", "fixture-self-check"]);
    let name = run.file_name().unwrap().to_str().unwrap().to_owned();
    let shortened = &name[..name.len() - 3];
    let file = run.join("report.html");
    for (given, says) in [
        ("nosuch", format!("The newest there is runs/{name}")),
        ("runs", format!("The newest there is runs/{name}")),
        (shortened, format!("Did you mean runs/{name}?")),
        (file.to_str().unwrap(), format!("The file's run is {}", run.display())),
    ] {
        proofstand(folder.path()).args(["report", given]).assert().code(2).stderr(contains(says));
    }
    // What follows a run, or cites one, says the same.
    for option in [&["--resume", "nosuch"][..], &["--direction-from", "nosuch"]] {
        proofstand(folder.path())
            .args(["rehearse", SHEET])
            .args(option)
            .assert()
            .code(2)
            .stderr(contains("there is no such folder"));
    }
}

fn nudge_of(run: &Run) -> &CheckRecord {
    run.checks.iter().find(|c| c.id == "nudge").unwrap()
}

#[test]
fn a_check_made_again_supersedes_its_result_visibly_whether_better_or_worse() {
    let folder = tempfile::tempdir().unwrap();
    let good = rehearse(folder.path(), 3, &["--only", "nudge"]);
    let good_id = read_run(&good).unwrap().id;
    // Worse.
    let again = ["--again", good.to_str().unwrap(), "--only", "nudge", "--fault", "direction-mirrored"];
    let worse = rehearse(folder.path(), 1, &again);
    let run = read_run(&worse).unwrap();
    assert_eq!(nudge_of(&run).verdict, Verdict::Rejected);
    let follows = run.follows.as_ref().unwrap();
    assert_eq!((follows.why, &follows.run), (FollowWhy::Again, &good_id));
    assert_eq!(follows.superseded[0].record.verdict, Verdict::Accepted);
    let page = std::fs::read_to_string(worse.join("report.html")).unwrap();
    assert!(page.contains("Superseded: these results count no more") && page.contains(&good_id));
    // Better again: both earlier ones stay.
    let again = ["--again", worse.to_str().unwrap(), "--only", "nudge"];
    proofstand(folder.path())
        .args(["rehearse", SHEET])
        .args(again)
        .assert()
        .code(3)
        .stdout(contains("Superseded").and(contains(&run.id)));
    let run = read_run(&newest(folder.path())).unwrap();
    let verdicts: Vec<Verdict> = run
        .follows
        .unwrap()
        .superseded
        .iter()
        .filter(|s| s.record.id == "nudge")
        .map(|s| s.record.verdict)
        .collect();
    assert_eq!(verdicts, [Verdict::Accepted, Verdict::Rejected]);
}

#[test]
fn results_against_another_sheet_are_not_put_together() {
    let folder = tempfile::tempdir().unwrap();
    let good = rehearse(folder.path(), 3, &["--only", "nudge"]);
    let other = folder.path().join("other.toml");
    let text = std::fs::read_to_string(SHEET).unwrap().replacen("rpm = 2000", "rpm = 1900", 1);
    std::fs::write(&other, text).unwrap();
    proofstand(folder.path())
        .args(["rehearse", other.to_str().unwrap(), "--only", "nudge", "--again", good.to_str().unwrap()])
        .assert()
        .code(2)
        .stderr(contains("the sheet is not the one of run"));
}

#[test]
fn results_of_another_unit_are_not_put_together_and_equipment_that_differs_is_named() {
    let folder = tempfile::tempdir().unwrap();
    let good = rehearse(folder.path(), 3, &["--only", "nudge"]);
    let path = good.to_str().unwrap();
    for (more, says) in [
        (["--identity", "amplifier-serial=OTHER-UNIT"], "Amplifier, serial number was \"SIMULATED-1\""),
        (["--identity", "amplifier-firmware=2.0"], "Amplifier, firmware was"),
        (["--seed", "2"], "Amplifier, serial number was"),
    ] {
        let mut command = proofstand(folder.path());
        command.args(["rehearse", SHEET, "--again", path, "--only", "nudge"]).args(more);
        command.assert().code(2).stderr(contains(says).and(contains("new acceptance")));
    }
    assert_eq!(newest(folder.path()), good, "nothing was written");
    // The same unit on another fixture.
    let model = std::fs::read_to_string(good.join(MODEL)).unwrap();
    let serial = read_run(&good).unwrap().provenance.controller_serial;
    std::fs::write(good.join(MODEL), model.replace(&serial, "00000000000000aa")).unwrap();
    let again = ["rehearse", SHEET, "--again", path, "--only", "fixture-self-check"];
    let out = proofstand(folder.path()).args(again).assert().code(3);
    out.stdout(
        contains("Measured otherwise").and(contains("fixture 00000000000000aa")).and(contains("Same unit")),
    );
    let page = std::fs::read_to_string(newest(folder.path()).join("report.html")).unwrap();
    assert!(page.contains("Measured otherwise") && page.contains("fixture 00000000000000aa"));
}

/// The journal of a finished run, cut after some lines, as a kill leaves it.
fn cut(run: &Path, to: &Path, keep: impl Fn(usize, &str) -> bool, tail: &str) -> PathBuf {
    std::fs::create_dir(to).unwrap();
    let journal = std::fs::read_to_string(run.join(JOURNAL)).unwrap();
    let kept: String =
        journal.lines().enumerate().take_while(|(n, l)| keep(*n, l)).map(|(_, l)| format!("{l}\n")).collect();
    std::fs::write(to.join(JOURNAL), kept + tail).unwrap();
    std::fs::copy(run.join("samples.bin"), to.join("samples.bin")).unwrap();
    to.to_owned()
}

#[test]
fn a_run_that_was_cut_off_is_reported_with_what_was_done_and_can_be_gone_on_with() {
    let folder = tempfile::tempdir().unwrap();
    let whole = rehearse(folder.path(), 3, &["--only", "line-count-slow"]);
    let made = read_run(&whole).unwrap();
    // Cut inside the line that would record the second check: the first stands.
    let seen = std::cell::Cell::new(0);
    let first_check_only = |_: usize, line: &str| {
        let check = line.contains("\"kind\":\"check\"");
        seen.set(seen.get() + usize::from(check));
        !(check && seen.get() == 2)
    };
    let broken =
        cut(&whole, &folder.path().join("broken"), first_check_only, "{\"at_us\":null,\"kind\":\"che");
    assert!(made.checks.len() >= 2);
    proofstand(folder.path())
        .args(["report", broken.to_str().unwrap()])
        .assert()
        .code(4)
        .stdout(contains("ends without an end").and(contains("1 lines of the journal can't be read")));
    let reported = read_run(&broken).unwrap();
    assert_eq!(reported.checks.len(), made.checks.len());
    assert_eq!(reported.checks[0], made.checks[0]);
    assert!(reported.checks[1..].iter().all(|c| c.verdict == Verdict::NotDone));
    assert_eq!(reported.targets, made.targets);

    proofstand(folder.path())
        .args(["rehearse", SHEET, "--resume", broken.to_str().unwrap()])
        .assert()
        .code(0);
    let resumed: Run = read_run(&newest(folder.path())).unwrap();
    // Also what had been left out of it.
    assert_eq!(resumed.outcome.accepted as usize, made.checks.len() + made.outcome.left_out.len());
    assert!(resumed.outcome.left_out.is_empty());
    assert_eq!(resumed.follows.unwrap().why, FollowWhy::Resume);

    // Nothing is left to go on with.
    proofstand(folder.path())
        .args(["rehearse", SHEET, "--resume", newest(folder.path()).to_str().unwrap()])
        .assert()
        .code(2)
        .stderr(contains("left nothing undone"));
}

#[test]
fn a_journal_that_never_opened_a_run_is_not_reported() {
    let folder = tempfile::tempdir().unwrap();
    let whole = rehearse(folder.path(), 3, &["--only", "nudge"]);
    for tail in ["", "\u{0}\u{0}", "{\"kind\":\"run\",\"data\":{}}\n"] {
        let to = folder.path().join(format!("empty-{}", tail.len()));
        let empty = cut(&whole, &to, |_, _| false, tail);
        proofstand(folder.path()).args(["report", empty.to_str().unwrap()]).assert().code(2);
        assert!(!empty.join(MODEL).exists());
    }
}

#[test]
fn what_must_be_undone_is_answered_for_by_name_before_handover() {
    let folder = tempfile::tempdir().unwrap();
    let run = rehearse(folder.path(), 0, &[]);
    let path = run.to_str().unwrap();
    let items = read_run(&run).unwrap().undo.len();
    assert!(items >= 2);
    let out = proofstand(folder.path()).args(["handover", path]).assert().code(3);
    out.stdout(contains("OPEN").and(contains("Not ready for handover")));
    proofstand(folder.path())
        .args(["handover", path, "--done", "99", "--by", "Kim"])
        .assert()
        .code(2)
        .stderr(contains("no line 99"));
    for n in 1..=items {
        let done = n.to_string();
        let code = if n == items { 0 } else { 3 };
        proofstand(folder.path())
            .args(["handover", path, "--done", &done, "--by", "Kim"])
            .assert()
            .code(code);
    }
    let after = read_run(&run).unwrap();
    assert_eq!(after.still_to_undo().count(), 0);
    assert!(after.undone.iter().all(|u| u.by == "Kim"));
    // The verdict is the bench's, not the handover's.
    assert_eq!(after.outcome.verdict, Verdict::Accepted);
    let page = std::fs::read_to_string(run.join("report.html")).unwrap();
    assert!(page.contains("Nothing is left to undo"));
    let journal = std::fs::read_to_string(run.join(JOURNAL)).unwrap();
    assert_eq!(journal.matches("\"kind\":\"undone\"").count(), items);
}

#[test]
fn a_part_of_an_acceptance_says_so_everywhere_and_accepts_no_axis() {
    let folder = tempfile::tempdir().unwrap();
    let only = ["rehearse", SHEET, "--only", "fixture-self-check"];
    let out = proofstand(folder.path()).args(only).assert().code(3);
    out.stdout(contains("UNDECIDED: ").and(contains("A PART: 1 of 15")).and(contains("Left out: ")));
    let part = newest(folder.path());
    let run = read_run(&part).unwrap();
    assert!(run.checks.iter().all(|c| c.verdict == Verdict::Accepted));
    assert!(run.outcome.left_out.iter().any(|l| l.check == "speed-cap"), "{:?}", run.outcome);
    let page = std::fs::read_to_string(part.join("report.html")).unwrap();
    assert!(page.contains("A PART: 1 of") && page.contains("Left out: ") && page.contains("Speed cap"));
    assert!(std::fs::read_to_string(part.join("junit.xml")).unwrap().contains("<error"));
    // With nothing left to undo it is still not ready.
    let path = part.to_str().unwrap();
    let mut all = vec!["handover".to_owned(), path.to_owned(), "--by".to_owned(), "Kim".to_owned()];
    for n in 1..=run.undo.len() {
        all.extend(["--done".to_owned(), n.to_string()]);
    }
    let handed = proofstand(folder.path()).args(&all).assert().code(3);
    handed.stdout(contains("Not ready for handover: the axis is UNDECIDED").and(contains("A PART")));
    // The rest makes it whole.
    let whole = rehearse(folder.path(), 0, &["--resume", path]);
    let whole = read_run(&whole).unwrap();
    assert_eq!(whole.outcome.verdict, Verdict::Accepted);
    assert!(whole.outcome.left_out.is_empty());
    assert!(whole.follows.unwrap().taken_over.iter().any(|t| t.check == "fixture-self-check"));
}

#[test]
fn swings_for_the_inertia_end_well_and_are_not_handed_over_as_an_acceptance() {
    let folder = tempfile::tempdir().unwrap();
    let run = rehearse(folder.path(), 0, &["--only", "rotor-swing"]);
    let made = read_run(&run).unwrap();
    assert_eq!(made.outcome.verdict, Verdict::NotDone, "{:?}", made.outcome);
    assert!(made.outcome.sentence.contains("A MEASUREMENT"), "{:?}", made.outcome);
    let mut all = vec!["handover".to_owned(), run.to_str().unwrap().to_owned()];
    all.extend(["--by".to_owned(), "Kim".to_owned()]);
    for n in 1..=made.undo.len() {
        all.extend(["--done".to_owned(), n.to_string()]);
    }
    proofstand(folder.path()).args(&all).assert().code(3).stdout(contains("A MEASUREMENT"));
}

#[test]
fn a_handover_is_answered_for_by_a_name() {
    let folder = tempfile::tempdir().unwrap();
    for by in ["y", "no", "ok", "s", "K"] {
        proofstand(folder.path())
            .args(["handover", "runs/x", "--done", "1", "--by", by])
            .assert()
            .code(2)
            .stderr(contains("the name of who says so"));
    }
}

#[test]
fn a_handover_without_a_terminal_says_how_to_answer() {
    let folder = tempfile::tempdir().unwrap();
    let run = rehearse(folder.path(), 3, &["--only", "lines"]);
    let path = run.to_str().unwrap();
    let out = proofstand(folder.path()).args(["handover", path]).assert().code(3);
    out.stdout(contains(format!("To answer: proofstand handover {path} --done NUMBER --by NAME")));
}

#[test]
fn a_key_of_the_unit_that_is_nearly_right_becomes_no_label() {
    let folder = tempfile::tempdir().unwrap();
    let mistyped = ["rehearse", SHEET, "--identity", "ampliifier-serial=3"];
    let out = proofstand(folder.path()).args(mistyped).assert().code(2);
    out.stderr(contains("Did you mean `amplifier-serial`?"));
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0);
}

#[test]
fn people_read_titles_where_the_command_line_has_names() {
    let folder = tempfile::tempdir().unwrap();
    let bad = ["rehearse", SHEET, "--only", "cap-flag", "--fault", "cap-not-set"];
    let out = proofstand(folder.path()).args(bad).assert().code(1);
    let said =
        String::from_utf8_lossy(&out.get_output().stdout).split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(said.contains("of \"Speed cap\" is rejected)"), "{said}");
    assert!(!said.contains("speed-cap.active"), "{said}");
    let run = newest(folder.path());
    let again = ["rehearse", SHEET, "--again", run.to_str().unwrap(), "--only", "nudge"];
    let out = proofstand(folder.path()).args(again).assert();
    let said = String::from_utf8_lossy(&out.get_output().stdout).into_owned();
    assert!(
        said.contains("Taken over: Counts per revolution, slowly from run")
            && !said.contains("Taken over: line-"),
        "{said}"
    );
}

/// A stop while a rehearsal runs: it has a record like any other run.
#[test]
#[cfg(unix)]
fn a_rehearsal_that_is_stopped_closes_its_record_and_says_how_to_go_on() {
    use std::io::BufRead as _;
    use std::process::Stdio;
    let folder = tempfile::tempdir().unwrap();
    let mut child = std::process::Command::new(env!("CARGO_BIN_EXE_proofstand"))
        .args(["rehearse", SHEET, "--seed", "2", "--runs", "all runs"])
        .current_dir(folder.path())
        .env("NO_COLOR", "1")
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut lines = std::io::BufReader::new(child.stderr.take().unwrap()).lines();
    assert!(lines.any(|line| line.unwrap().contains("[4/")));
    let kill = format!("kill -INT {}", child.id());
    assert!(std::process::Command::new("sh").args(["-c", &kill]).status().unwrap().success());
    // What it says further is read, so that it can say it.
    lines.for_each(drop);
    let ended = child.wait_with_output().unwrap();
    let said = String::from_utf8(ended.stdout).unwrap();
    assert_eq!(ended.status.code(), Some(4), "{said}");
    let run = std::fs::read_dir(folder.path().join("all runs")).unwrap().next().unwrap().unwrap().path();
    let model = read_run(&run).unwrap();
    assert!(model.outcome.stopped.as_ref().unwrap().contains("stopped on request"), "{:?}", model.outcome);
    assert_eq!(said.matches("the run had stopped").count(), 1, "said once: {said}");
    assert!(!said.contains("mend the cause"), "{said}");
    let hint = said.lines().find_map(|l| l.strip_prefix("To do what is left: proofstand ")).unwrap();
    // As it stands there, it can be pasted.
    let pasted = format!("'{}' {hint}", env!("CARGO_BIN_EXE_proofstand"));
    let again = std::process::Command::new("sh")
        .args(["-c", &pasted])
        .current_dir(folder.path())
        .stderr(Stdio::null())
        .output()
        .unwrap();
    assert_eq!(again.status.code(), Some(0), "{pasted}: {}", String::from_utf8_lossy(&again.stdout));
    assert_eq!(std::fs::read_dir(folder.path().join("all runs")).unwrap().count(), 2);
}

#[test]
fn what_nobody_had_thought_of_is_put_on_the_list_and_stays_open_in_the_runs_that_follow() {
    let folder = tempfile::tempdir().unwrap();
    let run = rehearse(folder.path(), 3, &["--only", "nudge", "--bench-change", "torque limit V-09 at 40 %"]);
    assert!(read_run(&run).unwrap().undo.iter().any(|u| u.contains("torque limit V-09 at 40 %")));
    let path = run.to_str().unwrap();
    proofstand(folder.path())
        .args(["handover", path, "--add", "jumper D7 to D0"])
        .assert()
        .code(3)
        .stdout(contains("jumper D7 to D0").and(contains("Not ready for handover")));
    let listed = read_run(&run).unwrap();
    assert!(std::fs::read_to_string(run.join("report.html")).unwrap().contains("jumper D7 to D0"));
    assert!(std::fs::read_to_string(run.join(JOURNAL)).unwrap().contains("undo_added"));
    let again = rehearse(folder.path(), 3, &["--again", path, "--only", "nudge"]);
    let after = read_run(&again).unwrap();
    for item in listed.undo.iter().filter(|u| u.starts_with("Changed at the bench")) {
        assert!(after.still_to_undo().any(|u| u == item), "{item}");
    }
}

#[test]
fn an_axis_that_is_rejected_is_not_ready_for_handover_with_nothing_left_to_undo() {
    let folder = tempfile::tempdir().unwrap();
    let run = rehearse(folder.path(), 1, &["--only", "nudge", "--fault", "direction-mirrored"]);
    let path = run.to_str().unwrap();
    let mut all = vec!["handover".to_owned(), path.to_owned(), "--by".to_owned(), "Kim".to_owned()];
    for n in 1..=read_run(&run).unwrap().undo.len() {
        all.extend(["--done".to_owned(), n.to_string()]);
    }
    proofstand(folder.path()).args(all).assert().code(1).stdout(
        contains("Nothing is left to undo").and(contains("Not ready for handover: the axis is REJECTED")),
    );
}

#[test]
fn what_was_built_on_a_check_made_again_is_made_again_too_or_marked() {
    let folder = tempfile::tempdir().unwrap();
    let whole = rehearse(folder.path(), 3, &["--only", "cap-flag"]);
    let path = whole.to_str().unwrap();
    let marked = rehearse(folder.path(), 3, &["--again", path, "--only", "speed-cap"]);
    let run = read_run(&marked).unwrap();
    let follows = run.follows.as_ref().unwrap();
    let taken = follows.taken_over.iter().find(|t| t.check == "cap-flag").unwrap();
    assert!(taken.rests_on.iter().any(|id| id == "speed-cap"), "{taken:?}");
    assert!(run.outcome.sentence.contains("rest on results that were made again since"), "{:?}", run.outcome);
    let page = std::fs::read_to_string(marked.join("report.html")).unwrap();
    assert!(page.contains("Resting on superseded results"));

    let with = rehearse(folder.path(), 3, &["--again", path, "--only", "speed-cap", "--with-dependents"]);
    let run = read_run(&with).unwrap();
    let follows = run.follows.unwrap();
    assert!(follows.taken_over.iter().all(|t| t.check != "cap-flag" && t.rests_on.is_empty()), "{follows:?}");
    assert!(follows.superseded.iter().any(|s| s.record.id == "cap-flag"));

    // Made again and rejected: what was built on it stands no more.
    let bad = ["--again", path, "--only", "speed-cap", "--fault", "cap-not-set"];
    let fallen = read_run(&rehearse(folder.path(), 1, &bad)).unwrap();
    let flag = fallen.checks.iter().find(|c| c.id == "cap-flag").unwrap();
    assert_eq!(flag.verdict, Verdict::NotDone);
    assert!(flag.not_done.as_ref().unwrap().why.contains("made again"), "{flag:?}");
}

#[test]
fn direction_is_taken_from_an_attended_record_of_the_same_unit_and_wiring_only() {
    let folder = tempfile::tempdir().unwrap();
    let nudge = ["--only", "nudge"];
    let seen = rehearse(folder.path(), 3, &nudge);
    let alone = rehearse(folder.path(), 3, &["--only", "nudge", "--unattended"]);
    let from = |run: &Path| {
        let run = run.to_str().unwrap().to_owned();
        ["--only", "nudge", "--unattended", "--direction-from"].map(str::to_owned).into_iter().chain([run])
    };
    let citing = |run: &Path, more: &[&str]| {
        let mut command = proofstand(folder.path());
        command.args(["rehearse", SHEET]).args(from(run)).args(more);
        command.assert()
    };
    citing(&seen, &[]).code(3);
    let cited = newest(folder.path());
    let run = read_run(&cited).unwrap();
    let row = nudge_of(&run).results.iter().find(|r| r.id == "nudge.direction").unwrap();
    assert_eq!(row.verdict, Verdict::Accepted);
    assert_eq!(row.measured_text.as_deref(), Some("counterclockwise, cited"));
    assert!(row.sentence.contains(&read_run(&seen).unwrap().id), "{}", row.sentence);
    assert!(nudge_of(&run).notes.iter().any(|n| n.contains("can't be seen from here")));

    // Another unit; nobody answered; only cited itself; no record.
    citing(&seen, &["--identity", "motor-serial=other"]).code(2).stderr(contains("another unit"));
    citing(&seen, &["--seed", "2"]).code(2).stderr(contains("another unit"));
    citing(&alone, &[]).code(2).stderr(contains("direction was not accepted"));
    citing(&cited, &[]).code(2).stderr(contains("nobody answered in it"));
    citing(&folder.path().join("none"), &[]).code(2).stderr(contains("can't be cited"));

    // A record whose model was changed afterwards.
    let forged = folder.path().join("forged");
    std::fs::create_dir(&forged).unwrap();
    std::fs::copy(alone.join(JOURNAL), forged.join(JOURNAL)).unwrap();
    let model = std::fs::read_to_string(seen.join(MODEL)).unwrap();
    std::fs::write(forged.join(MODEL), model).unwrap();
    citing(&forged, &[]).code(2).stderr(contains("do not say the same"));

    // One that was cut off.
    let cut_off = cut(&seen, &folder.path().join("cut"), |n, _| n < 5, "");
    citing(&cut_off, &[]).code(2).stderr(contains("not whole"));

    // Another sheet: other terminals, or another direction.
    let text = std::fs::read_to_string(SHEET).unwrap();
    for (was, is, says) in [
        ("phase_a = \"P1\"", "phase_a = \"P9\"", "another [wiring]"),
        ("positive_command_counts = \"up\"", "positive_command_counts = \"down\"", "another [direction]"),
    ] {
        assert!(text.contains(was));
        let other = folder.path().join("other.toml");
        std::fs::write(&other, text.replace(was, is)).unwrap();
        let mut command = proofstand(folder.path());
        command.arg("rehearse").arg(&other).args(from(&seen)).assert().code(2).stderr(contains(says));
    }
}

#[test]
fn what_is_printed_fits_where_there_is_no_terminal_and_where_the_reader_goes_away() {
    let folder = tempfile::tempdir().unwrap();
    let out = proofstand(folder.path()).args(["rehearse", SHEET]).assert().code(0);
    let text = String::from_utf8(out.get_output().stdout.clone()).unwrap();
    assert!(!text.contains('\u{1b}'));
    let widest = text.lines().map(|l| l.chars().count()).max().unwrap();
    assert!(widest <= 120, "{widest} columns");
    let piped = std::process::Command::new("sh")
        .args(["-c", &format!("'{}' targets '{SHEET}' | head -n 1", env!("CARGO_BIN_EXE_proofstand"))])
        .output()
        .unwrap();
    assert!(piped.stderr.is_empty(), "{}", String::from_utf8_lossy(&piped.stderr));
}

#[test]
fn what_the_uncertainty_leaves_undecided_is_named_before_anything_moves() {
    let folder = tempfile::tempdir().unwrap();
    let sheet = std::fs::read_to_string(SHEET).unwrap();
    let narrow = sheet.replace(
        "torque_gain_percent = 5.0",
        "torque_gain_percent = 0.8\ntorque_gain_read_out_percent = 0.9\ntorque_gain_display_percent = 0.2",
    );
    assert_ne!(narrow, sheet);
    let path = folder.path().join("narrow.toml");
    std::fs::write(&path, narrow).unwrap();
    let out = proofstand(folder.path()).arg("rehearse").arg(&path).assert();
    let said = String::from_utf8(out.get_output().stderr.clone()).unwrap();
    assert!(said.lines().any(|l| l.starts_with("REHEARSAL Not capable")), "{said}");
    let run = read_run(&newest(folder.path())).unwrap();
    for way in ["reversal", "read-out", "display"] {
        let start = format!("Not capable, torque gain by {way}:");
        let named = said.find(&start).unwrap_or_else(|| panic!("{start} {said}"));
        assert!(named < said.find("[1/").unwrap(), "before the first check: {said}");
        assert!(run.provenance.warnings.iter().any(|w| w.starts_with(&start)), "{start}");
    }
    let rows = run.checks.iter().flat_map(|c| &c.results);
    let gain: Vec<_> = rows.filter(|r| r.sentence.starts_with("not capable:")).collect();
    for id in ["command-scale.gain", "command-scale.gain-read-out", "command-scale.gain-display"] {
        assert!(gain.iter().any(|row| row.id == id), "{id}");
    }
    for row in gain {
        let half = (row.upper_limit.unwrap() - row.lower_limit.unwrap()) / 2.0;
        assert_eq!(row.verdict, Verdict::Undecided, "{}", row.id);
        assert!(row.expanded_uncertainty.unwrap() >= half, "{}", row.id);
        assert!(row.sentence.contains("as large as the tolerance"), "{}", row.sentence);
    }
    // With the tolerance of the sheet as it is, nothing is said.
    let out = proofstand(folder.path()).args(["rehearse", SHEET, "--only", "nudge"]).assert();
    assert!(!String::from_utf8_lossy(&out.get_output().stderr).contains("Not capable"));
}
