//! `handover`: what the bench left behind, and whether it is taken back.

use std::io::IsTerminal;
use std::path::{Path, PathBuf};

use super::go_on::quoted;
use super::person::{Keyboard, tell};
use super::run_folder::read;
use super::{show, stop};
use crate::exit::Exit;
use crate::record::model::{Run, Undone, Verdict};
use crate::record::{note_after, publish};

const EXAMPLES: &str = "\
Examples:
  proofstand handover runs/RUN
      Asks for each thing whether it is undone, and who says so; prints what is left.

  proofstand handover runs/RUN --done 1 --done 2 --by Kim
      The same without questions.

  proofstand handover runs/RUN --add 'jumper D7 to D0'
      Something that nobody had thought of: it is put on the list, and open.

Exit code 0 when the axis is accepted and nothing is left to undo, 3 while something is left; with nothing left, \
an axis that is not accepted gives its run's own exit code, and a part of an acceptance or a measurement gives 3.";

/// Go through what must be undone before handover: jumpers, bench limits, disc, end switches
///
/// The answers go into the run's record and reports. They change no verdict.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLES)]
pub struct Cmd {
    /// The run's folder
    #[arg(value_name = "RUN")]
    run: PathBuf,
    /// This line of the list is undone (repeatable)
    #[arg(long, value_name = "NUMBER", requires = "by")]
    done: Vec<usize>,
    /// Put something on the list that the bench left behind (repeatable)
    #[arg(long, value_name = "WHAT", value_parser = super::identity::bench_change)]
    add: Vec<String>,
    /// Who says so
    #[arg(long, value_name = "NAME", value_parser = super::answer::given_name)]
    by: Option<String>,
}

impl Cmd {
    /// Runs it.
    #[must_use]
    pub fn run(self) -> Exit {
        match self.hand_over() {
            Ok(exit) => exit,
            Err(message) => {
                tell(&format!("proofstand: {message}"), true);
                Exit::BadInput
            }
        }
    }

    fn hand_over(&self) -> Result<Exit, String> {
        let mut run = read(&self.run)?;
        let rehearsal = crate::report::is_rehearsal(&run);
        for what in &self.add {
            let item = crate::acceptance::changed_at_the_bench(what);
            if !run.undo.contains(&item) {
                note_after(&self.run, rehearsal, "undo_added", &item)
                    .map_err(|e| format!("can't write into {}: {e}", self.run.display()))?;
                run.undo.push(item);
            }
        }
        // What was added stands, whatever becomes of the answers.
        if !self.add.is_empty() {
            publish(&self.run, &run).map_err(|e| e.to_string())?;
        }
        let answers = self.answers(&run)?;
        for answer in answers {
            note_after(&self.run, rehearsal, "undone", &answer)
                .map_err(|e| format!("can't write into {}: {e}", self.run.display()))?;
            run.undone.push(answer);
        }
        publish(&self.run, &run).map_err(|e| e.to_string())?;
        show::out(&list(&run));
        if run.still_to_undo().next().is_some() && !std::io::stdin().is_terminal() {
            // Nobody was asked.
            show::out(&how_to_answer(&self.run));
        }
        Ok(match Exit::of(&run.outcome) {
            _ if run.still_to_undo().next().is_some() => Exit::Undecided,
            // A measurement was made as asked for, and accepts nothing.
            Exit::Accepted if run.outcome.verdict != Verdict::Accepted => Exit::Undecided,
            exit => exit,
        })
    }

    fn answers(&self, run: &Run) -> Result<Vec<Undone>, String> {
        let open: Vec<&str> = run.still_to_undo().collect();
        if !self.add.is_empty() && self.done.is_empty() {
            return Ok(Vec::new());
        }
        let word = |item: &str, by: &str| Undone {
            item: item.to_owned(),
            by: by.to_owned(),
            at: crate::acceptance::now(),
        };
        if let (false, Some(by)) = (self.done.is_empty(), &self.by) {
            let items = self.done.iter().map(|&n| {
                let item = n.checked_sub(1).and_then(|n| run.undo.get(n));
                item.ok_or_else(|| format!("the list has no line {n}; it has {}", run.undo.len()))
            });
            let items: Vec<&String> = items.collect::<Result<_, _>>()?;
            return Ok(items
                .into_iter()
                .filter(|item| open.contains(&item.as_str()))
                .map(|item| word(item, by))
                .collect());
        }
        if open.is_empty() || !std::io::stdin().is_terminal() {
            return Ok(Vec::new());
        }
        let stop = stop::asked().map_err(|e| format!("can't watch for Ctrl-C: {e}"))?;
        let keyboard = Keyboard::new(stop);
        let by = match &self.by {
            Some(by) => Some(by.clone()),
            None => keyboard.ask_name("Who answers? Name; s stops:"),
        };
        let Some(by) = by else { return Err("a record without a name is worth nothing".to_owned()) };
        let mut answers = Vec::new();
        for item in open {
            match keyboard.yes(&format!("{}\n  Done? y, n, or s to stop here:", show::wrapped("  ", item))) {
                Some(true) => answers.push(word(item, &by)),
                Some(false) => {}
                None => break,
            }
        }
        Ok(answers)
    }
}

/// What to type where there is no terminal to be asked at.
fn how_to_answer(run: &Path) -> String {
    let run = quoted(&run.display().to_string());
    format!(
        "To answer: proofstand handover {run} --done NUMBER --by NAME (--done once for each line that is undone),\nor the \
         same command in a terminal, without options: it asks.\n"
    )
}

/// The list with its answers.
fn list(run: &Run) -> String {
    let mut out = String::new();
    for (n, item) in run.undo.iter().enumerate() {
        let answer = run.undone.iter().find(|u| u.item == *item);
        let state = answer.map_or("OPEN".to_owned(), |u| format!("done, says {}", u.by));
        out.push_str(&show::wrapped(&format!("{:3}  ", n + 1), &format!("{item} {state}")));
        out.push('\n');
    }
    let verdict = run.outcome.verdict;
    out.push_str(&match run.still_to_undo().count() {
        0 => "Nothing is left to undo.\n".to_owned(),
        left => format!("Not ready for handover: {left} of {} left to undo.\n", run.undo.len()),
    });
    if verdict != Verdict::Accepted {
        let why = format!("the axis is {}. {}", verdict.word(), run.outcome.sentence);
        out.push_str(&show::wrapped("Not ready for handover: ", &why));
        out.push('\n');
    }
    out
}
