//! One run of one target.

use std::fmt;
use std::fs::{self, File};
use std::path::{Path, PathBuf};
use std::process::Command;

use tempfile::TempDir;

use super::Fuzzer;
use crate::step::{Failure, output};

/// One input may take this long, s; more is a hang.
const LONGEST_INPUT_S: u64 = 10;
/// The program may take this much memory, MB; more is a memory bomb. What it counts itself ends it earlier.
const MOST_MEMORY_MB: u64 = 1024;
/// A run has lasted long enough after this part of what was asked for.
const ENOUGH: f64 = 0.9;
/// How long a finding's input is shortened, s.
const MINIMISE_S: u64 = 20;

/// A target as the program lists it.
#[derive(Debug, PartialEq, Eq)]
pub(super) struct Target {
    pub(super) name: String,
    max_len: String,
}

/// What a run came to.
#[derive(Debug, PartialEq, Default)]
pub(super) struct Run {
    pub(super) target: String,
    /// How long a processor was at work, s.
    pub(super) processor_s: f64,
    pub(super) executions: u64,
    /// Edges of the code that were reached.
    pub(super) edges: u64,
    /// The same, told apart by how often each was taken and by what was compared.
    pub(super) features: u64,
    /// Inputs that reach something that others do not.
    pub(super) corpus: u64,
    pub(super) memory_mb: u64,
    /// Inputs that broke something.
    pub(super) inputs: Vec<PathBuf>,
}

/// Where a target's files lie.
struct Folders {
    seeds: PathBuf,
    corpus: PathBuf,
    findings: PathBuf,
    /// What libFuzzer said last.
    log: PathBuf,
}

impl Folders {
    /// Makes them; seeds and findings of earlier runs go.
    fn of(target: &Target, fuzzer: &Fuzzer) -> Result<Self, Failure> {
        let folder = |kind: &str| fuzzer.folder.join(kind).join(&target.name);
        let [seeds, corpus, findings] = ["seeds", "corpus", "findings"].map(folder);
        for old in [&seeds, &findings] {
            let _ = fs::remove_dir_all(old);
        }
        let logs = fuzzer.folder.join("logs");
        for new in [&seeds, &corpus, &findings, &logs] {
            fs::create_dir_all(new).map_err(no_file(new))?;
        }
        Ok(Self { seeds, corpus, findings, log: folder("logs").with_extension("txt") })
    }
}

fn no_file(what: &Path) -> impl FnOnce(std::io::Error) -> Failure + use<> {
    let what = what.display().to_string();
    move |cause| Failure::new(format!("{what}: {cause}"), "make room in the target folder")
}

impl Target {
    /// From `NAME MAX_LEN`.
    pub(super) fn read(line: &str) -> Option<Self> {
        let (name, max_len) = line.split_once(' ')?;
        Some(Self { name: name.to_owned(), max_len: max_len.to_owned() })
    }

    fn command(&self, program: &Path, scratch: &Path) -> Command {
        let mut command = Command::new(program);
        command.env("WITNESS_FUZZ_TARGET", &self.name).env("TMPDIR", scratch);
        command
    }

    /// Makes the seeds, runs for so many seconds of processor time, and shortens what broke something.
    pub(super) fn run(&self, fuzzer: &Fuzzer, seconds: u64) -> Result<Run, Failure> {
        let folders = Folders::of(self, fuzzer)?;
        let scratch = scratch()?;
        let mut make_seeds = self.command(&fuzzer.program, scratch.path());
        make_seeds.env("WITNESS_FUZZ_SEEDS", &folders.seeds).env("WITNESS_FUZZ_SHARED", &fuzzer.shared);
        output(&mut make_seeds, "a seed that cannot be made: look at the target's own file")?;

        let mut sum = Run { target: self.name.clone(), ..Run::default() };
        let asked_s = seconds as f64;
        // libFuzzer counts by the clock on the wall. Beside other work that is less than was asked for, and the rest follows.
        while sum.inputs.is_empty() && sum.processor_s < ENOUGH * asked_s {
            let (run, is_sound) = self.round(fuzzer, &folders, scratch.path(), (asked_s - sum.processor_s).ceil())?;
            let is_counted = run.processor_s > 0.0;
            sum.add(run);
            let found = if is_sound { Vec::new() } else { files(&folders.findings) };
            let (late, found): (Vec<PathBuf>, Vec<PathBuf>) =
                found.into_iter().partition(|input| self.was_only_late(fuzzer, input, scratch.path()));
            for input in &late {
                let _ = fs::remove_file(input);
            }
            if !found.is_empty() {
                sum.inputs = self.shortened(fuzzer, found, scratch.path());
            } else if !is_sound && late.is_empty() {
                // Killed from outside, or by something that libFuzzer does not handle: the log says what it was.
                sum.inputs.push(folders.log.clone());
            } else if !is_counted {
                return Err(Failure::new(
                    format!("{} does not say how long a processor was at work", folders.log.display()),
                    "its last line comes from `times` of the shell `sh`",
                ));
            }
        }
        Ok(sum)
    }

