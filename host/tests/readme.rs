//! The README's commands run, end with the exit codes it says, and print what it shows.

#![allow(clippy::unwrap_used)] // Only tests are built with this file.

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

const README: &str = include_str!("../../README.md");

/// A command of the README and what is shown of its output.
struct Shown {
    command: String,
    code: i32,
    lines: Vec<&'static str>,
}

/// Every `$` line of the blocks marked `console`, in order.
fn commands() -> Vec<Shown> {
    let mut all: Vec<Shown> = Vec::new();
    let mut inside = false;
    for line in README.lines() {
        match line {
            "```console" => inside = true,
            "```" => inside = false,
            _ if !inside => {}
            _ => match line.strip_prefix("$ ") {
                Some(command) => {
                    let (command, code) = command.split_once(" # exit code ").unwrap_or((command, "0"));
                    all.push(Shown {
                        command: command.to_owned(),
                        code: code.parse().unwrap(),
                        lines: Vec::new(),
                    });
                }
                None if line.trim().is_empty() => {}
                None => all.last_mut().unwrap().lines.push(line),
            },
        }
    }
    all
}

fn copy(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).unwrap();
    for entry in std::fs::read_dir(from).unwrap() {
        let entry = entry.unwrap();
        let to = to.join(entry.file_name());
        if entry.file_type().unwrap().is_dir() {
            copy(&entry.path(), &to);
        } else {
            std::fs::copy(entry.path(), to).unwrap();
        }
    }
}

fn newest_run(folder: &Path) -> Option<String> {
    let runs = std::fs::read_dir(folder.join("runs")).ok()?.map(|e| e.unwrap().path());
    let newest: PathBuf = runs.max_by_key(|p| p.metadata().unwrap().created().unwrap())?;
    Some(format!("runs/{}", newest.file_name().unwrap().to_str().unwrap()))
}

fn words(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

#[test]
fn the_walk_through_the_whole_job_can_be_walked() {
    let root = tempfile::tempdir().unwrap();
    copy(&Path::new(env!("CARGO_MANIFEST_DIR")).join("sheets"), &root.path().join("host/sheets"));
    let mut at = root.path().to_owned();
    let mut path = vec![Path::new(env!("CARGO_BIN_EXE_proofstand")).parent().unwrap().to_owned()];
    path.extend(std::env::split_paths(&std::env::var_os("PATH").unwrap_or_default()));
    let path = std::env::join_paths(path).unwrap();
    let all = commands();
    assert!(all.len() > 12, "the README has only {} commands", all.len());
    for shown in all {
        if let Some(folder) = shown.command.strip_prefix("cd ") {
            at = at.join(folder).canonicalize().unwrap();
            continue;
        }
        let mut command = shown.command.clone();
        if let Some(run) = newest_run(root.path()) {
            command = command.replace("runs/RUN", &run);
        }
        let ended = Command::new("sh")
            .args(["-c", &command])
            .current_dir(&at)
            .env("PATH", &path)
            .env("NO_COLOR", "1")
            .stdin(Stdio::null())
            .output()
            .unwrap();
        let printed =
            format!("{}\n{}", String::from_utf8_lossy(&ended.stdout), String::from_utf8_lossy(&ended.stderr));
        if command.starts_with("proofstand accept") {
            // No fixture is here: the command is good up to the person whom it needs.
            assert_eq!(ended.status.code(), Some(2), "{command}: {printed}");
            assert!(printed.contains("a person has to answer"), "{command}: {printed}");
            continue;
        }
        assert_eq!(ended.status.code(), Some(shown.code), "{command}: {printed}");
        let printed = words(&printed);
        for line in shown.lines {
            assert!(printed.contains(&words(line)), "{command} does not print `{line}`:\n{printed}");
        }
    }
    for file in ["wiring.svg", "labels.txt"] {
        assert!(root.path().join(file).exists(), "{file}");
    }
    let drawn = std::fs::read_to_string(root.path().join("wiring.svg")).unwrap();
    assert_eq!(drawn, include_str!("../sheets/film-winder-wiring.svg"), "the README's picture is an old one");
}
