//! Drives whose process is killed: at most the last 250 ms before it are lost, whatever the recorder's owner was doing.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a helper of a test may stop it")]

use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use drive::{DriveInfo, Overwrite, Recorder};
use signal::{Sample, SignalId, Unit};

/// What a recorder promises to lose at most.
const PROMISE_NS: i64 = 250_000_000;
/// A child ends itself after this time, so that nothing waits for ever.
const DEADLINE: Duration = Duration::from_secs(20);

/// Not a test of its own: the process that the others kill. It records a sample every 5 ms on the wall clock for a while
/// and tells its time, then does nothing at all.
#[test]
fn child_that_records_until_it_is_killed() {
    let Some(path) = std::env::var_os("WITNESS_KILL_TEST") else { return };
    let push_for: u64 = std::env::var("WITNESS_KILL_TEST_MS").unwrap().parse().unwrap();
    let mut recorder = Recorder::create(Path::new(&path), &DriveInfo::default(), Overwrite::Never).unwrap();
    let id = SignalId::new("engine.speed").unwrap();
    let speed = recorder.add_signal(&id, &Unit::named("rpm"), "").unwrap();
    let mut out = std::io::stdout().lock();
    // Ends the line on which the test harness has announced this test.
    writeln!(out).unwrap();
    let start = Instant::now();
    for k in 0.. {
        let t_ns = i64::try_from(start.elapsed().as_nanos()).unwrap();
        recorder.push(speed, Sample { t_ns, asked_ns: t_ns - 4, exchange: 0, value: f64::from(k) }).unwrap();
        writeln!(out, "pushed {t_ns}").unwrap();
        out.flush().unwrap();
        if start.elapsed() > Duration::from_millis(push_for) {
            break;
        }
        std::thread::sleep(Duration::from_millis(5));
    }
    writeln!(out, "stopped").unwrap();
    out.flush().unwrap();
    std::thread::sleep(DEADLINE);
    panic!("nobody has killed this process");
}

/// A child that records, and what it says.
struct Recording {
    path: PathBuf,
    child: Child,
    lines: std::io::Lines<BufReader<std::process::ChildStdout>>,
    times_ns: Vec<i64>,
}

impl Recording {
    fn start(path: PathBuf, push_for: Duration) -> Self {
        let mut child = Command::new(std::env::current_exe().unwrap())
            .args(["--exact", "child_that_records_until_it_is_killed", "--nocapture", "--test-threads=1"])
            .env("WITNESS_KILL_TEST", &path)
            .env("WITNESS_KILL_TEST_MS", push_for.as_millis().to_string())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let lines = BufReader::new(child.stdout.take().unwrap()).lines();
        Self { path, child, lines, times_ns: Vec::new() }
    }

    /// Listens until the child has recorded up to a time, or says that it has stopped, or is no more.
    fn listen(&mut self, until_ns: i64) {
        for line in self.lines.by_ref().map_while(Result::ok) {
            if let Some(t_ns) = line.strip_prefix("pushed ") {
                self.times_ns.push(t_ns.parse().unwrap());
            }
            if line == "stopped" || self.times_ns.last().is_some_and(|t_ns| *t_ns >= until_ns) {
                return;
            }
        }
    }

    /// Kills the child. Returns the times of the samples that it has recorded, and of those that are in its drive.
    fn kill(mut self) -> (Vec<i64>, Vec<i64>) {
        self.child.kill().unwrap();
        self.listen(i64::MAX);
        self.child.wait().unwrap();
        let opened = drive::read(&self.path).unwrap();
        assert!(!opened.is_finished);
        let saved = opened.recording.series("engine.speed").map_or(Vec::new(), |series| series.t_ns.clone());
        (self.times_ns, saved)
    }
}

/// In memory where there is such a place: it is the promise that is tested, not how fast this machine's disk is.
fn folder() -> tempfile::TempDir {
    tempfile::tempdir_in("/dev/shm").or_else(|_| tempfile::tempdir()).unwrap()
}

#[test]
fn killed_at_any_moment_at_most_the_last_250_ms_are_lost() {
    let folder = folder();
    let trials: Vec<_> = (0..25u32)
        .map(|trial| {
            let path = folder.path().join(format!("{trial}.mcap"));
            std::thread::spawn(move || {
                let mut recording = Recording::start(path, DEADLINE);
                // Every phase of the saving, early and late.
                recording.listen(i64::from(100 + trial * 73) * 1_000_000);
                recording.kill()
            })
        })
        .collect();
    for (trial, thread) in trials.into_iter().enumerate() {
        let (pushed, saved) = thread.join().unwrap();
        // The last sample of all may have been recorded and not yet told.
        assert!(pushed.starts_with(&saved) || saved.starts_with(&pushed), "trial {trial}: not the same samples");
        let last_ns = pushed.last().unwrap();
        let saved_ns = saved.last().unwrap_or(&0);
        let lost_ms = (last_ns - saved_ns) / 1_000_000;
        assert!(last_ns - saved_ns <= PROMISE_NS, "trial {trial}: the last {lost_ms} ms are lost");
    }
}

#[test]
fn what_came_before_the_recorder_was_left_alone_is_saved() {
    let folder = folder();
    let mut recording = Recording::start(folder.path().join("left.mcap"), Duration::from_secs(1));
    recording.listen(i64::MAX);
    // As when an adapter hangs and the one exchange that is under way does not end.
    std::thread::sleep(Duration::from_secs(1));
    let (pushed, saved) = recording.kill();
    assert!(pushed.len() > 50, "{} samples in a second", pushed.len());
    assert_eq!(pushed, saved, "a second was time enough to save them all");
}