    /// Runs for so many seconds by the clock on the wall; also says whether nothing was broken.
    fn round(&self, fuzzer: &Fuzzer, folders: &Folders, scratch: &Path, wall_s: f64) -> Result<(Run, bool), Failure> {
        let Folders { seeds, corpus, findings, log } = folders;
        let said = File::create(log).map_err(no_file(log))?;
        // The shell says at its end how long a processor was at work.
        let mut command = self.command(Path::new("sh"), scratch);
        command.env("LC_ALL", "C");
        command.args(["-c", "\"$@\"; ended=$?; times; exit $ended", "sh"]).arg(&fuzzer.program);
        command.args([corpus, seeds]);
        command.arg(format!("-max_total_time={wall_s}")).arg(format!("-max_len={}", self.max_len));
        // libFuzzer takes a dictionary without words for a broken one.
        let words = seeds.with_extension("dict");
        if words.metadata().is_ok_and(|about| about.len() > 0) {
            command.arg(format!("-dict={}", words.display()));
        }
        command.arg(format!("-artifact_prefix={}{}", findings.display(), std::path::MAIN_SEPARATOR));
        command.args(["-print_final_stats=1", "-reload=0", "-use_value_profile=1"]);
        command.args([format!("-timeout={LONGEST_INPUT_S}"), format!("-rss_limit_mb={MOST_MEMORY_MB}")]);
        command.stdout(said.try_clone().map_err(no_file(log))?).stderr(said);
        let status = command.status().map_err(no_file(&fuzzer.program))?;
        let text = String::from_utf8_lossy(&fs::read(log).map_err(no_file(log))?).into_owned();
        Ok((Run::read(&text), status.success()))
    }

    /// Whether an input that took too long by the clock on the wall does not when it is run again: the machine was busy.
    fn was_only_late(&self, fuzzer: &Fuzzer, input: &Path, scratch: &Path) -> bool {
        let is_timeout = input.file_name().is_some_and(|name| name.to_string_lossy().starts_with("timeout-"));
        let mut command = self.command(&fuzzer.program, scratch);
        command.arg(format!("-timeout={LONGEST_INPUT_S}")).arg(input);
        // Its own account of an input that breaks it again would stand beside the first one.
        command.arg(format!("-exact_artifact_path={}", scratch.join("again").display()));
        is_timeout && command.output().is_ok_and(|output| output.status.success())
    }

    /// The inputs that were found, each or a shorter one that breaks the same, as far as one was found.
    fn shortened(&self, fuzzer: &Fuzzer, found: Vec<PathBuf>, scratch: &Path) -> Vec<PathBuf> {
        for input in &found {
            let shorter = input.with_extension("short");
            let mut command = self.command(&fuzzer.program, scratch);
            command.args(["-minimize_crash=1", &format!("-max_total_time={MINIMISE_S}")]);
            command.arg(format!("-exact_artifact_path={}", shorter.display())).arg(input);
            let _ = command.output();
        }
        found
            .into_iter()
            .map(|input| Some(input.with_extension("short")).filter(|p| p.exists()).unwrap_or(input))
            .collect()
    }
}

/// The files of a folder.
fn files(folder: &Path) -> Vec<PathBuf> {
    let entries = fs::read_dir(folder).into_iter().flatten();
    entries.filter_map(|entry| Some(entry.ok()?.path())).collect()
}

/// A folder for the readers that want a file, in memory where the system offers that; it goes with the run.
fn scratch() -> Result<TempDir, Failure> {
    let shared_memory = Path::new("/dev/shm");
    let place = if shared_memory.is_dir() { shared_memory.to_owned() } else { std::env::temp_dir() };
    tempfile::Builder::new()
        .prefix("witness-fuzz-")
        .tempdir_in(&place)
        .map_err(|cause| Failure::new(format!("no folder in {}: {cause}", place.display()), "make room there"))
}

impl Run {
    pub(super) const HEADING: &str =
        "target           cpu s     executions    per s   edges features  corpus    MB  findings";

