//! A recording that is watched, marked and stopped from outside.

#![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

use std::time::Duration;

use workshop::{Event, Places, Scope, Silent, Stage, Wish, Workshop, WorkshopError};

#[test]
fn it_is_marked_and_stopped_and_loses_nothing_whoever_watches() {
    let folder = tempfile::tempdir().unwrap();
    let workshop = Workshop::new(Places::at(folder.path()).unwrap(), "test 1");
    let car = workshop.connect("standin:fell?script=town", &[], &mut Silent).unwrap();
    let signals = workshop::signal_ids(&["engine.speed".into(), "vehicle.speed".into()]).unwrap();
    let recording = workshop.start_recording(car, Wish::of(signals));
    let watch = recording.watch();
    let forgetful = recording.watch();
    let (mut n_seen, mut n_began, mut marked) = (0u64, 0, Vec::new());
    let mut take = |patience| {
        let taken = watch.take(patience);
        n_seen += taken.n_missed;
        for event in taken.events {
            match event {
                Event::Began(signals) => n_began += signals.len(),
                Event::Sample { .. } => n_seen += 1,
                Event::Mark { text, .. } => marked.push(text),
                _ => {}
            }
        }
        (taken.is_over, n_seen)
    };
    while take(Duration::from_secs(10)).1 < 100 {}
    assert_eq!(recording.state().stage, Stage::Recording);
    assert!(recording.mark("here"));
    while recording.state().n_marks == 0 {
        std::thread::sleep(Duration::from_millis(1));
    }
    recording.stop();
    while !take(Duration::from_secs(10)).0 {}
    let n_samples = recording.state().n_samples;
    assert!(!recording.mark("too late"), "what is not kept is not said to be");
    let done = recording.join().unwrap();
    let recorded = done.outcome.unwrap();
    assert_eq!((n_began, marked), (2, vec!["here".to_owned()]));
    assert_eq!(n_seen, n_samples, "what a watcher missed is counted");
    let in_file: usize = recorded.drive.signals.iter().map(|signal| signal.samples).sum();
    assert_eq!(in_file as u64, n_samples);
    assert_eq!(recorded.drive.marks.iter().map(|mark| mark.text.as_str()).collect::<Vec<_>>(), ["here"]);
    assert!(forgetful.take(Duration::ZERO).is_over, "who comes late hears of the end");
}

#[test]
fn what_cannot_be_recorded_is_said_and_the_car_comes_back() {
    let folder = tempfile::tempdir().unwrap();
    let workshop = Workshop::new(Places::at(folder.path()).unwrap(), "test 1");
    let car = workshop.connect("standin:fell", &[], &mut Silent).unwrap();
    let signals = workshop::signal_ids(&["custom.nothing".into()]).unwrap();
    let done = workshop.start_recording(car, Wish::of(signals)).join().unwrap();
    assert!(matches!(done.outcome, Err(WorkshopError::NothingPlanned(_))));
    let mut car = done.car;
    assert!(workshop.survey(&mut car, Scope::Emissions, None, &mut Silent).unwrap().file.is_some());
}
