//! Whole drives: what is known late, what is dropped without a word, what comes from memory, what comes from the future.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a helper of a test may stop it")]

use std::path::Path;

use drive::{DriveError, DriveInfo, Overwrite, Recorder};
use proptest::prelude::*;
use signal::{Gap, Mark, Recording, Sample, Series, SignalId, Unit};

fn id(text: &str) -> SignalId {
    SignalId::new(text).unwrap()
}

fn start(path: &Path) -> Recorder {
    Recorder::create(path, &DriveInfo::default(), Overwrite::Never).unwrap()
}

#[test]
fn a_description_that_becomes_known_late_counts() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("drive.mcap");
    let mut recorder = start(&path);
    let late = DriveInfo { vin: Some("WTN00000000000001".into()), start_unix_ns: Some(-5), ..DriveInfo::default() };
    recorder.set_info(&late);
    recorder.finish().unwrap();
    let opened = drive::read(&path).unwrap();
    assert_eq!((opened.info, opened.recording.start_unix_ns), (late, Some(-5)));
    assert!(opened.recording.series.is_empty() && opened.problems.is_empty());
}

#[test]
fn a_signal_without_a_sample_is_still_there() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("drive.mcap");
    let mut recorder = start(&path);
    recorder.add_signal(&id("engine.speed"), &Unit::named("rpm"), "").unwrap();
    recorder.finish().unwrap();
    assert_eq!(drive::read(&path).unwrap().recording.series("engine.speed").map(Series::len), Some(0));
}

#[test]
fn a_recorder_that_is_dropped_still_finishes_the_drive() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("drive.mcap");
    let mut recorder = start(&path);
    let speed = recorder.add_signal(&id("engine.speed"), &Unit::named("rpm"), "").unwrap();
    recorder.push(speed, Sample { t_ns: 1, asked_ns: 0, exchange: 0, value: 2.0 }).unwrap();
    drop(recorder);
    let opened = drive::read(&path).unwrap();
    assert!(opened.is_finished);
    assert_eq!(opened.recording.series[0].get(0).map(|sample| sample.asked_ns), Some(0));
}

/// Frames that are decoded anew make a drive of frames alone: what was asked for beside them is named, not dropped silently.
#[test]
fn what_frames_do_not_tell_is_said_when_they_are_decoded_again() {
    let folder = tempfile::tempdir().unwrap();
    let (path, out) = (folder.path().join("drive.mcap"), folder.path().join("again.mcap"));
    let import = |out: &Path| {
        let (info, overwrite) = (DriveInfo::default(), Overwrite::WhenDone);
        let options = drive::FrameImport { map: Vec::new(), bus: None, overwrite, info };
        drive::import_frames(&path, out, &[], |_, _| true, &options).unwrap()
    };
    for n_exchanges in [0, 2] {
        let mut frames = drive::FrameBatch::new("can0");
        frames.push(5, 0x123, false, &[1, 2]);
        let mut recorder = Recorder::create(&path, &DriveInfo::default(), Overwrite::WhenDone).unwrap();
        recorder.push_frames(frames);
        (0..n_exchanges).for_each(|_| recorder.push_exchange(drive::Exchange::default()));
        recorder.finish().unwrap();
        let done = import(&out);
        assert_eq!((done.n_frames, done.notes.len()), (1, usize::from(n_exchanges > 0)), "{:?}", done.notes);
        assert!(done.notes.iter().all(|note| note.contains("2 exchanges and the values that came with them")));
    }
}

#[test]
fn a_replacement_that_is_never_finished_replaces_nothing_and_is_not_lost() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("drive.mcap");
    start(&path).finish().unwrap();
    let mut recorder = Recorder::create(&path, &DriveInfo::default(), Overwrite::WhenDone).unwrap();
    let beside = recorder.path().to_owned();
    recorder.add_signal(&id("engine.speed"), &Unit::named("rpm"), "").unwrap();
    drop(recorder);
    assert!(drive::read(&path).unwrap().recording.series.is_empty());
    assert!(drive::read(&beside).unwrap().recording.series("engine.speed").is_some());
}

#[test]
fn a_drive_of_a_later_format_is_refused_by_name() {
    let mut later =
        mcap::WriteOptions::new().profile("witness-drive").create(std::io::Cursor::new(Vec::new())).unwrap();
    // CRC-32 of `format`, 0, `2`, 0, as zlib computes it.
    let pairs = [("crc32", "a259be56"), ("format", "2")].map(|(key, value)| (key.to_owned(), value.to_owned()));
    later.write_metadata(&mcap::records::Metadata { name: "witness-drive".into(), metadata: pairs.into() }).unwrap();
    later.finish().unwrap();
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("drive.mcap");
    std::fs::write(&path, later.into_inner().into_inner()).unwrap();
    assert!(
        matches!(drive::read(&path), Err(DriveError::Newer { found: 2, known: 1, .. })),
        "{:?}",
        drive::read(&path)
    );
}

