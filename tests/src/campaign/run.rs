//! Makes trials on all cores, writes down each as it comes, and goes on where it was cut off.

use std::collections::HashMap;
use std::fs::OpenOptions;
use std::io::{BufRead as _, Write as _};
use std::path::Path;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::mpsc::channel;

use super::trial::{Came, Trial};
use crate::bench::Failure;

/// The file of what came, in a campaign's folder.
pub const CAME: &str = "trials.jsonl";

/// What came of each trial that was made, in the order of `trials`. Those that are already in the folder are not made
/// again. A trial that the axis can't have is left out.
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
    let mut came = earlier(&path)?;
    let left: Vec<&Trial> = trials.iter().filter(|t| !came.contains_key(&t.key())).collect();
    let mut file = OpenOptions::new().create(true).append(true).open(&path)?;
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

/// What an earlier campaign in this folder wrote. Its last line may be cut.
fn earlier(path: &Path) -> Result<HashMap<String, Option<Came>>, Failure> {
    let Ok(file) = std::fs::File::open(path) else { return Ok(HashMap::new()) };
    let mut all = HashMap::new();
    for line in std::io::BufReader::new(file).lines() {
        if let Ok((key, came)) = serde_json::from_str::<(String, Option<Came>)>(&line?) {
            all.insert(key, came);
        }
    }
    Ok(all)
}
