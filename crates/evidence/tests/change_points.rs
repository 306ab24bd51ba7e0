//! Change points against ruptures, which the environment variable `WITNESS_PYTHON` names an interpreter for.
#![allow(clippy::unwrap_used)]

use std::process::{Command, Stdio};

use evidence::change::pelt;

fn cost(values: &[f64], changes: &[usize], penalty: f64) -> f64 {
    let mut bounds = vec![0];
    bounds.extend(changes);
    bounds.push(values.len());
    let segments = bounds.windows(2).map(|pair| {
        let segment = &values[pair[0]..pair[1]];
        let mean = segment.iter().sum::<f64>() / segment.len() as f64;
        segment.iter().map(|v| (v - mean).powi(2)).sum::<f64>()
    });
    segments.sum::<f64>() + penalty * changes.len() as f64
}

#[test]
fn the_changes_of_ruptures() {
    let Some(python) = std::env::var_os("WITNESS_PYTHON") else {
        eprintln!("skipped: set WITNESS_PYTHON to a Python interpreter that has ruptures");
        return;
    };
    let has_ruptures = Command::new(&python).args(["-c", "import ruptures"]).stderr(Stdio::null()).status();
    if !has_ruptures.is_ok_and(|status| status.success()) {
        eprintln!("skipped: {} has no ruptures", python.to_string_lossy());
        return;
    }
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/oracle/change_points.py");
    let output = Command::new(&python).arg(script).stderr(Stdio::inherit()).output().unwrap();
    assert!(output.status.success(), "the script failed");
    let text = String::from_utf8(output.stdout).unwrap();
    let lines: Vec<Vec<f64>> =
        text.lines().map(|line| line.split_whitespace().map(|word| word.parse().unwrap()).collect()).collect();
    assert_eq!(lines.len(), 4 * 17);
    let (mut n_same, mut n_changes) = (0, 0);
    for (idx, case) in lines.chunks(4).enumerate() {
        let [values, how, expected, expected_cost] = case else { unreachable!("chunks of four") };
        let (penalty, least) = (how[0], how[1] as usize);
        let expected: Vec<usize> = expected.iter().map(|at| *at as usize).collect();
        let found = pelt(values, penalty, least);
        n_changes += found.len();
        n_same += usize::from(found == expected);
        // Never worse, and with segments of any length the very same changes.
        let ours = cost(values, &found, penalty);
        assert!(ours <= expected_cost[0] * (1.0 + 1e-9) + 1e-9, "case {idx}: {ours} {expected_cost:?}");
        assert!(least > 1 || found == expected, "case {idx}: {found:?} {expected:?}");
        if idx == 0 {
            assert_eq!(found, [50], "the published pattern changes at 50");
        }
    }
    assert!(n_changes > 200, "{n_changes}");
    println!("{n_same} of 17 the same, {n_changes} changes");
}
