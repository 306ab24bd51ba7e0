//! Processes that are killed while they record, and disks that lose what was not synced when the power failed.
//!
//! The process that is killed is this program again. It records the same trial that is then recorded here once more to the
//! end, on the same virtual clock: what the killed one has left must be the beginning of that.

use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Command, ExitCode, Stdio};
use std::time::{Duration, Instant};

use drive::Contents;
use signal::{Recording, Sample};

use crate::dice::Dice;
use crate::trial::{self, Outcome, Trial};
use crate::{fault::Fault, machine};

/// Names the trial that a child of this program records, and where.
const TRIAL: &str = "CAMPAIGN_CHILD";
const FOLDER: &str = "CAMPAIGN_CHILD_FOLDER";
/// How long a child takes for a second of the drive: on its own it would be through before it could be killed.
const PACE_S: f64 = 0.1;

/// Records until it is killed, if this process is there for that.
pub(crate) fn child() -> Option<ExitCode> {
    let trial: Trial = std::env::var(TRIAL).ok()?.parse().ok()?;
    let folder = PathBuf::from(std::env::var_os(FOLDER)?);
    machine::tell_syncs();
    let outcome = trial::run_at(&trial, &folder, Some(PACE_S));
    Some(if outcome.broken.is_empty() { ExitCode::SUCCESS } else { ExitCode::FAILURE })
}

/// Kills a recording at some moment.
pub(crate) fn run(trial: &Trial, folder: &Path) -> Outcome {
    let (killed_in, whole_in) = (folder.join("killed"), folder.join("whole"));
    for folder in [&killed_in, &whole_in] {
        if let Err(error) = std::fs::create_dir_all(folder) {
            return Outcome { broken: vec![error.to_string()], ..Outcome::default() };
        }
    }
    let mut dice = Dice::new(trial.seed ^ 0x6B69_6C6C);
    let after = Duration::from_secs_f64(dice.between(0.05, 1.6));
    let is_power_cut = dice.chance(0.5);
    let n_synced = match kill_after(trial, &killed_in, after) {
        Ok(n_synced) => n_synced,
        Err(error) => return Outcome { broken: vec![error.to_string()], ..Outcome::default() },
    };
    // As the killed one would have been, to the end.
    let mut outcome = trial::run_at(trial, &whole_in, None);
    let killed = killed_in.join("drive.mcap");
    let Ok(whole) = Contents::read(&whole_in.join("drive.mcap")) else { return outcome };
    if is_power_cut && let Err(error) = cut(&killed, n_synced, &mut dice) {
        outcome.broken.push(error.to_string());
    }
    match (Contents::read(&killed), n_synced) {
        (Ok((left, _)), _) => compare(&left.recording, &whole.0.recording, &mut outcome),
        // Killed before anything was on the disk.
        (Err(_), 0) => {}
        (Err(error), _) => {
            outcome.broken.push(format!("{n_synced} bytes were synced, and the drive does not open: {error}"));
        }
    }
    check_synced(&killed, n_synced, &mut outcome);
    outcome
}

/// Starts the child, kills it `after` its drive has begun, and returns how many bytes of the drive it had said were synced.
fn kill_after(trial: &Trial, folder: &Path, after: Duration) -> std::io::Result<u64> {
    let mut child = Command::new(std::env::current_exe()?)
        .env(TRIAL, trial.to_string())
        .env(FOLDER, folder)
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()?;
    let Some(stdout) = child.stdout.take() else { return Err(std::io::Error::other("the child has no output")) };
    let (told, heard) = std::sync::mpsc::channel();
    let reader = std::thread::spawn(move || {
        for line in BufReader::new(stdout).lines().map_while(Result::ok) {
            let _ = told.send(line);
        }
    });
    let drive = folder.join("drive.mcap").display().to_string();
    let mut n_synced = 0;
    let mut hear = |line: &str| {
        let words: Vec<&str> = line.splitn(3, ' ').collect();
        if let ["synced", bytes, path] = words[..]
            && path == drive
        {
            n_synced = bytes.parse().unwrap_or(n_synced);
        }
    };
    // Until it has begun, at most half a minute.
    let patience = Instant::now() + Duration::from_secs(30);
    while !Path::new(&drive).exists() && Instant::now() < patience && child.try_wait()?.is_none() {
        std::thread::sleep(Duration::from_millis(2));
    }
    std::thread::sleep(after);
    child.kill()?;
    child.wait()?;
    let _ = reader.join();
    heard.try_iter().for_each(|line| hear(&line));
    Ok(n_synced)
}

/// What a disk has left after a power cut: what was synced, and any part of the rest, or something else in its place.
fn cut(path: &Path, n_synced: u64, dice: &mut Dice) -> std::io::Result<()> {
    let Ok(mut bytes) = std::fs::read(path) else { return Ok(()) };
    let n_synced = usize::try_from(n_synced).unwrap_or(bytes.len()).min(bytes.len());
    let n_rest = bytes.len() - n_synced;
    bytes.truncate(n_synced + dice.between(0.0, n_rest as f64 + 1.0) as usize);
    if dice.chance(0.3) {
        // A block that the file system had given to the file and never written.
        bytes[n_synced..].fill(0);
    }
    std::fs::write(path, bytes)
}

/// What is left of a drive is its beginning.
fn compare(left: &Recording, whole: &Recording, outcome: &mut Outcome) {
    for series in &left.series {
        let left: Vec<Sample> = series.iter().collect();
        let whole: Vec<Sample> =
            whole.series(series.id.as_str()).map(|series| series.iter().collect()).unwrap_or_default();
        outcome.n_samples += left.len() as u64;
        if !whole.starts_with(&left) {
            outcome.broken.push(format!("{}: what is left is not the beginning of the drive", series.id));
        }
    }
}

/// Everything in the bytes that were synced is read from the file that was left.
fn check_synced(path: &Path, n_synced: u64, outcome: &mut Outcome) {
    let Ok(bytes) = std::fs::read(path) else { return };
    let n_synced = usize::try_from(n_synced).unwrap_or(bytes.len()).min(bytes.len());
    let prefix = path.with_extension("synced.mcap");
    if std::fs::write(&prefix, &bytes[..n_synced]).is_err() {
        return;
    }
    let (Ok(synced), Ok(all)) = (drive::read(&prefix), drive::read(path)) else { return };
    for series in &synced.recording.series {
        let n_left = all.recording.series(series.id.as_str()).map_or(0, signal::Series::len);
        if n_left < series.len() {
            outcome.broken.push(format!("{}: {} samples were synced, {n_left} are read", series.id, series.len()));
        }
    }
    outcome.told = Some(format!("killed with {n_synced} bytes synced ({})", Fault::Killed.name()));
}
