//! Asks a reference library in tests.
#![cfg(test)]
#![allow(clippy::unwrap_used)]

use std::io::Write;
use std::process::{Command, Stdio};

/// What a Python script prints when it reads numbers as text, one number a line; `None`, and a word on standard error,
/// without an interpreter that has numpy and scipy in the environment variable `WITNESS_PYTHON`.
pub(crate) fn scipy(script: &str, numbers: &[f64]) -> Option<Vec<f64>> {
    let Some(python) = std::env::var_os("WITNESS_PYTHON") else {
        eprintln!("skipped: set WITNESS_PYTHON to a Python interpreter that has numpy and scipy");
        return None;
    };
    let script = format!(
        "import sys, numpy as np\nfrom scipy import stats\nx = np.array([float(w) for w in sys.stdin])\n{script}"
    );
    let mut child =
        Command::new(&python).args(["-c", &script]).stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().unwrap();
    let text: String = numbers.iter().map(|number| format!("{number:?}\n")).collect();
    let mut stdin = child.stdin.take().unwrap();
    let writer = std::thread::spawn(move || stdin.write_all(text.as_bytes()));
    let output = child.wait_with_output().unwrap();
    let _ = writer.join();
    assert!(output.status.success(), "the script failed");
    Some(String::from_utf8(output.stdout).unwrap().lines().map(|line| line.trim().parse().unwrap()).collect())
}