#[test]
fn a_recording_that_is_none_is_not_written() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("drive.mcap");
    let series = |t_ns: [i64; 2], value: [f64; 2]| Series {
        t_ns: t_ns.into(),
        value: value.into(),
        ..Series::new(id("vehicle.speed"), Unit::named("km/h"))
    };
    for wrong in [
        vec![series([2, 1], [0.0, 0.0])],
        vec![series([1, 2], [0.0, f64::NAN])],
        vec![series([1, i64::MAX], [0.0, 0.0])],
        vec![series([1, 2], [0.0, 0.0]), series([1, 2], [0.0, 0.0])],
        vec![Series { unit: Unit::named("V"), ..series([1, 2], [0.0, 0.0]) }],
        vec![Series { exchange: vec![1], ..series([1, 2], [0.0, 0.0]) }],
    ] {
        let recording = Recording { series: wrong, ..Recording::default() };
        let result = drive::write(&path, &recording, &DriveInfo::default(), Overwrite::Never);
        assert!(matches!(result, Err(DriveError::Sample { .. } | DriveError::Signal { .. })), "{result:?}");
        assert_eq!(folder.path().read_dir().unwrap().count(), 0);
    }
}

/// Found by fuzzing an import: reading calls such times damage, so they must not get into a file.
#[test]
fn a_time_that_no_drive_has_is_not_written() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("drive.mcap");
    let far = i64::MIN + 1;
    let mut late = Series::new(id("vehicle.speed"), Unit::named("km/h"));
    late.push(Sample { t_ns: 0, asked_ns: far, exchange: 1, value: 1.0 });
    let mark = Mark { t_ns: far, text: String::new() };
    let gap = Gap { from_ns: 0, to_ns: far, reason: String::new() };
    for recording in [
        Recording { series: vec![late], ..Recording::default() },
        Recording { marks: vec![mark], ..Recording::default() },
        Recording { gaps: vec![gap], ..Recording::default() },
    ] {
        assert!(drive::write(&path, &recording, &DriveInfo::default(), Overwrite::Never).is_err(), "{recording:?}");
    }
    let mut frames = drive::FrameBatch::new("can0");
    frames.push(far, 0x7E8, false, &[]);
    frames.push(0, 0x7E8, false, &[]);
    let contents = drive::Contents { frames: vec![frames], ..drive::Contents::default() };
    assert!(matches!(contents.write(&path, Overwrite::Never), Err(DriveError::Time { what: "a frame", .. })));
    assert!(!path.exists());
}

fn any_recording() -> impl Strategy<Value = Recording> {
    let sample = (0..400_000_000_000i64, 0..50_000_000i64, prop::num::f64::NORMAL, any::<u32>());
    let series = (prop::collection::vec(sample, 0..200), any::<bool>(), any::<bool>());
    prop::collection::vec(series, 0..4).prop_map(|all| {
        let mut recording = Recording { start_unix_ns: Some(1), ..Recording::default() };
        for (idx, (mut samples, knows_asked, knows_exchange)) in all.into_iter().enumerate() {
            let mut series = Series::new(id(&format!("custom.{idx}")), Unit::named("V"));
            samples.sort_by_key(|sample| sample.0);
            for (t_ns, latency_ns, value, number) in samples {
                let asked_ns = if knows_asked { t_ns - latency_ns } else { t_ns };
                let exchange = if knows_exchange { number } else { 0 };
                series.push(Sample { t_ns, asked_ns, exchange, value });
            }
            recording.series.push(series);
        }
        recording.marks.push(Mark { t_ns: -7, text: String::new() });
        recording.gaps.push(Gap { from_ns: 0, to_ns: 0, reason: "none".into() });
        recording
    })
}

proptest! {
    #[test]
    fn what_is_written_reads_the_same(recording in any_recording()) {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("drive.mcap");
        drive::write(&path, &recording, &DriveInfo::default(), Overwrite::Never).unwrap();
        let opened = drive::read(&path).unwrap();
        prop_assert_eq!(opened.problems.as_slice(), [].as_slice());
        prop_assert_eq!(opened.recording, recording);
    }

    #[test]
    fn what_is_recorded_reads_the_same(recording in any_recording()) {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("drive.mcap");
        let info = DriveInfo { start_unix_ns: recording.start_unix_ns, ..DriveInfo::default() };
        let mut recorder = Recorder::create(&path, &info, Overwrite::Never).unwrap();
        for series in &recording.series {
            let handle = recorder.add_signal(&series.id, &series.unit, "").unwrap();
            for sample in series.iter() {
                recorder.push(handle, sample).unwrap();
            }
        }
        recording.marks.iter().cloned().for_each(|mark| recorder.mark(mark));
        recording.gaps.iter().cloned().for_each(|gap| recorder.gap(gap));
        recorder.finish().unwrap();
        let opened = drive::read(&path).unwrap();
        prop_assert_eq!(opened.problems.as_slice(), [].as_slice());
        prop_assert_eq!(opened.recording, recording);
    }
}