    /// From what libFuzzer prints: lines such as `#8192 pulse  cov: 210 ft: 830 corp: 91/12Kb … rss: 60Mb`, and counts at
    /// the end.
    fn read(log: &str) -> Self {
        let mut run = Self::default();
        for line in log.lines() {
            let mut words = line.split_whitespace();
            if let Some(stat) = line.strip_prefix("stat::") {
                let number = stat.split_whitespace().last().and_then(|number| number.parse().ok()).unwrap_or(0);
                match stat.split(':').next() {
                    Some("number_of_executed_units") => run.executions = number,
                    Some("peak_rss_mb") => run.memory_mb = number,
                    _ => {}
                }
            } else if let Some(processor_s) = processor_s(line) {
                run.processor_s = processor_s;
            } else if line.starts_with('#') {
                let executions = words.next().and_then(|word| word.strip_prefix('#')?.parse().ok());
                run.executions = executions.unwrap_or(run.executions);
                while let Some(word) = words.next() {
                    let field = match word {
                        "cov:" => &mut run.edges,
                        "ft:" => &mut run.features,
                        "corp:" => &mut run.corpus,
                        _ => continue,
                    };
                    let number = words.next().and_then(|word| word.split('/').next()?.parse().ok());
                    *field = number.unwrap_or(*field);
                }
            }
        }
        run
    }

    /// Adds a later run of the same target: it began with what the earlier ones had reached, and may have ended before it
    /// was there again.
    fn add(&mut self, later: Self) {
        self.processor_s += later.processor_s;
        self.executions += later.executions;
        self.memory_mb = self.memory_mb.max(later.memory_mb);
        self.edges = self.edges.max(later.edges);
        self.features = self.features.max(later.features);
        self.corpus = self.corpus.max(later.corpus);
    }

    /// What was found, and how to see it again.
    pub(super) fn findings(&self, fuzzer: &Fuzzer) -> Vec<String> {
        let line = |input: &PathBuf| {
            let (program, target, input) = (fuzzer.program.display(), &self.target, input.display());
            format!(
                "target `{target}` is broken by {input}; see it with `WITNESS_FUZZ_TARGET={target} {program} {input}`"
            )
        };
        self.inputs.iter().map(line).collect()
    }
}

impl fmt::Display for Run {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let per_s = per_second(self.executions, self.processor_s);
        let Self { target, processor_s, executions, edges, features, corpus, memory_mb, inputs } = self;
        let n = inputs.len();
        write!(
            f,
            "{target:<16} {processor_s:>7.0} {executions:>12} {per_s:>8.0} {edges:>7} {features:>8} {corpus:>7} {memory_mb:>5} {n:>9}"
        )
    }
}

/// From what a shell's `times` prints of its children, such as `1m24.27s 0m44.16s`: user and system (POSIX).
fn processor_s(line: &str) -> Option<f64> {
    let one = |word: &str| {
        let (minutes, seconds) = word.strip_suffix('s')?.split_once('m')?;
        Some(60.0 * minutes.parse::<f64>().ok()? + seconds.parse::<f64>().ok()?)
    };
    let (user, system) = line.split_once(' ')?;
    Some(one(user)? + one(system)?)
}

/// How many in a second.
pub(super) fn per_second(executions: u64, processor_s: f64) -> f64 {
    executions as f64 / processor_s.max(1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_last_counts_of_a_log_are_taken() {
        let log = "INFO: seed corpus: files: 5\n\
                   #6\tINITED cov: 100 ft: 200 corp: 5/90b exec/s: 0 rss: 40Mb\n\
                   #131072\tpulse  cov: 338 ft: 1211 corp: 102/13Kb lim: 4096 exec/s: 43690 rss: 61Mb\n\
                   Done 200000 runs in 5 second(s)\n\
                   stat::number_of_executed_units: 200000\nstat::average_exec_per_sec:     40000\n\
                   stat::peak_rss_mb:              63\n\
                   0m0.00s 0m0.01s\n1m24.27s 0m44.16s\n";
        let run = Run::read(log);
        assert_eq!((run.executions, run.edges, run.features, run.corpus, run.memory_mb), (200_000, 338, 1211, 102, 63));
        assert!((run.processor_s - 128.43).abs() < 1e-9, "the last line is of the shell's children");
        assert_eq!(Run::read("#12 NEW cov: 3\ncrash").executions, 12, "a run that broke off has no counts at its end");
        assert_eq!(Run::read(""), Run::default());
    }

    #[test]
    fn targets_are_listed_with_their_longest_input() {
        assert_eq!(Target::read("obd 512"), Some(Target { name: "obd".into(), max_len: "512".into() }));
        assert_eq!(Target::read("obd"), None);
    }
}
