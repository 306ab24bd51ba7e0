//! Faults at every boundary of the program, drawn by a seed, and what must hold whatever happens.
//!
//! Each trial connects to an invented car on a virtual clock, does one thing of the job while something goes wrong, and
//! holds what the program says and writes against what the car really did. This crate must not know how anything inside
//! the program works: it goes in where users and adapters do. Its main types are [`trial::Trial`] and [`fault::Fault`];
//! [`drive_oracle`] and [`survey_oracle`] judge, [`machine`] and [`mod@line`] do the harm.

mod dice;
mod drive_oracle;
mod fault;
mod job;
mod kill;
mod line;
mod machine;
mod scene;
mod survey_oracle;
mod tally;
mod trial;
mod watch;
mod watcher;

use std::process::ExitCode;

use dice::Dice;
use fault::{FAULTS, Fault};
use tally::Tally;
use trial::{Operation, Outcome, Trial};

const USAGE: &str = "usage: campaign [--seed N] [--drives N] [--fault NAME] [--page FILE]
       campaign --repeat OPERATION:FAULT:SEED

  --seed N      what all chance follows from; default 1
  --drives N    short drives; surveys, commands and clearings are added to them; default 1000
  --fault NAME  this fault alone
  --page FILE   write the table into this page, between its two marks
  --repeat ...  one trial again, as a failure names it";

/// How a failure is repeated.
pub(crate) const REPEAT: &str = "cargo xtask campaign --repeat";

struct Arguments {
    seed: u64,
    n_drives: usize,
    fault: Option<Fault>,
    page: Option<std::path::PathBuf>,
    repeat: Option<Trial>,
}

fn arguments() -> Result<Arguments, String> {
    let mut found = Arguments { seed: 1, n_drives: 1000, fault: None, page: None, repeat: None };
    let mut words = std::env::args().skip(1);
    while let Some(word) = words.next() {
        let value = words.next().ok_or_else(|| format!("`{word}` wants a value"))?;
        let number = || value.parse().map_err(|_| format!("`{word} {value}` is no whole number"));
        match word.as_str() {
            "--seed" => found.seed = number()?,
            "--drives" => found.n_drives = number()? as usize,
            "--fault" => {
                let names: Vec<&str> = FAULTS.iter().map(|(_, name, _)| *name).collect();
                let unknown = || format!("there is no fault `{value}`; there are: {}", names.join(", "));
                found.fault = Some(Fault::named(&value).ok_or_else(unknown)?);
            }
            "--page" => found.page = Some(value.into()),
            "--repeat" => found.repeat = Some(value.parse()?),
            _ => return Err(format!("there is no `{word}`")),
        }
    }
    Ok(found)
}

fn main() -> ExitCode {
    if let Some(code) = kill::child() {
        return code;
    }
    let arguments = match arguments() {
        Ok(arguments) => arguments,
        Err(problem) => {
            eprintln!("{problem}\n{USAGE}");
            return ExitCode::from(2);
        }
    };
    let watch = watch::Watch::begin();
    if let Some(trial) = arguments.repeat {
        let outcome = one(&trial, &watch);
        println!("{}", scene::Plan::of(&trial).spec);
        println!(
            "{:.1} s of the link's clock, {} samples, {} undetectable",
            outcome.took_s, outcome.n_samples, outcome.n_undetectable
        );
        println!("told: {}", outcome.told.as_deref().unwrap_or("nothing"));
        outcome.broken.iter().for_each(|broken| println!("BROKEN: {broken}"));
        return if outcome.broken.is_empty() { ExitCode::SUCCESS } else { ExitCode::FAILURE };
    }
    let mut tally = Tally::default();
    for trial in trials(&arguments) {
        let outcome = one(&trial, &watch);
        for broken in outcome.broken.iter().take(2) {
            println!("BROKEN {trial}: {broken}\n       again: {REPEAT} {trial}");
        }
        tally.add(&trial, &outcome);
        tally.memory(watch::resident_kb());
    }
    let text = tally.text();
    println!("{text}");
    if let Some(page) = &arguments.page
        && let Err(error) = tally::write_page(page, &text, arguments.seed)
    {
        eprintln!("{}: {error}", page.display());
        return ExitCode::FAILURE;
    }
    if tally.is_sound() { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}

/// Every fault in turn, with as many drives as are wanted and the other operations beside them.
fn trials(arguments: &Arguments) -> Vec<Trial> {
    use Operation::{Clear, Command, Drive, Survey};
    /// What comes with each eight drives.
    const TURNS: [Operation; 12] =
        [Drive, Drive, Command, Drive, Drive, Survey, Drive, Drive, Command, Drive, Drive, Clear];
    let faults: Vec<Fault> = match arguments.fault {
        Some(fault) => vec![fault],
        None => FAULTS.iter().map(|(fault, ..)| *fault).collect(),
    };
    let mut dice = Dice::new(arguments.seed);
    let mut trials = Vec::new();
    let mut n_drives = 0;
    for turn in 0.. {
        if n_drives >= arguments.n_drives {
            break;
        }
        for (place, fault) in faults.iter().enumerate() {
            // Shifted from fault to fault, so that a short campaign has every operation too.
            let operation = if *fault == Fault::Killed { Drive } else { TURNS[(turn + 5 * place) % TURNS.len()] };
            let seed = dice.next() % 1_000_000_000;
            n_drives += usize::from(operation == Drive);
            trials.push(Trial { operation, fault: *fault, seed });
        }
    }
    trials
}

/// One trial in a folder of its own, with its panics caught and its time watched.
fn one(trial: &Trial, watch: &watch::Watch) -> Outcome {
    watch.starts(trial);
    let folder = match tempfile::tempdir_in("/dev/shm").or_else(|_| tempfile::tempdir()) {
        Ok(folder) => folder,
        Err(error) => return Outcome { broken: vec![format!("no folder: {error}")], ..Outcome::default() },
    };
    let run = || {
        if trial.fault == Fault::Killed { kill::run(trial, folder.path()) } else { trial::run(trial, folder.path()) }
    };
    let outcome = std::panic::catch_unwind(std::panic::AssertUnwindSafe(run));
    machine::mend();
    let mut outcome = outcome.unwrap_or_default();
    outcome.broken.extend(watch.panics().into_iter().map(|panic| format!("panic: {panic}")));
    outcome
}
