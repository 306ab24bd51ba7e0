//! Files whose checksums fit and that no recorder writes.

use signal::{Series, Unit};

use super::*;
use crate::write::DriveFile;

#[test]
fn samples_that_go_back_in_time_are_left_out_and_told() {
    let file = tempfile::NamedTempFile::new().unwrap();
    let mut drive = DriveFile::start(Box::new(file.reopen().unwrap()), &DriveInfo::default()).unwrap();
    let id = SignalId::new("vehicle.speed").unwrap();
    drive.add_signal(&id, &Unit::named("km/h"), "").unwrap();
    for t_ns in [vec![10, 20, 20], vec![15, 30], vec![40, 35, 50], vec![20, 21]] {
        let value = t_ns.iter().map(|t_ns| *t_ns as f64).collect();
        let series = Series { t_ns, value, ..Series::new(id.clone(), Unit::named("km/h")) };
        drive.write_samples(0, &series, 0..series.len()).unwrap();
        drive.save().unwrap();
    }
    drive.finish().unwrap();
    let opened = read(file.path()).unwrap();
    let series = &opened.recording.series[0];
    assert_eq!(
        (series.t_ns.as_slice(), series.value.as_slice()),
        (&[10, 20, 20, 20, 21][..], &[10.0, 20.0, 20.0, 20.0, 21.0][..])
    );
    // Two batches, one after the other: one stretch of the file.
    let [problem] = opened.problems.as_slice() else { panic!("{:?}", opened.problems) };
    assert_eq!(problem.kind, ProblemKind::Content("samples that go back in time".into()));
    assert_eq!((problem.after_ns, problem.before_ns), (Some(20), Some(20)));
}
