//! One recording is one piece of evidence, however often it is given.

#![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

use std::fmt::Write;
use std::path::{Path, PathBuf};

use workshop::{Blame, Import, Moment, Places, ReportWish, When, Workshop, WorkshopError};

struct Here {
    folder: tempfile::TempDir,
    workshop: Workshop,
}

impl Here {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let workshop = Workshop::new(Places::at(&folder.path().join("data")).unwrap(), "test");
        Self { folder, workshop }
    }

    /// A drive at 3000 rpm under load, with a misfire of the first of four cylinders every so many seconds.
    fn drive(&self, name: &str, seconds: u32, every_s: u32) -> PathBuf {
        let mut table = "time_s,engine.speed [rpm],engine.load [%]".to_owned();
        (1..=4).for_each(|cylinder| write!(table, ",misfire.cylinder_{cylinder} [count]").unwrap());
        for s in 0..seconds {
            write!(table, "\n{s},3000,80,{},0,0,0", s / every_s).unwrap();
        }
        let [file, out] = ["csv", "mcap"].map(|ending| self.folder.path().join(format!("{name}.{ending}")));
        std::fs::write(&file, table + "\n").unwrap();
        self.workshop.import(&Import { file, out: out.clone(), ..Import::default() }).unwrap();
        out
    }

    fn copy_of(&self, drive: &Path) -> PathBuf {
        let copy = self.folder.path().join("copy.mcap");
        std::fs::copy(drive, &copy).unwrap();
        copy
    }

    fn judge(&self, drives: &[(&Path, [u32; 4])]) -> Result<wire::SwapJudged, WorkshopError> {
        let drive = |(file, coils): &(&Path, [u32; 4])| serde_json::json!({"file": file, "placement": {"coil": coils}});
        let drives: Vec<_> = drives.iter().map(drive).collect();
        let experiment = self.folder.path().join("experiment.json");
        std::fs::write(&experiment, serde_json::json!({"parts": ["coil"], "drives": drives}).to_string()).unwrap();
        self.workshop.judge_swap_file(&experiment)
    }
}

const FIRST: [u32; 4] = [1, 2, 3, 4];
const MOVED: [u32; 4] = [4, 2, 3, 1];

fn is_refused<T: std::fmt::Debug>(told: Result<T, WorkshopError>) {
    let error = told.unwrap_err();
    assert!(matches!(error, WorkshopError::SameRecording { .. }) && error.blame() == Blame::Input, "{error}");
}

#[test]
fn a_proof_counts_a_recording_once() {
    let here = Here::new();
    let (before, after) = (here.drive("before", 300, 2), here.drive("after", 8, 1000));
    let copy = here.copy_of(&after);
    let proof = |after: &[&PathBuf]| {
        let after: Vec<PathBuf> = after.iter().map(|file| (*file).clone()).collect();
        here.workshop.proof(std::slice::from_ref(&before), &after)
    };
    let once = proof(&[&after]).unwrap();
    assert_eq!((once.verdict.as_str(), once.problems.len()), ("not yet", 0));
    let again = proof(&[[&after; 40].as_slice(), &[&copy]].concat()).unwrap();
    assert_eq!((&again.verdict, &again.faults), (&once.verdict, &once.faults));
    assert_eq!(again.problems.len(), 2, "its own name and the other: {:?}", again.problems);
    assert!(again.problems[1].contains("copy.mcap") && again.problems[1].contains("counts once"));
    is_refused(proof(&[&after, &here.copy_of(&before)]));
}

#[test]
fn a_report_proves_nothing_by_repetition() {
    let here = Here::new();
    let (before, after) = (here.drive("before", 300, 2), here.drive("after", 8, 1000));
    let report = |drives: &[(Moment, &PathBuf)]| {
        let drives = drives.iter().map(|(moment, file)| (*moment, (*file).clone())).collect();
        let out = here.folder.path().join("report.html");
        let told =
            here.workshop.report(&ReportWish { drives, out: out.clone(), replace: true, ..ReportWish::default() });
        told.map(|told| (std::fs::read_to_string(out).unwrap(), told.problems))
    };
    let all = [[(Moment::Before, &before)].as_slice(), &[(Moment::After, &after); 40]].concat();
    let (page, problems) = report(&all).unwrap();
    assert_eq!(problems.len(), 1, "{problems:?}");
    assert!(page.contains("it is not proven yet"), "40 times 8 seconds would be enough: {page}");
    is_refused(report(&[(Moment::Before, &before), (Moment::After, &before)]));
}

#[test]
fn a_swap_counts_a_recording_once() {
    let here = Here::new();
    let (before, after) = (here.drive("before", 300, 20), here.drive("after", 40, 20));
    let once = here.judge(&[(&before, FIRST), (&after, MOVED)]).unwrap();
    let (copy, other) = (here.copy_of(&after), here.drive("other", 20, 20));
    let again = here.judge(&[(&before, FIRST), (&after, MOVED), (&copy, MOVED)]).unwrap();
    assert_eq!(again.hypotheses, once.hypotheses);
    assert!(again.problems.len() == 1 && again.drives.len() == 3, "{again:?}");
    // What was counted stays beside the drive in which it was.
    let last = here.judge(&[(&before, FIRST), (&before, FIRST), (&after, MOVED), (&other, MOVED)]).unwrap();
    let firings = |judged: &wire::SwapJudged, of: &Path| -> Vec<_> {
        let file = of.display().to_string();
        judged.drives.iter().filter(|drive| drive.file == file).map(|drive| drive.firings[0]).collect()
    };
    assert_eq!(firings(&last, &before), [firings(&once, &before)[0]; 2]);
    assert_eq!(firings(&last, &after), firings(&once, &after));
    assert!(firings(&last, &other)[0] < firings(&last, &after)[0], "{last:?}");
    is_refused(here.judge(&[(&before, FIRST), (&before, MOVED)]));
    is_refused(here.judge(&[(&before, FIRST), (&here.copy_of(&before), MOVED)]));
}

#[test]
fn an_experiment_that_makes_no_sense_is_refused_before_its_drives_are_read() {
    let here = Here::new();
    let nowhere = Path::new("nowhere.mcap");
    let error = here.judge(&[(nowhere, [0, 1, 2, 3]), (nowhere, [3, 1, 2, 0])]).unwrap_err();
    assert!(error.to_string().contains("numbers count from 1") && error.blame() == Blame::Input, "{error}");
    assert!(here.judge(&[(nowhere, FIRST); 65]).unwrap_err().to_string().contains("65 drives"));
    for part in ["Cylinder", "several", "none"] {
        let error = here.workshop.add_swap(part, 1, 4, When::Now).unwrap_err();
        assert!(matches!(error, WorkshopError::Part(_)) && error.blame() == Blame::Input, "{part}: {error}");
        assert!(here.workshop.add_replacement(part, Some(1), "", When::Now).is_err());
    }
}
