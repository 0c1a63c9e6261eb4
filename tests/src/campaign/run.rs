//! Makes trials on all cores, writes down each as it comes, and goes on where it was cut off.

use std::collections::HashMap;
use std::fs::OpenOptions;
use std::hash::{DefaultHasher, Hash as _, Hasher as _};
use std::io::{BufRead as _, Write as _};
use std::path::Path;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::mpsc::channel;

use super::trial::{Came, Trial};
use crate::bench::Failure;

/// The file of what came, in a campaign's folder.
pub const CAME: &str = "trials.jsonl";

/// What came of each trial that was made, in the order of `trials`. Those that are already in the folder are not made
/// again if this very program made them. A trial that the axis can't have is left out.
///
/// `each` is told of every one that comes: how many are done, of how many.
///
/// # Errors
/// If the folder can't be used, or a trial could not be made for want of one.
pub fn run(
    trials: &[Trial],
    folder: &Path,
    each: &(dyn Fn(usize, usize, &Trial) + Sync),
) -> Result<Vec<Came>, Failure> {
    std::fs::create_dir_all(folder)?;
    let path = folder.join(CAME);
    let build = build()?;
    let mut came = earlier(&path, &build)?;
    let left: Vec<&Trial> = trials.iter().filter(|t| !came.contains_key(&t.key())).collect();
    let mut file = OpenOptions::new().create(true).append(true).open(&path)?;
    if file.metadata()?.len() == 0 {
        writeln!(file, "{}", serde_json::to_string(&build)?)?;
    } else {
        // A line that was cut stays by itself.
        writeln!(file)?;
    }
    let next = AtomicUsize::new(0);
    let (send, receive) = channel();
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    std::thread::scope(|scope| -> Result<(), Failure> {
        for _ in 0..cores {
            let (send, next, left) = (send.clone(), &next, &left);
            scope.spawn(move || {
                while let Some(trial) = left.get(next.fetch_add(1, Ordering::Relaxed)) {
                    let made = trial.make().map_err(|e| e.to_string());
                    if send.send((*trial, made)).is_err() {
                        return;
                    }
                }
            });
        }
        drop(send);
        for (done, (trial, made)) in receive.iter().enumerate() {
            let made = made?;
            writeln!(file, "{}", serde_json::to_string(&(trial.key(), &made))?)?;
            came.insert(trial.key(), made);
            each(done + 1, left.len(), trial);
        }
        Ok(())
    })?;
    Ok(trials.iter().filter_map(|t| came.remove(&t.key()).flatten()).collect())
}

/// Which program this is: another one would come to other results.
fn build() -> Result<String, Failure> {
    let mut hasher = DefaultHasher::new();
    std::fs::read(std::env::current_exe()?)?.hash(&mut hasher);
    Ok(format!("program {:016x}", hasher.finish()))
}

/// What an earlier campaign in this folder wrote. Its last line may be cut.
fn earlier(path: &Path, build: &str) -> Result<HashMap<String, Option<Came>>, Failure> {
    let Ok(file) = std::fs::File::open(path) else { return Ok(HashMap::new()) };
    let mut lines = std::io::BufReader::new(file).lines();
    let Some(first) = lines.next().transpose()? else { return Ok(HashMap::new()) };
    if serde_json::from_str::<String>(&first).ok().as_deref() != Some(build) {
        return Err(format!(
            "{} is of another build of this program: delete it, or choose another folder with --out",
            path.display()
        )
        .into());
    }
    let mut all = HashMap::new();
    for line in lines {
        if let Ok((key, came)) = serde_json::from_str::<(String, Option<Came>)>(&line?) {
            all.insert(key, came);
        }
    }
    Ok(all)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_campaign_goes_on_after_a_cut_and_refuses_what_another_program_made() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join(CAME);
        let trial = |seed| Trial { axis: 0, fault: None, noise: 0.0, seed };
        let line = |t: &Trial| serde_json::to_string(&(t.key(), Some(Came::nothing(t)))).unwrap();
        let whole =
            [serde_json::to_string(&build().unwrap()).unwrap(), line(&trial(1)), line(&trial(2))].join("\n");
        // Killed at any byte of the last line: what was whole is there, and nothing is made twice.
        for cut in [1, 20, line(&trial(2)).len() - 1] {
            std::fs::write(&path, &whole[..whole.len() - cut]).unwrap();
            let all = earlier(&path, &build().unwrap()).unwrap();
            assert!(all.contains_key(&trial(1).key()) && all.len() == 1, "{all:?}");
            let came = run(&[trial(1)], folder.path(), &|_, _, _| panic!("made again")).unwrap();
            assert_eq!(came, [Came::nothing(&trial(1))]);
        }
        assert!(earlier(&path, "program of yesterday").is_err());
    }
}
